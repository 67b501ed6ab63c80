//! Intervals of one proportion and of the difference of two.

use statrs::distribution::{Beta, ContinuousCDF};

use super::{Interval, NotEstimable, Z_95, at_least, root};

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
