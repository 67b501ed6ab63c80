//! The best monotone curve.

use super::super::{NotEstimable, all_finite, at_least, finite, same_length};
use super::all_positive;

/// The way a monotone curve may go.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Direction {
    /// It never falls as x rises.
    Rising,
    /// It never rises as x rises.
    Falling,
}

/// Rows that share one level of the curve.
#[derive(Clone, Copy)]
struct Block {
    weight: f64,
    mean: f64,
    /// How many sorted rows it spans.
    rows: usize,
}

impl Block {
    fn join(self, next: Self) -> Self {
        let weight = self.weight + next.weight;
        Self {
            weight,
            // In this form equal means join to exactly the same mean, so a second run changes nothing.
            mean: self.mean + (next.mean - self.mean) * (next.weight / weight),
            rows: self.rows + next.rows,
        }
    }
}

/// The curve over `x` that goes one way only and lies nearest to `y` in weighted least squares, one value a row in the
/// order given, in the units of `y`.
///
/// Rows of equal `x` are pooled first; then neighbours that go the wrong way are pooled until none is left. Without
/// `weights` all rows weigh the same. The weighted mean of the curve is that of `y`. The result does not depend on the
/// order of rows; time is O(n log n). Sources: Ayer, Brunk, Ewing, Reid & Silverman (1955), Ann Math Stat 26:641;
/// Barlow, Bartholomew, Bremner & Brunk (1972), Statistical Inference under Order Restrictions (both from memory).
///
/// # Errors
/// [`NotEstimable::TooFew`] without rows; [`NotEstimable::LengthsDiffer`]; [`NotEstimable::NotFinite`];
/// [`NotEstimable::OutOfRange`] for a weight that is not above 0.
pub fn isotonic(
    x: &[f64],
    y: &[f64],
    weights: Option<&[f64]>,
    direction: Direction,
) -> Result<Vec<f64>, NotEstimable> {
    same_length(x.len(), y.len())?;
    all_finite(x)?;
    all_finite(y)?;
    at_least(1, x.len() as u64)?;
    if let Some(weights) = weights {
        same_length(x.len(), weights.len())?;
        all_positive(weights)?;
        finite(weights.iter().sum())?;
    }
    let weight = |row: usize| weights.map_or(1.0, |weights| weights[row]);
    let sign = match direction {
        Direction::Rising => 1.0,
        Direction::Falling => -1.0,
    };
    let mut order: Vec<usize> = (0..x.len()).collect();
    order.sort_unstable_by(|&a, &b| {
        x[a].total_cmp(&x[b])
            .then(y[a].total_cmp(&y[b]))
            .then(weight(a).total_cmp(&weight(b)))
    });

    let mut blocks: Vec<Block> = Vec::new();
    // `==` rather than the sort's comparison, so that -0.0 and 0.0 are tied.
    for tied in order.chunk_by(|&a, &b| x[a] == x[b]) {
        let own = tied.iter().map(|&row| Block {
            weight: weight(row),
            mean: sign * y[row],
            rows: 1,
        });
        let Some(mut block) = own.reduce(Block::join) else {
            continue;
        };
        while let Some(before) = blocks.pop_if(|before| before.mean > block.mean) {
            block = before.join(block);
        }
        blocks.push(block);
    }

    let mut curve = vec![0.0; x.len()];
    let mut places = order.into_iter();
    for block in blocks {
        // Adding 0 turns a -0 into 0.
        let level = sign * finite(block.mean)? + 0.0;
        for row in places.by_ref().take(block.rows) {
            curve[row] = level;
        }
    }
    Ok(curve)
}
