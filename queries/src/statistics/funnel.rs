//! Funnel plots: control limits against group size, and over-dispersion.
//!
//! Source throughout: Spiegelhalter (2005), Stat Med 24:1185; over-dispersion also Spiegelhalter (2005), Qual Saf
//! Health Care 14:347.

use statrs::distribution::{Binomial, ContinuousCDF, DiscreteCDF, Normal};

use super::description::quantile;
use super::{Interval, NotEstimable, all_finite, at_least, finite};

/// The coverage of the inner limits.
pub const INNER: f64 = 0.95;
/// The coverage of the outer limits.
pub const OUTER: f64 = 0.998;

/// The normal quantile that belongs to a two-sided coverage.
fn z_of(coverage: f64) -> Result<f64, NotEstimable> {
    if !(coverage > 0.0 && coverage < 1.0) {
        return Err(NotEstimable::OutOfRange {
            what: "the coverage of a limit",
        });
    }
    Ok(Normal::standard().inverse_cdf(0.5 + coverage / 2.0))
}

/// The exact binomial limit, interpolated between counts: the share that `n` trials at `target` stay under with
/// probability `p`.
///
/// With r the smallest count whose cumulative probability reaches `p`, the limit is `(r - a) / n`,
/// `a = (P(R <= r) - p) / P(R = r)`. It may lie under 0 when r = 0; [`binomial_limits`] clips. This is the
/// interpolation of Spiegelhalter (2005); others exist. Above a variance of 20 000 counts the limit
/// comes from an expansion instead, which agrees to within a thousandth of a count.
///
/// # Errors
/// [`NotEstimable::TooFew`] for `n = 0`; [`NotEstimable::OutOfRange`] unless `target` and `p` lie strictly between 0
/// and 1.
pub fn binomial_limit(target: f64, n: u64, p: f64) -> Result<f64, NotEstimable> {
    at_least(1, n)?;
    if !(p > 0.0 && p < 1.0) {
        return Err(NotEstimable::OutOfRange {
            what: "the probability of a limit",
        });
    }
    if !(target > 0.0 && target < 1.0) {
        return Err(NotEstimable::OutOfRange {
            what: "the target of a funnel",
        });
    }
    if n as f64 * target * (1.0 - target) > EXACT_VARIANCE {
        return Ok(expanded_limit(target, n as f64, p));
    }
    let binomial = Binomial::new(target, n).map_err(|_| NotEstimable::OutOfRange {
        what: "the target of a funnel",
    })?;
    // Bisection for the smallest count with cdf >= p.
    let (mut low, mut r) = (0, n);
    while low < r {
        let middle = low + (r - low) / 2;
        if binomial.cdf(middle) >= p {
            r = middle;
        } else {
            low = middle + 1;
        }
    }
    let up_to = binomial.cdf(r);
    let under = if r == 0 { 0.0 } else { binomial.cdf(r - 1) };
    let a = if up_to > under {
        (up_to - p) / (up_to - under)
    } else {
        0.0
    };
    finite((r as f64 - a) / n as f64)
}

/// Beyond this variance the distribution function in `statrs` 0.19 loses digits around the middle.
const EXACT_VARIANCE: f64 = 20_000.0;

/// The interpolated limit of a large group. A straight line between the cumulative probabilities of neighbouring
/// counts is the distribution function of R − U with U uniform on 0 to 1, so the limit is a quantile of that; here by
/// the expansion of Cornish & Fisher (1938), Rev Int Stat Inst 5:307, from its first four cumulants.
fn expanded_limit(target: f64, n: f64, p: f64) -> f64 {
    let variance = n * target * (1.0 - target);
    let smoothed = variance + 1.0 / 12.0;
    let skewness = variance * (1.0 - 2.0 * target) / smoothed.powf(1.5);
    let excess =
        (variance * (1.0 - 6.0 * target * (1.0 - target)) - 1.0 / 120.0) / (smoothed * smoothed);
    let z = Normal::standard().inverse_cdf(p);
    let quantile = z + skewness * (z * z - 1.0) / 6.0 + excess * z * (z * z - 3.0) / 24.0
        - skewness * skewness * z * (2.0 * z * z - 5.0) / 36.0;
    (n * target - 0.5 + smoothed.sqrt() * quantile) / n
}

/// The two-sided exact limits of a share around `target` for `n` trials, interpolated and clipped to `0..=1`, their
/// distance from the target widened by the root of `phi`.
///
/// The lower limit is [`binomial_limit`] at half of what the coverage leaves; the upper one is the lower limit of the
/// complement, turned round, so that a funnel of a share and one of its complement call out the same groups. Taking the
/// formula at the upper tail instead, as published, puts the limit up to one count lower: with a target of 0.85, 20
/// of 20 would lie beyond 99.8 % limits though one such group in 26 shows it (0.85 to the power 20 is 0.039).
///
/// `phi` is the over-dispersion in force ([`Dispersion::in_force`]), 1 for none. Widening exact limits in this way is
/// our convention, no source: it gives the exact limits at 1 and Spiegelhalter's normal form for large n.
///
/// # Errors
/// As [`binomial_limit`]; [`NotEstimable::OutOfRange`] for a coverage outside `0..1` or `phi` below 1.
pub fn binomial_limits(
    target: f64,
    n: u64,
    coverage: f64,
    phi: f64,
) -> Result<Interval, NotEstimable> {
    z_of(coverage)?;
    if !(phi >= 1.0 && phi.is_finite()) {
        return Err(NotEstimable::OutOfRange {
            what: "the over-dispersion",
        });
    }
    let tail = (1.0 - coverage) / 2.0;
    let widen = |limit: f64| (target + (limit - target) * phi.sqrt()).clamp(0.0, 1.0);
    Ok(Interval {
        lo: widen(binomial_limit(target, n, tail)?),
        hi: widen(1.0 - binomial_limit(1.0 - target, n, tail)?),
    })
}

/// How a funnel's limits allow for over-dispersion.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Widening {
    /// Not at all.
    None,
    /// The variance of each group times this factor, phi.
    Multiplicative(f64),
    /// This variance between groups, tau squared, added to the variance of each group.
    Additive(f64),
}

impl Widening {
    /// The standard error with over-dispersion in it.
    ///
    /// # Errors
    /// [`NotEstimable::OutOfRange`] for a negative or infinite standard error, phi or tau squared.
    pub fn standard_error(self, standard_error: f64) -> Result<f64, NotEstimable> {
        let variance = standard_error * standard_error;
        let wide = match self {
            Self::None => variance,
            Self::Multiplicative(phi) => variance * phi,
            Self::Additive(tau_squared) if tau_squared >= 0.0 => variance + tau_squared,
            Self::Additive(_) => f64::NAN,
        };
        if standard_error >= 0.0 && wide.is_finite() && wide >= 0.0 {
            Ok(wide.sqrt())
        } else {
            Err(NotEstimable::OutOfRange {
                what: "the standard error of a group",
            })
        }
    }
}

/// The two-sided normal limits around `target` for a group whose mean has this standard error (sd / sqrt(n)).
///
/// In the units of the target. For continuous measures the additive widening is the one to use.
///
/// # Errors
/// [`NotEstimable::OutOfRange`] for a coverage outside `0..1` or a standard error that is none;
/// [`NotEstimable::NotFinite`] for a target that is no number.
pub fn normal_limits(
    target: f64,
    standard_error: f64,
    coverage: f64,
    widening: Widening,
) -> Result<Interval, NotEstimable> {
    let half = z_of(coverage)? * widening.standard_error(standard_error)?;
    Ok(Interval {
        lo: finite(target - half)?,
        hi: finite(target + half)?,
    })
}

/// The z score of a share: `(r / n - target) / sqrt(target (1 - target) / n)`.
///
/// # Errors
/// [`NotEstimable::TooFew`] for `n = 0`; [`NotEstimable::OutOfRange`] for more successes than trials, or a target not
/// strictly between 0 and 1.
pub fn z_of_share(successes: u64, n: u64, target: f64) -> Result<f64, NotEstimable> {
    at_least(1, n)?;
    if successes > n {
        return Err(NotEstimable::OutOfRange {
            what: "a count of successes",
        });
    }
    if !(target > 0.0 && target < 1.0) {
        return Err(NotEstimable::OutOfRange {
            what: "the target of a funnel",
        });
    }
    finite((successes as f64 / n as f64 - target) / (target * (1.0 - target) / n as f64).sqrt())
}

/// Over-dispersion of a set of groups, see [`dispersion`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Dispersion {
    /// The mean squared z score; about 1 when groups differ by chance alone.
    pub phi: f64,
    /// The same after winsorising the z scores.
    pub phi_winsorised: f64,
    /// The variance between groups by moments, from the raw z scores; not under 0.
    pub tau_squared: f64,
    /// The same from the winsorised z scores.
    pub tau_squared_winsorised: f64,
    /// The number of groups.
    pub groups: u64,
}

impl Dispersion {
    /// The winsorised phi that widens limits: never under 1, since groups more alike than chance are no reason to
    /// narrow them.
    pub fn in_force(&self) -> f64 {
        self.phi_winsorised.max(1.0)
    }
}

/// The share of z scores drawn in at either end.
const WINSORISED_SHARE: f64 = 0.1;

/// Over-dispersion from one z score and one standard error a group, 10 % winsorised at either end.
///
/// The z scores beyond the type-7 quantiles at 0.1 and 0.9 are set to those quantiles. Multiplicative:
/// phi = mean of z². Additive: tau² = (I phi − (I − 1)) / (Σw − Σw²/Σw) with w = 1/se², floored at 0 (moments, as
/// DerSimonian & Laird 1986). With a dozen groups or fewer both are rough.
///
/// # Errors
/// [`NotEstimable::OneGroup`] below two groups; [`NotEstimable::LengthsDiffer`]; [`NotEstimable::NotFinite`];
/// [`NotEstimable::OutOfRange`] for a standard error that is not positive.
pub fn dispersion(z: &[f64], standard_errors: &[f64]) -> Result<Dispersion, NotEstimable> {
    super::same_length(z.len(), standard_errors.len())?;
    all_finite(z)?;
    all_finite(standard_errors)?;
    if z.len() < 2 {
        return Err(NotEstimable::OneGroup);
    }
    if standard_errors.iter().any(|&se| se <= 0.0) {
        return Err(NotEstimable::OutOfRange {
            what: "the standard error of a group",
        });
    }
    let mut sorted = z.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    let low = quantile(&sorted, WINSORISED_SHARE)?;
    let high = quantile(&sorted, 1.0 - WINSORISED_SHARE)?;
    let groups = z.len() as f64;
    // Summed in sorted order, so that the order of groups cannot move the last bits.
    let phi = sorted.iter().map(|z| z * z).sum::<f64>() / groups;
    let phi_winsorised = sorted
        .iter()
        .map(|z| z.clamp(low, high).powi(2))
        .sum::<f64>()
        / groups;

    let mut weights: Vec<f64> = standard_errors.iter().map(|se| 1.0 / (se * se)).collect();
    weights.sort_unstable_by(f64::total_cmp);
    let (w, w2) = weights.iter().fold((0.0, 0.0), |(w, w2), weight| {
        (w + weight, w2 + weight * weight)
    });
    let tau_squared = |phi: f64| finite(((groups * phi - (groups - 1.0)) / (w - w2 / w)).max(0.0));
    Ok(Dispersion {
        phi: finite(phi)?,
        phi_winsorised: finite(phi_winsorised)?,
        tau_squared: tau_squared(phi)?,
        tau_squared_winsorised: tau_squared(phi_winsorised)?,
        groups: z.len() as u64,
    })
}
