//! What covariates leave of the ranks of x and y, from sums of products alone.

use super::cross_products::Scratch;
use super::{NotEstimable, RankData};
use crate::statistics::finite;

/// Marks a factor's first level, which has no indicator column.
pub(super) const NONE: u32 = u32::MAX;

/// A column of which the others leave less than this share of its sum of squares counts as their combination. Sums of
/// products hold about 16 digits; ranks and indicators are far from collinear unless they are so by design.
const LEFT: f64 = 1e-9;

/// `xy / sqrt(xx yy)`, in `-1..=1`.
pub(super) fn correlation(xy: f64, xx: f64, yy: f64) -> Result<f64, NotEstimable> {
    Ok(finite(xy / (xx * yy).sqrt())?.clamp(-1.0, 1.0))
}

/// The correlation, in one lane, of the ranks of x and y after weighted least squares on the covariates and a constant.
///
/// The matrix of centred products over covariates, x and y is scaled to ones on its diagonal; then the covariates are
/// eliminated one by one, at each step the one of which most is left (a Cholesky decomposition with pivots, Higham
/// 2002, Accuracy and Stability of Numerical Algorithms, 2nd ed., section 10.3, from memory). Those of which nothing
/// is left are combinations of the others and are passed over. What remains belongs to x and y given the covariates.
pub(super) fn partial(
    data: &RankData,
    scratch: &mut Scratch,
    lane: usize,
) -> Result<f64, NotEstimable> {
    fill(data, scratch, lane);
    given_covariates(&mut scratch.matrix, data.columns.len() - 1 + data.dummies)
}

/// The same from the matrix of centred products over covariates, x and y, which it uses up.
pub(super) fn given_covariates(matrix: &mut [f64], covariates: usize) -> Result<f64, NotEstimable> {
    let side = covariates + 2;
    let (x, y) = (covariates, covariates + 1);
    eliminate(matrix, side, covariates);
    let (xx, yy) = (matrix[x * side + x], matrix[y * side + y]);
    if xx <= LEFT || yy <= LEFT {
        return Err(NotEstimable::NoVariation);
    }
    correlation(matrix[x * side + y], xx, yy)
}

/// Scales to ones on the diagonal and eliminates the first `covariates` columns in order of what is left of them.
fn eliminate(matrix: &mut [f64], side: usize, covariates: usize) {
    let scales: Vec<f64> = (0..side)
        .map(|i| {
            let square = matrix[i * side + i];
            if square > 0.0 {
                square.sqrt().recip()
            } else {
                0.0
            }
        })
        .collect();
    for (i, row) in matrix.chunks_exact_mut(side).enumerate() {
        for (value, scale) in row.iter_mut().zip(&scales) {
            *value *= scale * scales[i];
        }
    }
    let mut done = vec![false; side];
    for _ in 0..covariates {
        let left = |i: &usize| matrix[i * side + i];
        let pivot = (0..covariates)
            .filter(|i| !done[*i])
            .max_by(|a, b| left(a).total_cmp(&left(b)));
        let Some(pivot) = pivot else { return };
        if left(&pivot) <= LEFT {
            return;
        }
        done[pivot] = true;
        let column: Vec<f64> = matrix[pivot * side..(pivot + 1) * side].to_vec();
        for i in (0..side).filter(|i| !done[*i]) {
            let factor = column[i] / column[pivot];
            let row = &mut matrix[i * side..(i + 1) * side];
            for (value, pivot_value) in row.iter_mut().zip(&column) {
                *value -= factor * pivot_value;
            }
        }
    }
}

/// The matrix of centred products: numeric covariates, indicators, x, y.
fn fill(data: &RankData, scratch: &mut Scratch, lane: usize) {
    let columns = data.columns.len();
    let numeric = columns - 1;
    let covariates = numeric + data.dummies;
    let side = covariates + 2;
    // Where ranked column j (x first) and y stand.
    let place = |j: usize| if j == 0 { covariates } else { j - 1 };
    let y = covariates + 1;
    let matrix = scratch.matrix.as_mut_slice();
    let weights = scratch.indicator_weights.as_mut_slice();
    matrix.fill(0.0);
    weights.fill(0.0);
    // One triangle is filled, which one depends on the place of x; the two are added up below.
    for j in 0..columns {
        matrix[place(j) * side + place(j)] = scratch.of_columns[j].squares[lane];
        for k in j + 1..columns {
            matrix[place(j) * side + place(k)] = scratch.products[j * columns + k][lane];
        }
    }
    matrix[y * side + y] = scratch.of_y.squares[lane];
    for (c, sums) in scratch.cells.chunks_exact(columns + 1).enumerate() {
        let y_rank = scratch.y_ranks[data.cell_y[c] as usize][lane];
        for j in 0..columns {
            matrix[place(j) * side + y] += sums[j + 1][lane] * y_rank;
        }
        let dummies = &data.cell_dummies[c * data.factors..(c + 1) * data.factors];
        for (f, &dummy) in dummies.iter().enumerate() {
            if dummy == NONE {
                continue;
            }
            weights[dummy as usize] += sums[0][lane];
            let row = &mut matrix[(numeric + dummy as usize) * side..][..side];
            row[y] += sums[0][lane] * y_rank;
            for j in 0..columns {
                row[place(j)] += sums[j + 1][lane];
            }
            for &other in dummies[f + 1..].iter().filter(|other| **other != NONE) {
                row[numeric + other as usize] += sums[0][lane];
            }
        }
    }
    for a in 0..data.dummies {
        let row = &mut matrix[(numeric + a) * side..][..side];
        for b in a..data.dummies {
            row[numeric + b] -= weights[a] * weights[b] / scratch.total[lane];
        }
        row[numeric + a] += weights[a];
    }
    for i in 0..side {
        for j in i + 1..side {
            let sum = matrix[i * side + j] + matrix[j * side + i];
            matrix[i * side + j] = sum;
            matrix[j * side + i] = sum;
        }
    }
}
