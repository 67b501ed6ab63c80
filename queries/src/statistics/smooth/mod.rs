//! Local and monotone curves.
//!
//! [`lowess`] draws a robust local line through points taken as independent. [`isotonic`] draws the best curve that
//! only rises, or only falls. [`dose_response`] draws local lines with a band that holds for clustered rows.

mod dose_response;
mod isotonic;
mod lowess;

pub use dose_response::{DoseResponse, LeftOut, Point, Reweigh, Rows, Settings, dose_response};
pub use isotonic::{Direction, isotonic};
pub use lowess::lowess;

use super::NotEstimable;

/// The nearest rows that a local fit uses: `fraction` of all, rounded down, but two at least.
///
/// The small addition keeps a product such as `0.29 * 100` from losing a row to rounding, as R's `lowess` does.
fn span(fraction: f64, rows: usize) -> Result<usize, NotEstimable> {
    if !(fraction > 0.0 && fraction <= 1.0) {
        return Err(NotEstimable::OutOfRange {
            what: "the fraction of rows in a local fit",
        });
    }
    Ok(((fraction * rows as f64 + 1e-7) as usize).clamp(2, rows.max(2)))
}

/// Below this share of the range of x, the spread of x around a place is too small to carry a slope; the local fit is
/// then a mean.
const LEAST_SPREAD: f64 = 1e-3;

/// The tricube weight at a distance of `u` bandwidths. Very near the centre it is exactly 1, and from 0.999 on it is 0:
/// both as in R's `lowess`, whose values the curves are held against.
fn tricube(u: f64) -> f64 {
    let u = u.abs();
    if u <= 0.001 {
        1.0
    } else if u <= 0.999 {
        (1.0 - u.powi(3)).powi(3)
    } else {
        0.0
    }
}

/// Refuses weights that are not all above 0.
fn all_positive(weights: &[f64]) -> Result<(), NotEstimable> {
    super::all_finite(weights)?;
    if weights.iter().all(|weight| *weight > 0.0) {
        Ok(())
    } else {
        Err(NotEstimable::OutOfRange { what: "a weight" })
    }
}

/// The largest less the smallest of values in ascending order.
///
/// # Errors
/// [`NotEstimable::AllEqual`] when it is 0, [`NotEstimable::NotFinite`] when it leaves the range of f64.
fn range_of(sorted: &[f64]) -> Result<f64, NotEstimable> {
    let range = match (sorted.first(), sorted.last()) {
        (Some(first), Some(last)) => super::finite(last - first)?,
        _ => 0.0,
    };
    if range > 0.0 {
        Ok(range)
    } else {
        Err(NotEstimable::AllEqual)
    }
}
