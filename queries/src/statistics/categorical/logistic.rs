//! Logistic regression of a yes or no: the proportional-odds model with two categories.

use super::super::NotEstimable;
use super::design::Outcome;
use super::estimate::{Covariance, Estimate};
use super::proportional_odds::{ProportionalOdds, fit_outcome};

/// A fitted logistic regression, see [`fit`].
#[derive(Debug, Clone, PartialEq)]
pub struct Logistic {
    /// The intercept, then one coefficient a covariate, in log-odds of yes.
    pub coefficients: Vec<f64>,
    /// The inverse of the information, in the order of `coefficients`; with weights as in [`ProportionalOdds`].
    pub covariance: Covariance,
    /// The (weighted) log-likelihood.
    pub log_likelihood: f64,
    /// Minus twice the log-likelihood.
    pub deviance: f64,
    /// Newton steps taken.
    pub iterations: u32,
    /// The number of rows.
    pub n: u64,
    /// The same fit as a model of two ordered categories.
    pub(super) ordinal: ProportionalOdds,
}

/// The coefficients of a logistic regression for centred and scaled columns.
pub(in crate::statistics) struct ScaledLogistic {
    /// The intercept, then one coefficient a column.
    pub(in crate::statistics) coefficients: Vec<f64>,
    /// The mean of each column.
    pub(in crate::statistics) mean: Vec<f64>,
    /// The standard deviation of each column.
    pub(in crate::statistics) sd: Vec<f64>,
}

impl Logistic {
    /// A coefficient (0 is the intercept) with its 95 % interval and p-value by the normal distribution (Wald), for
    /// independent rows.
    ///
    /// # Errors
    /// [`NotEstimable::OutOfRange`] for a position that does not exist.
    pub fn coefficient(&self, position: usize) -> Result<Estimate, NotEstimable> {
        let value = self
            .coefficients
            .get(position)
            .ok_or(NotEstimable::OutOfRange {
                what: "the position of a coefficient",
            })?;
        Estimate::new(*value, self.covariance.standard_error(position)?, None)
    }

    /// The intercept and the coefficients for columns less `mean`, divided by `sd`.
    pub(in crate::statistics) fn on_scaled_columns(&self) -> ScaledLogistic {
        let scaled = &self.ordinal.scaled;
        let intercept = scaled.parameters.thresholds.iter().map(|t| -t);
        let coefficients = scaled.parameters.coefficients.iter().copied();
        ScaledLogistic {
            coefficients: intercept.chain(coefficients).collect(),
            mean: scaled.mean.clone(),
            sd: scaled.sd.clone(),
        }
    }

    pub(super) fn of_two_categories(fitted: ProportionalOdds) -> Self {
        // The threshold is the log-odds of no at x = 0, the intercept that of yes.
        let coefficients = fitted
            .thresholds
            .iter()
            .map(|threshold| -threshold)
            .chain(fitted.coefficients.iter().copied())
            .collect();
        Self {
            coefficients,
            covariance: turn_first(&fitted.covariance),
            log_likelihood: fitted.log_likelihood,
            deviance: fitted.deviance,
            iterations: fitted.iterations,
            n: fitted.n,
            ordinal: fitted,
        }
    }
}

/// The covariance after the first parameter has changed its sign.
pub(super) fn turn_first(covariance: &Covariance) -> Covariance {
    let mut turned = covariance.0.clone();
    for other in 1..turned.nrows() {
        turned[(0, other)] = -turned[(0, other)];
        turned[(other, 0)] = -turned[(other, 0)];
    }
    Covariance(turned)
}

/// Fits logit P(yes) = intercept + x'b by maximum likelihood.
///
/// `outcome` has one answer a row, `columns` one covariate each, `weights` one positive number a row. Method, cost and
/// errors are those of [`super::proportional_odds::fit`] with two categories; [`NotEstimable::AllEqual`] when all
/// answers are the same. Source: Cox (1958), J R Stat Soc B 20:215.
///
/// # Errors
/// As [`super::proportional_odds::fit`].
pub fn fit(
    outcome: &[bool],
    columns: &[&[f64]],
    weights: Option<&[f64]>,
) -> Result<Logistic, NotEstimable> {
    let fitted = fit_outcome(Outcome::of_answers(outcome), columns, weights)?;
    Ok(Logistic::of_two_categories(fitted))
}
