//! Describing one sample: quantiles, mean and standard deviation.

use statrs::distribution::{ContinuousCDF, StudentsT};

use super::{Interval, NotEstimable, Z_95, all_finite, at_least, finite};

/// The quantile of type 7: linear between order statistics, with `h = (n - 1) p`.
///
/// `sorted` is one sample in ascending order, `p` a share in `0..=1`; the result has the units of the sample.
/// Source: Hyndman & Fan (1996), Am Stat 50:361, definition 7.
///
/// # Errors
/// [`NotEstimable::TooFew`] for an empty sample, [`NotEstimable::NotFinite`] for NaN or infinities,
/// [`NotEstimable::OutOfRange`] when `p` is outside `0..=1` or the sample is not in ascending order.
pub fn quantile(sorted: &[f64], p: f64) -> Result<f64, NotEstimable> {
    at_least(1, sorted.len() as u64)?;
    all_finite(sorted)?;
    if !(0.0..=1.0).contains(&p) {
        return Err(NotEstimable::OutOfRange {
            what: "the share of a quantile",
        });
    }
    if !sorted.is_sorted() {
        return Err(NotEstimable::OutOfRange {
            what: "the order of the sample",
        });
    }
    let h = (sorted.len() - 1) as f64 * p;
    let below = (h.floor() as usize).min(sorted.len() - 1);
    let above = (below + 1).min(sorted.len() - 1);
    let (low, high) = (sorted[below], sorted[above]);
    finite(low + (h - below as f64) * (high - low))
}

/// The median of a sample in ascending order, with the errors of [`quantile`].
///
/// # Errors
/// As [`quantile`].
pub fn median(sorted: &[f64]) -> Result<f64, NotEstimable> {
    quantile(sorted, 0.5)
}

/// Count, mean and sum of squared deviations, updated one value at a time and merged in pairs.
///
/// Sources: Welford (1962), Technometrics 4:419, for the update; Chan, Golub & LeVeque (1983), Am Stat 37:242, for the
/// merge. The last bits depend on the order of values; where the bits matter, push in a fixed order.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Moments {
    /// The number of values.
    pub n: u64,
    /// Their mean, 0 while there are none.
    pub mean: f64,
    /// The sum of squared deviations from the mean.
    pub m2: f64,
}

impl Moments {
    /// Takes one value in.
    pub fn push(&mut self, value: f64) {
        self.n = self.n.saturating_add(1);
        let before = value - self.mean;
        self.mean += before / self.n as f64;
        self.m2 += before * (value - self.mean);
    }

    /// The moments of both samples together.
    #[must_use]
    pub fn merge(self, other: Self) -> Self {
        if self.n == 0 {
            return other;
        }
        if other.n == 0 {
            return self;
        }
        let n = self.n.saturating_add(other.n);
        let delta = other.mean - self.mean;
        let share = other.n as f64 / n as f64;
        Self {
            n,
            mean: self.mean + delta * share,
            m2: self.m2 + other.m2 + delta * delta * self.n as f64 * share,
        }
    }

    /// The standard deviation with divisor `n - 1`.
    ///
    /// # Errors
    /// [`NotEstimable::TooFew`] below two values, [`NotEstimable::NotFinite`] if a pushed value was not finite.
    pub fn sd(&self) -> Result<f64, NotEstimable> {
        at_least(2, self.n)?;
        finite((self.m2 / (self.n - 1) as f64).sqrt())
    }
}

impl FromIterator<f64> for Moments {
    fn from_iter<I: IntoIterator<Item = f64>>(values: I) -> Self {
        let mut moments = Self::default();
        values.into_iter().for_each(|value| moments.push(value));
        moments
    }
}

/// Mean and standard deviation of one sample, see [`mean_sd`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MeanSd {
    /// The number of values.
    pub n: u64,
    /// The mean, in the units of the sample.
    pub mean: f64,
    /// The standard deviation with divisor `n - 1`, in the units of the sample.
    pub sd: f64,
}

/// Mean and standard deviation (divisor `n - 1`) in two passes, with the rounding of the mean taken back out.
///
/// Source: the corrected two-pass algorithm in Chan, Golub & LeVeque (1983), Am Stat 37:242.
///
/// # Errors
/// [`NotEstimable::TooFew`] below two values, [`NotEstimable::NotFinite`] for NaN or infinities.
pub fn mean_sd(values: &[f64]) -> Result<MeanSd, NotEstimable> {
    at_least(2, values.len() as u64)?;
    all_finite(values)?;
    let n = values.len() as f64;
    let first_pass = finite(values.iter().sum::<f64>() / n)?;
    let (sum, squares) = values.iter().fold((0.0, 0.0), |(sum, squares), value| {
        let deviation = value - first_pass;
        (sum + deviation, squares + deviation * deviation)
    });
    let variance = (squares - sum * sum / n).max(0.0) / (n - 1.0);
    Ok(MeanSd {
        n: values.len() as u64,
        mean: first_pass + sum / n,
        sd: finite(variance.sqrt())?,
    })
}

/// `n Q - S^2` in whole numbers, which is `n` times the sum of squared deviations, without any rounding.
pub(super) fn scaled_deviation(
    n: u64,
    sum: i128,
    sum_of_squares: i128,
) -> Result<i128, NotEstimable> {
    let out = NotEstimable::OutOfRange {
        what: "a pair of sums",
    };
    let scaled = i128::from(n)
        .checked_mul(sum_of_squares)
        .zip(sum.checked_mul(sum))
        .and_then(|(left, right)| left.checked_sub(right))
        .ok_or_else(|| out.clone())?;
    // By Cauchy and Schwarz no set of real numbers gives a negative value.
    if scaled < 0 { Err(out) } else { Ok(scaled) }
}

/// The standard deviation (divisor `n - 1`) from exact integer sums: `sqrt((n Q - S^2) / (n (n - 1)))`.
///
/// `n` values have the sum `sum` and the sum of squares `sum_of_squares`, in whole units (hundredths of a decibel in a
/// cohort) and those units squared; the result is in the same unit. The difference is taken in 128-bit integers, so
/// that the cancellation which spoils this formula in floating point cannot happen, and the result does not depend on
/// the order in which the sums were formed.
///
/// # Errors
/// [`NotEstimable::TooFew`] below two values; [`NotEstimable::OutOfRange`] when no real numbers have these sums, or
/// the product leaves the range of 128 bits.
pub fn sd_from_sums(n: u64, sum: i128, sum_of_squares: i128) -> Result<f64, NotEstimable> {
    at_least(2, n)?;
    let scaled = scaled_deviation(n, sum, sum_of_squares)?;
    let divisor = i128::from(n) * i128::from(n - 1);
    Ok((scaled as f64 / divisor as f64).sqrt())
}

/// The two-sided 95 % interval of a mean: `mean ± t(0.975; n - 1) sd / sqrt(n)`.
///
/// The values are taken as independent: hand in one value a fitting, never one an ear. Source: Student (1908),
/// Biometrika 6:1.
///
/// # Errors
/// [`NotEstimable::TooFew`] below two values, [`NotEstimable::NotFinite`] or [`NotEstimable::OutOfRange`] for a mean
/// or standard deviation that is none.
pub fn mean_interval(n: u64, mean: f64, sd: f64) -> Result<Interval, NotEstimable> {
    at_least(2, n)?;
    all_finite(&[mean, sd])?;
    if sd < 0.0 {
        return Err(NotEstimable::OutOfRange {
            what: "a standard deviation",
        });
    }
    let half = finite(student_quantile((n - 1) as f64)? * sd / (n as f64).sqrt())?;
    Ok(Interval {
        lo: mean - half,
        hi: mean + half,
    })
}

/// The 0.975 quantile of Student's t.
///
/// Beyond 1000 degrees of freedom by the expansion around the normal quantile (Abramowitz & Stegun 1964, 26.7.5),
/// whose error is then under 1e-13; the inversion in `statrs` 0.19 loses digits there, and does not end near 1e9.
pub(super) fn student_quantile(degrees: f64) -> Result<f64, NotEstimable> {
    if degrees <= 1000.0 {
        return StudentsT::new(0.0, 1.0, degrees)
            .map(|student| student.inverse_cdf(0.975))
            .map_err(|_| NotEstimable::OutOfRange {
                what: "the degrees of freedom",
            });
    }
    let z = Z_95;
    let z2 = z * z;
    let terms = [
        (z2 + 1.0) / 4.0,
        ((5.0 * z2 + 16.0) * z2 + 3.0) / 96.0,
        (((3.0 * z2 + 19.0) * z2 + 17.0) * z2 - 15.0) / 384.0,
        ((((79.0 * z2 + 776.0) * z2 + 1482.0) * z2 - 1920.0) * z2 - 945.0) / 92160.0,
    ];
    Ok(z * (1.0
        + terms
            .iter()
            .rev()
            .fold(0.0, |sum, term| (sum + term) / degrees)))
}

/// A mean over values that come in clusters, see [`mean_over_clusters`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ClusteredMean {
    /// The number of values.
    pub n: u64,
    /// The number of clusters.
    pub clusters: u64,
    /// The mean of all values, in their units.
    pub mean: f64,
    /// Its 95 % interval; none below two clusters.
    pub interval: Option<Interval>,
}

/// The mean of all values, and an interval that takes clusters, not values, as independent.
///
/// `sums` holds the count and the total of each cluster: the ears of a fitting, say, which go together. The mean is a
/// ratio of totals; its variance is that of the clusters' residual totals, `m / (m - 1) sum (T_i - mean n_i)^2 / n^2`, with
/// t of `m - 1` degrees of freedom. That is least squares with a constant alone and errors robust to clusters, CR1 (see
/// [`super::linear`]). Clusters without a value are left out. Source: Cochran (1977), Sampling Techniques, 3rd edition,
/// section 6 (from memory).
///
/// # Errors
/// [`NotEstimable::TooFew`] without a value; [`NotEstimable::NotFinite`] for totals that are no numbers.
pub fn mean_over_clusters(sums: &[(u64, f64)]) -> Result<ClusteredMean, NotEstimable> {
    let there = || sums.iter().filter(|(n, _)| *n > 0);
    let n: u64 = there().map(|(n, _)| *n).sum();
    at_least(1, n)?;
    let clusters = there().count() as u64;
    let count = n as f64;
    let mean = finite(there().map(|(_, total)| total).sum::<f64>() / count)?;
    let squares: f64 = there()
        .map(|(n, total)| (total - mean * *n as f64).powi(2))
        .sum();
    let m = clusters as f64;
    let interval = if clusters < 2 {
        None
    } else {
        let error = (m / (m - 1.0) * squares).sqrt() / count;
        let half = finite(student_quantile(m - 1.0)? * error)?;
        Some(Interval {
            lo: mean - half,
            hi: mean + half,
        })
    };
    Ok(ClusteredMean {
        n,
        clusters,
        mean,
        interval,
    })
}
