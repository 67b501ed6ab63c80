//! Variance between and within groups: a mean with a random intercept, by restricted maximum likelihood (REML).
//!
//! The model is `y_ij = mu + b_i + e_ij` with independent normal `b_i` (variance between) and `e_ij` (variance
//! within). Everything is computed from each group's count, mean and sum of squares, so the cost after one pass over
//! the data grows with the number of groups only. Sources: Patterson & Thompson (1971), Biometrika 58:545; Harville
//! (1977), J Am Stat Assoc 72:320. This is [`mixed`] without covariates, for data that come as one count, mean and sum of
//! squares a group.

pub use super::mixed::{Shrunken, VarianceIntervals};

use super::description::scaled_deviation;
use super::mixed::{self, Criterion, Mixed, Parts, Sums};
use super::{NotEstimable, all_finite, finite};

/// One group's sufficient numbers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Group {
    /// The number of observations.
    pub n: u64,
    /// Their mean, in the units of the outcome.
    pub mean: f64,
    /// The sum of their squared deviations from that mean, in those units squared.
    pub ss: f64,
}

impl Group {
    /// A group from exact integer sums of values and of their squares; `unit` is the size of one whole step (0.01 for
    /// hundredths of a decibel), and the group comes out in the larger unit.
    ///
    /// # Errors
    /// [`NotEstimable::TooFew`] for `n = 0`; [`NotEstimable::OutOfRange`] when no real numbers have these sums, or the
    /// products leave the range of 128 bits; [`NotEstimable::NotFinite`] for a unit that is no number.
    pub fn from_sums(
        n: u64,
        sum: i128,
        sum_of_squares: i128,
        unit: f64,
    ) -> Result<Self, NotEstimable> {
        super::at_least(1, n)?;
        let scaled = scaled_deviation(n, sum, sum_of_squares)?;
        Ok(Self {
            n,
            mean: finite(sum as f64 / n as f64 * unit)?,
            ss: finite(scaled as f64 / n as f64 * unit * unit)?,
        })
    }
}

/// The fitted model, see [`fit`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RandomIntercept {
    /// The mean over groups, in the units of the outcome.
    pub mu: f64,
    /// The standard error of `mu`, the variances taken as known.
    pub se_mu: f64,
    /// The variance between groups, units squared; exactly 0 when the data show none.
    pub var_between: f64,
    /// The variance within groups, units squared.
    pub var_within: f64,
    /// The intraclass correlation: the share of the variance that lies between groups, in `0..=1`.
    pub icc: f64,
    /// Minus twice the restricted log-likelihood at the optimum, all constants included.
    pub minus_two_log_likelihood: f64,
    /// The number of groups.
    pub groups: u64,
    /// The number of observations.
    pub observations: u64,
}

/// The model behind both [`fit`] and [`intervals`].
fn model(groups: &[Group]) -> Result<Mixed, NotEstimable> {
    if groups.iter().any(|g| g.n == 0) {
        return Err(NotEstimable::TooFew { needed: 1, got: 0 });
    }
    for group in groups {
        all_finite(&[group.mean, group.ss])?;
    }
    if groups.iter().any(|g| g.ss < 0.0) {
        return Err(NotEstimable::OutOfRange {
            what: "a sum of squares",
        });
    }
    let sums = Sums::of_outcome(groups.iter().map(|g| (g.n, g.mean, g.ss)));
    mixed::fit(&sums, Criterion::Reml)
}

/// Fits the random intercept by REML.
///
/// `groups` holds one entry a group. The likelihood is profiled to one parameter, the ratio of the variances, and its
/// derivative solved to the precision of f64; every interior minimum found on a logarithmic grid is compared with the
/// boundary, where the variance between is exactly 0. A variance of 0 is a result: the data show no more spread
/// between groups than chance gives.
///
/// # Errors
/// [`NotEstimable::OneGroup`] below two groups; [`NotEstimable::OnlySingletons`] when no group has two observations;
/// [`NotEstimable::AllEqual`] or [`NotEstimable::NoVariation`] without any spread within groups;
/// [`NotEstimable::TooFew`] for an empty group; [`NotEstimable::NotFinite`] or [`NotEstimable::OutOfRange`] for means
/// or sums of squares that are none.
pub fn fit(groups: &[Group]) -> Result<RandomIntercept, NotEstimable> {
    let model = model(groups)?;
    let mean = model.coefficients.first().ok_or(NotEstimable::OneGroup)?;
    Ok(RandomIntercept {
        mu: mean.estimate,
        se_mu: mean.se,
        var_between: model.var_between,
        var_within: model.var_within,
        icc: model.icc,
        minus_two_log_likelihood: model.minus_two_log_likelihood,
        groups: model.groups,
        observations: model.observations,
    })
}

/// The 95 % profile-likelihood intervals of both standard deviations and of the intraclass correlation, see
/// [`Mixed::intervals`]. `fit` must come from the same groups.
///
/// # Errors
/// As [`fit`]; [`NotEstimable::OutOfRange`] when `fit` is not of these groups.
pub fn intervals(
    groups: &[Group],
    fit: &RandomIntercept,
) -> Result<VarianceIntervals, NotEstimable> {
    let model = model(groups)?;
    let here = model.minus_two_log_likelihood;
    let gap = (here - fit.minus_two_log_likelihood).abs();
    if gap.is_nan() || gap > 1e-6 * (1.0 + here.abs()) {
        return Err(NotEstimable::OutOfRange {
            what: "a fit to other groups",
        });
    }
    model.intervals()
}

impl RandomIntercept {
    /// The shrunken mean of each group, in the order given.
    ///
    /// The limits carry the uncertainty of `mu` but not that of the variances, and so are a little narrow with few
    /// groups. With a variance between of 0 every estimate is `mu` and the conditional standard deviation 0: that is
    /// absence of evidence for differences, and no ground for a ranking. Source: Robinson (1991), Stat Sci 6:15.
    ///
    /// # Errors
    /// [`NotEstimable::TooFew`] for an empty group, [`NotEstimable::NotFinite`] for a mean that is no number.
    pub fn shrunken(&self, groups: &[Group]) -> Result<Vec<Shrunken>, NotEstimable> {
        let gamma = self.var_between / self.var_within;
        let var_mu = self.se_mu * self.se_mu;
        let one = |group: &Group| {
            super::at_least(1, group.n)?;
            let signal = group.n as f64 * gamma;
            Shrunken::new(&Parts {
                var_between: self.var_between,
                signal,
                residual: group.mean - self.mu,
                reference: self.mu,
                var_at_group: var_mu,
                var_left: var_mu / (1.0 + signal).powi(2),
            })
        };
        groups.iter().map(one).collect()
    }
}
