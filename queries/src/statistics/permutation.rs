//! Permutation tests of rank association within clusters.
//!
//! Values of one variable are shuffled among the rows of each cluster and never between clusters, so differences
//! between clusters (clinicians who fit closer and have happier patients, say) can neither make nor hide an effect.
//! The reference set is that of a stratified permutation test; the p-value counts the data as one of the draws.

use rayon::prelude::*;

use super::random::{Shuffle, stream};
use super::rank::{Fenwick, check_pairs, dense_ranks, kendall, mid_ranks, rho_of_ranks};
use super::{NotEstimable, same_length};

/// The statistic of a permutation test.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Statistic {
    /// Spearman's rho over all rows, ranked over all rows.
    Spearman,
    /// Kendall's tau-b over all rows.
    Kendall,
}

impl Statistic {
    /// The name of the random stream, so that two tests on one seed draw apart.
    fn domain(self) -> &'static str {
        match self {
            Self::Spearman => "permutation within clusters, Spearman",
            Self::Kendall => "permutation within clusters, Kendall",
        }
    }
}

/// The outcome of a permutation test, see [`within_clusters`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PermutationResult {
    /// `(1 + at_least_as_extreme) / (1 + replicates)`.
    pub p: f64,
    /// Replicates at least as far from the expectation as the data.
    pub at_least_as_extreme: u64,
    /// The number of random shuffles.
    pub replicates: u64,
    /// The statistic (rho or tau-b) of the data, over all rows.
    pub observed: f64,
    /// The expectation of the same statistic over all shuffles within clusters, exact. With one cluster it is 0.
    pub expected: f64,
}

/// Two statistics count as equal when they differ by less than this share of the largest value they can take:
/// rounding must not decide whether a tie counts.
const TIE: f64 = 1e-10;

/// Tests rank association by shuffling `y` within clusters, two-sided.
///
/// `x`, `y` and `cluster` have one entry a row; `cluster` holds any labels. With T the sum of products of ranks
/// (Spearman) or concordant less discordant pairs (Kendall), of which rho and tau-b are increasing linear functions
/// under shuffling, a replicate is as extreme as the data when |T* − E| ≥ |T − E|. E is the expectation of T over all
/// shuffles within clusters. It is not 0 when cluster means go together, so it is computed exactly:
///
/// * Spearman: the sum over clusters of n · (mean rank of x) · (mean rank of y);
/// * Kendall: the sum over pairs of clusters of the expected sign of a pair in x, times that in y, times the number
///   of such pairs; pairs within one cluster have expectation 0.
///
/// The p-value is (1 + b)/(1 + m) with b of m replicates as extreme (Phipson & Smyth 2010, Stat Appl Genet Mol Biol
/// 9:39). Clusters of one row never move and add nothing. Rows are put in the order of cluster, x and y first, and
/// each replicate has its own random stream, so the result depends neither on the order of rows nor on the number of
/// threads. Runs on the current rayon pool; with n rows, m replicates and k distinct values in the variable that has
/// fewer, time is O(m n) for Spearman and, for Kendall, O(m n) up to 32 distinct values, O(m n log k) beyond, plus
/// O(n · min(k, clusters)) once for E.
///
/// # Errors
/// [`NotEstimable::TooFew`] below three rows or one replicate; [`NotEstimable::AllEqual`] when a column has one value
/// only; [`NotEstimable::OnlySingletons`] when no cluster has two rows; [`NotEstimable::NoVariation`] when within
/// every cluster x or y has one value only, so that no shuffle changes anything; [`NotEstimable::LengthsDiffer`],
/// [`NotEstimable::NotFinite`], [`NotEstimable::OutOfRange`] for 2^31 rows or more.
pub fn within_clusters(
    x: &[f64],
    y: &[f64],
    cluster: &[u32],
    replicates: u64,
    seed: u64,
    statistic: Statistic,
) -> Result<PermutationResult, NotEstimable> {
    check_pairs(x, y, 3)?;
    same_length(x.len(), cluster.len())?;
    if replicates == 0 {
        return Err(NotEstimable::TooFew { needed: 1, got: 0 });
    }
    let rows = Rows::in_fixed_order(x, y, cluster);
    rows.check_movement()?;
    let outcome = match statistic {
        Statistic::Spearman => spearman_replicates(&rows, replicates, seed)?,
        Statistic::Kendall => kendall_replicates(&rows, replicates, seed)?,
    };
    let p = (1 + outcome.extreme) as f64 / (1.0 + replicates as f64);
    Ok(PermutationResult {
        p,
        at_least_as_extreme: outcome.extreme,
        replicates,
        observed: outcome.observed,
        expected: outcome.expected,
    })
}

/// What the two statistics hand back.
struct Outcome {
    extreme: u64,
    observed: f64,
    expected: f64,
}

/// The rows by cluster, x and y, with the clusters as consecutive ranges.
struct Rows {
    x: Vec<f64>,
    y: Vec<f64>,
    clusters: Vec<std::ops::Range<usize>>,
}

impl Rows {
    fn in_fixed_order(x: &[f64], y: &[f64], cluster: &[u32]) -> Self {
        let mut rows: Vec<(u32, f64, f64)> = cluster
            .iter()
            .zip(x)
            .zip(y)
            .map(|((&label, &x), &y)| (label, x, y))
            .collect();
        rows.sort_unstable_by(|a, b| {
            a.0.cmp(&b.0)
                .then(a.1.total_cmp(&b.1))
                .then(a.2.total_cmp(&b.2))
        });
        let mut clusters = Vec::new();
        let mut start = 0;
        for members in rows.chunk_by(|a, b| a.0 == b.0) {
            clusters.push(start..start + members.len());
            start += members.len();
        }
        Self {
            x: rows.iter().map(|row| row.1).collect(),
            y: rows.iter().map(|row| row.2).collect(),
            clusters,
        }
    }

    /// Refuses data that no shuffle within clusters can change.
    fn check_movement(&self) -> Result<(), NotEstimable> {
        let varies = |values: &[f64]| values.windows(2).any(|pair| pair[0] != pair[1]);
        if !varies(&self.x) || !varies(&self.y) {
            return Err(NotEstimable::AllEqual);
        }
        if self.clusters.iter().all(|rows| rows.len() < 2) {
            return Err(NotEstimable::OnlySingletons);
        }
        let moves = |rows: &std::ops::Range<usize>| {
            varies(&self.x[rows.clone()]) && varies(&self.y[rows.clone()])
        };
        if self.clusters.iter().any(moves) {
            Ok(())
        } else {
            Err(NotEstimable::NoVariation)
        }
    }
}

/// Counts the replicates for which `extreme` holds, each on its own stream and on a scratch value of its thread.
fn count_extreme<S>(
    replicates: u64,
    scratch: impl Fn() -> S + Sync + Send,
    extreme: impl Fn(u64, &mut S) -> bool + Sync + Send,
) -> u64 {
    (0..replicates)
        .into_par_iter()
        .map_init(scratch, |scratch, replicate| {
            u64::from(extreme(replicate, scratch))
        })
        .sum()
}

/// Spearman: with x-ranks centred within their cluster, the sum of products is T − E at once.
fn spearman_replicates(rows: &Rows, replicates: u64, seed: u64) -> Result<Outcome, NotEstimable> {
    let (x, y) = (mid_ranks(&rows.x)?, mid_ranks(&rows.y)?);
    let observed = rho_of_ranks(&x, &y)?;
    let mut centred = x.clone();
    for members in &rows.clusters {
        let mean = x[members.clone()].iter().sum::<f64>() / members.len() as f64;
        centred[members.clone()]
            .iter_mut()
            .for_each(|rank| *rank -= mean);
    }
    let distance: f64 = centred.iter().zip(&y).map(|(a, b)| a * b).sum();
    let middle = (x.len() as f64 + 1.0) / 2.0;
    let spread = |ranks: &[f64]| {
        ranks
            .iter()
            .map(|r| (r - middle).powi(2))
            .sum::<f64>()
            .sqrt()
    };
    let scale = spread(&x) * spread(&y);
    let limit = distance.abs() - TIE * scale;

    let movable: Vec<_> = rows
        .clusters
        .iter()
        .filter(|members| members.len() > 1)
        .cloned()
        .collect();
    let extreme = count_extreme(
        replicates,
        || (y.clone(), Shuffle::default()),
        |replicate, (shuffled, shuffle)| {
            shuffled.copy_from_slice(&y);
            let mut rng = stream(seed, Statistic::Spearman.domain(), replicate);
            let mut sum = 0.0;
            for members in &movable {
                let (ranks, weights) = (&mut shuffled[members.clone()], &centred[members.clone()]);
                // What lands in a place stays there, so its product is taken at once.
                shuffle.run(&mut rng, ranks, |place, rank| sum += rank * weights[place]);
            }
            sum.abs() >= limit
        },
    );
    Ok(Outcome {
        extreme,
        observed,
        expected: observed - distance / scale,
    })
}

/// Kendall: the variable with fewer distinct values is shuffled, the other fixes the order of the walk. Which of the
/// two is shuffled does not matter to the distribution, since only their pairing counts.
fn kendall_replicates(rows: &Rows, replicates: u64, seed: u64) -> Result<Outcome, NotEstimable> {
    let observed = kendall(&rows.x, &rows.y)?;
    let (x, y) = (dense_ranks(&rows.x), dense_ranks(&rows.y));
    let ((fixed, _), (counted, levels)) = if x.1 < y.1 { (y, x) } else { (x, y) };
    let walk = Walk::new(&fixed);
    let expected = expected_concordance(&walk, &counted, levels, &rows.clusters);
    let n = rows.x.len() as f64;
    let limit = (observed.s as f64 - expected).abs() - TIE * n * (n - 1.0) / 2.0;

    // Few values are shuffled as bytes, which stay close to the processor.
    let extreme = if levels <= MANY {
        let few: Vec<u8> = counted.iter().map(|&level| level as u8).collect();
        count_extreme(
            replicates,
            || (Shuffled::new(&few), ()),
            |replicate, (shuffled, ())| {
                let walked = shuffled.draw(&few, rows, &walk, seed, replicate);
                let s = match levels {
                    0..=8 => concordance_of_few::<8>(walked, &walk),
                    _ => concordance_of_few::<MANY>(walked, &walk),
                };
                (s as f64 - expected).abs() >= limit
            },
        )
    } else {
        count_extreme(
            replicates,
            || (Shuffled::new(&counted), Fenwick::new(levels)),
            |replicate, (shuffled, tree)| {
                let walked = shuffled.draw(&counted, rows, &walk, seed, replicate);
                (tree.concordance(walked, &walk.runs) as f64 - expected).abs() >= limit
            },
        )
    };
    let expected = expected / tau_scale(rows)?;
    Ok(Outcome {
        extreme,
        observed: observed.tau_b,
        expected,
    })
}

/// With more distinct values than this, concordance is counted in a tree.
const MANY: usize = 32;

/// A thread's shuffled values.
struct Shuffled<T> {
    values: Vec<T>,
    /// The same in the order of the walk.
    walked: Vec<T>,
    shuffle: Shuffle,
}

impl<T: Copy> Shuffled<T> {
    fn new(values: &[T]) -> Self {
        Self {
            values: values.to_vec(),
            walked: values.to_vec(),
            shuffle: Shuffle::default(),
        }
    }

    /// The values of one replicate, shuffled within clusters, in the order of the walk.
    fn draw(&mut self, of: &[T], rows: &Rows, walk: &Walk, seed: u64, replicate: u64) -> &[T] {
        self.values.copy_from_slice(of);
        let mut rng = stream(seed, Statistic::Kendall.domain(), replicate);
        for members in &rows.clusters {
            let values = &mut self.values[members.clone()];
            self.shuffle.run(&mut rng, values, |_, _| ());
        }
        for (value, row) in self.walked.iter_mut().zip(&walk.order) {
            *value = self.values[*row as usize];
        }
        &self.walked
    }
}

/// What divides concordance to give tau-b: a column against itself has S equal to the number of its untied pairs.
fn tau_scale(rows: &Rows) -> Result<f64, NotEstimable> {
    let (x, y) = (
        kendall(&rows.x, &rows.x)?.s as f64,
        kendall(&rows.y, &rows.y)?.s as f64,
    );
    Ok(x.sqrt() * y.sqrt())
}

/// The rows in ascending order of the variable that stays, and its runs of equal values.
struct Walk {
    order: Vec<u32>,
    runs: Vec<std::ops::Range<usize>>,
    /// The pairs of places within a run, unless there are more of them than rows.
    tied: Option<Vec<[u32; 2]>>,
}

impl Walk {
    fn new(fixed: &[u32]) -> Self {
        let mut order: Vec<u32> = (0..fixed.len() as u32).collect();
        order.sort_by_key(|&row| fixed[row as usize]);
        let mut runs = Vec::new();
        let mut start = 0;
        for tied in order.chunk_by(|&a, &b| fixed[a as usize] == fixed[b as usize]) {
            runs.push(start..start + tied.len());
            start += tied.len();
        }
        let pairs: usize = runs.iter().map(|run| run.len() * (run.len() - 1) / 2).sum();
        let within = |run: &std::ops::Range<usize>| {
            let (start, end) = (run.start as u32, run.end as u32);
            (start..end).flat_map(move |a| (a + 1..end).map(move |b| [a, b]))
        };
        let tied = (pairs <= order.len()).then(|| runs.iter().flat_map(within).collect());
        Self { order, runs, tied }
    }
}

/// Concordant less discordant pairs when there are at most `LANES` distinct values.
///
/// `balance[v]` is how many rows so far lie under v less how many lie over it: what a row of value v adds to S. Adding
/// one row changes all entries by +1, 0 or −1, one short vector operation.
fn concordance_of_few<const LANES: usize>(walked: &[u8], walk: &Walk) -> i64 {
    let mut change = [[0_i32; LANES]; LANES];
    for (value, lanes) in change.iter_mut().enumerate() {
        for (other, lane) in lanes.iter_mut().enumerate() {
            *lane = i32::from(other > value) - i32::from(other < value);
        }
    }
    let mut balance = [0_i32; LANES];
    let add = |balance: &mut [i32; LANES], value: u8| {
        let lanes = &change[usize::from(value) % LANES];
        for (total, lane) in balance.iter_mut().zip(lanes) {
            *total += lane;
        }
    };
    let mut s = 0_i64;
    if let Some(tied) = &walk.tied {
        // With few ties: as if there were none, so that the loop has no turns, then less the tied pairs.
        for &value in walked {
            s += i64::from(balance[usize::from(value) % LANES]);
            add(&mut balance, value);
        }
        let sign = |&[a, b]: &[u32; 2]| {
            let (a, b) = (walked[a as usize], walked[b as usize]);
            i64::from(b > a) - i64::from(b < a)
        };
        return s - tied.iter().map(sign).sum::<i64>();
    }
    for run in &walk.runs {
        for &value in &walked[run.clone()] {
            s += i64::from(balance[usize::from(value) % LANES]);
        }
        for &value in &walked[run.clone()] {
            add(&mut balance, value);
        }
    }
    s
}

/// The expectation of concordant less discordant pairs over all shuffles of `counted` within clusters.
///
/// For rows i and j of different clusters the shuffled values are independent draws from their clusters, so the
/// expected sign of their difference is the mean d of signs over all pairs of the two clusters, and E is the sum over
/// pairs of rows of sign(fixed_i − fixed_j) · d. d is 0 for a pair within one cluster, so the sum may run over all
/// pairs. It is taken one level of `counted` at a time, or one cluster at a time, whichever are fewer; both write d as
/// a sum of products of a number of i's cluster and a number of j's, and each product needs one walk.
fn expected_concordance(
    walk: &Walk,
    counted: &[u32],
    levels: usize,
    clusters: &[std::ops::Range<usize>],
) -> f64 {
    let mut home = vec![0_u32; counted.len()];
    for (index, members) in clusters.iter().enumerate() {
        home[members.clone()].fill(index as u32);
    }
    let one_walk = |left: &[f64], right: &[f64]| {
        let total: f64 = home.iter().map(|&k| right[k as usize]).sum();
        let (mut before, mut sum) = (0.0, 0.0);
        for run in &walk.runs {
            let members = &walk.order[run.clone()];
            let (own_left, own_right) = members.iter().fold((0.0, 0.0), |(l, r), &row| {
                let k = home[row as usize] as usize;
                (l + left[k], r + right[k])
            });
            sum += own_left * (before - (total - before - own_right));
            before += own_right;
        }
        sum
    };
    let terms: Vec<f64> = if levels <= clusters.len() {
        (0..levels as u32)
            .into_par_iter()
            .map(|level| {
                // d = Σ over levels of P(i's value is the level) · [P(j's is under it) − P(j's is over it)].
                let share = |members: &std::ops::Range<usize>,
                             sign: fn(std::cmp::Ordering) -> f64| {
                    counted[members.clone()]
                        .iter()
                        .map(|value| sign(value.cmp(&level)))
                        .sum::<f64>()
                        / members.len() as f64
                };
                let at: Vec<f64> = clusters
                    .iter()
                    .map(|members| share(members, |order| f64::from(u8::from(order.is_eq()))))
                    .collect();
                let balance: Vec<f64> = clusters
                    .iter()
                    .map(|members| share(members, |order| -f64::from(order as i8)))
                    .collect();
                one_walk(&at, &balance)
            })
            .collect()
    } else {
        (0..clusters.len())
            .into_par_iter()
            .map(|index| {
                // i in this one cluster, j anywhere: d of every other cluster against it, from sorted members.
                let mut own: Vec<u32> = counted[clusters[index].clone()].to_vec();
                own.sort_unstable();
                let mut here = vec![0.0; clusters.len()];
                here[index] = 1.0;
                let against: Vec<f64> = clusters
                    .iter()
                    .map(|members| {
                        let signs: f64 = counted[members.clone()]
                            .iter()
                            .map(|value| {
                                let under = own.partition_point(|v| v < value);
                                let over = own.len() - own.partition_point(|v| v <= value);
                                over as f64 - under as f64
                            })
                            .sum();
                        signs / (own.len() * members.len()) as f64
                    })
                    .collect();
                one_walk(&here, &against)
            })
            .collect()
    };
    terms.iter().sum::<f64>() / 2.0
}
