//! Intervals of one proportion and of the difference of two, of independent trials and of trials in clusters.

use statrs::distribution::{Beta, ContinuousCDF};

use super::description::student_quantile;
use super::{Interval, NotEstimable, Z_95, at_least, finite, root};

/// Refuses an empty sample and more successes than trials.
fn check(successes: u64, n: u64) -> Result<(), NotEstimable> {
    at_least(1, n)?;
    if successes > n {
        Err(NotEstimable::OutOfRange {
            what: "a count of successes",
        })
    } else {
        Ok(())
    }
}

/// The 95 % score interval of a proportion, `successes` of `n` independent trials.
///
/// The limits are shares in `0..=1`. At 0 of n the lower limit is exactly 0, at n of n the upper is exactly 1; the
/// formula gives this up to rounding only. Source: Wilson (1927), J Am Stat Assoc 22:209; method 3 of Newcombe
/// (1998), Stat Med 17:857.
///
/// # Errors
/// [`NotEstimable::TooFew`] for `n = 0`, [`NotEstimable::OutOfRange`] when `successes > n`.
pub fn wilson(successes: u64, n: u64) -> Result<Interval, NotEstimable> {
    wilson_at(successes, n, Z_95)
}

/// [`wilson`] at another coverage: `z` standard errors to either side, 1.96 for 95 %.
///
/// # Errors
/// As [`wilson`]; [`NotEstimable::OutOfRange`] unless `z` is positive and finite.
pub fn wilson_at(successes: u64, n: u64, z: f64) -> Result<Interval, NotEstimable> {
    check(successes, n)?;
    if !(z > 0.0 && z.is_finite()) {
        return Err(NotEstimable::OutOfRange {
            what: "the width of an interval",
        });
    }
    let (r, m) = (successes as f64, n as f64);
    let z2 = z * z;
    let middle = 2.0 * r + z2;
    let half = z * (z2 + 4.0 * r * (1.0 - r / m)).sqrt();
    let divisor = 2.0 * (m + z2);
    Ok(Interval {
        lo: if successes == 0 {
            0.0
        } else {
            (middle - half) / divisor
        },
        hi: if successes == n {
            1.0
        } else {
            (middle + half) / divisor
        },
    })
}

/// The 95 % hybrid score interval of the difference `first - second` of two independent proportions.
///
/// Each argument is (successes, trials); the limits are differences of shares, in `-1..=1`. Source: Newcombe (1998),
/// Stat Med 17:873, method 10.
///
/// # Errors
/// As [`wilson`], for either sample.
pub fn newcombe_difference(
    first: (u64, u64),
    second: (u64, u64),
) -> Result<Interval, NotEstimable> {
    newcombe_difference_at(first, second, Z_95)
}

/// [`newcombe_difference`] at another coverage: `z` standard errors to either side, 1.96 for 95 %.
///
/// # Errors
/// As [`wilson_at`], for either sample.
pub fn newcombe_difference_at(
    first: (u64, u64),
    second: (u64, u64),
    z: f64,
) -> Result<Interval, NotEstimable> {
    let (one, two) = (
        wilson_at(first.0, first.1, z)?,
        wilson_at(second.0, second.1, z)?,
    );
    let p1 = first.0 as f64 / first.1 as f64;
    let p2 = second.0 as f64 / second.1 as f64;
    let difference = p1 - p2;
    Ok(Interval {
        lo: (difference - (p1 - one.lo).hypot(two.hi - p2)).max(-1.0),
        hi: (difference + (one.hi - p1).hypot(p2 - two.lo)).min(1.0),
    })
}

/// The 95 % exact interval of a proportion, from the quantiles of two beta distributions.
///
/// It covers at least 95 % at every true share, and so is wider than [`wilson`]. The limits are shares in `0..=1`.
/// Source: Clopper & Pearson (1934), Biometrika 26:404.
///
/// # Errors
/// As [`wilson`].
pub fn clopper_pearson(successes: u64, n: u64) -> Result<Interval, NotEstimable> {
    check(successes, n)?;
    let (r, m) = (successes as f64, n as f64);
    let beta = |a: f64, b: f64| {
        Beta::new(a, b).map_err(|_| NotEstimable::OutOfRange {
            what: "a count of successes",
        })
    };
    // A root of the distribution function, kept to the tail: the inversion in `statrs` 0.19 need not end for samples in
    // the millions, and its distribution function loses digits around the middle there.
    let score = wilson(successes, n)?;
    let share = r / m;
    let lo = if successes == 0 {
        0.0
    } else {
        let law = beta(r, m - r + 1.0)?;
        root::between(|x| law.cdf(x) - 0.025, 0.0, (share + score.lo) / 2.0)
    };
    let hi = if successes == n {
        1.0
    } else {
        let law = beta(r + 1.0, m - r)?;
        root::between(|x| law.sf(x) - 0.025, (share + score.hi) / 2.0, 1.0)
    };
    Ok(Interval { lo, hi })
}

/// Sums over clusters of trials that go together, such as the points of a fitting; see [`share_over_clusters`].
///
/// They add up: those of two sets of clusters are the sums of both.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct ClusterSums {
    /// The number of clusters with a trial.
    pub clusters: u64,
    /// The sum of the clusters' trials.
    pub trials: u64,
    /// The sum of the clusters' successes.
    pub successes: u64,
    /// The sum of the squares of the clusters' trials.
    pub trials_squared: u64,
    /// The sum of each cluster's trials times its successes.
    pub products: u64,
    /// The sum of the squares of the clusters' successes.
    pub successes_squared: u64,
}

/// A share over trials in clusters, see [`share_over_clusters`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ClusteredShare {
    /// The share of all trials, `0..=1`.
    pub share: f64,
    /// Its variance, with clusters taken as independent.
    pub variance: f64,
}

/// The share of all trials, and its variance where clusters, not trials, are independent.
///
/// The share is a ratio of two totals, and its variance that of the clusters' residuals: with `n_i` trials and `y_i`
/// successes in each of `m` clusters, `m / (m - 1) sum (y_i - p n_i)^2 / (sum n_i)^2`. The sum of squares is formed in
/// whole numbers, so nothing cancels. Source: Cochran (1977), Sampling Techniques, 3rd edition, section 3.12 (from
/// memory).
///
/// # Errors
/// [`NotEstimable::TooFew`] without a trial; [`NotEstimable::TooFewClusters`] below two clusters;
/// [`NotEstimable::OutOfRange`] for sums that no clusters have, or beyond 128 bits.
pub fn share_over_clusters(sums: &ClusterSums) -> Result<ClusteredShare, NotEstimable> {
    check(sums.successes, sums.trials)?;
    if sums.clusters < 2 {
        return Err(NotEstimable::TooFewClusters {
            needed: 2,
            got: sums.clusters,
        });
    }
    // (sum n_i)^2 times the sum of squared residuals.
    let residual = |[n, y, nn, ny, yy]: [i128; 5]| -> Option<i128> {
        let product = |a: i128, b: i128, c: i128| a.checked_mul(b)?.checked_mul(c);
        let mixed = product(y, n, ny)?.checked_mul(2)?;
        product(yy, n, n)?
            .checked_add(product(y, y, nn)?)?
            .checked_sub(mixed)
    };
    let squares = residual(
        [
            sums.trials,
            sums.successes,
            sums.trials_squared,
            sums.products,
            sums.successes_squared,
        ]
        .map(i128::from),
    )
    .filter(|squares| *squares >= 0)
    .ok_or(NotEstimable::OutOfRange {
        what: "a set of sums",
    })?;
    let (m, n) = (sums.clusters as f64, sums.trials as f64);
    Ok(ClusteredShare {
        share: sums.successes as f64 / n,
        variance: finite(m / (m - 1.0) * (squares as f64 / (n * n)) / (n * n))?,
    })
}

/// The 95 % interval of the difference `first - second` of two shares over trials in clusters, no cluster in both.
///
/// The limits are differences of shares, in `-1..=1`: the difference and t times the root of the sum of both variances
/// of [`share_over_clusters`], with the degrees of freedom of Welch and Satterthwaite from clusters less one. It leans
/// on the number of clusters, and close to a share of 0 or 1 it covers less than it says. Sources: Cochran as there;
/// Welch (1947), Biometrika 34:28; Satterthwaite (1946), Biometrics Bull 2:110 (all from memory).
///
/// # Errors
/// As [`share_over_clusters`], for either; [`NotEstimable::NoVariation`] where the clusters of one all have the same
/// share, such as 0 or 1, which says nothing about how far others would lie from it.
pub fn difference_over_clusters(
    first: &ClusterSums,
    second: &ClusterSums,
) -> Result<Interval, NotEstimable> {
    let (one, two) = (share_over_clusters(first)?, share_over_clusters(second)?);
    if one.variance <= 0.0 || two.variance <= 0.0 {
        return Err(NotEstimable::NoVariation);
    }
    let variance = one.variance + two.variance;
    let part = |of: f64, clusters: u64| (of / variance).powi(2) / (clusters as f64 - 1.0);
    let degrees =
        finite(1.0 / (part(one.variance, first.clusters) + part(two.variance, second.clusters)))?;
    let half = finite(student_quantile(degrees)? * variance.sqrt())?;
    let difference = one.share - two.share;
    Ok(Interval {
        lo: (difference - half).max(-1.0),
        hi: (difference + half).min(1.0),
    })
}
