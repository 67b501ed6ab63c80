//! Weighted concordance: the sum over pairs of rows of the product of their weights, with the sign of the pair.

use super::RankData;
use super::cross_products::{Lanes, Scratch, ZERO, add, add_product};
use crate::statistics::resampling::LANES;

/// Up to this many values of y the weight under each is kept as a running sum, beyond in a tree.
const FEW: usize = 32;

/// Concordant less discordant pairs, each pair weighing the product of its rows' weights.
pub(super) fn weighted(data: &RankData, scratch: &mut Scratch) -> Lanes {
    let (weights, under) = (scratch.weights.as_slice(), scratch.under.as_mut_slice());
    under.fill(ZERO);
    if data.y.count <= FEW {
        walk(data, weights, under, of_sums, add_to_sums)
    } else {
        walk(data, weights, under, of_tree, add_to_tree)
    }
}

/// Walks the rows by x, one run of equal x at a time: a row counts with the weight of the rows before it with lower y,
/// less that of those with higher y.
///
/// `under` gives the weight so far under a value of y and `add_row` adds a row's.
#[inline(always)]
fn walk(
    data: &RankData,
    weights: &[Lanes],
    so_far: &mut [Lanes],
    under: fn(&[Lanes], usize) -> Lanes,
    add_row: fn(&mut [Lanes], usize, &Lanes),
) -> Lanes {
    let (mut s, mut seen, mut start) = (ZERO, ZERO, 0);
    for &end in &data.run_ends {
        let run = start..end as usize;
        start = end as usize;
        let (levels, weights) = (&data.y.levels[run.clone()], &weights[run]);
        for (&level, weight) in levels.iter().zip(weights) {
            let (lower, up_to) = (
                under(so_far, level as usize),
                under(so_far, level as usize + 1),
            );
            let mut balance = ZERO;
            for lane in 0..LANES {
                balance[lane] = lower[lane] - (seen[lane] - up_to[lane]);
            }
            add_product(&mut s, weight, &balance);
        }
        for (&level, weight) in levels.iter().zip(weights) {
            add(&mut seen, weight);
            add_row(so_far, level as usize, weight);
        }
    }
    s
}

#[inline(always)]
fn of_sums(sums: &[Lanes], level: usize) -> Lanes {
    sums[level]
}

#[inline(always)]
fn add_to_sums(sums: &mut [Lanes], level: usize, weight: &Lanes) {
    for sum in &mut sums[level + 1..] {
        add(sum, weight);
    }
}

/// The tree is that of Fenwick (1994), Softw Pract Exp 24:327.
fn of_tree(tree: &[Lanes], level: usize) -> Lanes {
    let (mut node, mut sum) = (level, ZERO);
    while node > 0 {
        add(&mut sum, &tree[node]);
        node &= node - 1;
    }
    sum
}

fn add_to_tree(tree: &mut [Lanes], level: usize, weight: &Lanes) {
    let mut node = level + 1;
    while node < tree.len() {
        add(&mut tree[node], weight);
        node += node & node.wrapping_neg();
    }
}
