//! Rank association: Spearman's rho and Kendall's tau-b, with ties.
//!
//! The intervals and p-values here take the pairs as independent. Where they come in clusters, the p-value belongs to
//! [`super::permutation`].

use statrs::distribution::{ContinuousCDF, Normal, StudentsT};

use super::{Interval, NotEstimable, Z_95, all_finite, at_least, same_length};

/// One run of equal values in sorted order: positions `start..end` of the sorted index.
type Run = std::ops::Range<usize>;

/// The row numbers in ascending order of value, and the runs of equal values among them.
fn sorted_runs(values: &[f64]) -> (Vec<u32>, Vec<Run>) {
    let mut order: Vec<u32> = (0..values.len() as u32).collect();
    order.sort_unstable_by(|&a, &b| {
        values[a as usize]
            .total_cmp(&values[b as usize])
            .then(a.cmp(&b))
    });
    let mut runs = Vec::new();
    let mut start = 0;
    for end in 1..=order.len() {
        // `==` rather than the sort's comparison, so that -0.0 and 0.0 are tied.
        if end == order.len() || values[order[end] as usize] != values[order[start] as usize] {
            runs.push(start..end);
            start = end;
        }
    }
    (order, runs)
}

/// The ranks 1 to n in the order of the rows, ties sharing the mean of their ranks.
///
/// Twice a mid-rank is a whole number, so ranks are exact. Source: Kendall (1945), Biometrika 33:239.
///
/// # Errors
/// [`NotEstimable::NotFinite`] for NaN or infinities, [`NotEstimable::OutOfRange`] for 2^31 rows or more.
pub fn mid_ranks(values: &[f64]) -> Result<Vec<f64>, NotEstimable> {
    check_rows(values)?;
    let (order, runs) = sorted_runs(values);
    let mut ranks = vec![0.0; values.len()];
    for run in runs {
        let shared = (run.start + 1 + run.end) as f64 / 2.0;
        for &row in &order[run] {
            ranks[row as usize] = shared;
        }
    }
    Ok(ranks)
}

/// Each value's place among the distinct values, from 0, in the order of the rows; and the number of distinct values.
pub(super) fn dense_ranks(values: &[f64]) -> (Vec<u32>, usize) {
    let (order, runs) = sorted_runs(values);
    let mut ranks = vec![0; values.len()];
    let levels = runs.len();
    for (level, run) in runs.into_iter().enumerate() {
        for &row in &order[run] {
            ranks[row as usize] = level as u32;
        }
    }
    (ranks, levels)
}

/// Row numbers are kept in 32 bits and counts of rows in signed 32 bits.
fn check_rows(values: &[f64]) -> Result<(), NotEstimable> {
    all_finite(values)?;
    if values.len() > i32::MAX as usize {
        return Err(NotEstimable::OutOfRange {
            what: "the number of rows",
        });
    }
    Ok(())
}

/// The checks that every statistic of a pair of columns shares.
pub(super) fn check_pairs(x: &[f64], y: &[f64], needed: u64) -> Result<(), NotEstimable> {
    same_length(x.len(), y.len())?;
    check_rows(x)?;
    check_rows(y)?;
    at_least(needed, x.len() as u64)
}

/// Spearman's rho: the product-moment correlation of the mid-ranks, in `-1..=1`.
///
/// `x` and `y` hold one pair a row. The short form with squared rank differences is wrong with ties and is not used.
/// Source: Spearman (1904), Am J Psychol 15:72; ties as in Kendall (1945), Biometrika 33:239.
///
/// # Errors
/// [`NotEstimable::TooFew`] below three pairs, [`NotEstimable::AllEqual`] when either column has one value only,
/// [`NotEstimable::LengthsDiffer`], [`NotEstimable::NotFinite`], [`NotEstimable::OutOfRange`] for 2^31 rows or more.
pub fn spearman(x: &[f64], y: &[f64]) -> Result<f64, NotEstimable> {
    check_pairs(x, y, 3)?;
    rho_of_ranks(&mid_ranks(x)?, &mid_ranks(y)?)
}

/// The correlation of two columns of ranks, whose means are both `(n + 1) / 2`.
pub(super) fn rho_of_ranks(x: &[f64], y: &[f64]) -> Result<f64, NotEstimable> {
    let middle = (x.len() as f64 + 1.0) / 2.0;
    let (mut xx, mut yy, mut xy) = (0.0, 0.0, 0.0);
    for (a, b) in x.iter().zip(y) {
        let (a, b) = (a - middle, b - middle);
        xx += a * a;
        yy += b * b;
        xy += a * b;
    }
    if xx <= 0.0 || yy <= 0.0 {
        return Err(NotEstimable::AllEqual);
    }
    // One root of the product: for a perfect correlation it is the root of a square, which IEEE arithmetic gives exactly,
    // so that the limit is recognised as such.
    Ok((xy / (xx * yy).sqrt()).clamp(-1.0, 1.0))
}

/// Refuses a correlation that is none, or lies at the end of its range.
pub(super) fn check_correlation(value: f64) -> Result<(), NotEstimable> {
    if !(-1.0..=1.0).contains(&value) {
        return Err(NotEstimable::OutOfRange {
            what: "a correlation",
        });
    }
    if value.abs() == 1.0 {
        Err(NotEstimable::AtLimit)
    } else {
        Ok(())
    }
}

/// `tanh(atanh(estimate) ± z se)`.
fn fisher_interval(estimate: f64, standard_error: f64) -> Interval {
    let middle = estimate.atanh();
    Interval {
        lo: (middle - Z_95 * standard_error).tanh(),
        hi: (middle + Z_95 * standard_error).tanh(),
    }
}

/// The 95 % interval of Spearman's rho by Fisher's z with the standard error `sqrt((1 + rho^2 / 2) / (n - 3))`.
///
/// `n` is the number of independent pairs. Source: Bonett & Wright (2000), Psychometrika 65:23; good for absolute
/// values below about 0.95, with few ties.
///
/// # Errors
/// [`NotEstimable::TooFew`] below four pairs, [`NotEstimable::AtLimit`] at exactly -1 or 1,
/// [`NotEstimable::OutOfRange`] outside that range.
pub fn bonett_wright(rho: f64, n: u64) -> Result<Interval, NotEstimable> {
    at_least(4, n)?;
    check_correlation(rho)?;
    Ok(fisher_interval(
        rho,
        ((1.0 + rho * rho / 2.0) / (n - 3) as f64).sqrt(),
    ))
}

/// The 95 % interval of Kendall's tau by Fisher's z with the standard error `sqrt(0.437 / (n - 4))`.
///
/// `n` is the number of independent pairs. Source: Fieller, Hartley & Pearson (1957), Biometrika 44:470; good for
/// absolute values below about 0.8, with few ties.
///
/// # Errors
/// [`NotEstimable::TooFew`] below five pairs, [`NotEstimable::AtLimit`] at exactly -1 or 1,
/// [`NotEstimable::OutOfRange`] outside that range.
pub fn kendall_interval(tau: f64, n: u64) -> Result<Interval, NotEstimable> {
    at_least(5, n)?;
    check_correlation(tau)?;
    Ok(fisher_interval(tau, (0.437 / (n - 4) as f64).sqrt()))
}

/// The two-sided p-value of Spearman's rho by `t = rho sqrt((n - 2) / (1 - rho^2))` on `n - 2` degrees of freedom.
///
/// An approximation for independent pairs. Source: Kendall & Gibbons (1990), Rank Correlation Methods, 5th ed.
///
/// # Errors
/// [`NotEstimable::TooFew`] below three pairs, [`NotEstimable::AtLimit`] at exactly -1 or 1,
/// [`NotEstimable::OutOfRange`] outside that range.
pub fn spearman_p(rho: f64, n: u64) -> Result<f64, NotEstimable> {
    at_least(3, n)?;
    check_correlation(rho)?;
    let degrees = (n - 2) as f64;
    let t = rho.abs() * (degrees / ((1.0 - rho) * (1.0 + rho))).sqrt();
    let student = StudentsT::new(0.0, 1.0, degrees).map_err(|_| NotEstimable::OutOfRange {
        what: "the degrees of freedom",
    })?;
    Ok((2.0 * student.sf(t)).min(1.0))
}

/// Kendall's tau-b with the exact counts behind it, see [`kendall`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Kendall {
    /// Tau-b, in `-1..=1`.
    pub tau_b: f64,
    /// Concordant less discordant pairs.
    pub s: i64,
    /// The number of pairs of values.
    pub n: u64,
    /// The variance of `s` without association, corrected for ties.
    pub variance_of_s: f64,
}

impl Kendall {
    /// The two-sided p-value of `s` by the normal approximation with tie correction, without continuity correction.
    ///
    /// An approximation for independent pairs. Source: Kendall & Gibbons (1990), Rank Correlation Methods, 5th ed.
    ///
    /// # Errors
    /// [`NotEstimable::AllEqual`] when the variance of `s` is zero.
    pub fn p(&self) -> Result<f64, NotEstimable> {
        if self.variance_of_s <= 0.0 {
            return Err(NotEstimable::AllEqual);
        }
        let z = self.s.unsigned_abs() as f64 / self.variance_of_s.sqrt();
        Ok((2.0 * Normal::standard().sf(z)).min(1.0))
    }
}

/// Sums over tie groups of size t: t(t-1), t(t-1)(t-2) and t(t-1)(2t+5).
fn tie_sums(sizes: impl Iterator<Item = usize>) -> (f64, f64, f64) {
    sizes.fold((0.0, 0.0, 0.0), |(two, three, five), size| {
        let t = size as f64;
        let pairs = t * (t - 1.0);
        (
            two + pairs,
            three + pairs * (t - 2.0),
            five + pairs * (2.0 * t + 5.0),
        )
    })
}

/// Kendall's tau-b: `S / sqrt((P - Tx)(P - Ty))`, S concordant less discordant pairs, P all pairs, T the tied ones.
///
/// `x` and `y` hold one pair a row. The rows are walked by ascending `x`, one run of equal `x` at a time, while a
/// Fenwick tree over the distinct values of `y` counts what came before: O(n log k) with k distinct `y`, after one
/// sort. Source: Kendall (1945), Biometrika 33:239; counting as in Knight (1966), J Am Stat Assoc 61:436, with the
/// tree of Fenwick (1994), Softw Pract Exp 24:327, in place of the merge.
///
/// # Errors
/// [`NotEstimable::TooFew`] below two pairs, [`NotEstimable::AllEqual`] when either column has one value only,
/// [`NotEstimable::LengthsDiffer`], [`NotEstimable::NotFinite`], [`NotEstimable::OutOfRange`] for 2^31 rows or more.
pub fn kendall(x: &[f64], y: &[f64]) -> Result<Kendall, NotEstimable> {
    check_pairs(x, y, 2)?;
    let (order, runs) = sorted_runs(x);
    let (ranks, levels) = dense_ranks(y);
    if runs.len() < 2 || levels < 2 {
        return Err(NotEstimable::AllEqual);
    }
    let walked: Vec<u32> = order.iter().map(|&row| ranks[row as usize]).collect();
    let mut tree = Fenwick::new(levels);
    let s = tree.concordance(&walked, &runs);

    let mut sizes = vec![0_usize; levels];
    for &rank in &ranks {
        sizes[rank as usize] += 1;
    }
    let n = x.len() as f64;
    let (x2, x3, x5) = tie_sums(runs.iter().map(ExactSizeIterator::len));
    let (y2, y3, y5) = tie_sums(sizes.into_iter());
    let all = n * (n - 1.0);
    let tau_b = (2.0 * s as f64 / ((all - x2) * (all - y2)).sqrt()).clamp(-1.0, 1.0);
    let mut variance_of_s = (all * (2.0 * n + 5.0) - x5 - y5) / 18.0 + x2 * y2 / (2.0 * all);
    if x.len() > 2 {
        variance_of_s += x3 * y3 / (9.0 * all * (n - 2.0));
    }
    Ok(Kendall {
        tau_b,
        s,
        n: x.len() as u64,
        variance_of_s,
    })
}

/// Counts of ranks seen so far, with prefix sums in logarithmic time.
#[derive(Debug, Clone)]
pub(super) struct Fenwick {
    /// One-based tree of partial sums.
    sums: Vec<u32>,
}

impl Fenwick {
    /// An empty tree over ranks `0..levels`.
    pub(super) fn new(levels: usize) -> Self {
        Self {
            sums: vec![0; levels + 1],
        }
    }

    /// Counts one more of `rank`.
    fn add(&mut self, rank: u32) {
        let mut node = rank as usize + 1;
        while node < self.sums.len() {
            self.sums[node] += 1;
            node += node & node.wrapping_neg();
        }
    }

    /// How many counted so far lie under `rank`.
    fn under(&self, rank: u32) -> u32 {
        let mut node = rank as usize;
        let mut sum = 0;
        while node > 0 {
            sum += self.sums[node];
            node &= node - 1;
        }
        sum
    }

    /// Concordant less discordant pairs of the walked ranks; a run holds ties in the other variable. Clears the tree.
    pub(super) fn concordance(&mut self, walked: &[u32], runs: &[Run]) -> i64 {
        self.sums.fill(0);
        let mut s = 0_i64;
        for run in runs {
            for &rank in &walked[run.clone()] {
                let (under, up_to) = (self.under(rank), self.under(rank + 1));
                let over = run.start as u32 - up_to;
                s += i64::from(under) - i64::from(over);
            }
            for &rank in &walked[run.clone()] {
                self.add(rank);
            }
        }
        s
    }
}
