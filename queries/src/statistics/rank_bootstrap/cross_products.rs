//! Weighted ranks and the sums of their products, for [`LANES`] sets of weights side by side.
//!
//! Ranks are taken less their weighted mean, which is half of the total weight whatever the ties. With whole weights
//! they are then multiples of a half, and the sums are exact as long as they stay under 2^53.

use super::{NotEstimable, RankData};
use crate::statistics::resampling::LANES;

/// One number for each set of weights.
pub(super) type Lanes = [f64; LANES];

/// Nothing yet, in each lane.
pub(super) const ZERO: Lanes = [0.0; LANES];

/// `left · right` in each lane.
///
/// Here and below a whole result is made before it is stored: only then is it plain that it may be made in vectors.
#[inline(always)]
fn product(left: &Lanes, right: &Lanes) -> Lanes {
    std::array::from_fn(|lane| left[lane] * right[lane])
}

/// `total += left · right` in each lane.
#[inline(always)]
pub(super) fn add_product(total: &mut Lanes, left: &Lanes, right: &Lanes) {
    *total = std::array::from_fn(|lane| total[lane] + left[lane] * right[lane]);
}

/// `total += more` in each lane.
#[inline(always)]
pub(super) fn add(total: &mut Lanes, more: &Lanes) {
    *total = std::array::from_fn(|lane| total[lane] + more[lane]);
}

/// What a thread works with, made once.
pub(super) struct Scratch {
    /// The weights of each row, in the fixed order.
    pub(super) weights: Vec<Lanes>,
    /// The total weight.
    pub(super) total: Lanes,
    /// For each numeric covariate the centred rank of each level.
    ranks: Vec<Vec<Lanes>>,
    /// The centred rank of each level of y.
    pub(super) y_ranks: Vec<Lanes>,
    /// For each cell its weight, then for each ranked column the sum of weight times rank.
    pub(super) cells: Vec<Lanes>,
    /// Sums of weighted products of ranks, columns by columns; only those with row under column are filled.
    pub(super) products: Vec<Lanes>,
    /// What ranking x and the numeric covariates brought along.
    pub(super) of_columns: Vec<Ranked>,
    /// The same for y.
    pub(super) of_y: Ranked,
    /// The sum of weighted products of the ranks of x and y.
    pub(super) xy: Lanes,
    /// For the concordance: the weight under each level of y, as running sums or as a tree.
    pub(super) under: Vec<Lanes>,
    /// For the projection: a square matrix over covariates, x and y.
    pub(super) matrix: Vec<f64>,
    /// For the projection: the weight under each indicator.
    pub(super) indicator_weights: Vec<f64>,
}

impl Scratch {
    pub(super) fn new(data: &RankData) -> Self {
        let columns = data.columns.len();
        let side = columns + data.dummies + 1;
        let covariates = data.columns.iter().skip(1);
        Self {
            weights: vec![ZERO; data.rows()],
            total: ZERO,
            ranks: covariates.map(|c| vec![ZERO; c.count]).collect(),
            y_ranks: vec![ZERO; data.y.count],
            cells: vec![ZERO; data.cell.count * (columns + 1)],
            products: vec![ZERO; columns * columns],
            of_columns: vec![Ranked::default(); columns],
            of_y: Ranked::default(),
            xy: ZERO,
            under: vec![ZERO; data.y.count + 1],
            matrix: vec![0.0; side * side],
            indicator_weights: vec![0.0; data.dummies],
        }
    }
}

/// What turning weights by level into ranks brings along.
#[derive(Clone, Default)]
pub(super) struct Ranked {
    /// The weight of the levels so far, less half of the total.
    before: Lanes,
    /// The sum of weighted squares of ranks.
    pub(super) squares: Lanes,
    /// Twice the weight of pairs of rows that are not tied.
    pub(super) untied: Lanes,
    /// The number of levels with weight.
    levels: Lanes,
}

impl Ranked {
    fn start(total: &Lanes) -> Self {
        Self {
            before: total.map(|total| -total / 2.0),
            ..Self::default()
        }
    }

    /// Takes the weight of the next level and gives its centred rank.
    #[inline(always)]
    fn next(&mut self, weight: &Lanes, total: &Lanes) -> Lanes {
        let mut rank = ZERO;
        for lane in 0..LANES {
            let weight = weight[lane];
            rank[lane] = self.before[lane] + weight / 2.0;
            self.before[lane] += weight;
            self.squares[lane] += weight * rank[lane] * rank[lane];
            self.untied[lane] += weight * (total[lane] - weight);
            self.levels[lane] += if weight > 0.0 { 1.0 } else { 0.0 };
        }
        rank
    }

    /// Turns the weight of each level into its centred rank.
    fn all(levels: &mut [Lanes], total: &Lanes) -> Self {
        let mut ranked = Self::start(total);
        for level in levels {
            *level = ranked.next(level, total);
        }
        ranked
    }
}

impl RankData {
    /// Fills all sums from the weights and their total.
    pub(super) fn take_sums(&self, scratch: &mut Scratch) {
        for (j, column) in self.columns.iter().enumerate().skip(1) {
            let levels = &mut scratch.ranks[j - 1];
            levels.fill(ZERO);
            for (&level, weight) in column.levels.iter().zip(&scratch.weights) {
                add(&mut levels[level as usize], weight);
            }
            scratch.of_columns[j] = Ranked::all(levels, &scratch.total);
        }
        scratch.cells.fill(ZERO);
        scratch.products.fill(ZERO);
        match self.columns.len() {
            1 => self.pass::<1>(scratch),
            2 => self.pass::<2>(scratch),
            3 => self.pass::<3>(scratch),
            4 => self.pass::<4>(scratch),
            5 => self.pass::<5>(scratch),
            _ => self.pass_of_any(scratch),
        }
        let width = self.columns.len() + 1;
        scratch.y_ranks.fill(ZERO);
        for (sums, &level) in scratch.cells.chunks_exact(width).zip(&self.cell_y) {
            add(&mut scratch.y_ranks[level as usize], &sums[0]);
        }
        scratch.of_y = Ranked::all(&mut scratch.y_ranks, &scratch.total);
        scratch.xy = ZERO;
        for (sums, &level) in scratch.cells.chunks_exact(width).zip(&self.cell_y) {
            let y_rank = &scratch.y_ranks[level as usize];
            add_product(&mut scratch.xy, &sums[1], y_rank);
        }
    }

    /// Refuses a lane in which x or y has no two levels with weight.
    pub(super) fn check_levels(scratch: &Scratch, lane: usize) -> Result<(), NotEstimable> {
        let varies = |ranked: &Ranked| ranked.levels[lane] >= 2.0;
        if varies(&scratch.of_columns[0]) && varies(&scratch.of_y) {
            Ok(())
        } else {
            Err(NotEstimable::AllEqual)
        }
    }

    /// The pass over the rows with `C` ranked columns, a number known to the compiler, so that its loops are unrolled.
    /// The rows stand by x, so its ranks are found on the way.
    fn pass<const C: usize>(&self, scratch: &mut Scratch) {
        let total = scratch.total;
        let mut x = Ranked::start(&total);
        let mut products = [[ZERO; C]; C];
        let mut row = [ZERO; C];
        let mut start = 0;
        for &end in &self.run_ends {
            let run = start..end as usize;
            start = end as usize;
            let mut weight_of_run = ZERO;
            for weight in &scratch.weights[run.clone()] {
                add(&mut weight_of_run, weight);
            }
            row[0] = x.next(&weight_of_run, &total);
            for i in run {
                let weight = &scratch.weights[i];
                for (j, rank) in row.iter_mut().enumerate().skip(1) {
                    *rank = scratch.ranks[j - 1][self.columns[j].levels[i] as usize];
                }
                let first = self.cell.levels[i] as usize * (C + 1);
                let sums = &mut scratch.cells[first..first + C + 1];
                add(&mut sums[0], weight);
                for j in 0..C {
                    let weighted = product(weight, &row[j]);
                    add(&mut sums[j + 1], &weighted);
                    for k in j + 1..C {
                        add_product(&mut products[j][k], &weighted, &row[k]);
                    }
                }
            }
        }
        scratch.of_columns[0] = x;
        for (target, source) in scratch.products.iter_mut().zip(products.as_flattened()) {
            *target = *source;
        }
    }

    /// The same for any number of columns.
    fn pass_of_any(&self, scratch: &mut Scratch) {
        let columns = self.columns.len();
        let total = scratch.total;
        let mut x = Ranked::start(&total);
        let mut row = vec![ZERO; columns];
        let mut start = 0;
        for &end in &self.run_ends {
            let run = start..end as usize;
            start = end as usize;
            let mut weight_of_run = ZERO;
            for weight in &scratch.weights[run.clone()] {
                add(&mut weight_of_run, weight);
            }
            row[0] = x.next(&weight_of_run, &total);
            for i in run {
                let weight = &scratch.weights[i];
                let covariates = self.columns[1..].iter().zip(&scratch.ranks);
                for (rank, (column, ranks)) in row[1..].iter_mut().zip(covariates) {
                    *rank = ranks[column.levels[i] as usize];
                }
                let first = self.cell.levels[i] as usize * (columns + 1);
                let sums = &mut scratch.cells[first..first + columns + 1];
                add(&mut sums[0], weight);
                for j in 0..columns {
                    let weighted = product(weight, &row[j]);
                    add(&mut sums[j + 1], &weighted);
                    let products = &mut scratch.products[j * columns..(j + 1) * columns];
                    for k in j + 1..columns {
                        add_product(&mut products[k], &weighted, &row[k]);
                    }
                }
            }
        }
        scratch.of_columns[0] = x;
    }
}
