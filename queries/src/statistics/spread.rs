//! Spread: the interval of a standard deviation, and whether groups spread alike.

use statrs::distribution::{ChiSquared, ContinuousCDF, FisherSnedecor};

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
/// One slice a group, in any order and any units. The sums of squares are taken in two passes; the p-value from the
/// upper tail itself. Source: Brown & Forsythe (1974), J Am Stat Assoc 69:364; NIST/SEMATECH e-Handbook 1.3.5.10.
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
    let n: usize = deviations.iter().map(Vec::len).sum();
    at_least(groups.len() as u64 + 1, n as u64)?;
    let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len() as f64;
    let means: Vec<f64> = deviations.iter().map(|group| mean(group)).collect();
    let grand = deviations.iter().flatten().sum::<f64>() / n as f64;
    let (mut between, mut within) = (0.0, 0.0);
    for (group, mean) in deviations.iter().zip(&means) {
        between += group.len() as f64 * (mean - grand).powi(2);
        within += group
            .iter()
            .map(|value| (value - mean).powi(2))
            .sum::<f64>();
    }
    if within <= 0.0 {
        return Err(NotEstimable::NoVariation);
    }
    let df_between = (groups.len() - 1) as f64;
    let df_within = (n - groups.len()) as f64;
    let w = finite(between / df_between / (within / df_within))?;
    let f = FisherSnedecor::new(df_between, df_within).map_err(|_| NotEstimable::OutOfRange {
        what: "the degrees of freedom",
    })?;
    Ok(BrownForsythe {
        w,
        df_between,
        df_within,
        p: f.sf(w),
    })
}
