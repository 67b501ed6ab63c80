//! One-way analysis of variance.

use statrs::distribution::{ContinuousCDF, FisherSnedecor};

use super::{NotEstimable, all_finite, at_least, finite};

/// The outcome of [`one_way`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OneWay {
    /// The F statistic: the mean square between groups over that within.
    pub f: f64,
    /// The upper-tail p-value.
    pub p: f64,
    /// Degrees of freedom between groups: groups less one.
    pub df_between: f64,
    /// Degrees of freedom within groups: observations less groups.
    pub df_within: f64,
    /// The sum of squares between groups, in units squared.
    pub ss_between: f64,
    /// The sum of squares within groups, in units squared.
    pub ss_within: f64,
    /// The share of the sum of squares that lies between groups, in `0..=1`.
    pub r_squared: f64,
    /// The standard deviation within groups, with divisor `df_within`, in units.
    pub residual_sd: f64,
}

/// Compares the means of groups: one-way analysis of variance with fixed effects.
///
/// One slice a group, in any order and any units; values are taken as independent and of one variance. The sums of
/// squares are taken in two passes on the values less the first one, each with the rounding of its mean taken back
/// out; sums of raw squares would lose every digit of small differences between large values. Sources: Fisher (1925),
/// Statistical Methods for Research Workers (from memory); Chan, Golub & LeVeque (1983), Am Stat 37:242, for the
/// two passes.
///
/// # Errors
/// [`NotEstimable::OneGroup`] below two groups; [`NotEstimable::TooFew`] for an empty group or no degrees of freedom
/// within groups; [`NotEstimable::AllEqual`] when nothing varies at all, [`NotEstimable::NoVariation`] when nothing
/// varies within the groups; [`NotEstimable::NotFinite`].
pub fn one_way(groups: &[&[f64]]) -> Result<OneWay, NotEstimable> {
    if groups.len() < 2 {
        return Err(NotEstimable::OneGroup);
    }
    for group in groups {
        all_finite(group)?;
        at_least(1, group.len() as u64)?;
    }
    let n: usize = groups.iter().map(|group| group.len()).sum();
    at_least(groups.len() as u64 + 1, n as u64)?;
    let origin = groups
        .iter()
        .find_map(|g| g.first())
        .copied()
        .unwrap_or(0.0);

    let mut means = Vec::with_capacity(groups.len());
    let mut ss_within = 0.0;
    for group in groups {
        let size = group.len() as f64;
        let rough = finite(group.iter().map(|v| v - origin).sum::<f64>() / size)?;
        let (sum, squares) = deviations(group.iter().map(|v| (1.0, (v - origin) - rough)));
        ss_within += (squares - sum * sum / size).max(0.0);
        means.push((size, rough + sum / size));
    }
    let rough = means.iter().map(|(size, mean)| size * mean).sum::<f64>() / n as f64;
    let (sum, squares) = deviations(means.iter().map(|(size, mean)| (*size, mean - rough)));
    let ss_between = finite((squares - sum * sum / n as f64).max(0.0))?;
    if finite(ss_within)? <= 0.0 {
        return Err(if ss_between > 0.0 {
            NotEstimable::NoVariation
        } else {
            NotEstimable::AllEqual
        });
    }
    let df_between = (groups.len() - 1) as f64;
    let df_within = (n - groups.len()) as f64;
    let f = finite(ss_between / df_between / (ss_within / df_within))?;
    Ok(OneWay {
        f,
        p: f_upper_tail(f, df_between, df_within)?,
        df_between,
        df_within,
        ss_between,
        ss_within,
        r_squared: finite(ss_between / (ss_between + ss_within))?,
        residual_sd: (ss_within / df_within).sqrt(),
    })
}

/// The weighted sum of deviations and of their squares.
fn deviations(weighted: impl Iterator<Item = (f64, f64)>) -> (f64, f64) {
    weighted.fold((0.0, 0.0), |(sum, squares), (weight, deviation)| {
        (
            sum + weight * deviation,
            squares + weight * deviation * deviation,
        )
    })
}

/// The probability that F with `above` and `below` degrees of freedom exceeds `f`.
///
/// As the lower tail of `1 / f` with the degrees exchanged: `sf` of `statrs` 0.19 starts from `1 - u` with u near 1
/// for large F, and so loses digits where p is smallest.
pub(super) fn f_upper_tail(f: f64, above: f64, below: f64) -> Result<f64, NotEstimable> {
    let law = FisherSnedecor::new(below, above).map_err(|_| NotEstimable::OutOfRange {
        what: "the degrees of freedom",
    })?;
    let inverse = 1.0 / f;
    if inverse.is_infinite() {
        return Ok(1.0);
    }
    finite(law.cdf(inverse))
}
