//! From the rows to a triangle by QR of blocks, and from the triangle to the coefficients.

use nalgebra::{DMatrix, DVector, SVD};
use rayon::prelude::*;

use super::super::NotEstimable;
use super::design::Design;

/// Rows of one block: with a dozen columns it stays in a core's cache.
const BLOCK: usize = 1024;

/// Triangles joined at once.
const FAN: usize = 64;

/// How many times the spacing of f64 a length may be, on the scale of what it came from, and still be rounding alone.
///
/// Exact combinations of covariates left less than 8 in trials with 20 to a million rows; the smallest singular value
/// of the most ill-conditioned set of NIST (Filip) is a million.
const ROUNDING: f64 = 64.0 * f64::EPSILON;

/// A part in a combination smaller than this does not make a covariate the one to name.
const PART: f64 = 1e-3;

/// The upper triangle of the QR decomposition of all rows: its square is the cross product of the columns, which is
/// never formed.
///
/// Each block is decomposed for itself, then the triangles are stacked and decomposed again, always in the same order,
/// so the result does not depend on the number of threads and memory holds one block a thread. Source: Demmel,
/// Grigori, Hoemmen & Langou (2012), SIAM J Sci Comput 34:A206 (from memory).
fn triangle(design: &Design) -> DMatrix<f64> {
    let width = design.width();
    let rows = BLOCK.max(4 * width);
    let mut parts: Vec<DMatrix<f64>> = (0..design.n.div_ceil(rows))
        .into_par_iter()
        .map(|block| {
            let first = block * rows;
            let last = design.n.min(first + rows);
            design.block(first..last).qr().unpack_r()
        })
        .collect();
    while parts.len() > 1 {
        parts = parts.par_chunks(FAN).map(join).collect();
    }
    // There is a row, hence a block.
    parts.pop().unwrap_or_else(|| DMatrix::zeros(width, width))
}

/// One triangle from several.
fn join(parts: &[DMatrix<f64>]) -> DMatrix<f64> {
    let height = parts.iter().map(DMatrix::nrows).sum();
    let width = parts.first().map_or(0, DMatrix::ncols);
    let mut stacked = DMatrix::zeros(height, width);
    let mut first = 0;
    for part in parts {
        stacked.rows_mut(first, part.nrows()).copy_from(part);
        first += part.nrows();
    }
    stacked.qr().unpack_r()
}

/// The least-squares solution in the scaled units of a [`Design`].
pub(super) struct Solution {
    /// The coefficients, that of the constant first where there is one.
    pub(super) coefficients: Vec<f64>,
    /// The fitted value where all centred covariates are 0.
    pub(super) level: f64,
    /// The mean of each centred covariate: what rounding left of it.
    pub(super) means: DVector<f64>,
    /// A root of the inverse cross product: `(X'X)^-1 = root root'`. One row a coefficient.
    pub(super) root: DMatrix<f64>,
    /// The lower right part of `root`, for the covariates alone.
    pub(super) slopes: DMatrix<f64>,
    /// The root of the sum of squared residuals.
    pub(super) residual: f64,
    /// The root of the sum of squares that the covariates explain, about the mean where there is an intercept.
    pub(super) explained: f64,
    /// The ratio of the largest to the smallest singular value of the covariates, centred where there is an intercept,
    /// each to unit length.
    pub(super) condition: f64,
    /// Whether the residuals are nothing but rounding.
    pub(super) exact: bool,
}

/// Solves the least-squares problem.
pub(super) fn solve(design: &Design) -> Result<Solution, NotEstimable> {
    let triangle = triangle(design);
    let (p, skip) = (design.x.len(), usize::from(design.intercept));
    let last = p + skip;
    // Beside the constant, what is left of the covariates and of the outcome.
    let covariates = triangle.view((skip, skip), (p, p));
    let mut target = triangle.view((skip, last), (p, 1)).column(0).into_owned();
    let residual = triangle[(last, last)].abs();
    let explained = target.norm();
    if residual.hypot(explained) <= ROUNDING * design.y.length {
        return Err(NotEstimable::AllEqual);
    }

    let lengths: Vec<f64> = covariates.column_iter().map(|c| c.norm()).collect();
    for (column, (length, x)) in lengths.iter().zip(&design.x).enumerate() {
        if *length <= ROUNDING * x.length {
            return Err(NotEstimable::Collinear { column });
        }
    }
    let unit_columns = DMatrix::from_fn(p, p, |row, column| {
        covariates[(row, column)] / lengths[column]
    });
    let condition = condition(design, &unit_columns, &lengths)?;

    // Column-pivoted QR of the small triangle.
    let pivoted = unit_columns.col_piv_qr();
    pivoted.q_tr_mul(&mut target);
    let upper = pivoted.r();
    let mut inverse = DMatrix::identity(p, p);
    if !(upper.solve_upper_triangular_mut(&mut target)
        && upper.solve_upper_triangular_mut(&mut inverse))
    {
        return Err(NotEstimable::NotFinite);
    }
    pivoted.p().inv_permute_rows(&mut target);
    pivoted.p().inv_permute_rows(&mut inverse);
    for (row, length) in lengths.iter().enumerate() {
        target[row] /= length;
        inverse.row_mut(row).unscale_mut(*length);
    }

    let mut solution = Solution {
        coefficients: target.iter().copied().collect(),
        level: 0.0,
        means: DVector::zeros(p),
        root: inverse.clone(),
        slopes: inverse,
        residual,
        explained,
        condition,
        exact: false,
    };
    if design.intercept {
        solution.add_constant(design, &triangle, &target);
    }
    let rounding = design
        .x
        .iter()
        .zip(target.iter())
        .fold(design.y.length, |sum, (x, slope)| {
            sum + x.length * slope.abs()
        });
    solution.exact = residual <= ROUNDING * rounding;
    Ok(solution)
}

impl Solution {
    /// Brings the constant back: its coefficient at covariates of 0 rather than at the centres.
    fn add_constant(&mut self, design: &Design, triangle: &DMatrix<f64>, slopes: &DVector<f64>) {
        let p = slopes.len();
        let of_ones = triangle[(0, 0)];
        self.means = DVector::from_fn(p, |j, _| triangle[(0, j + 1)] / of_ones);
        self.level = triangle[(0, p + 1)] / of_ones - self.means.dot(slopes);
        let centres = DVector::from_iterator(p, design.x.iter().map(|x| x.centre)) + &self.means;
        let shift: f64 = design
            .x
            .iter()
            .zip(slopes.iter())
            .map(|(x, slope)| x.centre * slope)
            .sum();
        self.coefficients
            .insert(0, design.y.centre - shift + self.level);
        let mut root = DMatrix::zeros(p + 1, p + 1);
        root[(0, 0)] = 1.0 / of_ones;
        root.view_mut((0, 1), (1, p))
            .copy_from(&(-centres.transpose() * &self.slopes));
        root.view_mut((1, 1), (p, p)).copy_from(&self.slopes);
        self.root = root;
    }

    /// The residual of one row, in the scaled unit of the outcome.
    pub(super) fn residual_at(&self, design: &Design, row: usize) -> f64 {
        let skip = usize::from(design.intercept);
        design
            .x
            .iter()
            .zip(self.coefficients.iter().skip(skip))
            .fold(design.y.at(row) - self.level, |rest, (x, slope)| {
                rest - x.at(row) * slope
            })
    }
}

/// The condition of the covariates, or the covariate that is a combination of the others.
///
/// A direction counts as empty when the covariates along it are no longer than the rounding of their values before
/// centring. Of the covariates with a part in it the last is named, so that those given first are kept.
fn condition(
    design: &Design,
    unit_columns: &DMatrix<f64>,
    lengths: &[f64],
) -> Result<f64, NotEstimable> {
    let p = lengths.len();
    if p == 0 {
        return Ok(1.0);
    }
    let iterations = 1000;
    let singular = SVD::try_new(
        unit_columns.clone(),
        false,
        true,
        f64::EPSILON,
        iterations as usize,
    )
    .ok_or(NotEstimable::NotConverged { iterations })?;
    let directions = singular
        .v_t
        .as_ref()
        .ok_or(NotEstimable::NotConverged { iterations })?;
    let mut culprit = None;
    for (value, direction) in singular.singular_values.iter().zip(directions.row_iter()) {
        let rounding: f64 = direction
            .iter()
            .zip(lengths)
            .zip(&design.x)
            .map(|((part, length), x)| part.abs() * (x.length / length).max(1.0))
            .sum();
        if *value <= ROUNDING * rounding {
            let with_part = direction.iter().rposition(|part| part.abs() >= PART);
            culprit = culprit.max(with_part);
        }
    }
    match culprit {
        Some(column) => Err(NotEstimable::Collinear { column }),
        None => Ok(singular.singular_values.max() / singular.singular_values.min()),
    }
}
