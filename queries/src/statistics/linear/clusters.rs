//! Standard errors that hold when rows of one cluster go together.

use nalgebra::{DMatrix, DVector};
use rayon::prelude::*;

use super::super::{NotEstimable, same_length};
use super::design::Design;
use super::solve::{Solution, solve};
use super::{CoefficientTest, Linear, covariance, units};

/// The small-sample factor on the covariance. Programs mean different ones by "CR1", so a report prints the name.
///
/// G is the number of clusters, N that of rows, K that of coefficients.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Correction {
    /// No factor. With every row its own cluster this is HC0.
    Cr0,
    /// `G / (G - 1)`.
    Cr1,
    /// `G / (G - 1) (N - 1) / (N - K)`. With every row its own cluster this is HC1, `N / (N - K)`.
    Cr1Rows,
}

impl Correction {
    /// The name to print, with the factor written out.
    pub fn name(self) -> &'static str {
        match self {
            Self::Cr0 => "CR0 (no small-sample factor)",
            Self::Cr1 => "CR1 (factor G/(G-1))",
            Self::Cr1Rows => "CR1 with rows (factor G/(G-1) x (N-1)/(N-K))",
        }
    }

    fn factor(self, clusters: f64, rows: f64, coefficients: f64) -> f64 {
        let of_clusters = clusters / (clusters - 1.0);
        match self {
            Self::Cr0 => 1.0,
            Self::Cr1 => of_clusters,
            Self::Cr1Rows => of_clusters * ((rows - 1.0) / (rows - coefficients)),
        }
    }
}

/// A linear model with errors robust to clusters, see [`cluster_robust`].
#[derive(Debug, Clone, PartialEq)]
pub struct Robust {
    /// The fit, with its classical errors.
    pub fit: Linear,
    /// The small-sample factor used.
    pub correction: Correction,
    /// The number of clusters.
    pub clusters: u64,
    /// The degrees of freedom of the t quantiles and p-values: clusters less one.
    pub degrees: f64,
    /// The robust covariance of the coefficients, row by row.
    pub covariance: Vec<Vec<f64>>,
    /// The robust standard errors, in the order of the coefficients.
    pub standard_errors: Vec<f64>,
    /// Each coefficient held against 0. [`NotEstimable::AtLimit`] where the robust error is nothing but rounding:
    /// the residuals then cancel within every cluster, which says nothing about the coefficient.
    pub tests: Vec<Result<CoefficientTest, NotEstimable>>,
}

/// Fits a linear model by least squares, with a covariance robust to any dependence within clusters.
///
/// `y`, `columns` and `intercept` as in [`super::fit`]; `cluster` holds one label a row, in any order. The covariance
/// is `(X'X)^-1 (sum over clusters of X_g' r_g r_g' X_g) (X'X)^-1` times the factor of `correction`. It leans on the
/// number of clusters: below some 40 it is too small on average, and the more so for a covariate that varies between
/// few of them. Sources: Liang & Zeger (1986), Biometrika 73:13; Cameron & Miller (2015), J Hum Resour 50:317 (both
/// from memory).
///
/// # Errors
/// As [`super::fit`]; [`NotEstimable::LengthsDiffer`] also for the labels; [`NotEstimable::TooFewClusters`] below two.
pub fn cluster_robust(
    y: &[f64],
    columns: &[&[f64]],
    intercept: bool,
    cluster: &[u32],
    correction: Correction,
) -> Result<Robust, NotEstimable> {
    same_length(y.len(), cluster.len())?;
    let design = Design::new(y, columns, intercept)?;
    let mut labels = cluster.to_vec();
    labels.par_sort_unstable();
    labels.dedup();
    if labels.len() < 2 {
        return Err(NotEstimable::TooFewClusters {
            needed: 2,
            got: labels.len() as u64,
        });
    }
    let solution = solve(&design)?;
    let fit = Linear::from_solution(&design, &solution)?;
    let coefficients = design.coefficients();
    let (clusters, rows) = (labels.len() as f64, design.n as f64);
    let scores = scores(&design, &solution, cluster, &labels);
    let mut scaled = DMatrix::zeros(coefficients, coefficients);
    for score in scores.chunks_exact(coefficients) {
        let step = influence(&design, &solution, score);
        scaled.ger(1.0, &step, &step, 1.0);
    }
    scaled *= correction.factor(clusters, rows, coefficients as f64);

    let covariance = covariance(&scaled, &units(&design), design.y.unit)?;
    let standard_errors: Vec<f64> = covariance
        .iter()
        .enumerate()
        .map(|(index, row)| row[index].sqrt())
        .collect();
    let degrees = clusters - 1.0;
    let rounding = 64.0 * f64::EPSILON * solution.condition;
    let tests = fit
        .coefficients
        .iter()
        .zip(&standard_errors)
        .zip(&fit.standard_errors)
        .map(|((estimate, robust), classical)| {
            if *robust <= rounding * classical {
                return Err(NotEstimable::AtLimit);
            }
            CoefficientTest::new(*estimate, *robust, degrees)
        })
        .collect();
    Ok(Robust {
        fit,
        correction,
        clusters: labels.len() as u64,
        degrees,
        covariance,
        standard_errors,
        tests,
    })
}

/// The sums over each cluster of the residuals times the columns, cluster after cluster in the order of `labels`.
fn scores(design: &Design, solution: &Solution, cluster: &[u32], labels: &[u32]) -> Vec<f64> {
    let width = design.coefficients();
    let skip = usize::from(design.intercept);
    let mut sums = vec![0.0; width * labels.len()];
    for (row, label) in cluster.iter().enumerate() {
        // Every label is among the labels.
        let position = labels.binary_search(label).unwrap_or_default();
        let residual = solution.residual_at(design, row);
        let sums = &mut sums[position * width..(position + 1) * width];
        if let (true, Some(constant)) = (design.intercept, sums.first_mut()) {
            *constant += residual;
        }
        for (sum, x) in sums.iter_mut().skip(skip).zip(&design.x) {
            *sum += x.at(row) * residual;
        }
    }
    sums
}

/// How far one cluster moves the coefficients: `(X'X)^-1` times its score.
fn influence(design: &Design, solution: &Solution, score: &[f64]) -> DVector<f64> {
    if !design.intercept {
        let score = DVector::from_column_slice(score);
        return &solution.root * solution.root.tr_mul(&score);
    }
    // The scores were taken at centred covariates, as the right part of the root expects them.
    let (constant, slopes) = score.split_first().map_or((0.0, score), |(c, s)| (*c, s));
    let about_means = DVector::from_column_slice(slopes) - &solution.means * constant;
    let mut rotated = DVector::zeros(score.len());
    rotated[0] = solution.root[(0, 0)] * constant;
    rotated
        .rows_mut(1, slopes.len())
        .copy_from(&solution.slopes.tr_mul(&about_means));
    &solution.root * rotated
}
