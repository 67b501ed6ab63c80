//! Profile-likelihood intervals of the variance components, and the test of a variance between of 0.

use statrs::distribution::{ChiSquared, ContinuousCDF};

use super::super::{CHI_SQUARE_95, Interval, NotEstimable, root};
use super::Mixed;
use super::problem::Problem;

/// 95 % profile-likelihood intervals, see [`Mixed::intervals`].
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

/// The likelihood-ratio test that the variance between groups is 0, see [`Mixed::no_groups`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NoGroups {
    /// How much higher minus twice the log-likelihood is without groups; 0 when the estimate is 0.
    pub statistic: f64,
    /// The p-value: half the upper tail of chi-square with one degree of freedom, and 1 when the statistic is 0.
    pub p: f64,
}

impl Mixed {
    /// The 95 % profile-likelihood intervals of both standard deviations and of the intraclass correlation.
    ///
    /// A limit is where minus twice the (restricted) log-likelihood, at the best values of all other parameters, lies
    /// 3.841 (the 0.95 quantile of chi-square with one degree of freedom) above its minimum. Source: Venzon &
    /// Moolgavkar (1988), Appl Stat 37:87. At the boundary this is conservative (Self & Liang 1987, J Am Stat Assoc
    /// 82:605).
    ///
    /// # Errors
    /// [`NotEstimable::NotFinite`] when a limit leaves the range of f64.
    pub fn intervals(&self) -> Result<VarianceIntervals, NotEstimable> {
        let data = &self.problem;
        let gamma = self.at.gamma();
        let cut = self.minus_two_log_likelihood + CHI_SQUARE_95;

        let over = |gamma: f64| data.criterion(gamma) - cut;
        let first = first_step(gamma, data);
        let no_lower = over(0.0) <= 0.0;
        let ratio = Interval {
            lo: if no_lower {
                0.0
            } else {
                crossing(&over, gamma, 0.1)
            },
            hi: crossing(&over, first, 10.0),
        };
        let between = |variance: f64| data.best_over_within(variance, self.var_within) - cut;
        let between_var = Interval {
            // With no variance between, the two profiles are one and the same number.
            lo: if no_lower {
                0.0
            } else {
                crossing(&between, self.var_between, 0.1)
            },
            hi: crossing(&between, first * self.var_within, 10.0),
        };
        let within = |variance: f64| data.best_over_between(variance, self.var_between) - cut;
        let within_var = Interval {
            lo: crossing(&within, self.var_within, 0.5),
            hi: crossing(&within, self.var_within, 2.0),
        };
        let map = |interval: Interval, f: fn(f64) -> f64| {
            let (lo, hi) = (f(interval.lo), f(interval.hi));
            if lo.is_finite() && hi.is_finite() {
                Ok(Interval { lo, hi })
            } else {
                Err(NotEstimable::NotFinite)
            }
        };
        Ok(VarianceIntervals {
            between_sd: map(between_var, f64::sqrt)?,
            within_sd: map(within_var, f64::sqrt)?,
            icc: map(ratio, |gamma| gamma / (1.0 + gamma))?,
        })
    }

    /// Tests that there is no variance between groups beyond what the covariates explain.
    ///
    /// Since 0 is the end of the range, half of all samples without variance between give a statistic of 0, so the
    /// p-value is half of the usual one. Source: Self & Liang (1987), J Am Stat Assoc 82:605, case 5; a little
    /// conservative with few groups.
    ///
    /// # Errors
    /// [`NotEstimable::NotFinite`] when the likelihood at 0 leaves the range of f64.
    pub fn no_groups(&self) -> Result<NoGroups, NotEstimable> {
        let statistic = self.problem.criterion(0.0) - self.minus_two_log_likelihood;
        let statistic = super::finite(statistic)?.max(0.0);
        let p = if statistic > 0.0 {
            let chi = ChiSquared::new(1.0).map_err(|_| NotEstimable::NotFinite)?;
            0.5 * chi.sf(statistic)
        } else {
            1.0
        };
        Ok(NoGroups { statistic, p })
    }
}

/// Where the search for an upper limit starts: at the estimate or, for an estimate of 0, so near to it that the
/// criterion has not moved.
fn first_step(gamma: f64, data: &Problem) -> f64 {
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

impl Problem {
    /// The criterion at a variance between, at the best variance within; `near` is where the search starts.
    fn best_over_within(&self, between: f64, near: f64) -> f64 {
        let slope = |log_within: f64| self.slopes_at(between, log_within.exp()).1;
        let log_within = descend(&slope, near.ln());
        self.at_variances(between, log_within.exp())
    }

    /// The criterion at a variance within, at the best variance between, which may be 0.
    fn best_over_between(&self, within: f64, near: f64) -> f64 {
        let slope = |log_between: f64| self.slopes_at(log_between.exp(), within).0;
        let at_zero = self.at_variances(0.0, within);
        let start = if near > 0.0 { near } else { within / self.n };
        let log_between = descend(&slope, start.ln());
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
