//! Rank correlations, plain, partial and weighted, bootstrapped over clusters.
//!
//! Sorting is done once, in [`prepare`]. Each resample is then a set of row weights, and one pass over the rows gives
//! the weighted Spearman's rho, tau-b and partial rho of several resamples side by side: rows that a resample holds
//! twice are never copied. For few clusters there is a shorter way, in `by_cluster`.

mod by_cluster;
mod concordance;
mod cross_products;
mod polynomials;
mod projection;

use super::rank::{check_pairs, dense_ranks};
use super::resampling::{
    Design, Each, LANES, Replicates, Times, cluster_bootstrap, cluster_bootstrap_side_by_side,
};
use super::{NotEstimable, all_finite, finite, same_length};
use by_cluster::ByCluster;
use cross_products::{Lanes, Scratch, ZERO, add};

/// Weights must lie in this range or be 0, so that no cube of their sum leaves the range of floating point.
const WEIGHTS: std::ops::RangeInclusive<f64> = 1e-9..=1e9;

/// More columns of covariates than this (each level of a factor but the first is one) are refused.
const MOST_COLUMNS: usize = 1000;

/// A level number, dense from 0, for each row in the fixed order.
#[derive(Debug, Clone)]
struct Column {
    levels: Vec<u32>,
    /// The number of distinct levels.
    count: usize,
}

/// Rows made ready for weighted rank correlations, see [`prepare`].
///
/// Inside, rows stand in a fixed order: by x, then y, then covariates, then cluster.
#[derive(Debug, Clone)]
pub struct RankData {
    /// The caller's row number of each row in the fixed order.
    row: Vec<u32>,
    /// x, then the numeric covariates.
    columns: Vec<Column>,
    y: Column,
    /// Where each run of equal x ends.
    run_ends: Vec<u32>,
    /// The combination of y and categorical covariates that each row has.
    cell: Column,
    /// The level of y in each cell.
    cell_y: Vec<u32>,
    /// The indicator columns of each cell, one entry a factor; [`projection::NONE`] for a factor's first level.
    cell_dummies: Vec<u32>,
    /// The number of factors.
    factors: usize,
    /// The number of indicator columns.
    dummies: usize,
    cluster: Vec<u32>,
    clusters: usize,
    /// The cluster number of each row in the caller's order.
    cluster_of_row: Vec<u32>,
}

/// The three correlations of one set of weights, each in `-1..=1`.
#[derive(Debug, Clone, PartialEq)]
pub struct Estimates {
    /// Spearman's rho.
    pub spearman: Result<f64, NotEstimable>,
    /// Kendall's tau-b.
    pub kendall: Result<f64, NotEstimable>,
    /// Spearman's rho given the covariates.
    pub partial: Result<f64, NotEstimable>,
}

/// The bootstrap of the three correlations.
#[derive(Debug, Clone, PartialEq)]
pub struct RankReplicates {
    /// Spearman's rho.
    pub spearman: Result<Replicates, NotEstimable>,
    /// Kendall's tau-b.
    pub kendall: Result<Replicates, NotEstimable>,
    /// Spearman's rho given the covariates.
    pub partial: Result<Replicates, NotEstimable>,
}

/// Fills the weights of each row (in the caller's order) from the multiplicities of each cluster, for [`LANES`]
/// resamples side by side.
///
/// Called once for so many resamples, on any thread. In a lane without an error it must set every entry, to 0 or to a
/// number from 1e-9 to 1e9. A lane that stands for no resample has multiplicities of 0 only; it may hold anything.
pub type Reweigh<'a> = &'a (dyn Fn(&[Times], &mut [[f64; LANES]]) -> Each<(), LANES> + Sync);

/// Sorts and numbers the rows once.
///
/// `x`, `y`, every covariate and `cluster` have one entry a row. Numeric covariates are ranked like x and y;
/// categorical ones hold any labels. `cluster` holds any labels too, numbered from 0 in ascending order (see
/// [`RankData::cluster_of_row`]). Time and memory for one set of weights then go with rows times (2 + numeric
/// covariates); y is best the variable with fewer distinct values: up to 32 its concordance is counted in an array,
/// beyond in a tree (O(n log k) with k distinct values).
///
/// # Errors
/// [`NotEstimable::TooFew`] below three rows, [`NotEstimable::AllEqual`] when x or y has one value only,
/// [`NotEstimable::LengthsDiffer`], [`NotEstimable::NotFinite`], [`NotEstimable::OutOfRange`] for 2^31 rows or more, or
/// more than 1,000 columns of covariates (each level of a factor but the first counts as one).
pub fn prepare(
    x: &[f64],
    y: &[f64],
    numeric: &[&[f64]],
    categorical: &[&[u32]],
    cluster: &[u32],
) -> Result<RankData, NotEstimable> {
    check_pairs(x, y, 3)?;
    check_covariates(x.len(), numeric, categorical)?;
    same_length(x.len(), cluster.len())?;
    let ranked = |values: &[f64]| {
        let (levels, count) = dense_ranks(values);
        Column { levels, count }
    };
    let mut columns = vec![ranked(x)];
    columns.extend(numeric.iter().map(|values| ranked(values)));
    let mut y = ranked(y);
    if columns[0].count < 2 || y.count < 2 {
        return Err(NotEstimable::AllEqual);
    }
    let mut factors: Vec<Column> = categorical.iter().map(|labels| numbered(labels)).collect();
    let dummies: usize = factors.iter().map(|factor| factor.count - 1).sum();
    if dummies + numeric.len() > MOST_COLUMNS {
        return Err(NotEstimable::OutOfRange {
            what: "the number of covariate columns",
        });
    }
    let mut homes = numbered(cluster);
    let cluster_of_row = homes.levels.clone();

    let mut row: Vec<u32> = (0..x.len() as u32).collect();
    let keys = |row: u32| {
        let at = move |column: &Column| column.levels[row as usize];
        columns
            .iter()
            .take(1)
            .chain([&y])
            .chain(columns.iter().skip(1))
            .chain(&factors)
            .chain([&homes])
            .map(at)
    };
    row.sort_by(|&a, &b| keys(a).cmp(keys(b)));
    for column in columns
        .iter_mut()
        .chain([&mut y, &mut homes])
        .chain(&mut factors)
    {
        column.levels = row.iter().map(|&r| column.levels[r as usize]).collect();
    }
    let mut run_ends = Vec::new();
    for run in columns[0].levels.chunk_by(|a, b| a == b) {
        run_ends.push(run_ends.last().copied().unwrap_or(0) + run.len() as u32);
    }
    let (cell, first_rows) = cells(&y, &factors);
    let cell_y = first_rows.iter().map(|&r| y.levels[r as usize]).collect();
    let mut cell_dummies = Vec::with_capacity(first_rows.len() * factors.len());
    for &r in &first_rows {
        let mut start = 0;
        for factor in &factors {
            cell_dummies.push(match factor.levels[r as usize] {
                0 => projection::NONE,
                level => start + level - 1,
            });
            start += factor.count as u32 - 1;
        }
    }
    Ok(RankData {
        row,
        columns,
        y,
        run_ends,
        cell,
        cell_y,
        cell_dummies,
        factors: factors.len(),
        dummies,
        cluster: homes.levels,
        clusters: homes.count,
        cluster_of_row,
    })
}

/// The checks of covariates that stand beside `rows` pairs.
pub(super) fn check_covariates(
    rows: usize,
    numeric: &[&[f64]],
    categorical: &[&[u32]],
) -> Result<(), NotEstimable> {
    for values in numeric {
        same_length(rows, values.len())?;
        all_finite(values)?;
    }
    for labels in categorical {
        same_length(rows, labels.len())?;
    }
    Ok(())
}

/// Labels numbered from 0 in ascending order.
fn numbered(labels: &[u32]) -> Column {
    let mut known = labels.to_vec();
    known.sort_unstable();
    known.dedup();
    Column {
        levels: labels
            .iter()
            .map(|label| known.partition_point(|other| other < label) as u32)
            .collect(),
        count: known.len(),
    }
}

/// The cell of each row, and one row of each cell. Cells are the combinations of y and factors that occur.
fn cells(y: &Column, factors: &[Column]) -> (Column, Vec<u32>) {
    let compare = |a: u32, b: u32| {
        let (a, b) = (a as usize, b as usize);
        y.levels[a].cmp(&y.levels[b]).then_with(|| {
            factors
                .iter()
                .map(|factor| factor.levels[a])
                .cmp(factors.iter().map(|factor| factor.levels[b]))
        })
    };
    let mut order: Vec<u32> = (0..y.levels.len() as u32).collect();
    order.sort_by(|&a, &b| compare(a, b));
    let mut levels = vec![0; order.len()];
    let mut first_rows = Vec::new();
    for members in order.chunk_by(|&a, &b| compare(a, b).is_eq()) {
        for &r in members {
            levels[r as usize] = first_rows.len() as u32;
        }
        first_rows.extend(members.first());
    }
    let count = first_rows.len();
    (Column { levels, count }, first_rows)
}

impl RankData {
    /// The number of rows.
    pub fn rows(&self) -> usize {
        self.row.len()
    }

    /// The number of clusters.
    pub fn clusters(&self) -> usize {
        self.clusters
    }

    /// The number of each row's cluster, from 0 in ascending order of label, in the caller's order of rows.
    pub fn cluster_of_row(&self) -> &[u32] {
        &self.cluster_of_row
    }

    /// The correlations with each row counted as often as its weight says.
    ///
    /// `weights` has one entry a row in the caller's order; `None` is 1 for each. Whole weights give what copied rows
    /// give. Ranks are mid-ranks of cumulated weight: the weight below, and half of that of the ties. Tau-b takes a
    /// pair of rows with the product of their weights. The partial correlation is that of what the covariates leave of
    /// the ranks by weighted least squares with a constant, where numeric covariates are ranked in the same way;
    /// covariates that say nothing new are let go. Without covariates it is rho.
    ///
    /// # Errors
    /// For each: [`NotEstimable::AllEqual`] when x or y has one value only where weights are positive,
    /// [`NotEstimable::LengthsDiffer`], [`NotEstimable::NotFinite`], [`NotEstimable::OutOfRange`] for a weight that is
    /// neither 0 nor from 1e-9 to 1e9. For the partial correlation [`NotEstimable::NoVariation`] when the covariates
    /// leave nothing of x or y.
    pub fn estimates(&self, weights: Option<&[f64]>) -> Estimates {
        let mut scratch = Scratch::new(self);
        let loaded = match weights {
            None => {
                self.set_weights(&mut scratch, |_| [1.0; LANES]);
                Ok(())
            }
            Some(weights) => same_length(self.rows(), weights.len()).and_then(|()| {
                check_weights(weights.iter().copied())?;
                self.set_weights(&mut scratch, |row| [weights[self.row[row] as usize]; LANES]);
                Ok(())
            }),
        };
        let [first, ..] = self.three(&mut scratch);
        let [spearman, kendall, partial] = match loaded {
            Ok(()) => first,
            Err(reason) => failed(&reason),
        };
        Estimates {
            spearman,
            kendall,
            partial,
        }
    }

    /// Bootstraps the three correlations over whole clusters, each row weighing what its cluster's multiplicity says.
    ///
    /// Runs on the current rayon pool. With up to 100 clusters of enough rows, n rows and G clusters cost O(n G²) once
    /// and a resample O(G³), with small constants; else a resample costs O(n). The result does not depend on the number
    /// of threads, nor, to the last bit, on the order of the rows: rows that are alike in all columns and cluster have equal weights.
    ///
    /// # Errors
    /// Each correlation has its own, as [`RankData::estimates`] and [`cluster_bootstrap`].
    pub fn bootstrap(&self, replicates: u64, seed: u64) -> RankReplicates {
        let design = self.design(replicates, seed);
        if let Some(sums) = ByCluster::worth(self, replicates) {
            let statistic = |times: &[u32], work: &mut _| sums.three(times, work);
            return of_each(cluster_bootstrap(design, || sums.work(), statistic));
        }
        let scratch = || (Scratch::new(self), vec![ZERO; self.clusters]);
        let statistic = |times: &[Times], (scratch, weights): &mut (Scratch, Vec<Lanes>)| {
            for (weight, times) in weights.iter_mut().zip(times) {
                *weight = times.map(f64::from);
            }
            self.set_weights(scratch, |row| weights[self.cluster[row] as usize]);
            self.three(scratch)
        };
        of_each(cluster_bootstrap_side_by_side(design, scratch, statistic))
    }

    /// Bootstraps the three correlations over whole clusters, with row weights that are worked out anew for each
    /// resample: a model of who answers, fitted to the clusters drawn, say.
    ///
    /// `reweigh` gets the multiplicity of each cluster, numbered as in [`RankData::cluster_of_row`]; all ones is the
    /// estimate. A resample for which it fails counts as one without an estimate. The result does not depend on the
    /// number of threads; with fractional weights the order of rows may move the last bits.
    ///
    /// # Errors
    /// As [`RankData::bootstrap`].
    pub fn bootstrap_reweighed(
        &self,
        replicates: u64,
        seed: u64,
        reweigh: Reweigh<'_>,
    ) -> RankReplicates {
        let scratch = || (Scratch::new(self), vec![ZERO; self.rows()]);
        let statistic = |times: &[Times], (scratch, weights): &mut (Scratch, Vec<Lanes>)| {
            let reweighed = reweigh(times, weights);
            let loaded = self.load(weights, scratch);
            let mut found = self.three(scratch);
            for ((found, reweighed), loaded) in found.iter_mut().zip(reweighed).zip(loaded) {
                if let Err(reason) = reweighed.and(loaded) {
                    *found = failed(&reason);
                }
            }
            found
        };
        let design = self.design(replicates, seed);
        of_each(cluster_bootstrap_side_by_side(design, scratch, statistic))
    }

    fn design(&self, replicates: u64, seed: u64) -> Design<'static> {
        Design {
            clusters: self.clusters,
            replicates,
            seed,
            domain: "bootstrap of rank correlations",
        }
    }

    /// Sets the weights of each row in the fixed order, and their totals.
    fn set_weights(&self, scratch: &mut Scratch, weights: impl Fn(usize) -> Lanes) {
        scratch.total = ZERO;
        for (row, slot) in scratch.weights.iter_mut().enumerate() {
            *slot = weights(row);
            add(&mut scratch.total, slot);
        }
    }

    /// Brings weights from the caller's order into the fixed order, and checks them.
    fn load(&self, weights: &[Lanes], scratch: &mut Scratch) -> Each<(), LANES> {
        self.set_weights(scratch, |row| weights[self.row[row] as usize]);
        let (mut least, mut most) = ([*WEIGHTS.end(); LANES], ZERO);
        for weights in &scratch.weights {
            for lane in 0..LANES {
                let weight = weights[lane];
                let some = if weight == 0.0 { 1.0 } else { weight };
                least[lane] = if some < least[lane] {
                    some
                } else {
                    least[lane]
                };
                most[lane] = if some > most[lane] { some } else { most[lane] };
            }
        }
        std::array::from_fn(|lane| {
            let inside = WEIGHTS.contains(&least[lane]) && most[lane] <= *WEIGHTS.end();
            if inside && scratch.total[lane].is_finite() {
                Ok(())
            } else {
                check_weights(weights.iter().map(|weights| weights[lane]))
            }
        })
    }

    /// Rho, tau-b and partial rho in each lane for the weights in the scratch.
    fn three(&self, scratch: &mut Scratch) -> [Each<f64, 3>; LANES] {
        self.take_sums(scratch);
        let s = concordance::weighted(self, scratch);
        std::array::from_fn(|lane| {
            if let Err(reason) = Self::check_levels(scratch, lane) {
                return failed(&reason);
            }
            let (x, y) = (&scratch.of_columns[0], &scratch.of_y);
            [
                projection::correlation(scratch.xy[lane], x.squares[lane], y.squares[lane]),
                projection::correlation(2.0 * s[lane], x.untied[lane], y.untied[lane]),
                projection::partial(self, scratch, lane),
            ]
        })
    }
}

/// The bootstraps by name.
fn of_each(found: Result<Each<Replicates, 3>, NotEstimable>) -> RankReplicates {
    let [spearman, kendall, partial] =
        found.unwrap_or_else(|reason| std::array::from_fn(|_| Err(reason.clone())));
    RankReplicates {
        spearman,
        kendall,
        partial,
    }
}

/// Refuses weights that are not finite, or neither 0 nor in [`WEIGHTS`].
fn check_weights(weights: impl Iterator<Item = f64>) -> Result<(), NotEstimable> {
    let mut outcome = Ok(());
    for weight in weights {
        finite(weight)?;
        if weight != 0.0 && !WEIGHTS.contains(&weight) {
            outcome = Err(NotEstimable::OutOfRange { what: "a weight" });
        }
    }
    outcome
}

/// The same reason for all three.
fn failed(reason: &NotEstimable) -> Each<f64, 3> {
    std::array::from_fn(|_| Err(reason.clone()))
}
