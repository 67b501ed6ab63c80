//! Weighted concordance: the sum over pairs of rows of the product of their weights, with the sign of the pair.

use super::RankData;
use super::cross_products::Scratch;

/// Concordant less discordant pairs, each pair weighing the product of its rows' weights.
pub(super) fn weighted(data: &RankData, scratch: &mut Scratch) -> f64 {
    match data.y.count {
        0..=8 => of_few::<8>(data, &scratch.weights),
        9..=32 => of_few::<32>(data, &scratch.weights),
        _ => of_many(data, &scratch.weights, &mut scratch.tree),
    }
}

/// With at most `LANES` values of y.
///
/// `balance[v]` is the weight of rows so far with y under v less that of rows with y over v: what a row of value v is
/// multiplied with. Adding one row is one short vector operation.
fn of_few<const LANES: usize>(data: &RankData, weights: &[f64]) -> f64 {
    let mut change = [[0.0; LANES]; LANES];
    for (value, lanes) in change.iter_mut().enumerate() {
        for (other, lane) in lanes.iter_mut().enumerate() {
            *lane = f64::from(i8::from(other > value) - i8::from(other < value));
        }
    }
    let mut balance = [0.0; LANES];
    let mut s = 0.0;
    let mut start = 0;
    for &end in &data.run_ends {
        let run = start..end as usize;
        start = end as usize;
        let (levels, weights) = (&data.y.levels[run.clone()], &weights[run]);
        for (&level, weight) in levels.iter().zip(weights) {
            s += weight * balance[level as usize % LANES];
        }
        for (&level, weight) in levels.iter().zip(weights) {
            let lanes = &change[level as usize % LANES];
            for (total, lane) in balance.iter_mut().zip(lanes) {
                *total += weight * lane;
            }
        }
    }
    s
}

/// With any number of values of y: the weight under a value comes from a tree (Fenwick 1994, Softw Pract Exp 24:327).
fn of_many(data: &RankData, weights: &[f64], tree: &mut [f64]) -> f64 {
    tree.fill(0.0);
    let (mut s, mut seen, mut start) = (0.0, 0.0, 0);
    for &end in &data.run_ends {
        let run = start..end as usize;
        start = end as usize;
        let (levels, weights) = (&data.y.levels[run.clone()], &weights[run]);
        for (&level, weight) in levels.iter().zip(weights) {
            s += weight * (under(tree, level) - (seen - under(tree, level + 1)));
        }
        for (&level, weight) in levels.iter().zip(weights) {
            seen += weight;
            let mut node = level as usize + 1;
            while node < tree.len() {
                tree[node] += weight;
                node += node & node.wrapping_neg();
            }
        }
    }
    s
}

/// The weight in the tree under a level.
fn under(tree: &[f64], level: u32) -> f64 {
    let mut node = level as usize;
    let mut sum = 0.0;
    while node > 0 {
        sum += tree[node];
        node &= node - 1;
    }
    sum
}
