//! Spread: the interval of a standard deviation, and whether groups spread alike.

use statrs::distribution::{ChiSquared, ContinuousCDF};

use super::analysis_of_variance::one_way;
use super::description::median;
use super::{Interval, NotEstimable, all_finite, at_least, finite};

/// The 95 % interval of a standard deviation: `sqrt((n - 1) sd^2 / q)`, q the 0.975 and 0.025 quantiles of chi-square
/// with `n - 1` degrees of freedom.
///
/// In the units of `sd`. It holds for independent values from a normal distribution and is sensitive to heavy tails.
/// Source: NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.8 and 7.2.3.1.
///
/// # Errors
/// [`NotEstimable::TooFew`] below two values; [`NotEstimable::AllEqual`] for a standard deviation of 0;
/// [`NotEstimable::OutOfRange`] for one that is none.
pub fn sd_interval(n: u64, sd: f64) -> Result<Interval, NotEstimable> {
    at_least(2, n)?;
    if !(sd >= 0.0 && sd.is_finite()) {
        return Err(NotEstimable::OutOfRange {
            what: "a standard deviation",
        });
    }
    if sd == 0.0 {
        return Err(NotEstimable::AllEqual);
    }
    let degrees = (n - 1) as f64;
    let chi = ChiSquared::new(degrees).map_err(|_| NotEstimable::OutOfRange {
        what: "the degrees of freedom",
    })?;
    let limit = |p: f64| finite(sd * (degrees / chi.inverse_cdf(p)).sqrt());
    Ok(Interval {
        lo: limit(0.975)?,
        hi: limit(0.025)?,
    })
}

/// The outcome of [`brown_forsythe`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BrownForsythe {
    /// The F statistic of the absolute deviations from group medians.
    pub w: f64,
    /// Degrees of freedom between groups.
    pub df_between: f64,
    /// Degrees of freedom within groups.
    pub df_within: f64,
    /// The upper-tail p-value.
    pub p: f64,
}

/// The Brown-Forsythe test of equal spread: one-way analysis of variance of absolute deviations from group medians.
///
/// One slice a group, in any order and any units. The analysis of variance is [`one_way`]. Source: Brown & Forsythe (1974), J Am Stat Assoc 69:364; NIST/SEMATECH e-Handbook 1.3.5.10.
///
/// # Errors
/// [`NotEstimable::OneGroup`] below two groups; [`NotEstimable::TooFew`] for an empty group or no degrees of freedom
/// within groups; [`NotEstimable::NoVariation`] when the absolute deviations do not vary within any group;
/// [`NotEstimable::NotFinite`].
pub fn brown_forsythe(groups: &[&[f64]]) -> Result<BrownForsythe, NotEstimable> {
    if groups.len() < 2 {
        return Err(NotEstimable::OneGroup);
    }
    let mut deviations = Vec::with_capacity(groups.len());
    for group in groups {
        all_finite(group)?;
        let mut sorted = group.to_vec();
        sorted.sort_unstable_by(f64::total_cmp);
        let middle = median(&sorted)?;
        deviations.push(
            sorted
                .iter()
                .map(|value| (value - middle).abs())
                .collect::<Vec<f64>>(),
        );
    }
    let deviations: Vec<&[f64]> = deviations.iter().map(Vec::as_slice).collect();
    let found = one_way(&deviations).map_err(|reason| match reason {
        // Deviations that are all equal do not vary within any group.
        NotEstimable::AllEqual => NotEstimable::NoVariation,
        other => other,
    })?;
    Ok(BrownForsythe {
        w: found.f,
        df_between: found.df_between,
        df_within: found.df_within,
        p: found.p,
    })
}
