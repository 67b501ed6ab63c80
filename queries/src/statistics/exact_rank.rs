//! Exact null distributions of rank correlations for few pairs.

use super::permutation::Statistic;
use super::rank::{Fenwick, check_pairs, dense_ranks, kendall, mid_ranks, rho_of_ranks};
use super::{NotEstimable, same_length};

/// The most pairs for which [`kendall_without_ties`] runs.
pub const MOST_PAIRS: u64 = 200;

/// The most rows times arrangements that [`within_clusters`] counts through.
const MOST_WORK: u64 = 200_000_000;

/// The exact two-sided p-value of concordant less discordant pairs `s` of `n` pairs without ties.
///
/// The number of concordant pairs is a sum of independent uniform numbers on 0..=j for j = 0 to n − 1, one for each
/// element inserted, so its distribution comes from n running sums. p is twice the smaller tail, at most 1; the
/// distribution is symmetric, so this is also the probability of a value as far from 0 or farther. Source: Kendall
/// (1938), Biometrika 30:81, for the recursion.
///
/// # Errors
/// [`NotEstimable::TooFew`] below two pairs; [`NotEstimable::OutOfRange`] above [`MOST_PAIRS`], and for an `s` that n
/// pairs cannot have.
pub fn kendall_s_p(s: i64, n: u64) -> Result<f64, NotEstimable> {
    super::at_least(2, n)?;
    if n > MOST_PAIRS {
        return Err(NotEstimable::OutOfRange {
            what: "the number of pairs",
        });
    }
    let pairs = (n * (n - 1) / 2) as usize;
    let distance = s.unsigned_abs() as usize;
    if distance > pairs || !(pairs - distance).is_multiple_of(2) {
        return Err(NotEstimable::OutOfRange {
            what: "concordant less discordant pairs",
        });
    }
    // probability[c]: c concordant pairs among the elements inserted so far.
    let mut probability = vec![1.0];
    for j in 1..n as usize {
        let mut next = Vec::with_capacity(probability.len() + j);
        for c in 0..probability.len() + j {
            let from = c.saturating_sub(j);
            let to = (c + 1).min(probability.len());
            next.push(probability[from..to].iter().sum::<f64>() / (j + 1) as f64);
        }
        probability = next;
    }
    // The tail of few concordant pairs: it adds up small numbers first, without cancellation.
    let tail: f64 = probability.iter().take((pairs - distance) / 2 + 1).sum();
    Ok((2.0 * tail).min(1.0))
}

/// The exact two-sided p-value of Kendall's tau of pairs without ties, see [`kendall_s_p`].
///
/// # Errors
/// As [`kendall_s_p`]; [`NotEstimable::OutOfRange`] when a value of x or of y occurs twice;
/// [`NotEstimable::LengthsDiffer`], [`NotEstimable::NotFinite`].
pub fn kendall_without_ties(x: &[f64], y: &[f64]) -> Result<f64, NotEstimable> {
    check_pairs(x, y, 2)?;
    if dense_ranks(x).1 < x.len() || dense_ranks(y).1 < y.len() {
        return Err(NotEstimable::OutOfRange {
            what: "a tied value",
        });
    }
    kendall_s_p(kendall(x, y)?.s, x.len() as u64)
}

/// The outcome of an exact permutation test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ExactResult {
    /// The share of arrangements at least as far from the expectation as the data.
    pub p: f64,
    /// The number of those arrangements.
    pub at_least_as_extreme: u64,
    /// The number of distinct arrangements, each equally likely.
    pub arrangements: u64,
    /// The statistic (rho or tau-b) of the data.
    pub observed: f64,
    /// Its mean over all arrangements.
    pub expected: f64,
}

/// Tests rank association by all arrangements of one variable within clusters, two-sided and exact.
///
/// The exact form of [`super::permutation::within_clusters`], with the same statistics: with T the sum of products of
/// ranks, or concordant less discordant pairs, p is the share of arrangements with |T* − E| ≥ |T − E|, E the mean of T
/// over all. All in whole numbers, so ties are exact. Rows in the same cluster with equal values count as one
/// arrangement; of x and y the one with fewer arrangements is moved. One label for all rows gives the test without
/// clusters.
///
/// # Errors
/// [`NotEstimable::OutOfRange`] when there are more than `limit` arrangements, or too much work in them: the random
/// form is then the one to take. Else as the random form: [`NotEstimable::TooFew`] below three rows,
/// [`NotEstimable::AllEqual`], [`NotEstimable::OnlySingletons`] when no cluster has two rows,
/// [`NotEstimable::NoVariation`] when no arrangement within a cluster differs, [`NotEstimable::LengthsDiffer`],
/// [`NotEstimable::NotFinite`].
pub fn within_clusters(
    x: &[f64],
    y: &[f64],
    cluster: &[u32],
    statistic: Statistic,
    limit: u64,
) -> Result<ExactResult, NotEstimable> {
    check_pairs(x, y, 3)?;
    same_length(x.len(), cluster.len())?;
    let mut order: Vec<usize> = (0..x.len()).collect();
    order.sort_by_key(|&row| cluster[row]);
    let homes: Vec<u32> = order.iter().map(|&row| cluster[row]).collect();
    let pick = |values: &[f64]| -> Vec<f64> { order.iter().map(|&row| values[row]).collect() };
    let (x, y) = (pick(x), pick(y));
    let (levels_x, levels_y) = (dense_ranks(&x), dense_ranks(&y));
    if levels_x.1 < 2 || levels_y.1 < 2 {
        return Err(NotEstimable::AllEqual);
    }
    let mut clusters = Vec::new();
    let mut start = 0;
    for members in homes.chunk_by(|a, b| a == b) {
        clusters.push(start..start + members.len());
        start += members.len();
    }
    if clusters.iter().all(|members| members.len() < 2) {
        return Err(NotEstimable::OnlySingletons);
    }
    let varies = |levels: &[u32]| levels.windows(2).any(|pair| pair[0] != pair[1]);
    let moves = |members: &std::ops::Range<usize>| {
        varies(&levels_x.0[members.clone()]) && varies(&levels_y.0[members.clone()])
    };
    if !clusters.iter().any(moves) {
        return Err(NotEstimable::NoVariation);
    }
    let by_x = arrangements(&levels_x.0, &clusters, limit);
    let by_y = arrangements(&levels_y.0, &clusters, limit);
    let (fixed, mut moved, number) = match (by_x, by_y) {
        (Some(few), other) if other.is_none_or(|more| few < more) => (levels_y, levels_x, few),
        (_, Some(few)) => (levels_x, levels_y, few),
        _ => return Err(too_many()),
    };
    if number.saturating_mul(x.len() as u64) > MOST_WORK {
        return Err(too_many());
    }
    let (observed, scale) = match statistic {
        Statistic::Spearman => {
            let (x, y) = (mid_ranks(&x)?, mid_ranks(&y)?);
            // A column with itself has rho 1, so T is 4 rho · scale plus a constant.
            (rho_of_ranks(&x, &y)?, spread(&x) * spread(&y) * 4.0)
        }
        Statistic::Kendall => {
            let (sx, sy) = (kendall(&x, &x)?.s as f64, kendall(&y, &y)?.s as f64);
            (kendall(&x, &y)?.tau_b, sx.sqrt() * sy.sqrt())
        }
    };
    let mut counter = Counter::new(statistic, &fixed, &moved);
    let of_data = counter.total(&moved.0);
    for members in &clusters {
        moved.0[members.clone()].sort_unstable();
    }
    let mut totals = Vec::with_capacity(number as usize);
    loop {
        totals.push(counter.total(&moved.0));
        if !clusters
            .iter()
            .any(|members| next_arrangement(&mut moved.0[members.clone()]))
        {
            break;
        }
    }
    // |T* − E| ≥ |T − E|, times the number of arrangements, which makes all of it whole.
    let (count, sum) = (totals.len() as i128, totals.iter().sum::<i128>());
    let limit = (count * of_data - sum).abs();
    let extreme = totals
        .iter()
        .filter(|total| (count * **total - sum).abs() >= limit)
        .count() as u64;
    Ok(ExactResult {
        p: extreme as f64 / totals.len() as f64,
        at_least_as_extreme: extreme,
        arrangements: totals.len() as u64,
        observed,
        expected: observed - (count * of_data - sum) as f64 / count as f64 / scale,
    })
}

fn too_many() -> NotEstimable {
    NotEstimable::OutOfRange {
        what: "the number of arrangements",
    }
}

/// The root of the sum of squared deviations of ranks from their mean.
fn spread(ranks: &[f64]) -> f64 {
    let middle = (ranks.len() as f64 + 1.0) / 2.0;
    let squares: f64 = ranks.iter().map(|rank| (rank - middle).powi(2)).sum();
    squares.sqrt()
}

/// The number of distinct arrangements within clusters, if no more than `limit`.
fn arrangements(levels: &[u32], clusters: &[std::ops::Range<usize>], limit: u64) -> Option<u64> {
    let mut number = 1_u64;
    for members in clusters {
        let mut sorted = levels[members.clone()].to_vec();
        sorted.sort_unstable();
        let mut placed = 0_u64;
        for tied in sorted.chunk_by(|a, b| a == b) {
            // Choose the places of this value among those so far: binomial(placed, i), one factor at a time.
            let mut choices = 1_u128;
            for i in 1..=tied.len() as u64 {
                placed += 1;
                choices = choices * u128::from(placed) / u128::from(i);
                // It only grows: each factor is 1 or more.
                if choices > u128::from(limit) {
                    return None;
                }
            }
            number = number.checked_mul(choices as u64)?;
            if number > limit {
                return None;
            }
        }
    }
    Some(number)
}

/// The next arrangement in lexical order, or the first one and `false` after the last.
fn next_arrangement(values: &mut [u32]) -> bool {
    let Some(rise) = values.windows(2).rposition(|pair| pair[0] < pair[1]) else {
        values.reverse();
        return false;
    };
    if let Some(larger) = values.iter().rposition(|value| *value > values[rise]) {
        values.swap(rise, larger);
    }
    values[rise + 1..].reverse();
    true
}

/// Computes T of an arrangement.
enum Counter {
    /// Twice the mid-rank of each fixed row, and of each level moved.
    Products { rows: Vec<i128>, levels: Vec<i128> },
    Pairs {
        /// The rows in ascending order of the fixed variable, and its runs of equal values.
        order: Vec<u32>,
        runs: Vec<std::ops::Range<usize>>,
        walked: Vec<u32>,
        tree: Fenwick,
    },
}

impl Counter {
    fn new(statistic: Statistic, fixed: &(Vec<u32>, usize), moved: &(Vec<u32>, usize)) -> Self {
        match statistic {
            Statistic::Spearman => {
                let of_fixed = doubled_ranks(&fixed.0, fixed.1);
                Self::Products {
                    rows: fixed.0.iter().map(|&v| of_fixed[v as usize]).collect(),
                    levels: doubled_ranks(&moved.0, moved.1),
                }
            }
            Statistic::Kendall => {
                let mut order: Vec<u32> = (0..fixed.0.len() as u32).collect();
                order.sort_by_key(|&row| fixed.0[row as usize]);
                let mut runs = Vec::new();
                let mut start = 0;
                for tied in order.chunk_by(|&a, &b| fixed.0[a as usize] == fixed.0[b as usize]) {
                    runs.push(start..start + tied.len());
                    start += tied.len();
                }
                Self::Pairs {
                    walked: vec![0; order.len()],
                    order,
                    runs,
                    tree: Fenwick::new(moved.1),
                }
            }
        }
    }

    fn total(&mut self, moved: &[u32]) -> i128 {
        match self {
            Self::Products { rows, levels } => rows
                .iter()
                .zip(moved)
                .map(|(rank, &level)| rank * levels[level as usize])
                .sum(),
            Self::Pairs {
                order,
                runs,
                walked,
                tree,
            } => {
                for (rank, &row) in walked.iter_mut().zip(order.iter()) {
                    *rank = moved[row as usize];
                }
                i128::from(tree.concordance(walked, runs))
            }
        }
    }
}

/// Twice the mid-rank of each level.
fn doubled_ranks(levels: &[u32], count: usize) -> Vec<i128> {
    let mut sizes = vec![0_i128; count];
    for &level in levels {
        sizes[level as usize] += 1;
    }
    let mut before = 0;
    for size in &mut sizes {
        let rank = 2 * before + *size + 1;
        before += *size;
        *size = rank;
    }
    sizes
}
