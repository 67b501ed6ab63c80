//! Control charts: p with over-dispersion, X-bar and S, EWMA, individuals.
//!
//! Points are subgroups in the order of time. Constants come from the gamma function rather than from a printed table,
//! so subgroups may have any size. A point is `outside` when it lies beyond a limit; a step that has lasted is in the
//! limits, and shows as a run on one side of the centre. Sources: Montgomery (2020),
//! Introduction to Statistical Quality Control, 8th ed. (from memory); NIST/SEMATECH e-Handbook of Statistical Methods,
//! 6.3; Laney (2002), Quality Engineering 14:531.

use statrs::function::gamma::ln_gamma;

use super::{NotEstimable, all_finite, at_least, finite, same_length};

/// Limits lie this many standard errors from the centre line.
pub const SIGMAS: f64 = 3.0;

/// The mean range of two standard normal values, d2(2) = 2 / sqrt(pi); printed tables round it to 1.128.
pub const D2_OF_TWO: f64 = std::f64::consts::FRAC_2_SQRT_PI;

/// One point of a chart with its limits, all in the units of the chart.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// The plotted value.
    pub value: f64,
    /// The centre line here.
    pub centre: f64,
    /// The lower control limit here.
    pub lower: f64,
    /// The upper control limit here.
    pub upper: f64,
    /// Whether the value lies beyond a limit.
    pub outside: bool,
}

impl Point {
    fn new(value: f64, centre: f64, lower: f64, upper: f64) -> Result<Self, NotEstimable> {
        all_finite(&[value, centre, lower, upper])?;
        Ok(Self {
            value,
            centre,
            lower,
            upper,
            outside: value < lower || value > upper,
        })
    }
}

/// The mean of absolute differences between neighbours.
fn mean_moving_range(values: &[f64]) -> Result<f64, NotEstimable> {
    at_least(2, values.len() as u64)?;
    let sum: f64 = values
        .windows(2)
        .map(|pair| (pair[1] - pair[0]).abs())
        .sum();
    finite(sum / (values.len() - 1) as f64)
}

/// A p-chart with Laney's correction, see [`p_chart`].
#[derive(Debug, Clone, PartialEq)]
pub struct PChart {
    /// The share over all subgroups.
    pub centre: f64,
    /// The spread of the standardised shares over time, by their moving range; 1 when chance alone is at work.
    pub sigma_z: f64,
    /// One point a subgroup, in the order given, with limits clipped to `0..=1`.
    pub points: Vec<Point>,
}

/// A p-chart of (successes, trials) in the order of time: limits `p ± 3 sigma_z sqrt(p (1 - p) / n)`.
///
/// `sigma_z` is the mean moving range of the standardised shares over d2(2) = 2/sqrt(pi) when `laney` is asked for,
/// and is reported either way; without `laney` the limits are those of the plain p-chart. Source: Laney (2002),
/// Quality Engineering 14:531.
///
/// # Errors
/// [`NotEstimable::TooFew`] below two subgroups or for one without trials; [`NotEstimable::AllEqual`] when all trials
/// had the same outcome; [`NotEstimable::OutOfRange`] for more successes than trials.
pub fn p_chart(subgroups: &[(u64, u64)], laney: bool) -> Result<PChart, NotEstimable> {
    at_least(2, subgroups.len() as u64)?;
    for &(successes, n) in subgroups {
        at_least(1, n)?;
        if successes > n {
            return Err(NotEstimable::OutOfRange {
                what: "a count of successes",
            });
        }
    }
    let successes: f64 = subgroups.iter().map(|s| s.0 as f64).sum();
    let trials: f64 = subgroups.iter().map(|s| s.1 as f64).sum();
    let centre = successes / trials;
    if successes == 0.0 || successes == trials {
        return Err(NotEstimable::AllEqual);
    }
    let error = |n: u64| (centre * (1.0 - centre) / n as f64).sqrt();
    let z: Vec<f64> = subgroups
        .iter()
        .map(|&(r, n)| (r as f64 / n as f64 - centre) / error(n))
        .collect();
    let sigma_z = mean_moving_range(&z)? / D2_OF_TWO;
    let width = SIGMAS * if laney { sigma_z } else { 1.0 };
    let point = |&(r, n): &(u64, u64)| {
        let half = width * error(n);
        Point::new(
            r as f64 / n as f64,
            centre,
            (centre - half).max(0.0),
            (centre + half).min(1.0),
        )
    };
    Ok(PChart {
        centre,
        sigma_z,
        points: subgroups.iter().map(point).collect::<Result<_, _>>()?,
    })
}

/// c4: the mean of the standard deviation (divisor n − 1) of n standard normal values,
/// `sqrt(2 / (n - 1)) gamma(n / 2) / gamma((n - 1) / 2)`.
///
/// # Errors
/// [`NotEstimable::TooFew`] below two.
pub fn c4(n: u64) -> Result<f64, NotEstimable> {
    at_least(2, n)?;
    let m = n as f64;
    if n > 1000 {
        // The difference of two large logarithms would lose the digits of 1 - c4; this series leaves out 1/n^4.
        return Ok(1.0 - (1.0 / 4.0 + (7.0 / 32.0 + 19.0 / 128.0 / m) / m) / m);
    }
    Ok((2.0 / (m - 1.0)).sqrt() * (ln_gamma(m / 2.0) - ln_gamma((m - 1.0) / 2.0)).exp())
}

/// A3: the half width of X-bar limits in mean standard deviations, `3 / (c4 sqrt(n))`.
///
/// # Errors
/// [`NotEstimable::TooFew`] below two.
pub fn a3(n: u64) -> Result<f64, NotEstimable> {
    Ok(SIGMAS / (c4(n)? * (n as f64).sqrt()))
}

/// B3 and B4: the limits of S in mean standard deviations, `1 ± 3 sqrt(1 - c4^2) / c4`, the lower not under 0.
///
/// # Errors
/// [`NotEstimable::TooFew`] below two.
pub fn b3_b4(n: u64) -> Result<(f64, f64), NotEstimable> {
    let c4 = c4(n)?;
    let half = SIGMAS * (1.0 - c4 * c4).max(0.0).sqrt() / c4;
    Ok(((1.0 - half).max(0.0), 1.0 + half))
}

/// One subgroup of a measure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Subgroup {
    /// The number of values, at least two.
    pub n: u64,
    /// Their mean.
    pub mean: f64,
    /// Their standard deviation, divisor n − 1.
    pub sd: f64,
}

/// X-bar and S charts of the same subgroups, see [`xbar_s`].
#[derive(Debug, Clone, PartialEq)]
pub struct XbarS {
    /// The mean over all values.
    pub centre: f64,
    /// The standard deviation within subgroups.
    pub sigma: f64,
    /// The means with their limits, in the order given.
    pub means: Vec<Point>,
    /// The standard deviations with their limits, in the order given.
    pub deviations: Vec<Point>,
}

/// X-bar and S charts for subgroups of equal or unequal size.
///
/// The centre is the mean weighted by n. The standard deviation within is the weighted mean of `sd / c4(n)` with
/// weights `c4² / (1 − c4²)`, the inverse of its sampling variance (Burr 1969, J Qual Technol 1:163, from memory); with
/// equal sizes this is the mean standard deviation over c4, and the limits are the textbook's `A3`, `B3` and `B4`.
///
/// # Errors
/// [`NotEstimable::TooFew`] below two subgroups or two values in one; [`NotEstimable::NoVariation`] when all standard
/// deviations are 0; [`NotEstimable::NotFinite`], [`NotEstimable::OutOfRange`] for a mean or a standard deviation that
/// is none.
pub fn xbar_s(subgroups: &[Subgroup]) -> Result<XbarS, NotEstimable> {
    at_least(2, subgroups.len() as u64)?;
    let (mut n_sum, mut mean_sum, mut weights, mut sigma_sum) = (0.0, 0.0, 0.0, 0.0);
    for subgroup in subgroups {
        all_finite(&[subgroup.mean, subgroup.sd])?;
        if subgroup.sd < 0.0 {
            return Err(NotEstimable::OutOfRange {
                what: "a standard deviation",
            });
        }
        let c4 = c4(subgroup.n)?;
        let weight = c4 * c4 / (1.0 - c4 * c4);
        n_sum += subgroup.n as f64;
        mean_sum += subgroup.n as f64 * subgroup.mean;
        weights += weight;
        sigma_sum += weight * subgroup.sd / c4;
    }
    let (centre, sigma) = (finite(mean_sum / n_sum)?, finite(sigma_sum / weights)?);
    if sigma <= 0.0 {
        return Err(NotEstimable::NoVariation);
    }
    let mean_point = |s: &Subgroup| {
        let half = SIGMAS * sigma / (s.n as f64).sqrt();
        Point::new(s.mean, centre, centre - half, centre + half)
    };
    let deviation_point = |s: &Subgroup| {
        let mean_sd = c4(s.n)? * sigma;
        let (b3, b4) = b3_b4(s.n)?;
        Point::new(s.sd, mean_sd, b3 * mean_sd, b4 * mean_sd)
    };
    Ok(XbarS {
        centre,
        sigma,
        means: subgroups.iter().map(mean_point).collect::<Result<_, _>>()?,
        deviations: subgroups
            .iter()
            .map(deviation_point)
            .collect::<Result<_, _>>()?,
    })
}

/// The settings of an exponentially weighted moving average chart.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EwmaSettings {
    /// The weight of the newest point, in `0..=1` without 0.
    pub lambda: f64,
    /// The half width of the limits in standard errors.
    pub width: f64,
}

impl Default for EwmaSettings {
    /// Lambda 0.2 and width 2.7: without any change a false alarm comes after 235 subgroups on average (370 on a
    /// 3-sigma chart), and a change by one standard error is seen after 8 (44). Run lengths by simulation, see the
    /// tests; the Markov chain of Lucas & Saccucci (1990), Technometrics 32:1, gives 238 and 9 for constant limits.
    fn default() -> Self {
        Self {
            lambda: 0.2,
            width: 2.7,
        }
    }
}

/// An exponentially weighted moving average of subgroup means, with limits that widen over time.
///
/// `means` and `sizes` have one entry a subgroup in the order of time; `centre` is where the average starts, `sigma`
/// the standard deviation of one value. `z_t = lambda x_t + (1 - lambda) z_(t-1)`, and its variance follows the same
/// recursion, `v_t = lambda² sigma² / n_t + (1 - lambda)² v_(t-1)` from `v_0 = 0`. That is exact for any sizes; with
/// equal sizes it is the closed form `sigma²/n · lambda/(2 - lambda) · (1 - (1 - lambda)^(2t))`. Sources: Roberts
/// (1959), Technometrics 1:239; NIST/SEMATECH e-Handbook 6.3.2.4.
///
/// # Errors
/// [`NotEstimable::TooFew`] for no subgroup or an empty one; [`NotEstimable::OutOfRange`] for settings or a standard
/// deviation out of range; [`NotEstimable::LengthsDiffer`], [`NotEstimable::NotFinite`].
pub fn ewma(
    means: &[f64],
    sizes: &[u64],
    centre: f64,
    sigma: f64,
    settings: EwmaSettings,
) -> Result<Vec<Point>, NotEstimable> {
    same_length(means.len(), sizes.len())?;
    at_least(1, means.len() as u64)?;
    all_finite(means)?;
    all_finite(&[centre, sigma])?;
    let EwmaSettings { lambda, width } = settings;
    if !(lambda > 0.0 && lambda <= 1.0) {
        return Err(NotEstimable::OutOfRange { what: "lambda" });
    }
    if !(width > 0.0 && width.is_finite()) {
        return Err(NotEstimable::OutOfRange {
            what: "the width of the limits",
        });
    }
    if sigma <= 0.0 {
        return Err(NotEstimable::OutOfRange {
            what: "a standard deviation",
        });
    }
    let (mut average, mut variance) = (centre, 0.0);
    let mut points = Vec::with_capacity(means.len());
    for (mean, &n) in means.iter().zip(sizes) {
        at_least(1, n)?;
        average = lambda * mean + (1.0 - lambda) * average;
        variance =
            lambda * lambda * sigma * sigma / n as f64 + (1.0 - lambda) * (1.0 - lambda) * variance;
        let half = width * variance.sqrt();
        points.push(Point::new(average, centre, centre - half, centre + half)?);
    }
    Ok(points)
}

/// An individuals chart, see [`individuals`].
#[derive(Debug, Clone, PartialEq)]
pub struct Individuals {
    /// The mean of the values.
    pub centre: f64,
    /// The mean moving range over d2(2).
    pub sigma: f64,
    /// The values with their limits, in the order given.
    pub points: Vec<Point>,
}

/// A chart of single values in the order of time: limits `mean ± 3 MR / d2(2)`, MR the mean moving range of two.
///
/// Source: NIST/SEMATECH e-Handbook 6.3.2.2, with the exact d2 in place of 1.128.
///
/// # Errors
/// [`NotEstimable::TooFew`] below two values; [`NotEstimable::AllEqual`] when all are equal;
/// [`NotEstimable::NotFinite`].
pub fn individuals(values: &[f64]) -> Result<Individuals, NotEstimable> {
    all_finite(values)?;
    let sigma = mean_moving_range(values)? / D2_OF_TWO;
    if sigma <= 0.0 {
        return Err(NotEstimable::AllEqual);
    }
    let centre = finite(values.iter().sum::<f64>() / values.len() as f64)?;
    let half = SIGMAS * sigma;
    let point = |&value: &f64| Point::new(value, centre, centre - half, centre + half);
    Ok(Individuals {
        centre,
        sigma,
        points: values.iter().map(point).collect::<Result<_, _>>()?,
    })
}

/// So many points in a row on one side of the centre are a call.
///
/// Of independent values as likely above as below, the first such run ends after `2^8 - 1 = 255` points on average. Nine
/// are also in use (Nelson 1984). Sources: Western Electric (1956), Statistical Quality Control Handbook, the fourth of
/// its tests; NIST/SEMATECH e-Handbook 6.3.2; Feller (1968), An Introduction to Probability Theory, 3rd edition, XIII.7,
/// for the average (all from memory).
pub const RUN: usize = 8;

/// A side of the centre line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Side {
    /// Above it.
    Above,
    /// Below it.
    Below,
}

/// How many points in a row, up to the last one, lie on the same side of their centre, and on which.
///
/// `points` holds value and centre in the order of time, in the units of the chart; none where one of them is not known.
/// A point that is not known, or on its centre, ends a run; where the last one is such, there is none. What counts as a
/// call is [`RUN`].
#[must_use]
pub fn run_at_end(points: &[Option<(f64, f64)>]) -> Option<(Side, usize)> {
    let side = |point: &Option<(f64, f64)>| {
        let (value, centre) = (*point)?;
        if value > centre {
            Some(Side::Above)
        } else if value < centre {
            Some(Side::Below)
        } else {
            None
        }
    };
    let last = side(points.last()?)?;
    let same = points.iter().rev().map(side);
    Some((last, same.take_while(|one| *one == Some(last)).count()))
}
