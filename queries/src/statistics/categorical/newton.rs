//! The maximum of the likelihood by Newton's method with step halving, and the way back to the given units.

use nalgebra::{Cholesky, DMatrix, DVector, Dyn};

use super::super::{NotEstimable, all_finite, finite};
use super::design::Design;
use super::estimate::Covariance;
use super::likelihood::{Likelihood, Parameters, likelihood};
use super::separation::Watch;

/// Steps after which a search is given up. A search with a finite maximum takes 4 to 10.
const MOST_STEPS: u32 = 100;

/// Halvings of one step after which a search is given up.
const MOST_HALVINGS: u32 = 50;

/// The squared length of a step in standard errors (for weights of mean 1) under which it is the last one. Steps shrink
/// quadratically, so what is left after it is far under rounding.
const SETTLED: f64 = 1e-24;

/// The squared length under which a step may also be the last one because rounding keeps it from shrinking as it
/// should: covariates that are nearly combinations of each other.
const ROUNDING: f64 = 1e-14;

/// A step that is not shorter than the one before, squared, by this factor has met rounding.
const SHRINKS: f64 = 0.01;

/// The largest movement of a linear predictor that the last step may make: more, and the likelihood is flat because
/// something runs away.
const AT_REST: f64 = 1e-3;

/// Squared lengths in standard errors under which the log-likelihood cannot tell a better point from rounding; there
/// the full step is right without asking.
const UNTESTED: f64 = 1e-6;

/// The maximum, for centred and scaled columns and weights with mean 1.
pub(super) struct Maximum {
    pub(super) parameters: Parameters,
    pub(super) value: f64,
    /// The inverse of the observed information.
    pub(super) covariance: DMatrix<f64>,
    /// The steps taken.
    pub(super) iterations: u32,
}

/// A symmetric matrix, factored after scaling its diagonal to 1.
///
/// The scaling keeps the accuracy of a factor whose rows differ in size (van der Sluis 1969, Numer Math 14:14, from
/// memory): thresholds between rare categories beside coefficients of common covariates.
pub(in crate::statistics) struct Factor {
    cholesky: Cholesky<f64, Dyn>,
    scale: DVector<f64>,
}

impl Factor {
    /// The factor of a positive definite matrix.
    pub(in crate::statistics) fn new(matrix: &DMatrix<f64>) -> Option<Self> {
        let diagonal = matrix.diagonal();
        if !diagonal
            .iter()
            .all(|value| *value > 0.0 && value.is_finite())
        {
            return None;
        }
        let scale = diagonal.map(|value| 1.0 / value.sqrt());
        let scaled = DMatrix::from_fn(matrix.nrows(), matrix.ncols(), |i, j| {
            scale[i] * matrix[(i, j)] * scale[j]
        });
        Cholesky::new(scaled).map(|cholesky| Self { cholesky, scale })
    }

    /// The solution of matrix × x = right.
    pub(in crate::statistics) fn solve(&self, right: &DVector<f64>) -> DVector<f64> {
        self.cholesky
            .solve(&right.component_mul(&self.scale))
            .component_mul(&self.scale)
    }

    /// The inverse.
    pub(in crate::statistics) fn inverse(&self) -> DMatrix<f64> {
        let inner = self.cholesky.inverse();
        DMatrix::from_fn(inner.nrows(), inner.ncols(), |i, j| {
            self.scale[i] * inner[(i, j)] * self.scale[j]
        })
    }

    /// The smallest share of a parameter's information that the parameters before it leave.
    pub(in crate::statistics) fn smallest_pivot(&self) -> f64 {
        self.cholesky
            .l_dirty()
            .diagonal()
            .iter()
            .fold(1.0, |smallest: f64, pivot| smallest.min(pivot * pivot))
    }
}

/// Finds the maximum.
pub(super) fn maximum(design: &Design) -> Result<Maximum, NotEstimable> {
    let mut parameters = start(design);
    let mut at = likelihood(design, &parameters);
    let mut watch = Watch::default();
    let mut before = f64::INFINITY;
    for iteration in 1..=MOST_STEPS {
        let given_up = NotEstimable::NotConverged {
            iterations: iteration,
        };
        Watch::complete(design, &parameters, &at)?;
        let factor = Factor::new(&at.information).ok_or_else(|| given_up.clone())?;
        let step = factor.solve(&at.gradient);
        let length = finite(step.dot(&at.gradient))?;
        let direction = parameters.moved(&step, 1.0);
        let full = Parameters {
            thresholds: step.iter().take(design.thresholds()).copied().collect(),
            coefficients: step.iter().skip(design.thresholds()).copied().collect(),
        };
        let settled = length <= SETTLED || (length <= ROUNDING && length >= SHRINKS * before);
        before = length;
        if settled && movement(design, &full) <= AT_REST && direction.ordered() {
            return Ok(Maximum {
                parameters: direction,
                value: finite(at.value)?,
                covariance: factor.inverse(),
                iterations: iteration,
            });
        }
        watch.quasi_complete(design, &full, iteration)?;
        (parameters, at) = advance(design, &parameters, &at, &step, length).ok_or(given_up)?;
    }
    Err(NotEstimable::NotConverged {
        iterations: MOST_STEPS,
    })
}

/// The next point: the full step, halved until the thresholds are in order and the log-likelihood does not fall.
fn advance(
    design: &Design,
    parameters: &Parameters,
    at: &Likelihood,
    step: &DVector<f64>,
    length: f64,
) -> Option<(Parameters, Likelihood)> {
    let mut share = 1.0;
    for _ in 0..MOST_HALVINGS {
        let trial = parameters.moved(step, share);
        if trial.ordered() {
            let next = likelihood(design, &trial);
            if next.value >= at.value || (length <= UNTESTED && next.value.is_finite()) {
                return Some((trial, next));
            }
        }
        share *= 0.5;
    }
    None
}

/// Thresholds at the logits of the cumulative shares, no effects: the maximum when no covariate matters.
fn start(design: &Design) -> Parameters {
    let weights = &design.category_weight;
    let thresholds = (1..weights.len())
        .map(|cut| {
            let (under, over) = weights.split_at(cut);
            (under.iter().sum::<f64>() / over.iter().sum::<f64>()).ln()
        })
        .collect();
    Parameters {
        thresholds,
        coefficients: vec![0.0; design.columns.len()],
    }
}

/// A bound of how far a step moves any linear predictor from any threshold.
fn movement(design: &Design, step: &Parameters) -> f64 {
    let thresholds = step
        .thresholds
        .iter()
        .fold(0.0, |largest: f64, value| largest.max(value.abs()));
    let predictors: f64 = step
        .coefficients
        .iter()
        .zip(&design.reach)
        .map(|(value, reach)| value.abs() * reach)
        .sum();
    thresholds + predictors
}

/// A fit on centred and scaled columns, kept beside the one in given units because sums over rows are accurate there.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Scaled {
    pub(super) parameters: Parameters,
    /// The inverse of the information with weights of mean 1.
    pub(super) covariance: DMatrix<f64>,
    /// The mean of each column.
    pub(super) mean: Vec<f64>,
    /// The standard deviation of each column.
    pub(super) sd: Vec<f64>,
    /// What weights are to be divided by.
    pub(super) mean_weight: f64,
}

impl Scaled {
    pub(super) fn new(design: &Design, found: Maximum) -> Self {
        Self {
            parameters: found.parameters,
            covariance: found.covariance,
            mean: design.mean.clone(),
            sd: design.sd.clone(),
            mean_weight: design.mean_weight,
        }
    }

    /// The matrix that takes the parameters to the units of the given columns.
    ///
    /// With x = (X − mean)/sd the linear predictor is Σ (b/sd) X − Σ (b/sd) mean, so the thresholds take the second
    /// sum.
    fn change(&self) -> DMatrix<f64> {
        let thresholds = self.parameters.thresholds.len();
        let q = thresholds + self.mean.len();
        let mut change = DMatrix::identity(q, q);
        for (k, (mean, sd)) in self.mean.iter().zip(&self.sd).enumerate() {
            for threshold in 0..thresholds {
                change[(threshold, thresholds + k)] = mean / sd;
            }
            change[(thresholds + k, thresholds + k)] = 1.0 / sd;
        }
        change
    }

    /// The parameters in the units of the given columns.
    pub(super) fn in_given_units(&self) -> Result<Parameters, NotEstimable> {
        let all = self
            .parameters
            .thresholds
            .iter()
            .chain(&self.parameters.coefficients)
            .copied();
        let q = self.covariance.nrows();
        let given = self.change() * DVector::from_iterator(q, all);
        all_finite(given.as_slice())?;
        let thresholds = self.parameters.thresholds.len();
        Ok(Parameters {
            thresholds: given.iter().take(thresholds).copied().collect(),
            coefficients: given.iter().skip(thresholds).copied().collect(),
        })
    }

    /// A covariance in the units of the given columns.
    pub(super) fn covariance_in_given_units(
        &self,
        covariance: &DMatrix<f64>,
    ) -> Result<Covariance, NotEstimable> {
        let change = self.change();
        let given = &change * covariance * change.transpose();
        all_finite(given.as_slice())?;
        Ok(Covariance(given))
    }
}
