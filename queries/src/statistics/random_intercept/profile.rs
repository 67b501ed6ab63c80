//! Profile-likelihood intervals of the variance components.

use super::super::{CHI_SQUARE_95, Interval, NotEstimable, root};
use super::{Data, Group, RandomIntercept};

/// 95 % profile-likelihood intervals, see [`intervals`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct VarianceIntervals {
    /// Of the standard deviation between groups, in the units of the outcome; `lo` is exactly 0 when the data do not
    /// rule out that there is none.
    pub between_sd: Interval,
    /// Of the standard deviation within groups, in the units of the outcome.
    pub within_sd: Interval,
    /// Of the intraclass correlation, in `0..=1`; `lo` is exactly 0 together with that of `between_sd`.
    pub icc: Interval,
}

/// The 95 % profile-likelihood intervals of both standard deviations and of the intraclass correlation.
///
/// A limit is where minus twice the restricted log-likelihood, at the best values of all other parameters, lies
/// 3.841 (the 0.95 quantile of chi-square with one degree of freedom) above its minimum. Source: Venzon & Moolgavkar
/// (1988), Appl Stat 37:87, here on the restricted likelihood. At the boundary this is conservative (Self & Liang 1987,
/// J Am Stat Assoc 82:605). `fit` must come from the same groups.
///
/// # Errors
/// As [`super::fit`]; [`NotEstimable::OutOfRange`] when `fit` is not of these groups.
pub fn intervals(
    groups: &[Group],
    fit: &RandomIntercept,
) -> Result<VarianceIntervals, NotEstimable> {
    let data = Data::new(groups)?;
    let gamma = fit.var_between / fit.var_within;
    let here = data.criterion(gamma);
    let gap = (here - fit.minus_two_log_likelihood).abs();
    if gap.is_nan() || gap > 1e-6 * (1.0 + here.abs()) {
        return Err(NotEstimable::OutOfRange {
            what: "a fit to other groups",
        });
    }
    let cut = here + CHI_SQUARE_95;

    let over = |gamma: f64| data.criterion(gamma) - cut;
    let ratio = Interval {
        lo: if over(0.0) <= 0.0 {
            0.0
        } else {
            crossing(&over, gamma, 0.1)
        },
        hi: crossing(&over, first_step(gamma, &data), 10.0),
    };
    let between = |variance: f64| data.best_over_within(variance, fit.var_within) - cut;
    let between_var = Interval {
        // With no variance between, the two profiles are one and the same number.
        lo: if over(0.0) <= 0.0 {
            0.0
        } else {
            crossing(&between, fit.var_between, 0.1)
        },
        hi: crossing(&between, first_step(gamma, &data) * fit.var_within, 10.0),
    };
    let within = |variance: f64| data.best_over_between(variance, fit.var_between) - cut;
    let within_var = Interval {
        lo: crossing(&within, fit.var_within, 0.5),
        hi: crossing(&within, fit.var_within, 2.0),
    };
    let icc = |gamma: f64| gamma / (1.0 + gamma);
    let root_of = |variance: Interval| Interval {
        lo: variance.lo.sqrt(),
        hi: variance.hi.sqrt(),
    };
    Ok(VarianceIntervals {
        between_sd: root_of(between_var),
        within_sd: root_of(within_var),
        icc: Interval {
            lo: icc(ratio.lo),
            hi: icc(ratio.hi),
        },
    })
}

/// Where the search for an upper limit starts: at the estimate or, for an estimate of 0, so near to it that the
/// criterion has not moved.
fn first_step(gamma: f64, data: &Data<'_>) -> f64 {
    if gamma > 0.0 { gamma } else { 1e-9 / data.n }
}

/// The first crossing of `over` from below, walking from `start` by `factor` (under 1 downwards) until it lies above
/// zero. The criterion goes to infinity in each direction asked for, so the walk ends; its bound only guards rounding.
fn crossing(over: &impl Fn(f64) -> f64, start: f64, factor: f64) -> f64 {
    let mut inside = start;
    for _ in 0..600 {
        let next = inside * factor;
        if over(next) > 0.0 {
            return root::between(|value: f64| over(value.exp()), inside.ln(), next.ln()).exp();
        }
        inside = next;
    }
    inside
}

impl Data<'_> {
    /// Minus twice the restricted log-likelihood at both variances, at the best mean.
    fn at_variances(&self, between: f64, within: f64) -> f64 {
        let gamma = between / within;
        let sums = self.at(gamma);
        let determinant: f64 = self
            .groups
            .iter()
            .map(|g| (g.n as f64 * gamma).ln_1p())
            .sum();
        (self.n - 1.0) * (std::f64::consts::TAU * within).ln()
            + determinant
            + sums.w.ln()
            + (self.ss_within + sums.ss_between) / within
    }

    /// The criterion at a variance between, at the best variance within; `near` is where the search starts.
    fn best_over_within(&self, between: f64, near: f64) -> f64 {
        // Derivative in the logarithm of the variance within. With W = w / within, dW/dwithin = -W^2 / n, and the sum
        // over groups of W / n is what is left of the determinant.
        let slope = |log_within: f64| {
            let within = log_within.exp();
            let gamma = between / within;
            let sums = self.at(gamma);
            // d/dgamma of the terms in gamma at fixed scale, times dgamma/dlog(within) = -gamma.
            let in_gamma = sums.w - sums.w2 / sums.w - sums.ss_between_w / within;
            (self.n - 1.0) - (self.ss_within + sums.ss_between) / within - gamma * in_gamma
        };
        let log_within = descend(&slope, near.ln());
        self.at_variances(between, log_within.exp())
    }

    /// The criterion at a variance within, at the best variance between, which may be 0.
    fn best_over_between(&self, within: f64, near: f64) -> f64 {
        let slope = |between: f64| {
            let sums = self.at(between / within);
            sums.w - sums.w2 / sums.w - sums.ss_between_w / within
        };
        let at_zero = self.at_variances(0.0, within);
        let start = if near > 0.0 { near } else { within / self.n };
        let log_between = descend(&|log: f64| slope(log.exp()), start.ln());
        at_zero.min(self.at_variances(log_between.exp(), within))
    }
}

/// The minimum next to `start` of a function with this slope, found by walking downhill in growing steps until the
/// slope turns; where it never turns, the far end of the walk.
fn descend(slope: &impl Fn(f64) -> f64, start: f64) -> f64 {
    let mut step = if slope(start) > 0.0 { -0.25 } else { 0.25 };
    let mut here = start;
    for _ in 0..40 {
        let next = here + step;
        if slope(next) * step >= 0.0 {
            return root::between(slope, here, next);
        }
        here = next;
        step *= 1.3;
    }
    here
}
