//! The likelihood in one parameter, `gamma`: the ratio of the variance between to the variance within groups.

use std::f64::consts::TAU;

use nalgebra::{Cholesky, DMatrix, DVector};

use super::super::{NotEstimable, root};
use super::Criterion;
use super::problem::{Point, Problem};

/// The largest ratio looked at: the spread within groups is then invisible beside that between them.
const LARGEST_RATIO: f64 = 1e100;

/// The best coefficients at one `gamma`, and what the likelihood takes from them.
///
/// With weights `w = n / (1 + n gamma)`, generalised least squares are weighted least squares on the groups' means
/// joined with ordinary ones within groups.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct At {
    gamma: f64,
    /// The sum of weights.
    w: f64,
    /// The weighted means of the groups' means.
    z: Vec<f64>,
    y: f64,
    /// What the slopes are beyond those within groups.
    slopes: Vec<f64>,
    /// The lower Cholesky factor of the covariates' products.
    factor: DMatrix<f64>,
    /// The residual sum of squares, in units of the variance within.
    residual: f64,
    /// The squared residuals of group means, by squared weights.
    residual_w: f64,
    /// The derivative of the determinants in `gamma`.
    determinants_slope: f64,
    /// The logarithms of the determinants: of the rows' covariance and, for REML, of the coefficients' information.
    determinants: f64,
}

/// A linear function of the constant at the centre of the covariates and of the slopes, as [`At`] needs it.
pub(super) struct Function {
    constant: f64,
    direction: Vec<f64>,
    /// The direction beyond `constant` times the weighted mean, in units in which slopes are independent.
    whitened: Vec<f64>,
}

fn product(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

fn weight(point: &Point, gamma: f64) -> f64 {
    point.n / (1.0 + point.n * gamma)
}

impl At {
    pub(super) fn gamma(&self) -> f64 {
        self.gamma
    }

    /// The best variance within groups, units squared.
    pub(super) fn var_within(&self, problem: &Problem) -> f64 {
        self.residual / problem.free
    }

    /// What a group's mean is above the line through the means.
    pub(super) fn residual_of(&self, point: &Point) -> f64 {
        let line: f64 = (point.z.iter().zip(&self.z).zip(&self.slopes))
            .map(|((z, mean), slope)| (z - mean) * slope)
            .sum();
        point.y - self.y - line
    }

    /// `constant` times the constant plus `direction` times the slopes.
    pub(super) fn function(&self, constant: f64, direction: Vec<f64>) -> Function {
        let mut whitened = DVector::from_iterator(
            direction.len(),
            direction.iter().zip(&self.z).map(|(d, z)| d - constant * z),
        );
        // The factor has no zero on its diagonal, so the substitution cannot fail.
        let _solved = self.factor.solve_lower_triangular_mut(&mut whitened);
        Function {
            constant,
            direction,
            whitened: whitened.iter().copied().collect(),
        }
    }

    /// The estimate of a function, in the units of the outcome.
    pub(super) fn value(&self, problem: &Problem, function: &Function) -> f64 {
        let constant = self.y - product(&self.z, &self.slopes);
        function.constant * (problem.origin + constant)
            + product(&function.direction, &problem.slopes)
            + product(&function.direction, &self.slopes)
    }

    /// The covariance of the estimates of two functions, in units of the variance within.
    pub(super) fn covariance(&self, a: &Function, b: &Function) -> f64 {
        a.constant * b.constant / self.w + product(&a.whitened, &b.whitened)
    }
}

impl Problem {
    /// The best coefficients at a ratio of variances; none where f64 cannot hold the products any more.
    pub(super) fn at(&self, gamma: f64) -> Option<At> {
        let p = self.within.len();
        let (mut w, mut z, mut y) = (0.0, vec![0.0; p], 0.0);
        for point in &self.points {
            let weight = weight(point, gamma);
            w += weight;
            y += weight * point.y;
            for (z, mean) in z.iter_mut().zip(&point.z) {
                *z += weight * mean;
            }
        }
        if w.is_nan() || w <= 0.0 {
            return None;
        }
        y /= w;
        for z in &mut z {
            *z /= w;
        }

        // Sums over groups of products of steps from the weighted mean, by weights and by squared weights.
        let mut products = DMatrix::from_diagonal(&DVector::from_column_slice(&self.within));
        let mut squared = DMatrix::zeros(p, p);
        let mut with_y = DVector::zeros(p);
        let mut step = vec![0.0; p];
        for point in &self.points {
            let weight = weight(point, gamma);
            for (j, (mean, z)) in point.z.iter().zip(&z).enumerate() {
                step[j] = mean - z;
                let weighted = weight * step[j];
                with_y[j] += weighted * (point.y - y);
                for (i, other) in step.iter().enumerate().take(j + 1) {
                    products[(j, i)] += weighted * other;
                    squared[(j, i)] += weight * weighted * other;
                }
            }
        }
        // Only the lower triangle is read.
        let factor = Cholesky::new(products)?;
        let slopes = factor.solve(&with_y);
        let mut at = At {
            gamma,
            w,
            z,
            y,
            slopes: slopes.iter().copied().collect(),
            factor: factor.l(),
            residual: self.residual,
            residual_w: 0.0,
            determinants_slope: 0.0,
            determinants: 0.0,
        };
        for (within, slope) in self.within.iter().zip(&at.slopes) {
            at.residual += within * slope * slope;
        }
        for point in &self.points {
            let weight = weight(point, gamma);
            let part = weight * at.residual_of(point).powi(2);
            at.residual += part;
            at.residual_w += weight * part;
            at.determinants += (point.n * gamma).ln_1p();
            at.determinants_slope += weight;
        }
        if self.criterion == Criterion::Reml {
            at.determinants += w.ln() + self.log_scale;
            for pivot in at.factor.diagonal().iter() {
                at.determinants += 2.0 * pivot.ln();
            }
            // What the coefficients take of the groups' weights: the squared weights in units of their information.
            let w2: f64 = self.points.iter().map(|g| weight(g, gamma).powi(2)).sum();
            squared.fill_upper_triangle_with_lower_triangle();
            let _solved = at.factor.solve_lower_triangular_mut(&mut squared);
            squared.transpose_mut();
            let _solved = at.factor.solve_lower_triangular_mut(&mut squared);
            at.determinants_slope -= w2 / w + squared.trace();
        }
        Some(at)
    }

    /// Minus twice the log-likelihood at `gamma`, at the best coefficients and variance within for it.
    pub(super) fn criterion(&self, gamma: f64) -> f64 {
        self.at(gamma).map_or(f64::INFINITY, |at| {
            self.free * ((TAU * at.residual / self.free).ln() + 1.0) + at.determinants
        })
    }

    /// The derivative of [`Self::criterion`] in `gamma`.
    fn score(&self, gamma: f64) -> f64 {
        self.at(gamma).map_or(f64::INFINITY, |at| {
            at.determinants_slope - self.free / at.residual * at.residual_w
        })
    }

    /// Minus twice the log-likelihood at both variances, at the best coefficients.
    pub(super) fn at_variances(&self, between: f64, within: f64) -> f64 {
        self.at(between / within).map_or(f64::INFINITY, |at| {
            self.free * (TAU * within).ln() + at.determinants + at.residual / within
        })
    }

    /// The derivatives of [`Self::at_variances`]: in the ratio of variances with the variance within held, and in the
    /// logarithm of the variance within with that between held.
    pub(super) fn slopes_at(&self, between: f64, within: f64) -> (f64, f64) {
        let gamma = between / within;
        self.at(gamma)
            .map_or((f64::INFINITY, -f64::INFINITY), |at| {
                let in_ratio = at.determinants_slope - at.residual_w / within;
                let in_within = self.free - at.residual / within - gamma * in_ratio;
                (in_ratio, in_within)
            })
    }

    /// The best `gamma`: 0, or the best of the interior minima.
    pub(super) fn best(&self) -> Result<At, NotEstimable> {
        let largest = self.points.iter().map(|g| g.n).fold(1.0, f64::max);
        // The weights hardly move below 1/n, so minima are looked for on a logarithmic scale around it. For gamma
        // large enough the score is positive, since something varies within groups beside the covariates.
        let step = 10f64.powf(0.125);
        let mut best = (self.criterion(0.0), 0.0);
        let mut low = 0.0;
        let mut falling = self.score(0.0) < 0.0;
        let mut high = 1e-9 / largest;
        while high < 1e9 || falling {
            if high > LARGEST_RATIO {
                return Err(NotEstimable::NoVariation);
            }
            let rises = self.score(high) >= 0.0;
            if falling && rises {
                let gamma = root::between(|gamma| self.score(gamma), low, high);
                let value = self.criterion(gamma);
                if value < best.0 {
                    best = (value, gamma);
                }
            }
            falling = !rises;
            low = high;
            high *= step;
        }
        self.at(best.1).ok_or(NotEstimable::NotFinite)
    }
}
