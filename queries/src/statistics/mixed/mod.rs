//! Random intercept with covariates, by restricted maximum likelihood (REML) or maximum likelihood (ML).
//!
//! The model is `y_ij = beta_0 + x_ij' beta + b_i + e_ij` with independent normal `b_i` (variance between groups) and
//! `e_ij` (variance within). A covariate may vary within groups, between them or both; its one slope stands for both,
//! so a covariate that says something else within than between should be split first
//! ([`within_between`](super::within_between)).
//!
//! One pass over the rows gathers each group's means and products of deviations ([`gather`]); after it the cost grows
//! with the number of groups only. Working on products rather than rows squares the condition of the covariates. That
//! is safe here: products are of centred values, each covariate is brought to unit spread, and covariates of which one
//! is nearly made up of others are refused ([`NotEstimable::Collinear`]).
//!
//! [`random_intercept`](super::random_intercept) is the same model without covariates.
//!
//! Sources: Patterson & Thompson (1971), Biometrika 58:545; Harville (1977), J Am Stat Assoc 72:320.

mod level;
mod likelihood;
mod problem;
mod profile;
mod sums;

pub(super) use level::Parts;
pub use level::{Level, Shrunken};
pub use profile::{NoGroups, VarianceIntervals};
pub use sums::{GroupSums, Sums, gather};

use super::{NotEstimable, finite};
use likelihood::At;
use problem::Problem;

/// What is maximised.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Criterion {
    /// The restricted likelihood: variances unbiased by the number of coefficients. The one to report.
    Reml,
    /// The likelihood itself, needed to compare fits with different covariates.
    Ml,
}

/// One coefficient.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Coefficient {
    /// The estimate, in units of the outcome per unit of the covariate.
    pub estimate: f64,
    /// Its standard error, the variances taken as known.
    pub se: f64,
}

/// The fitted model, see [`fit`].
#[derive(Debug, Clone, PartialEq)]
pub struct Mixed {
    /// The constant (the line where every covariate is 0), then one coefficient a covariate in the order given.
    pub coefficients: Vec<Coefficient>,
    /// The covariances of the coefficients' estimates: one row and one column a coefficient.
    pub covariance: Vec<Vec<f64>>,
    /// The variance between groups that the covariates leave, units squared; exactly 0 when the data show none.
    pub var_between: f64,
    /// The variance within groups that the covariates leave, units squared.
    pub var_within: f64,
    /// The intraclass correlation: the share of the variance left that lies between groups, in `0..=1`.
    pub icc: f64,
    /// Minus twice the (restricted) log-likelihood at the optimum, all constants included. For REML it depends on the
    /// units of the covariates, so only fits with the same covariates compare.
    pub minus_two_log_likelihood: f64,
    /// What was maximised.
    pub criterion: Criterion,
    /// The number of groups.
    pub groups: u64,
    /// The number of rows.
    pub observations: u64,
    /// The means of the covariates over all rows, where [`Mixed::levels`] compares groups.
    pub covariate_means: Vec<f64>,
    problem: Problem,
    at: At,
}

/// Fits the model.
///
/// The likelihood is profiled to one parameter, the ratio of the variances, and its derivative solved to the precision
/// of f64; every interior minimum found on a logarithmic grid is compared with the boundary, where the variance between
/// is exactly 0. A variance of 0 is a result: the data show no more spread between groups than chance gives.
///
/// # Errors
/// [`NotEstimable::OneGroup`] below two groups; [`NotEstimable::OnlySingletons`] when no group has two rows;
/// [`NotEstimable::TooFew`] when coefficients use up the rows; [`NotEstimable::TooFewClusters`] when those that only
/// differences between groups can tell use up the groups; [`NotEstimable::Collinear`] for a covariate that is constant
/// or, to a ten-thousandth of its spread, made up of the ones before it; [`NotEstimable::AllEqual`] or
/// [`NotEstimable::NoVariation`] when the outcome does not vary within groups, or covariates explain it there;
/// [`NotEstimable::NotFinite`] when a product leaves the range of f64.
pub fn fit(sums: &Sums, criterion: Criterion) -> Result<Mixed, NotEstimable> {
    let problem = Problem::new(sums, criterion)?;
    let at = problem.best()?;
    let var_within = finite(at.var_within(&problem))?;

    let p = problem.within.len();
    let mut functions = vec![at.function(1.0, problem.axes.point(&vec![0.0; p]))];
    functions.extend((0..p).map(|j| at.function(0.0, problem.axes.unit(j))));
    let mut covariance = Vec::with_capacity(functions.len());
    let mut coefficients = Vec::with_capacity(functions.len());
    for function in &functions {
        let row = functions
            .iter()
            .map(|other| finite(var_within * at.covariance(function, other)))
            .collect::<Result<Vec<_>, _>>()?;
        covariance.push(row);
        coefficients.push(Coefficient {
            estimate: finite(at.value(&problem, function))?,
            se: finite((var_within * at.covariance(function, function)).sqrt())?,
        });
    }
    let gamma = at.gamma();
    Ok(Mixed {
        coefficients,
        covariance,
        var_between: finite(gamma * var_within)?,
        var_within,
        icc: gamma / (1.0 + gamma),
        minus_two_log_likelihood: finite(problem.criterion(gamma))?,
        criterion,
        groups: problem.points.len() as u64,
        observations: problem
            .points
            .iter()
            .fold(0, |sum: u64, g| sum.saturating_add(g.rows)),
        covariate_means: problem.axes.centre.clone(),
        problem,
        at,
    })
}
