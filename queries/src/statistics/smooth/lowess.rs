//! Locally weighted regression with robustness weights.

use super::super::{NotEstimable, all_finite, at_least, finite, same_length};
use super::{LEAST_SPREAD, range_of, span, tricube};

/// The most robustness passes; the fit settles within a handful.
const MOST_ITERATIONS: u32 = 100;

/// A place where a local line is fitted; between two of them the curve is a straight line.
struct Anchor {
    /// The rows of this x, in sorted order.
    rows: std::ops::Range<usize>,
    x: f64,
    /// The first row of the window.
    first: usize,
    /// The distance to the farthest row of the window.
    bandwidth: f64,
}

/// A robust local line through the points, in the order of the rows given and in the units of `y`.
///
/// At each x a straight line is fitted to the nearest `fraction` of the rows (rounded down, two at least), weighted by
/// the tricube of the distance; more rows come in where the farthest is tied. Then `iterations` times each row is
/// weighted by the bisquare of its residual over 6 median absolute residuals, and the lines are fitted again. After a
/// fit at x, the next is at the largest x within `delta`, and what lies between is interpolated; `delta` 0 fits
/// everywhere. R's `lowess` takes a hundredth of the range of `x`. Rows of equal x have equal fits.
///
/// Source: Cleveland (1979), J Am Stat Assoc 74:829. The details (rounding of the span, where weights count as 0 or 1,
/// a mean in place of a line when x hardly varies in the window) are those of R's `lowess`, except where robustness
/// weights leave no row in a window: R then keeps the y of one row, this function the mean y at that x. The result
/// does not depend on the order of rows. Time is O(fits · rows in a window).
///
/// # Errors
/// [`NotEstimable::TooFew`] below two rows; [`NotEstimable::AllEqual`] when `x` has one value only;
/// [`NotEstimable::LengthsDiffer`]; [`NotEstimable::NotFinite`], also when the range of x or a fit leaves that of f64;
/// [`NotEstimable::OutOfRange`] for a fraction outside `0..=1` or of 0, more than 100 iterations, or a `delta` below 0.
pub fn lowess(
    x: &[f64],
    y: &[f64],
    fraction: f64,
    iterations: u32,
    delta: f64,
) -> Result<Vec<f64>, NotEstimable> {
    same_length(x.len(), y.len())?;
    all_finite(x)?;
    all_finite(y)?;
    at_least(2, x.len() as u64)?;
    let span = span(fraction, x.len())?;
    if iterations > MOST_ITERATIONS {
        return Err(NotEstimable::OutOfRange {
            what: "the number of iterations",
        });
    }
    if !(delta >= 0.0 && delta.is_finite()) {
        return Err(NotEstimable::OutOfRange {
            what: "the distance between fits",
        });
    }
    let mut order: Vec<usize> = (0..x.len()).collect();
    order.sort_unstable_by(|&a, &b| x[a].total_cmp(&x[b]).then(y[a].total_cmp(&y[b])));
    let (x, y): (Vec<f64>, Vec<f64>) = order.iter().map(|&row| (x[row], y[row])).unzip();
    let range = range_of(&x)?;
    let anchors = anchors(&x, span, delta);

    let mut robustness = vec![1.0; x.len()];
    let mut fits = pass(&x, &y, &anchors, &robustness, range)?;
    for _ in 0..iterations {
        if !bisquare(&y, &fits, &mut robustness) {
            break;
        }
        fits = pass(&x, &y, &anchors, &robustness, range)?;
    }
    let mut back = vec![0.0; fits.len()];
    for (fit, row) in fits.into_iter().zip(order) {
        back[row] = fit;
    }
    Ok(back)
}

/// The places to fit at, which depend on x alone. The first and the last x are always among them.
fn anchors(x: &[f64], span: usize, delta: f64) -> Vec<Anchor> {
    let mut anchors = Vec::new();
    let (mut start, mut first) = (0, 0);
    while start < x.len() {
        let at = x[start];
        let end = x.partition_point(|v| *v <= at);
        // The window slides right for as long as that brings its far end nearer; it never has to slide back.
        while first + span < x.len() && at - x[first] > x[first + span] - at {
            first += 1;
        }
        anchors.push(Anchor {
            rows: start..end,
            x: at,
            first,
            bandwidth: (at - x[first]).max(x[first + span - 1] - at),
        });
        // On to the largest x within reach, or to the next one.
        let reach = x.partition_point(|v| *v <= at + delta);
        start = if reach > end {
            x.partition_point(|v| *v < x[reach - 1])
        } else {
            end
        };
    }
    anchors
}

/// One pass over the anchors with the robustness weights of the rows, and the straight lines between them.
fn pass(
    x: &[f64],
    y: &[f64],
    anchors: &[Anchor],
    robustness: &[f64],
    range: f64,
) -> Result<Vec<f64>, NotEstimable> {
    let mut fits = vec![0.0; x.len()];
    let mut before: Option<(&Anchor, f64)> = None;
    let mut weights = Vec::new();
    for anchor in anchors {
        let fit = finite(local_fit(x, y, anchor, robustness, range, &mut weights))?;
        fits[anchor.rows.clone()].fill(fit);
        if let Some((last, last_fit)) = before {
            for row in last.rows.end..anchor.rows.start {
                let share = (x[row] - last.x) / (anchor.x - last.x);
                fits[row] = share * fit + (1.0 - share) * last_fit;
            }
        }
        before = Some((anchor, fit));
    }
    Ok(fits)
}

/// The value at the anchor of the line fitted around it.
fn local_fit(
    x: &[f64],
    y: &[f64],
    anchor: &Anchor,
    robustness: &[f64],
    range: f64,
    weights: &mut Vec<f64>,
) -> f64 {
    let h = anchor.bandwidth;
    // Distances are taken from the anchor, which keeps the digits when all x are large and close.
    let away = |row: usize| x[row] - anchor.x;
    weights.clear();
    let (mut sum, mut sum_x, mut sum_y) = (0.0, 0.0, 0.0);
    for row in anchor.first..x.len() {
        // A window of equal x has no width: its rows weigh the same.
        let u = match away(row) {
            0.0 => 0.0,
            away if h > 0.0 => away / h,
            _ => f64::INFINITY,
        };
        if u > 0.999 {
            break;
        }
        let weight = tricube(u) * robustness[row];
        weights.push(weight);
        sum += weight;
        sum_x += weight * away(row);
        sum_y += weight * y[row];
    }
    if sum <= 0.0 {
        let own = &y[anchor.rows.clone()];
        return own.iter().sum::<f64>() / own.len() as f64;
    }
    let (mean_x, mean_y) = (sum_x / sum, sum_y / sum);
    let (mut xx, mut xy) = (0.0, 0.0);
    for (weight, row) in weights.iter().zip(anchor.first..) {
        let deviation = away(row) - mean_x;
        xx += weight * deviation * deviation;
        xy += weight * deviation * y[row];
    }
    if (xx / sum).sqrt() > LEAST_SPREAD * range {
        mean_y - mean_x * xy / xx
    } else {
        mean_y
    }
}

/// The robustness weights for the next pass; false when the fit is already as good as exact, so that none is needed.
fn bisquare(y: &[f64], fits: &[f64], robustness: &mut [f64]) -> bool {
    let residuals: Vec<f64> = y.iter().zip(fits).map(|(y, fit)| (y - fit).abs()).collect();
    let mean = residuals.iter().sum::<f64>() / residuals.len() as f64;
    let mut sorted = residuals.clone();
    sorted.sort_unstable_by(f64::total_cmp);
    // Half the sum of the two middle ones for an even number of rows, for which the two places differ.
    let middle = (sorted[sorted.len() / 2] + sorted[(sorted.len() - 1) / 2]) / 2.0;
    let scale = 6.0 * middle;
    if scale < 1e-7 * mean || scale <= 0.0 {
        return false;
    }
    for (weight, residual) in robustness.iter_mut().zip(residuals) {
        let u = residual / scale;
        *weight = if u <= 0.001 {
            1.0
        } else if u <= 0.999 {
            (1.0 - u * u).powi(2)
        } else {
            0.0
        };
    }
    true
}
