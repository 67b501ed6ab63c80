//! Covariates as columns, and an orthonormal basis of them.

use std::ops::Range;

use nalgebra::{DMatrix, DVector};

use crate::statistics::NotEstimable;
use crate::statistics::rank::mid_ranks;

/// A column (of length 1) whose part that the others do not have is shorter than this is their combination.
const NEW: f64 = 1e-8;

/// The largest table of columns, in entries: 2 GB.
const MOST_ENTRIES: usize = 1 << 28;

/// The ranks of numeric covariates, and an indicator for each level but the lowest of each categorical one.
pub(super) fn covariate_columns(
    numeric: &[&[f64]],
    categorical: &[&[u32]],
) -> Result<Vec<Vec<f64>>, NotEstimable> {
    let mut columns = Vec::new();
    for values in numeric {
        columns.push(mid_ranks(values)?);
    }
    for labels in categorical {
        let mut levels = labels.to_vec();
        levels.sort_unstable();
        levels.dedup();
        let table = levels.len().saturating_add(columns.len());
        if table.saturating_mul(labels.len()) > MOST_ENTRIES {
            return Err(NotEstimable::OutOfRange {
                what: "the number of covariate columns",
            });
        }
        for level in levels.iter().skip(1) {
            columns.push(
                labels
                    .iter()
                    .map(|label| f64::from(u8::from(label == level)))
                    .collect(),
            );
        }
    }
    Ok(columns)
}

/// Takes its mean from each block of rows.
pub(super) fn centre(values: &mut [f64], blocks: &[Range<usize>]) {
    for block in blocks {
        let block = &mut values[block.clone()];
        let mean = block.iter().sum::<f64>() / block.len() as f64;
        block.iter_mut().for_each(|value| *value -= mean);
    }
}

pub(super) fn dot(left: &[f64], right: &[f64]) -> f64 {
    left.iter().zip(right).map(|(a, b)| a * b).sum()
}

pub(super) fn norm(values: &[f64]) -> f64 {
    dot(values, values).sqrt()
}

/// An orthonormal basis of the columns centred in each block. Columns that say nothing new leave nothing in it.
pub(super) fn basis(columns: Vec<Vec<f64>>, blocks: &[Range<usize>]) -> Vec<Vec<f64>> {
    let rows = 0..columns.first().map_or(0, Vec::len);
    let mut kept = Vec::new();
    for mut column in columns {
        let mut whole = column.clone();
        centre(&mut whole, std::slice::from_ref(&rows));
        centre(&mut column, blocks);
        let length = norm(&column);
        // A column that varies between blocks only is left with rounding.
        if length > NEW * norm(&whole) {
            column.iter_mut().for_each(|value| *value /= length);
            kept.push(DVector::from_vec(column));
        }
    }
    if kept.is_empty() {
        return Vec::new();
    }
    let decomposed = DMatrix::from_columns(&kept).col_piv_qr();
    let r = decomposed.r();
    let rank = (0..r.nrows().min(r.ncols()))
        .take_while(|&i| r[(i, i)].abs() > NEW)
        .count();
    let q = decomposed.q();
    (0..rank)
        .map(|j| q.column(j).iter().copied().collect())
        .collect()
}

/// Takes from a column what the basis explains; twice, so that rounding of the first time goes too.
pub(super) fn project_out(values: &mut [f64], basis: &[Vec<f64>]) {
    for _ in 0..2 {
        for direction in basis {
            let share = dot(values, direction);
            for (value, d) in values.iter_mut().zip(direction) {
                *value -= share * d;
            }
        }
    }
}
