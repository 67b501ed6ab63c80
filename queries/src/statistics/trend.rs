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
/// `prop.trend.test`), not N − 1. An approximation: with small counts use [`p_of_trend`]. Sources: Cochran (1954),
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

/// The most steps that [`exact_p`] takes through the tables.
const MOST_STEPS: u64 = 10_000_000;

/// The two-sided exact p-value of the trend, for counts too small for [`cochran_armitage`].
///
/// It is what [`permutation_p`] approaches with ever more replicates: the probability, over all ways of dealing the
/// successes to the trials, that the sum of scores of successes lies at least as far from its expectation as in the
/// data. The tables with the data's trials a group and successes in all are listed one by one, each with its
/// (multivariate hypergeometric) probability; groups of equal score count as one. Source: Agresti
/// (1992), Stat Sci 7:131 (from memory).
///
/// # Errors
/// As [`cochran_armitage`]; [`NotEstimable::OutOfRange`] when there are more tables than can be listed in about ten
/// million steps, where [`permutation_p`] serves.
pub fn exact_p(scores: &[f64], successes: &[u64], trials: &[u64]) -> Result<f64, NotEstimable> {
    cochran_armitage(scores, successes, trials)?;
    // Up to here counts and their sums are exact in f64; beyond, no table would be small enough anyway.
    if trials.iter().map(|&t| u128::from(t)).sum::<u128>() > 1 << 53 {
        return Err(too_many());
    }
    let groups = Pooled::by_score(scores, successes, trials);
    let n: f64 = groups.iter().map(|g| g.trials as f64).sum();
    let mean = groups
        .iter()
        .map(|g| g.score * g.trials as f64)
        .sum::<f64>()
        / n;
    let reach: f64 = groups
        .iter()
        .map(|g| (g.score - mean).abs() * g.trials as f64)
        .sum();
    let observed: f64 = groups
        .iter()
        .map(|g| (g.score - mean) * g.successes as f64)
        .sum();
    // Equal sums may differ in the last bits: rounding must not decide whether a tie counts.
    let limit = finite(observed.abs() - 1e-10 * reach)?;
    let tables = Tables::new(&groups, mean)?;
    let (extreme, all) = tables.walk(limit)?;
    // The data are one of the tables, so the p-value is above 0, even where its f64 is not.
    Ok(finite(extreme / all)?.clamp(f64::MIN_POSITIVE, 1.0))
}

/// The groups of one score, taken as one.
struct Pooled {
    score: f64,
    successes: u64,
    trials: u64,
}

impl Pooled {
    /// In ascending order of score, without groups that have no trials.
    fn by_score(scores: &[f64], successes: &[u64], trials: &[u64]) -> Vec<Self> {
        let mut groups: Vec<Self> = scores
            .iter()
            .zip(successes)
            .zip(trials)
            .filter(|(_, t)| **t > 0)
            .map(|((&score, &successes), &trials)| Self {
                score,
                successes,
                trials,
            })
            .collect();
        groups.sort_by(|a, b| a.score.total_cmp(&b.score));
        groups.dedup_by(|next, kept| {
            let same = next.score == kept.score;
            if same {
                // The sums stay in range, which was seen to before.
                kept.successes += next.successes;
                kept.trials += next.trials;
            }
            same
        });
        groups
    }
}

/// All tables with given trials a group and successes in all.
struct Tables {
    /// The score of each group, less the mean score.
    deviations: Vec<f64>,
    /// The fewest successes that each group can hold.
    fewest: Vec<u64>,
    /// For each group the weight of each count from the fewest up: its binomial probability, up to a factor.
    weights: Vec<Vec<f64>>,
    /// The trials of the groups after each.
    trials_after: Vec<u64>,
    successes: u64,
}

impl Tables {
    fn new(groups: &[Pooled], mean: f64) -> Result<Self, NotEstimable> {
        let n: u64 = groups.iter().map(|g| g.trials).sum();
        let successes: u64 = groups.iter().map(|g| g.successes).sum();
        let odds = successes as f64 / (n - successes) as f64;
        let mut after = n;
        let mut tables = Self {
            deviations: groups.iter().map(|g| g.score - mean).collect(),
            fewest: Vec::new(),
            weights: Vec::new(),
            trials_after: Vec::new(),
            successes,
        };
        for group in groups {
            after -= group.trials;
            let fewest = successes.saturating_sub(n - group.trials);
            let most = group.trials.min(successes);
            // There are at least as many tables as counts that one group can hold.
            if most - fewest > MOST_STEPS {
                return Err(too_many());
            }
            // With the overall odds in every group the tables keep their relative probabilities, and the likely ones
            // come out near 1 rather than too small for f64.
            let mut logs = vec![0.0];
            let (mut log, mut largest) = (0.0, 0.0_f64);
            for count in fewest..most {
                log += ((group.trials - count) as f64 / (count + 1) as f64 * odds).ln();
                largest = largest.max(log);
                logs.push(log);
            }
            tables.fewest.push(fewest);
            tables
                .weights
                .push(logs.iter().map(|log| (log - largest).exp()).collect());
            tables.trials_after.push(after);
        }
        Ok(tables)
    }

    /// The weight of the tables whose sum of scores lies at least `limit` from its expectation, and that of all.
    fn walk(&self, limit: f64) -> Result<(f64, f64), NotEstimable> {
        let last = self.deviations.len() - 1;
        // What is settled before each group: successes left, weight and sum of scores; and the count it tries next.
        let mut settled = vec![(self.successes, 1.0, 0.0)];
        let mut next = vec![self.first(0, self.successes)];
        let (mut extreme, mut all) = (0.0, 0.0);
        let mut steps = 0;
        while let (Some(&(left, weight, sum)), Some(count)) = (settled.last(), next.last_mut()) {
            let group = settled.len() - 1;
            let own = *count;
            // The last group takes what is left.
            if own > left || group == last && own > self.first(group, left) {
                settled.pop();
                next.pop();
                continue;
            }
            *count += 1;
            let place = (own - self.fewest[group]) as usize;
            let Some(&own_weight) = self.weights[group].get(place) else {
                settled.pop();
                next.pop();
                continue;
            };
            steps += 1;
            if steps > MOST_STEPS {
                return Err(too_many());
            }
            let weight = weight * own_weight;
            let sum = sum + own as f64 * self.deviations[group];
            if group == last {
                all += weight;
                if sum.abs() >= limit {
                    extreme += weight;
                }
            } else {
                let left = left - own;
                settled.push((left, weight, sum));
                next.push(self.first(group + 1, left));
            }
        }
        Ok((extreme, all))
    }

    /// The fewest successes that the group can take when `left` are to be dealt to it and those after it.
    fn first(&self, group: usize, left: u64) -> u64 {
        left.saturating_sub(self.trials_after[group])
    }
}

fn too_many() -> NotEstimable {
    NotEstimable::OutOfRange {
        what: "the number of tables",
    }
}

/// Which form of the test gave a p-value, see [`p_of_trend`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TrendForm {
    /// [`cochran_armitage`]: the counts are large enough, or too large for the other forms.
    Approximate,
    /// [`exact_p`]: all tables were listed.
    Exact,
    /// [`permutation_p`]: there are too many tables to list.
    Permutation,
}

/// The expected count below which the approximation is not used.
const LEAST_EXPECTED: f64 = 5.0;

/// The two-sided p-value of the trend in the form that the counts call for, and which form that is.
///
/// Where every group's expected number of successes, and of failures, is 5 or more, it is [`cochran_armitage`]; else
/// [`exact_p`]; else, with too many tables to list, [`permutation_p`] with these `replicates` and `seed`; and with too
/// many trials for that too, the approximation after all. The rule of 5 is that of Cochran (1954), Biometrics 10:417,
/// in its strict form.
///
/// # Errors
/// As [`cochran_armitage`]; [`NotEstimable::TooFew`] without a replicate where they are needed.
pub fn p_of_trend(
    scores: &[f64],
    successes: &[u64],
    trials: &[u64],
    replicates: u64,
    seed: u64,
) -> Result<(f64, TrendForm), NotEstimable> {
    let approximate = cochran_armitage(scores, successes, trials)?.p;
    let n: f64 = trials.iter().map(|&t| t as f64).sum();
    let share = successes.iter().map(|&s| s as f64).sum::<f64>() / n;
    let small = trials
        .iter()
        .filter(|&&t| t > 0)
        .any(|&t| t as f64 * share.min(1.0 - share) < LEAST_EXPECTED);
    if !small {
        return Ok((approximate, TrendForm::Approximate));
    }
    match exact_p(scores, successes, trials) {
        Err(reason) if reason == too_many() => {}
        exact => return Ok((exact?, TrendForm::Exact)),
    }
    if trials.iter().map(|&t| u128::from(t)).sum::<u128>() > MOST_TRIALS {
        return Ok((approximate, TrendForm::Approximate));
    }
    let p = permutation_p(scores, successes, trials, replicates, seed)?;
    Ok((p, TrendForm::Permutation))
}

/// The checks that all forms of the test share.
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
