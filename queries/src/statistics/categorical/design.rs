//! The rows of a regression as the likelihood walks through them: sorted by category, columns centred and scaled.

use std::ops::Range;

use nalgebra::DMatrix;
use rayon::prelude::*;

use super::super::{NotEstimable, all_finite, at_least, finite, same_length};

/// The most categories a score may have: the work grows with the cube of their number.
pub(super) const MOST_CATEGORIES: usize = 1000;

/// The rows that are handled at once, few enough that their columns stay in the fastest memory.
pub(super) const BLOCK: usize = 256;

/// The rows of one task. A constant, so that the order of summation does not depend on the number of threads.
const TASK: usize = 32 * BLOCK;

/// A column whose part not explained by the columns before it has less than this share of its variance counts as a
/// combination of them: 1e-5 of its standard deviation, well over rounding and well under any real measurement.
const COLLINEAR: f64 = 1e-10;

/// A column whose values differ by less than this share of their size is constant up to rounding.
const CONSTANT: f64 = 8.0 * f64::EPSILON;

/// Each row's category from 0, and the distinct scores in ascending order.
pub(super) struct Outcome {
    pub(super) category: Vec<u32>,
    pub(super) levels: Vec<f64>,
}

impl Outcome {
    /// Numbers the distinct scores in ascending order.
    pub(super) fn of_scores(score: &[f64]) -> Result<Self, NotEstimable> {
        all_finite(score)?;
        let mut levels: Vec<f64> = Vec::new();
        for value in score {
            let place = levels.partition_point(|level| level < value);
            if levels.get(place) != Some(value) {
                levels.insert(place, *value);
            }
            if levels.len() > MOST_CATEGORIES {
                return Err(NotEstimable::OutOfRange {
                    what: "the number of categories",
                });
            }
        }
        let category = score
            .par_iter()
            .with_min_len(TASK)
            .map(|value| levels.partition_point(|level| level < value) as u32)
            .collect();
        Ok(Self { category, levels })
    }

    /// False is category 0, true is category 1.
    pub(super) fn of_answers(outcome: &[bool]) -> Self {
        let has = |wanted: bool| outcome.contains(&wanted).then_some(f64::from(wanted));
        let levels: Vec<f64> = [has(false), has(true)].into_iter().flatten().collect();
        let category = outcome
            .iter()
            .map(|&answer| u32::from(answer && levels.len() > 1))
            .collect();
        Self { category, levels }
    }
}

/// A stretch of stored rows of one category.
pub(super) struct Task {
    pub(super) category: usize,
    pub(super) rows: Range<usize>,
}

/// Checked rows, see the module.
pub(super) struct Design {
    /// The number of categories.
    pub(super) categories: usize,
    /// The given row of each stored row.
    pub(super) order: Vec<u32>,
    /// The covariates in stored order, each with mean 0 and standard deviation 1.
    pub(super) columns: Vec<Vec<f64>>,
    /// The weights in stored order, with mean 1; none when all are equal to 1.
    pub(super) weights: Option<Vec<f64>>,
    /// What the stored weights were divided by.
    pub(super) mean_weight: f64,
    /// The sum of stored weights in each category.
    pub(super) category_weight: Vec<f64>,
    /// The mean of each given column.
    pub(super) mean: Vec<f64>,
    /// The standard deviation of each given column.
    pub(super) sd: Vec<f64>,
    /// The largest distance of a row from the mean, in standard deviations, of each column.
    pub(super) reach: Vec<f64>,
    /// Rows in stretches of one category, in stored order.
    pub(super) tasks: Vec<Task>,
}

impl Design {
    /// Checks and stores the rows.
    pub(super) fn new(
        outcome: &Outcome,
        columns: &[&[f64]],
        weights: Option<&[f64]>,
    ) -> Result<Self, NotEstimable> {
        let n = outcome.category.len();
        check(n, columns, weights)?;
        let categories = outcome.levels.len();
        let parameters = columns.len() + categories.saturating_sub(1);
        at_least(parameters.max(1) as u64 + 1, n as u64)?;
        if categories < 2 {
            return Err(NotEstimable::AllEqual);
        }
        let starts = starts(&outcome.category, categories);
        let order = order(&outcome.category, &starts);

        let stored: Vec<Result<Stored, NotEstimable>> = columns
            .par_iter()
            .enumerate()
            .map(|(column, values)| Stored::new(column, values, &order))
            .collect();
        let stored: Vec<Stored> = stored.into_iter().collect::<Result<_, _>>()?;
        let mean = stored.iter().map(|column| column.mean).collect();
        let sd = stored.iter().map(|column| column.sd).collect();
        let reach = stored.iter().map(|column| column.reach).collect();

        let mean_weight = match weights {
            Some(weights) => finite(weights.iter().sum::<f64>() / n as f64)?,
            None => 1.0,
        };
        let weights: Option<Vec<f64>> = weights.map(|weights| {
            order
                .iter()
                .map(|&row| weights[row as usize] / mean_weight)
                .collect()
        });
        let category_weight = starts
            .windows(2)
            .map(|ends| match &weights {
                Some(weights) => weights[ends[0]..ends[1]].iter().sum(),
                None => (ends[1] - ends[0]) as f64,
            })
            .collect();
        let design = Self {
            categories,
            order,
            columns: stored.into_iter().map(|column| column.values).collect(),
            weights,
            mean_weight,
            category_weight,
            mean,
            sd,
            reach,
            tasks: tasks(&starts),
        };
        design.check_rank()?;
        Ok(design)
    }

    /// The number of thresholds.
    pub(super) fn thresholds(&self) -> usize {
        self.categories - 1
    }

    /// Thresholds and coefficients together.
    pub(super) fn parameters(&self) -> usize {
        self.thresholds() + self.columns.len()
    }

    /// Refuses a column that is a combination of those before it.
    ///
    /// A Cholesky factorisation of the correlation matrix in the given order; a pivot is the share of the column's
    /// variance that the columns before it do not explain.
    fn check_rank(&self) -> Result<(), NotEstimable> {
        let p = self.columns.len();
        let parts: Vec<Vec<f64>> = self
            .tasks
            .par_iter()
            .map(|task| {
                let mut sums = Vec::with_capacity(p * (p + 1) / 2);
                for (k, left) in self.columns.iter().enumerate() {
                    for right in &self.columns[..=k] {
                        sums.push(dot(&left[task.rows.clone()], &right[task.rows.clone()]));
                    }
                }
                sums
            })
            .collect();
        let n = self.order.len() as f64;
        let mut lower = DMatrix::<f64>::zeros(p, p);
        let mut at = 0;
        for k in 0..p {
            for m in 0..=k {
                lower[(k, m)] = parts.iter().map(|sums| sums[at]).sum::<f64>() / n;
                at += 1;
            }
        }
        for k in 0..p {
            for m in 0..k {
                let known: f64 = (0..m).map(|i| lower[(k, i)] * lower[(m, i)]).sum();
                lower[(k, m)] = (lower[(k, m)] - known) / lower[(m, m)];
            }
            let explained: f64 = (0..k).map(|i| lower[(k, i)].powi(2)).sum();
            let left = lower[(k, k)] - explained;
            if left.is_nan() || left <= COLLINEAR {
                return Err(NotEstimable::Collinear { column: k });
            }
            lower[(k, k)] = left.sqrt();
        }
        Ok(())
    }
}

/// Lengths, finite numbers, positive weights, and a number of rows that fits in 32 bits.
fn check(n: usize, columns: &[&[f64]], weights: Option<&[f64]>) -> Result<(), NotEstimable> {
    if n > i32::MAX as usize {
        return Err(NotEstimable::OutOfRange {
            what: "the number of rows",
        });
    }
    for column in columns {
        same_length(n, column.len())?;
        all_finite(column)?;
    }
    if let Some(weights) = weights {
        same_length(n, weights.len())?;
        all_finite(weights)?;
        if weights.iter().any(|weight| *weight <= 0.0) {
            return Err(NotEstimable::OutOfRange { what: "a weight" });
        }
    }
    Ok(())
}

/// Where each category's stored rows start, and where the last one's end.
fn starts(category: &[u32], categories: usize) -> Vec<usize> {
    let mut starts = vec![0; categories + 1];
    for &category in category {
        starts[category as usize + 1] += 1;
    }
    for index in 1..starts.len() {
        starts[index] += starts[index - 1];
    }
    starts
}

/// The rows by category, within a category as given.
fn order(category: &[u32], starts: &[usize]) -> Vec<u32> {
    let mut next = starts.to_vec();
    let mut order = vec![0; category.len()];
    for (row, &category) in category.iter().enumerate() {
        let place = &mut next[category as usize];
        order[*place] = row as u32;
        *place += 1;
    }
    order
}

/// Cuts each category's rows into tasks.
fn tasks(starts: &[usize]) -> Vec<Task> {
    let mut tasks = Vec::new();
    for (category, ends) in starts.windows(2).enumerate() {
        for start in (ends[0]..ends[1]).step_by(TASK) {
            tasks.push(Task {
                category,
                rows: start..(start + TASK).min(ends[1]),
            });
        }
    }
    tasks
}

/// One covariate, centred and scaled.
struct Stored {
    values: Vec<f64>,
    mean: f64,
    sd: f64,
    reach: f64,
}

impl Stored {
    fn new(column: usize, given: &[f64], order: &[u32]) -> Result<Self, NotEstimable> {
        let n = given.len() as f64;
        let (lo, hi) = given
            .iter()
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(lo, hi), value| {
                (lo.min(*value), hi.max(*value))
            });
        if hi - lo <= CONSTANT * lo.abs().max(hi.abs()) {
            return Err(NotEstimable::Collinear { column });
        }
        let mean = finite(given.iter().sum::<f64>() / n)?;
        let squares = given
            .iter()
            .map(|value| (value - mean).powi(2))
            .sum::<f64>();
        let sd = finite((squares / n).sqrt())?;
        // Distances so small that their squares vanish.
        if sd < f64::MIN_POSITIVE.sqrt() {
            return Err(NotEstimable::Collinear { column });
        }
        let values = order
            .iter()
            .map(|&row| (given[row as usize] - mean) / sd)
            .collect();
        Ok(Self {
            values,
            mean,
            sd,
            reach: (hi - mean).max(mean - lo) / sd,
        })
    }
}

/// The sum of products, in eight partial sums that a compiler may keep in vector registers.
pub(super) fn dot(left: &[f64], right: &[f64]) -> f64 {
    let mut lanes = [0.0; 8];
    let (a, b) = (left.chunks_exact(8), right.chunks_exact(8));
    let rest: f64 = a
        .remainder()
        .iter()
        .zip(b.remainder())
        .map(|(a, b)| a * b)
        .sum();
    for (a, b) in a.zip(b) {
        for ((lane, a), b) in lanes.iter_mut().zip(a).zip(b) {
            *lane += a * b;
        }
    }
    lanes.iter().sum::<f64>() + rest
}
