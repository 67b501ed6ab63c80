//! Weighted ranks and the sums of their products, in one pass over the rows.
//!
//! Ranks are taken less their weighted mean, which is half of the total weight whatever the ties. With whole weights
//! they are then multiples of a half, and the sums are exact as long as they stay under 2^53.

use super::{NotEstimable, RankData};

/// What a thread works with, made once.
pub(super) struct Scratch {
    /// The weight of each row, in the fixed order.
    pub(super) weights: Vec<f64>,
    /// For each ranked column the centred rank of each level.
    ranks: Vec<Vec<f64>>,
    /// The centred rank of each level of y.
    pub(super) y_ranks: Vec<f64>,
    /// For each cell its weight, then for each column the sum of weight times rank.
    pub(super) cells: Vec<f64>,
    /// Sums of weighted products of ranks, columns by columns; only those with row under column are filled.
    pub(super) products: Vec<f64>,
    /// Sums of weighted squares of ranks.
    pub(super) squares: Vec<f64>,
    /// The same for y.
    pub(super) yy: f64,
    /// The sum of weighted products of the ranks of x and y.
    pub(super) xy: f64,
    /// Twice the weight of pairs that are not tied, in x and in y.
    pub(super) untied: [f64; 2],
    /// The total weight.
    pub(super) total: f64,
    /// For the projection: a square matrix over covariates, x and y.
    pub(super) matrix: Vec<f64>,
    /// For the projection: the weight under each indicator.
    pub(super) indicator_weights: Vec<f64>,
    /// For the concordance with many values of y.
    pub(super) tree: Vec<f64>,
}

impl Scratch {
    pub(super) fn new(data: &RankData) -> Self {
        let columns = data.columns.len();
        let side = columns + data.dummies + 1;
        Self {
            weights: vec![0.0; data.rows()],
            ranks: data.columns.iter().map(|c| vec![0.0; c.count]).collect(),
            y_ranks: vec![0.0; data.y.count],
            cells: vec![0.0; data.cell.count * (columns + 1)],
            products: vec![0.0; columns * columns],
            squares: vec![0.0; columns],
            yy: 0.0,
            xy: 0.0,
            untied: [0.0; 2],
            total: 0.0,
            matrix: vec![0.0; side * side],
            indicator_weights: vec![0.0; data.dummies],
            tree: vec![0.0; data.y.count + 1],
        }
    }
}

/// What turning weights by level into ranks brings along.
struct Ranked {
    squares: f64,
    untied: f64,
    levels: usize,
}

/// The sum of weights. Eight sums side by side, so that no addition waits for the one before.
fn sum(weights: &[f64]) -> f64 {
    let mut lanes = [0.0; 8];
    let (eights, rest) = weights.as_chunks::<8>();
    for eight in eights {
        for (lane, weight) in lanes.iter_mut().zip(eight) {
            *lane += weight;
        }
    }
    lanes.iter().sum::<f64>() + rest.iter().sum::<f64>()
}

/// Turns the weight of each level into its centred rank.
fn rank(levels: &mut [f64], total: f64) -> Ranked {
    let (mut before, mut squares, mut untied, mut seen) = (-total / 2.0, 0.0, 0.0, 0);
    for level in levels {
        let weight = *level;
        let rank = before + weight / 2.0;
        before += weight;
        squares += weight * rank * rank;
        untied += weight * (total - weight);
        seen += usize::from(weight > 0.0);
        *level = rank;
    }
    Ranked {
        squares,
        untied,
        levels: seen,
    }
}

impl RankData {
    /// Fills all sums from the weights.
    pub(super) fn take_sums(&self, scratch: &mut Scratch) -> Result<(), NotEstimable> {
        scratch.total = sum(&scratch.weights);
        for (j, column) in self.columns.iter().enumerate() {
            let levels = &mut scratch.ranks[j];
            levels.fill(0.0);
            for (&level, weight) in column.levels.iter().zip(&scratch.weights) {
                levels[level as usize] += weight;
            }
            let ranked = rank(levels, scratch.total);
            scratch.squares[j] = ranked.squares;
            if j == 0 {
                scratch.untied[0] = ranked.untied;
                if ranked.levels < 2 {
                    return Err(NotEstimable::AllEqual);
                }
            }
        }
        scratch.cells.fill(0.0);
        scratch.products.fill(0.0);
        match self.columns.len() {
            1 => self.pass::<1>(scratch),
            2 => self.pass::<2>(scratch),
            3 => self.pass::<3>(scratch),
            4 => self.pass::<4>(scratch),
            5 => self.pass::<5>(scratch),
            _ => self.pass_of_any(scratch),
        }
        let width = self.columns.len() + 1;
        scratch.y_ranks.fill(0.0);
        for (sums, &level) in scratch.cells.chunks_exact(width).zip(&self.cell_y) {
            scratch.y_ranks[level as usize] += sums[0];
        }
        let ranked = rank(&mut scratch.y_ranks, scratch.total);
        if ranked.levels < 2 {
            return Err(NotEstimable::AllEqual);
        }
        scratch.yy = ranked.squares;
        scratch.untied[1] = ranked.untied;
        scratch.xy = scratch
            .cells
            .chunks_exact(width)
            .zip(&self.cell_y)
            .map(|(sums, &level)| sums[1] * scratch.y_ranks[level as usize])
            .sum();
        Ok(())
    }

    /// The pass over the rows with `C` ranked columns, a number known to the compiler, so that sums stay in registers.
    fn pass<const C: usize>(&self, scratch: &mut Scratch) {
        let rows = self.rows();
        let weights = &scratch.weights[..rows];
        let cell = &self.cell.levels[..rows];
        let levels: [&[u32]; C] = std::array::from_fn(|j| &self.columns[j].levels[..rows]);
        let ranks: [&[f64]; C] = std::array::from_fn(|j| scratch.ranks[j].as_slice());
        let mut products = [[0.0; C]; C];
        for i in 0..rows {
            let weight = weights[i];
            let row: [f64; C] = std::array::from_fn(|j| ranks[j][levels[j][i] as usize]);
            let weighted = row.map(|rank| weight * rank);
            for j in 0..C {
                for k in j + 1..C {
                    products[j][k] += weighted[j] * row[k];
                }
            }
            let start = cell[i] as usize * (C + 1);
            let sums = &mut scratch.cells[start..start + C + 1];
            sums[0] += weight;
            for j in 0..C {
                sums[j + 1] += weighted[j];
            }
        }
        for (target, source) in scratch.products.iter_mut().zip(products.as_flattened()) {
            *target = *source;
        }
    }

    /// The same for any number of columns.
    fn pass_of_any(&self, scratch: &mut Scratch) {
        let columns = self.columns.len();
        let mut row = vec![0.0; columns];
        for (i, weight) in scratch.weights.iter().enumerate() {
            for ((rank, column), ranks) in row.iter_mut().zip(&self.columns).zip(&scratch.ranks) {
                *rank = ranks[column.levels[i] as usize];
            }
            let start = self.cell.levels[i] as usize * (columns + 1);
            let sums = &mut scratch.cells[start..start + columns + 1];
            sums[0] += weight;
            for j in 0..columns {
                let weighted = weight * row[j];
                sums[j + 1] += weighted;
                let products = &mut scratch.products[j * columns..(j + 1) * columns];
                for k in j + 1..columns {
                    products[k] += weighted * row[k];
                }
            }
        }
    }
}
