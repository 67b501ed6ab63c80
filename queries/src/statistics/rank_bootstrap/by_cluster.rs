//! The bootstrap of few clusters, without a pass over the rows for each resample.
//!
//! Where whole clusters are drawn, the weight of a row is the multiplicity m of its cluster. Its centred rank is then
//! Σ m_d f_d over clusters d, with f_d the rows of d under it, half of those tied with it, less half of all of them: a
//! number that no resample changes. So sums of weighted products of two ranks are cubic in the multiplicities, sums of
//! weighted ranks under an indicator, tied pairs and concordance are quadratic, and numbers of rows linear. Their
//! coefficients are sums of products of f over the rows of a cluster, which is one matrix product for each cluster.
//!
//! All numbers are multiples of a quarter, so sums under 2^51 are exact and equal to those of a pass over the rows.

use nalgebra::{DMatrix, DMatrixView};
use rayon::prelude::*;

use super::polynomials::{Polynomials, Values};
use super::projection::{self, NONE, correlation};
use super::{Column, NotEstimable, RankData, failed};
use crate::statistics::resampling::Each;

/// The work of the matrix products for one row, in clusters² times products, per resample that a pass is saved for.
const WORTH: u64 = 40;

/// The rows per clusters² from which a pass costs more than the polynomials, of which there are about clusters³ terms.
const ROWS: usize = 2;

/// The most clusters, indicators, and values of y.
const MOST: usize = 100;

/// Rows are worked through in so many parts, or fewer of [`PART`] rows.
const PARTS: usize = 8;
const PART: usize = 4096;

/// Places of the quadratic sums; those of indicators and ranks follow.
const CONCORDANCE: usize = 0;
const TIED_X: usize = 1;
const TIED_Y: usize = 2;
const UNDER_INDICATORS: usize = 3;

/// The sums of a resample as polynomials.
pub(super) struct ByCluster<'a> {
    data: &'a RankData,
    /// x, the numeric covariates, y.
    ranked: usize,
    sums: Polynomials,
}

/// What a thread works with.
pub(super) struct Work {
    values: Values,
    matrix: Vec<f64>,
}

/// The rows in ascending order of one column.
struct Walk {
    /// The cluster of each row, and its place among the rows by cluster.
    rows: Vec<[u32; 2]>,
    /// Where each run of equal values ends.
    ends: Vec<usize>,
}

impl Walk {
    fn new(column: &Column, cluster: &[u32], place: &[u32]) -> Self {
        let mut order: Vec<usize> = (0..column.levels.len()).collect();
        order.sort_by_key(|&row| column.levels[row]);
        let mut ends = Vec::with_capacity(column.count);
        for run in order.chunk_by(|&a, &b| column.levels[a] == column.levels[b]) {
            ends.push(ends.last().copied().unwrap_or(0) + run.len());
        }
        Self {
            rows: order
                .iter()
                .map(|&row| [cluster[row], place[row]])
                .collect(),
            ends,
        }
    }

    fn runs(&self) -> impl Iterator<Item = &[[u32; 2]]> {
        let starts = std::iter::once(0).chain(self.ends.iter().copied());
        starts
            .zip(&self.ends)
            .map(|(start, &end)| &self.rows[start..end])
    }

    /// f for each row with a place in the part: the numbers of all clusters one after the other, rows in order of place.
    fn ranks(&self, sizes: &[f64], part: std::ops::Range<usize>, out: &mut [f64]) {
        let mut f: Vec<f64> = sizes.iter().map(|size| -size / 2.0).collect();
        for run in self.runs() {
            for [cluster, _] in run {
                f[*cluster as usize] += 0.5;
            }
            for [_, place] in run {
                if part.contains(&(*place as usize)) {
                    let start = (*place as usize - part.start) * f.len();
                    out[start..start + f.len()].copy_from_slice(&f);
                }
            }
            for [cluster, _] in run {
                f[*cluster as usize] += 0.5;
            }
        }
    }
}

impl<'a> ByCluster<'a> {
    /// The sums, where they cost less than passes over the rows for all resamples.
    pub(super) fn worth(data: &'a RankData, replicates: u64) -> Option<Self> {
        let ranked = data.columns.len() + 1;
        if [data.clusters, data.dummies, data.y.count]
            .iter()
            .any(|count| *count > MOST)
        {
            return None;
        }
        let squared = data.clusters * data.clusters;
        let work = squared.saturating_mul(ranked * (ranked + 1) / 2) as u64;
        let worth = work <= replicates.saturating_mul(WORTH) && data.rows() >= ROWS * squared;
        worth.then(|| Self::new(data))
    }

    fn new(data: &'a RankData) -> Self {
        let ranked = data.columns.len() + 1;
        let counts = [
            1 + data.dummies * (data.dummies + 1) / 2,
            UNDER_INDICATORS + data.dummies * ranked,
            ranked * (ranked + 1) / 2,
        ];
        // Rows by cluster.
        let mut order: Vec<usize> = (0..data.rows()).collect();
        order.sort_by_key(|&row| data.cluster[row]);
        let mut place = vec![0; order.len()];
        for (at, &row) in (0_u32..).zip(&order) {
            place[row] = at;
        }
        let mut sizes = vec![0.0; data.clusters];
        for &cluster in &data.cluster {
            sizes[cluster as usize] += 1.0;
        }
        let walks: Vec<Walk> = data
            .columns
            .par_iter()
            .chain([&data.y])
            .map(|column| Walk::new(column, &data.cluster, &place))
            .collect();
        let size = order.len().div_ceil(PARTS).max(PART);
        let parts: Vec<Polynomials> = (0..order.len())
            .into_par_iter()
            .step_by(size)
            .map(|start| {
                let part = start..(start + size).min(order.len());
                let mut sums = Polynomials::new(data.clusters, counts);
                let ranks: Vec<Vec<f64>> = walks
                    .iter()
                    .map(|walk| {
                        let mut out = vec![0.0; part.len() * data.clusters];
                        walk.ranks(&sizes, part.clone(), &mut out);
                        out
                    })
                    .collect();
                add_products(data, &order[part], &ranks, &mut sums);
                sums
            })
            .collect();
        let mut sums = Polynomials::new(data.clusters, counts);
        for part in &parts {
            sums.add(part);
        }
        for (cluster, size) in sizes.iter().enumerate() {
            sums.add_linear(0, cluster, *size);
        }
        add_ties(TIED_X, &walks[0], &mut sums);
        add_ties(TIED_Y, &walks[ranked - 1], &mut sums);
        add_concordance(data, &mut sums);
        Self { data, ranked, sums }
    }

    /// Room for one thread.
    pub(super) fn work(&self) -> Work {
        let side = self.ranked + self.data.dummies;
        Work {
            values: self.sums.values(),
            matrix: vec![0.0; side * side],
        }
    }

    /// Rho, tau-b and partial rho of a resample.
    pub(super) fn three(&self, multiplicities: &[u32], work: &mut Work) -> Each<f64, 3> {
        self.sums.evaluate(multiplicities, &mut work.values);
        let Values {
            linear,
            quadratic,
            cubic,
            ..
        } = &work.values;
        let total = linear[0];
        let untied = [TIED_X, TIED_Y].map(|ties| total * total - quadratic[ties]);
        if untied.contains(&0.0) {
            return failed(&NotEstimable::AllEqual);
        }
        let (x, y) = (0, self.ranked - 1);
        let product = |j, k| cubic[product(self.ranked, j, k)];
        [
            correlation(product(x, y), product(x, x), product(y, y)),
            correlation(2.0 * quadratic[CONCORDANCE], untied[0], untied[1]),
            self.partial(work),
        ]
    }

    /// Partial rho: fills the matrix of centred products over numeric covariates, indicators, x and y.
    fn partial(&self, work: &mut Work) -> Result<f64, NotEstimable> {
        let Values {
            linear,
            quadratic,
            cubic,
            ..
        } = &work.values;
        let (ranked, dummies) = (self.ranked, self.data.dummies);
        let numeric = ranked - 2;
        let side = ranked + dummies;
        // Where a ranked column stands.
        let place = |j: usize| match j {
            0 => side - 2,
            j if j > numeric => side - 1,
            j => j - 1,
        };
        let mut set = |i: usize, j: usize, value: f64| {
            work.matrix[i * side + j] = value;
            work.matrix[j * side + i] = value;
        };
        for j in 0..ranked {
            for k in j..ranked {
                set(place(j), place(k), cubic[product(ranked, j, k)]);
            }
        }
        let both = |a, b| linear[1 + product(dummies, a, b)];
        for a in 0..dummies {
            for j in 0..ranked {
                let sum = quadratic[UNDER_INDICATORS + a * ranked + j];
                set(numeric + a, place(j), sum);
            }
            for b in a..dummies {
                let expected = both(a, a) * both(b, b) / linear[0];
                set(numeric + a, numeric + b, both(a, b) - expected);
            }
        }
        projection::given_covariates(&mut work.matrix, numeric + dummies)
    }
}

/// The number of a pair j ≤ k of `count` things.
fn product(count: usize, j: usize, k: usize) -> usize {
    j * (2 * count - j + 1) / 2 + (k - j)
}

/// Adds what rows, by cluster, give to the sums of products, of ranks under indicators, and of indicators.
fn add_products(data: &RankData, rows: &[usize], ranks: &[Vec<f64>], sums: &mut Polynomials) {
    let (clusters, ranked) = (data.clusters, ranks.len());
    let mut gram = DMatrix::zeros(clusters, clusters);
    let mut under = vec![0.0; data.dummies * ranked * clusters];
    let mut start = 0;
    for members in rows.chunk_by(|&a, &b| data.cluster[a] == data.cluster[b]) {
        let c = data.cluster[members[0]] as usize;
        let own = start * clusters..(start + members.len()) * clusters;
        start += members.len();
        for j in 0..ranked {
            let left = DMatrixView::from_slice(&ranks[j][own.clone()], clusters, members.len());
            for (k, right) in ranks.iter().enumerate().skip(j) {
                let right = DMatrixView::from_slice_with_strides(
                    &right[own.clone()],
                    members.len(),
                    clusters,
                    clusters,
                    1,
                );
                gram.gemm(1.0, &left, &right, 0.0);
                let form = product(ranked, j, k);
                for d in 0..clusters {
                    for e in 0..clusters {
                        sums.add_cubic(form, [c, d, e], gram[(d, e)]);
                    }
                }
            }
        }
        under.fill(0.0);
        for (at, &row) in members.iter().enumerate() {
            let first = data.cell.levels[row] as usize * data.factors;
            let dummies = &data.cell_dummies[first..first + data.factors];
            let present = || dummies.iter().filter(|dummy| **dummy != NONE);
            for &a in present() {
                for (j, ranks) in ranks.iter().enumerate() {
                    let ranks = &ranks[own.start + at * clusters..][..clusters];
                    let sums = &mut under[(a as usize * ranked + j) * clusters..][..clusters];
                    for (sum, rank) in sums.iter_mut().zip(ranks) {
                        *sum += rank;
                    }
                }
                for &b in present().filter(|b| **b >= a) {
                    let form = 1 + product(data.dummies, a as usize, b as usize);
                    sums.add_linear(form, c, 1.0);
                }
            }
        }
        for (form, under) in under.chunks_exact(clusters).enumerate() {
            for (d, sum) in under.iter().enumerate() {
                sums.add_quadratic(UNDER_INDICATORS + form, c, d, *sum);
            }
        }
    }
}

/// Adds the pairs of rows in one run, each row with itself too, each pair of two rows twice.
fn add_ties(form: usize, walk: &Walk, sums: &mut Polynomials) {
    for run in walk.runs() {
        let mut own: Vec<u32> = run.iter().map(|[cluster, _]| *cluster).collect();
        own.sort_unstable();
        let counts: Vec<(usize, f64)> = own
            .chunk_by(|a, b| a == b)
            .map(|same| (same[0] as usize, same.len() as f64))
            .collect();
        for &(c, many) in &counts {
            for &(d, others) in &counts {
                sums.add_quadratic(form, c, d, many * others);
            }
        }
    }
}

/// Adds concordant less discordant pairs of rows.
///
/// `balance` holds for each value of y and each cluster the rows so far with lower y, less those with higher y.
fn add_concordance(data: &RankData, sums: &mut Polynomials) {
    let clusters = data.clusters;
    let mut balance = vec![0.0; data.y.count * clusters];
    let mut s = vec![0.0; clusters * clusters];
    let mut start = 0;
    for &end in &data.run_ends {
        let run = start..end as usize;
        start = end as usize;
        for row in run.clone() {
            let (c, level) = (data.cluster[row] as usize, data.y.levels[row] as usize);
            let balance = &balance[level * clusters..][..clusters];
            for (sum, more) in s[c * clusters..][..clusters].iter_mut().zip(balance) {
                *sum += more;
            }
        }
        for row in run {
            let (c, level) = (data.cluster[row] as usize, data.y.levels[row] as usize);
            for (other, balance) in balance.chunks_exact_mut(clusters).enumerate() {
                balance[c] += f64::from(i8::from(other > level) - i8::from(other < level));
            }
        }
    }
    for (c, row) in s.chunks_exact(clusters).enumerate() {
        for (d, sum) in row.iter().enumerate() {
            sums.add_quadratic(CONCORDANCE, c, d, *sum);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::cross_products::Scratch;
    use super::super::prepare;
    use super::*;
    use crate::statistics::random::{below, stream};
    use crate::statistics::resampling::LANES;

    /// The two ways agree to the last bit: random rows with ties, none to two covariates of each kind.
    #[test]
    fn polynomials_are_the_pass_over_the_rows() {
        for case in 0..60 {
            let mut rng = stream(case, "polynomials", 0);
            let n = 3 + below(&mut rng, 200) as usize;
            let mut draw = |bound| -> Vec<u32> { (0..n).map(|_| below(&mut rng, bound)).collect() };
            let mut numbers =
                |bound| -> Vec<f64> { draw(bound).into_iter().map(f64::from).collect() };
            let (x, y) = (
                numbers(2 + 40 * (case as u32 % 3)),
                numbers(2 + case as u32 % 5),
            );
            let numeric = [numbers(9), numbers(1000)];
            let (factors, cluster) = ([draw(4), draw(2)], draw(2 + case as u32 % 9));
            let numeric = numeric.iter().map(Vec::as_slice).take(case as usize % 3);
            let factors = factors
                .iter()
                .map(Vec::as_slice)
                .take(case as usize % 4 / 2 * 2);
            let (numeric, factors): (Vec<_>, Vec<_>) = (numeric.collect(), factors.collect());
            let Ok(data) = prepare(&x, &y, &numeric, &factors, &cluster) else {
                continue;
            };
            let sums = ByCluster::new(&data);
            let (mut work, mut scratch) = (sums.work(), Scratch::new(&data));
            for _ in 0..20 {
                let times: Vec<u32> = (0..data.clusters).map(|_| below(&mut rng, 4)).collect();
                let weight = |row: usize| f64::from(times[data.cluster[row] as usize]);
                data.set_weights(&mut scratch, |row| [weight(row); LANES]);
                let [passed, ..] = data.three(&mut scratch);
                assert_eq!(sums.three(&times, &mut work), passed, "case {case}");
            }
        }
    }
}
