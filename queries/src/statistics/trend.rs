//! Trend in proportions over ordered groups.

use rayon::prelude::*;
use statrs::distribution::{ContinuousCDF, Normal};

use super::random::{below, stream};
use super::{NotEstimable, all_finite, finite, same_length};

/// The outcome of a test for trend, see [`cochran_armitage`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trend {
    /// The standardised slope: positive when the share rises with the score.
    pub z: f64,
    /// `z` squared, chi-square with one degree of freedom without trend.
    pub chi_squared: f64,
    /// The two-sided p-value.
    pub p: f64,
    /// The least-squares slope: change of the share with one unit of the score.
    pub slope: f64,
}

/// The Cochran-Armitage test for a linear trend in proportions.
///
/// One entry a group: its `scores`, `successes` and `trials`. The variance has divisor N (that of R's
/// `prop.trend.test`), not N − 1. An approximation: with small counts use [`permutation_p`]. Sources: Cochran (1954),
/// Biometrics 10:417; Armitage (1955), Biometrics 11:375.
///
/// # Errors
/// [`NotEstimable::OneGroup`] below two groups with trials; [`NotEstimable::AllEqual`] when all scores are equal, or
/// all trials had the same outcome; [`NotEstimable::LengthsDiffer`], [`NotEstimable::NotFinite`];
/// [`NotEstimable::OutOfRange`] for more successes than trials.
pub fn cochran_armitage(
    scores: &[f64],
    successes: &[u64],
    trials: &[u64],
) -> Result<Trend, NotEstimable> {
    check(scores, successes, trials)?;
    let n: f64 = trials.iter().map(|&t| t as f64).sum();
    let r: f64 = successes.iter().map(|&s| s as f64).sum();
    let share = r / n;
    let mean = scores
        .iter()
        .zip(trials)
        .map(|(x, &t)| x * t as f64)
        .sum::<f64>()
        / n;
    let (mut sxx, mut sxy) = (0.0, 0.0);
    for ((x, &s), &t) in scores.iter().zip(successes).zip(trials) {
        let deviation = x - mean;
        sxx += t as f64 * deviation * deviation;
        sxy += deviation * (s as f64 - t as f64 * share);
    }
    let variance = sxx * share * (1.0 - share);
    if variance <= 0.0 {
        return Err(NotEstimable::AllEqual);
    }
    let z = finite(sxy / variance.sqrt())?;
    let p = (2.0 * Normal::standard().sf(z.abs())).min(1.0);
    Ok(Trend {
        z,
        chi_squared: z * z,
        p,
        slope: finite(sxy / sxx)?,
    })
}

/// The most trials that [`permutation_p`] deals out.
const MOST_TRIALS: u128 = 1_000_000;

/// The two-sided permutation p-value of the trend, for counts too small for [`cochran_armitage`].
///
/// Successes are dealt at random over all trials, their total kept; a replicate is as extreme as the data when its
/// sum of scores of successes lies at least as far from the expectation. p = (1 + b)/(1 + m), with b of m replicates
/// as extreme (Phipson & Smyth 2010, Stat Appl Genet Mol Biol 9:39). Each replicate has its own random stream, so the
/// result does not depend on the number of threads. Time is O(replicates · trials).
///
/// # Errors
/// As [`cochran_armitage`]; [`NotEstimable::TooFew`] without a replicate; [`NotEstimable::OutOfRange`] for more than
/// a million trials, where [`cochran_armitage`] serves.
pub fn permutation_p(
    scores: &[f64],
    successes: &[u64],
    trials: &[u64],
    replicates: u64,
    seed: u64,
) -> Result<f64, NotEstimable> {
    cochran_armitage(scores, successes, trials)?;
    super::at_least(1, replicates)?;
    let n: u128 = trials.iter().map(|&t| u128::from(t)).sum();
    if n > MOST_TRIALS {
        return Err(NotEstimable::OutOfRange {
            what: "the number of trials",
        });
    }
    let all = n as u32;
    let mean = scores
        .iter()
        .zip(trials)
        .map(|(x, &t)| x * t as f64)
        .sum::<f64>()
        / n as f64;
    let deviations = || scores.iter().map(|x| x - mean);
    let rows: Vec<f64> = deviations()
        .zip(trials)
        .flat_map(|(x, &t)| std::iter::repeat_n(x, t as usize))
        .collect();
    let observed: f64 = deviations()
        .zip(successes)
        .map(|(x, &s)| x * s as f64)
        .sum();
    let total: u64 = successes.iter().sum();
    // Equal sums may differ in the last bits: rounding must not decide whether a tie counts.
    let limit = observed.abs() - 1e-10 * rows.iter().map(|x| x.abs()).sum::<f64>();
    let deal = |rows_left: &mut Vec<f64>, replicate: u64| {
        rows_left.copy_from_slice(&rows);
        let mut rng = stream(seed, "trend permutation", replicate);
        let mut sum = 0.0;
        // The first `total` places of a shuffle, each taken as soon as it is settled.
        for place in 0..total as u32 {
            let chosen = place + below(&mut rng, all - place);
            rows_left.swap(place as usize, chosen as usize);
            sum += rows_left[place as usize];
        }
        u64::from(sum.abs() >= limit)
    };
    let extreme: u64 = (0..replicates)
        .into_par_iter()
        .map_init(|| rows.clone(), deal)
        .sum();
    Ok((1 + extreme) as f64 / (1.0 + replicates as f64))
}

/// The checks that both forms of the test share.
fn check(scores: &[f64], successes: &[u64], trials: &[u64]) -> Result<(), NotEstimable> {
    same_length(scores.len(), successes.len())?;
    same_length(scores.len(), trials.len())?;
    all_finite(scores)?;
    if successes.iter().zip(trials).any(|(s, t)| s > t) {
        return Err(NotEstimable::OutOfRange {
            what: "a count of successes",
        });
    }
    let held: Vec<f64> = scores
        .iter()
        .zip(trials)
        .filter(|(_, t)| **t > 0)
        .map(|(x, _)| *x)
        .collect();
    if held.len() < 2 {
        return Err(NotEstimable::OneGroup);
    }
    if held.windows(2).all(|pair| pair[0] == pair[1]) {
        return Err(NotEstimable::AllEqual);
    }
    Ok(())
}
