//! The proportional-odds model for ordered scores.

use super::super::{NotEstimable, finite};
use super::design::{Design, Outcome};
use super::estimate::{Covariance, Estimate};
use super::newton::{Scaled, maximum};

/// A fitted proportional-odds model, see [`fit`].
#[derive(Debug, Clone, PartialEq)]
pub struct ProportionalOdds {
    /// The distinct scores in ascending order, at least two.
    pub levels: Vec<f64>,
    /// The thresholds between them, ascending, in log-odds: one fewer than levels.
    pub thresholds: Vec<f64>,
    /// One coefficient a covariate, in log-odds a unit of the covariate. Positive: higher scores with more of it.
    pub coefficients: Vec<f64>,
    /// The inverse of the observed information: thresholds first, then coefficients. With weights it is right when they
    /// are frequencies; for other weights use [`super::sandwich::cluster_robust`].
    pub covariance: Covariance,
    /// The (weighted) log-likelihood.
    pub log_likelihood: f64,
    /// Minus twice the log-likelihood.
    pub deviance: f64,
    /// Newton steps taken.
    pub iterations: u32,
    /// The number of rows.
    pub n: u64,
    /// The same fit on centred and scaled columns.
    pub(super) scaled: Scaled,
}

impl ProportionalOdds {
    /// The coefficient of a covariate with its 95 % interval and p-value by the normal distribution (Wald), for
    /// independent rows.
    ///
    /// # Errors
    /// [`NotEstimable::OutOfRange`] for a covariate that does not exist.
    pub fn coefficient(&self, covariate: usize) -> Result<Estimate, NotEstimable> {
        let value = self
            .coefficients
            .get(covariate)
            .ok_or(NotEstimable::OutOfRange {
                what: "the position of a covariate",
            })?;
        let error = self
            .covariance
            .standard_error(self.thresholds.len() + covariate)?;
        Estimate::new(*value, error, None)
    }
}

/// Fits logit P(Y ≤ j) = threshold(j) − x'b by maximum likelihood.
///
/// `score` holds one finite value a row; the categories are its distinct values in ascending order, so only their
/// order counts. Each of `columns` is one covariate, with one finite value a row; there may be none. `weights` are
/// positive, one a row, taken as known: a row counts as often as its weight says. `coefficients` are log odds ratios
/// of a higher against a lower score, the same at every threshold; [`super::proportionality::check`] tests that.
///
/// Newton's method on the observed information with step halving, on centred and scaled columns. The result depends
/// neither on the number of threads nor, but for rounding, on the order of rows; k coefficients and n rows cost
/// O(n k²) a step. Runs on the current rayon pool. Source: McCullagh (1980), J R Stat Soc B 42:109.
///
/// # Errors
/// [`NotEstimable::TooFew`] unless there are more rows than parameters; [`NotEstimable::AllEqual`] for one category;
/// [`NotEstimable::Collinear`] for a constant covariate or one that the covariates before it explain up to 1e-5 of
/// its standard deviation; [`NotEstimable::Separation`] when there is no finite estimate, see [`super::separation`];
/// [`NotEstimable::NotConverged`]; [`NotEstimable::LengthsDiffer`]; [`NotEstimable::NotFinite`] for NaN, infinities
/// or overflow; [`NotEstimable::OutOfRange`] for a weight that is not positive, over 1000 categories, or 2^31 rows.
pub fn fit(
    score: &[f64],
    columns: &[&[f64]],
    weights: Option<&[f64]>,
) -> Result<ProportionalOdds, NotEstimable> {
    fit_outcome(Outcome::of_scores(score)?, columns, weights)
}

/// [`fit`] for numbered categories.
pub(super) fn fit_outcome(
    outcome: Outcome,
    columns: &[&[f64]],
    weights: Option<&[f64]>,
) -> Result<ProportionalOdds, NotEstimable> {
    let design = Design::new(&outcome, columns, weights)?;
    let found = maximum(&design)?;
    let (value, iterations) = (found.value, found.iterations);
    let scaled = Scaled::new(&design, found);
    let parameters = scaled.in_given_units()?;
    let covariance =
        scaled.covariance_in_given_units(&(&scaled.covariance / scaled.mean_weight))?;
    let log_likelihood = finite(value * scaled.mean_weight)?;
    Ok(ProportionalOdds {
        levels: outcome.levels,
        thresholds: parameters.thresholds,
        coefficients: parameters.coefficients,
        covariance,
        log_likelihood,
        deviance: -2.0 * log_likelihood,
        iterations,
        n: outcome.category.len() as u64,
        scaled,
    })
}
