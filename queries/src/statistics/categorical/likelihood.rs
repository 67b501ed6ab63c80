//! The log-likelihood of the proportional-odds model with its gradient and observed information.
//!
//! Let F be the logistic function, u the threshold above a row's category less its linear predictor, l the same with
//! the threshold below, and d = u − l. The row's probability F(u) − F(l) equals F(u) · (1 − F(l)) · (1 − exp(−d)), and
//! d is the same for all rows of a category. So the logarithm is a sum of three terms without cancellation, and with
//! f = F (1 − F), c = 1/(exp(d) − 1), k = c (1 + c) its derivatives are
//!
//! * by u: 1 − F(u) + c; by l: −F(l) − c; by the linear predictor: F(l) − (1 − F(u));
//! * minus the second: f(u) + k for uu, f(l) + k for ll, −k for ul, f(u) + f(l) for the linear predictor twice, −f(u)
//!   and −f(l) for it with u and l.
//!
//! The lowest category has no l, the highest no u; their terms are then 0. The identity is elementary; that the
//! log-likelihood is concave is from Pratt (1981), J Am Stat Assoc 76:103 (from memory).

use nalgebra::{DMatrix, DVector};
use rayon::prelude::*;

use super::design::{BLOCK, Design, Task, dot};

/// Thresholds in ascending order, then coefficients, for centred and scaled columns.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Parameters {
    pub(super) thresholds: Vec<f64>,
    pub(super) coefficients: Vec<f64>,
}

impl Parameters {
    /// The parameters moved by a share of a step.
    pub(super) fn moved(&self, step: &DVector<f64>, share: f64) -> Self {
        let mut steps = step.iter();
        let mut shift = |values: &[f64]| {
            values
                .iter()
                .zip(steps.by_ref())
                .map(|(value, step)| value + share * step)
                .collect()
        };
        Self {
            thresholds: shift(&self.thresholds),
            coefficients: shift(&self.coefficients),
        }
    }

    /// Whether each threshold lies over the one before.
    pub(super) fn ordered(&self) -> bool {
        self.thresholds.windows(2).all(|pair| pair[0] < pair[1])
    }
}

/// The log-likelihood at one point, for weights with mean 1.
pub(super) struct Likelihood {
    pub(super) value: f64,
    pub(super) gradient: DVector<f64>,
    /// Minus the matrix of second derivatives.
    pub(super) information: DMatrix<f64>,
    /// The smallest distance of a row's linear predictor from the ends of its category, negative outside.
    pub(super) smallest_margin: f64,
}

/// What the rows of one task add.
struct Part {
    value: f64,
    margin: f64,
    /// Sums of 1 − F(u), of F(l), of f(u) and of f(l).
    ends: [f64; 4],
    /// By column: the sum of the derivative by the linear predictor, of f(u) and of f(l), each times the column.
    by_column: Vec<[f64; 3]>,
    /// The information of the coefficients, lower triangle by rows.
    triangle: Vec<f64>,
}

/// The end of a category: the threshold there, if it is not open.
type End = Option<f64>;

/// The ends of a category.
pub(super) fn ends(thresholds: &[f64], category: usize) -> (End, End) {
    let below = category
        .checked_sub(1)
        .and_then(|index| thresholds.get(index));
    (below.copied(), thresholds.get(category).copied())
}

/// The constants c and log(1 − exp(−d)) of a category, 0 for an open one.
fn between(below: End, above: End) -> (f64, f64) {
    match (below, above) {
        (Some(below), Some(above)) => {
            let d = above - below;
            (1.0 / d.exp_m1(), (-(-d).exp_m1()).ln())
        }
        _ => (0.0, 0.0),
    }
}

/// For the distance t of a threshold from the linear predictor: F(t), 1 − F(t), f(t) and the pair (t, exp(−|t|)).
#[inline]
fn logistic(t: f64) -> (f64, f64, f64, f64) {
    let e = (-t.abs()).exp();
    let larger = 1.0 / (1.0 + e);
    let smaller = e * larger;
    let (lower, upper) = if t >= 0.0 {
        (larger, smaller)
    } else {
        (smaller, larger)
    };
    (lower, upper, smaller * larger, e)
}

/// The linear predictors of at most [`BLOCK`] stored rows from `start`.
pub(super) fn predictors(design: &Design, coefficients: &[f64], start: usize, eta: &mut [f64]) {
    eta.fill(0.0);
    for (column, b) in design.columns.iter().zip(coefficients) {
        for (eta, x) in eta.iter_mut().zip(&column[start..]) {
            *eta += b * x;
        }
    }
}

/// The scratch of one block: by row, weighted.
struct Block {
    eta: [f64; BLOCK],
    slope: [f64; BLOCK],
    above: [f64; BLOCK],
    below: [f64; BLOCK],
    both: [f64; BLOCK],
    product: [f64; BLOCK],
}

fn part(design: &Design, parameters: &Parameters, task: &Task) -> Part {
    let p = design.columns.len();
    let (below, above) = ends(&parameters.thresholds, task.category);
    let mut part = Part {
        value: 0.0,
        margin: f64::INFINITY,
        ends: [0.0; 4],
        by_column: vec![[0.0; 3]; p],
        triangle: vec![0.0; p * (p + 1) / 2],
    };
    let mut block = Block {
        eta: [0.0; BLOCK],
        slope: [0.0; BLOCK],
        above: [0.0; BLOCK],
        below: [0.0; BLOCK],
        both: [0.0; BLOCK],
        product: [0.0; BLOCK],
    };
    for start in task.rows.clone().step_by(BLOCK) {
        let n = (task.rows.end - start).min(BLOCK);
        predictors(design, &parameters.coefficients, start, &mut block.eta[..n]);
        let weights = design
            .weights
            .as_ref()
            .map(|weights| &weights[start..start + n]);
        row_terms(&mut part, &mut block, (below, above), weights, n);
        column_sums(&mut part, &mut block, design, start, n);
    }
    part
}

/// The terms of each row of a block, and the sums that need no column.
fn row_terms(
    part: &mut Part,
    block: &mut Block,
    (below, above): (End, End),
    weights: Option<&[f64]>,
    n: usize,
) {
    for row in 0..n {
        let weight = weights.map_or(1.0, |weights| weights[row]);
        let (mut missed_above, mut missed_below, mut f_above, mut f_below) = (0.0, 0.0, 0.0, 0.0);
        let mut spread = 1.0;
        let mut linear = 0.0;
        if let Some(above) = above {
            let t = above - block.eta[row];
            let (_, upper, density, e) = logistic(t);
            part.margin = part.margin.min(t);
            linear += (-t).max(0.0);
            spread *= 1.0 + e;
            (missed_above, f_above) = (weight * upper, weight * density);
        }
        if let Some(below) = below {
            let t = below - block.eta[row];
            let (lower, _, density, e) = logistic(t);
            part.margin = part.margin.min(-t);
            linear += t.max(0.0);
            spread *= 1.0 + e;
            (missed_below, f_below) = (weight * lower, weight * density);
        }
        part.value -= weight * (linear + spread.ln());
        for (sum, term) in part
            .ends
            .iter_mut()
            .zip([missed_above, missed_below, f_above, f_below])
        {
            *sum += term;
        }
        block.slope[row] = missed_below - missed_above;
        block.above[row] = f_above;
        block.below[row] = f_below;
        block.both[row] = f_above + f_below;
    }
}

/// The sums of products with the columns.
fn column_sums(part: &mut Part, block: &mut Block, design: &Design, start: usize, n: usize) {
    let mut at = 0;
    for (k, column) in design.columns.iter().enumerate() {
        let x = &column[start..start + n];
        let sums = &mut part.by_column[k];
        sums[0] += dot(&block.slope[..n], x);
        sums[1] += dot(&block.above[..n], x);
        sums[2] += dot(&block.below[..n], x);
        for ((product, both), x) in block.product[..n].iter_mut().zip(&block.both[..n]).zip(x) {
            *product = both * x;
        }
        for other in &design.columns[..=k] {
            part.triangle[at] += dot(&block.product[..n], &other[start..start + n]);
            at += 1;
        }
    }
}

/// The log-likelihood at a point with ordered thresholds.
pub(super) fn likelihood(design: &Design, parameters: &Parameters) -> Likelihood {
    let parts: Vec<Part> = design
        .tasks
        .par_iter()
        .map(|task| part(design, parameters, task))
        .collect();
    let (thresholds, q) = (design.thresholds(), design.parameters());
    let mut sums = Likelihood {
        value: 0.0,
        gradient: DVector::zeros(q),
        information: DMatrix::zeros(q, q),
        smallest_margin: f64::INFINITY,
    };
    for (task, part) in design.tasks.iter().zip(&parts) {
        let above = (task.category < thresholds).then_some(task.category);
        let below = task.category.checked_sub(1);
        sums.value += part.value;
        sums.smallest_margin = sums.smallest_margin.min(part.margin);
        if let Some(above) = above {
            sums.gradient[above] += part.ends[0];
            sums.information[(above, above)] += part.ends[2];
        }
        if let Some(below) = below {
            sums.gradient[below] -= part.ends[1];
            sums.information[(below, below)] += part.ends[3];
        }
        let mut at = 0;
        for (k, column) in part.by_column.iter().enumerate() {
            let row = thresholds + k;
            sums.gradient[row] += column[0];
            if let Some(above) = above {
                sums.information[(row, above)] -= column[1];
            }
            if let Some(below) = below {
                sums.information[(row, below)] -= column[2];
            }
            for m in 0..=k {
                sums.information[(row, thresholds + m)] += part.triangle[at];
                at += 1;
            }
        }
    }
    for (category, &weight) in design.category_weight.iter().enumerate() {
        let (below, above) = ends(&parameters.thresholds, category);
        if below.is_none() || above.is_none() {
            continue;
        }
        let (c, log) = between(below, above);
        let k = weight * c * (1.0 + c);
        let (below, above) = (category - 1, category);
        sums.value += weight * log;
        sums.gradient[above] += weight * c;
        sums.gradient[below] -= weight * c;
        sums.information[(above, above)] += k;
        sums.information[(below, below)] += k;
        sums.information[(above, below)] -= k;
    }
    sums.information.fill_upper_triangle_with_lower_triangle();
    sums
}

/// One row's derivatives of its log-probability: by the threshold above, by the one below, by the linear predictor.
/// Not weighted.
pub(super) fn row_score(thresholds: &[f64], category: usize, eta: f64) -> [f64; 3] {
    let (below, above) = ends(thresholds, category);
    let (c, _) = between(below, above);
    let missed_above = above.map_or(0.0, |above| logistic(above - eta).1);
    let missed_below = below.map_or(0.0, |below| logistic(below - eta).0);
    [
        missed_above + c,
        -(missed_below + c),
        missed_below - missed_above,
    ]
}

#[cfg(test)]
mod tests {
    use super::super::super::random::{below, stream};
    use super::super::design::Outcome;
    use super::*;

    /// The log-likelihood from the definition, row by row, with none of the formulas of this module.
    fn by_definition(design: &Design, parameters: &DVector<f64>) -> f64 {
        let thresholds = design.thresholds();
        let cumulative = |category: usize, eta: f64| {
            if category == thresholds {
                1.0
            } else {
                1.0 / (1.0 + (eta - parameters[category]).exp())
            }
        };
        let mut sum = 0.0;
        for task in &design.tasks {
            for row in task.rows.clone() {
                let eta: f64 = (0..design.columns.len())
                    .map(|k| design.columns[k][row] * parameters[thresholds + k])
                    .sum();
                let under = match task.category {
                    0 => 0.0,
                    category => cumulative(category - 1, eta),
                };
                let weight = design.weights.as_ref().map_or(1.0, |weights| weights[row]);
                sum += weight * (cumulative(task.category, eta) - under).ln();
            }
        }
        sum
    }

    /// Value, gradient and information against central differences of the definition, away from the maximum, for two
    /// to five categories with and without weights. Rounding of the sum, near 1e-13, divided by the step of 1e-5 leaves errors near 1e-8 in first and 1e-3 in second
    /// derivatives of sums of this size.
    #[test]
    fn derivatives_agree_with_differences_of_the_definition() {
        for (categories, weighted) in [(2, false), (3, true), (4, false), (5, true)] {
            let mut rng = stream(11, "derivatives", categories);
            let mut draw = || f64::from(below(&mut rng, 1000)) / 1000.0;
            let n = 300;
            let score: Vec<f64> = (0..n)
                .map(|_| (draw() * categories as f64).floor())
                .collect();
            let columns: Vec<Vec<f64>> = (0..3).map(|_| (0..n).map(|_| draw()).collect()).collect();
            let columns: Vec<&[f64]> = columns.iter().map(Vec::as_slice).collect();
            let weights: Vec<f64> = (0..n).map(|_| 0.5 + draw()).collect();
            let outcome = Outcome::of_scores(&score).unwrap();
            let weights = weighted.then_some(weights.as_slice());
            let design = Design::new(&outcome, &columns, weights).unwrap();
            let thresholds = design.thresholds();
            let q = design.parameters();
            let point = DVector::from_fn(q, |k, _| {
                if k < thresholds {
                    0.8 * k as f64 - 1.0 + 0.3 * draw()
                } else {
                    draw() - 0.5
                }
            });
            let zero = Parameters {
                thresholds: vec![0.0; thresholds],
                coefficients: vec![0.0; 3],
            };
            let at = likelihood(&design, &zero.moved(&point, 1.0));
            let step = 1e-5;
            let moved = |moves: &[(usize, f64)]| {
                let mut changed = point.clone();
                for (k, sign) in moves {
                    changed[*k] += sign * step;
                }
                by_definition(&design, &changed)
            };
            assert!((at.value - moved(&[])).abs() < 1e-10);
            for k in 0..q {
                let slope = (moved(&[(k, 1.0)]) - moved(&[(k, -1.0)])) / (2.0 * step);
                assert!((at.gradient[k] - slope).abs() < 1e-6, "gradient {k}");
                for m in 0..q {
                    let second = (moved(&[(k, 1.0), (m, 1.0)]) + moved(&[(k, -1.0), (m, -1.0)])
                        - moved(&[(k, 1.0), (m, -1.0)])
                        - moved(&[(k, -1.0), (m, 1.0)]))
                        / (4.0 * step * step);
                    let got = at.information[(k, m)];
                    assert!((got + second).abs() < 5e-3, "{k} {m}: {got} {second}");
                }
            }
        }
    }
}
