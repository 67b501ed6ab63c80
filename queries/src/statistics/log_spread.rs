//! Groups' spreads compared on the logarithmic scale.
//!
//! Whether clinicians differ in how evenly they fit is a question about standard deviations. On the logarithmic scale
//! the error of a standard deviation depends on its degrees of freedom alone, so spreads can be pooled and shrunken as
//! means are. The errors are those of normal values: where tails are heavy, they are too small, and so is every
//! p-value and interval here; [`super::spread::brown_forsythe`] does not lean on normality.

use statrs::distribution::{ChiSquared, ContinuousCDF};
use statrs::function::gamma::digamma;

use super::{Interval, NotEstimable, Z_95, at_least, finite, root};

/// One group's standard deviation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GroupSpread {
    /// The number of independent values, two at least.
    pub n: u64,
    /// Their standard deviation with divisor `n - 1`, above 0.
    pub sd: f64,
}

/// The logarithm of a group's standard deviation, see [`log_sd`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LogSd {
    /// The unbiased estimate of the logarithm of the true standard deviation.
    pub value: f64,
    /// The sampling variance of `value`.
    pub variance: f64,
}

/// The spreads of all groups taken together, see [`compare`].
#[derive(Debug, Clone, PartialEq)]
pub struct LogSpread {
    /// The typical standard deviation: the exponential of the mean log, in the units of the values.
    pub typical: f64,
    /// Its 95 % interval.
    pub typical_interval: Interval,
    /// The mean log standard deviation.
    pub mean_log: f64,
    /// The standard error of `mean_log`, the variance between taken as known.
    pub se_mean_log: f64,
    /// The variance of true log standard deviations between groups; exactly 0 when the data show none.
    pub var_between: f64,
    /// Cochran's Q: squared deviations of the logs from their fixed-effect mean, over their sampling variances.
    pub q: f64,
    /// The degrees of freedom of `q`: groups less one.
    pub df: u64,
    /// The upper-tail p-value of `q`.
    pub p: f64,
    /// One entry a group, in the order given.
    pub groups: Vec<ShrunkenSpread>,
}

/// One group's standard deviation, drawn towards the typical one as far as its size calls for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ShrunkenSpread {
    /// The group's own log standard deviation and its sampling variance.
    pub own: LogSd,
    /// The weight of the group's own log in the shrunken one, in `0..=1`.
    pub reliability: f64,
    /// The shrunken log standard deviation.
    pub log: f64,
    /// The root mean squared error of `log`, with the uncertainty of the mean.
    pub log_error: f64,
    /// The shrunken standard deviation, in the units of the values: the exponential of `log`.
    pub sd: f64,
    /// Its 95 % limits.
    pub sd_limits: Interval,
    /// The shrunken standard deviation over the typical one.
    pub ratio: f64,
    /// The 95 % limits of the ratio.
    pub ratio_limits: Interval,
}

/// The unbiased log standard deviation of a normal sample, and its sampling variance.
///
/// With m = n − 1 degrees of freedom, m s² / σ² is chi-square, and the logarithm of a chi-square has mean
/// ψ(m/2) + ln 2 and variance ψ′(m/2). So the value is ln s − (ψ(m/2) − ln(m/2)) / 2 and its variance ψ′(m/2) / 4,
/// both exact. The forms often seen, ln s + 1/(2m) and 1/(2m), are their first terms, 5 % off in the variance at
/// n = 20. Source: Bartlett & Kendall (1946), Suppl J R Stat Soc 8:128 (from memory).
///
/// # Errors
/// [`NotEstimable::TooFew`] below two values; [`NotEstimable::NoVariation`] for a standard deviation of 0, which has
/// no logarithm; [`NotEstimable::OutOfRange`] for one that is none.
pub fn log_sd(group: GroupSpread) -> Result<LogSd, NotEstimable> {
    at_least(2, group.n)?;
    if !(group.sd >= 0.0 && group.sd.is_finite()) {
        return Err(NotEstimable::OutOfRange {
            what: "a standard deviation",
        });
    }
    if group.sd == 0.0 {
        return Err(NotEstimable::NoVariation);
    }
    let degrees = group.n - 1;
    let half = degrees as f64 / 2.0;
    Ok(LogSd {
        value: finite(group.sd.ln() - (digamma(half) - half.ln()) / 2.0)?,
        variance: variance_of_log_chi_square(degrees) / 4.0,
    })
}

/// The variance of the logarithm of a chi-square with whole degrees of freedom m: ψ′(m/2).
///
/// `statrs` has ψ but not ψ′. At whole and half arguments ψ′ is a finite sum: π²/6 at 1 and π²/2 at 1/2, and each step
/// of 1 from x takes 1/x² off (Abramowitz & Stegun 1964, 6.4.3 to 6.4.6). Beyond 10,000 degrees of freedom, where the
/// sum is long, the first terms of its expansion are exact to f64 (6.4.12).
fn variance_of_log_chi_square(degrees: u64) -> f64 {
    let m = degrees as f64;
    if degrees > 10_000 {
        return 2.0 / m + 2.0 / (m * m) + 4.0 / (3.0 * m * m * m);
    }
    let square = std::f64::consts::PI * std::f64::consts::PI;
    let (start, first) = if degrees.is_multiple_of(2) {
        (square / 6.0, 2)
    } else {
        (square / 2.0, 1)
    };
    // 1/x² at x = k/2 is 4/k²; smallest first.
    let taken: f64 = (first..degrees as u32)
        .step_by(2)
        .rev()
        .map(|k| 4.0 / f64::from(k).powi(2))
        .sum();
    start - taken
}

/// Compares the spreads of groups: is there more difference between them than chance gives, how much, and where does
/// each group stand.
///
/// `groups` holds one entry a group. The logs of [`log_sd`] are pooled in a random-effects model. The variance between
/// groups is that of Paule & Mandel (1982), J Res Natl Bur Stand 87:377 (from memory): the value at which the
/// generalised Q equals its degrees of freedom, or 0 when Q is below them already, which is a result. Each
/// group's log is shrunken towards the mean with weight τ²/(τ² + v), and its limits carry the uncertainty of the mean
/// but not that of τ², as in
/// [`super::random_intercept::RandomIntercept::shrunken`]. The p-value takes Q as chi-square, which the logs of small
/// groups (below about five values) reach only roughly.
///
/// # Errors
/// [`NotEstimable::OneGroup`] below two groups; for any group what [`log_sd`] refuses.
pub fn compare(groups: &[GroupSpread]) -> Result<LogSpread, NotEstimable> {
    if groups.len() < 2 {
        return Err(NotEstimable::OneGroup);
    }
    let own: Vec<LogSd> = groups
        .iter()
        .map(|group| log_sd(*group))
        .collect::<Result<_, _>>()?;
    let df = own.len() as u64 - 1;
    let fixed = pooled(&own, 0.0);
    let q = finite(fixed.q)?;
    let var_between = finite(paule_mandel(&own, q, df as f64))?;
    let mean = pooled(&own, var_between);
    let se = finite(mean.weight.recip().sqrt())?;
    let chi = ChiSquared::new(df as f64).map_err(|_| NotEstimable::OutOfRange {
        what: "the degrees of freedom",
    })?;
    let shrunken = own
        .iter()
        .map(|own| shrink(*own, mean.mean, se, var_between))
        .collect::<Result<_, _>>()?;
    Ok(LogSpread {
        typical: finite(mean.mean.exp())?,
        typical_interval: exponential(mean.mean, se)?,
        mean_log: mean.mean,
        se_mean_log: se,
        var_between,
        q,
        df,
        p: chi.sf(q).clamp(0.0, 1.0),
        groups: shrunken,
    })
}

/// The mean of the logs at one variance between.
struct Pooled {
    mean: f64,
    /// The sum of the weights `1 / (v + var_between)`.
    weight: f64,
    /// The generalised Q.
    q: f64,
}

fn pooled(own: &[LogSd], var_between: f64) -> Pooled {
    // Logs are taken from the first, so that equal ones give a Q of exactly 0.
    let origin = own.first().map_or(0.0, |log| log.value);
    let terms = || {
        own.iter()
            .map(|log| ((log.variance + var_between).recip(), log.value - origin))
    };
    let weight: f64 = terms().map(|(w, _)| w).sum();
    let shift = terms().map(|(w, value)| w * value).sum::<f64>() / weight;
    Pooled {
        mean: origin + shift,
        weight,
        q: terms().map(|(w, value)| w * (value - shift).powi(2)).sum(),
    }
}

/// The variance between groups at which the generalised Q, which falls with it, equals `df`.
fn paule_mandel(own: &[LogSd], q: f64, df: f64) -> f64 {
    if q <= df {
        return 0.0;
    }
    let mut high = own.iter().map(|log| log.variance).fold(0.0, f64::max);
    // Q is below the sum of squares over the variance between, so this ends.
    while pooled(own, high).q > df {
        high *= 2.0;
    }
    root::between(|variance| pooled(own, variance).q - df, 0.0, high)
}

/// `exp(log ± 1.96 error)`.
fn exponential(log: f64, error: f64) -> Result<Interval, NotEstimable> {
    Ok(Interval {
        lo: finite((log - Z_95 * error).exp())?,
        hi: finite((log + Z_95 * error).exp())?,
    })
}

fn shrink(
    own: LogSd,
    mean: f64,
    se_mean: f64,
    var_between: f64,
) -> Result<ShrunkenSpread, NotEstimable> {
    let reliability = var_between / (var_between + own.variance);
    let effect = reliability * (own.value - mean);
    let log = mean + effect;
    let conditional = reliability * own.variance;
    let log_error = (conditional + ((1.0 - reliability) * se_mean).powi(2)).sqrt();
    let effect_error = (conditional + (reliability * se_mean).powi(2)).sqrt();
    Ok(ShrunkenSpread {
        own,
        reliability,
        log,
        log_error,
        sd: finite(log.exp())?,
        sd_limits: exponential(log, log_error)?,
        ratio: finite(effect.exp())?,
        ratio_limits: exponential(effect, effect_error)?,
    })
}
