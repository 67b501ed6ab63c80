//! Weighted rank correlations against copied rows, and their bootstrap against one that copies rows.

use super::super::super::NotEstimable;
use super::super::super::rank::{kendall, spearman};
use super::super::super::rank_bootstrap::{Estimates, RankReplicates};
use super::super::super::resampling::{Design, Each, LANES, Times, cluster_bootstrap};
use super::super::close;
use super::{Rows, partial_spearman, rank_rows};

/// The three correlations of copied rows, by the functions for unweighted rows.
fn of_copies(rows: &Rows, weights: &[f64]) -> Each<f64, 3> {
    let copies: Vec<usize> = (0..rows.x.len())
        .flat_map(|row| std::iter::repeat_n(row, weights[row] as usize))
        .collect();
    let rows = rows.picked(&copies);
    [
        spearman(&rows.x, &rows.y),
        kendall(&rows.x, &rows.y).map(|kendall| kendall.tau_b),
        partial_spearman(&rows.x, &rows.y, &rows.numeric(), &rows.factors()).map(|p| p.rho),
    ]
}

fn same(left: &[f64], right: &[f64]) {
    assert_eq!(left.len(), right.len());
    for (left, right) in left.iter().zip(right) {
        close(*left, *right, 1e-11);
    }
}

fn three(estimates: Estimates) -> Each<f64, 3> {
    [estimates.spearman, estimates.kendall, estimates.partial]
}

/// Sums of products are exact in both; the projections differ (QR of the rows against elimination on their products).
#[test]
fn weights_are_copies() {
    let rows = rank_rows("forty");
    let data = rows.prepared();
    for (weights, given) in [
        (rows.whole.clone(), Some(rows.whole.clone())),
        (vec![1.0; 40], None),
        ((0..40).map(|i| f64::from(i % 7)).collect(), None),
    ] {
        let given = given.unwrap_or_else(|| weights.clone());
        let ours = three(data.estimates(Some(&given))).map(Result::unwrap);
        same(&ours, &of_copies(&rows, &weights).map(Result::unwrap));
    }
    let ones = data.estimates(Some(&[1.0; 40]));
    assert_eq!(data.estimates(None), ones);
    assert_eq!(data.rows(), 40);
    assert_eq!(data.clusters(), 7);
}

fn each(replicates: &RankReplicates) -> [&super::Replicates; 3] {
    [
        replicates.spearman.as_ref().unwrap(),
        replicates.kendall.as_ref().unwrap(),
        replicates.partial.as_ref().unwrap(),
    ]
}

/// Weighs each lane on its own, by a function that knows one resample only.
fn one_by_one(
    reweigh: impl Fn(&[u32], &mut [f64]) -> Result<(), NotEstimable> + Sync,
) -> impl Fn(&[Times], &mut [[f64; LANES]]) -> Each<(), LANES> + Sync {
    move |times, out| {
        std::array::from_fn(|lane| {
            let own: Vec<u32> = times.iter().map(|times| times[lane]).collect();
            let mut weights = vec![0.0; out.len()];
            let outcome = reweigh(&own, &mut weights);
            for (slot, weight) in out.iter_mut().zip(weights) {
                slot[lane] = weight;
            }
            outcome
        })
    }
}

/// The bootstrap by weights gives, replicate by replicate, what the general bootstrap gives with copied rows.
#[test]
fn bootstrap_by_weights_is_the_bootstrap_by_copies() {
    let rows = rank_rows("forty");
    let data = rows.prepared();
    let (replicates, seed) = (200, 3);
    let by_weights = data.bootstrap(replicates, seed);
    let weights = |multiplicities: &[u32]| -> Vec<f64> {
        data.cluster_of_row()
            .iter()
            .map(|c| f64::from(multiplicities[*c as usize]))
            .collect()
    };
    let design = Design {
        clusters: data.clusters(),
        replicates,
        seed,
        domain: "bootstrap of rank correlations",
    };
    let statistic = |m: &[u32], _: &mut ()| of_copies(&rows, &weights(m));
    let by_copies = cluster_bootstrap(design, || (), statistic)
        .unwrap()
        .map(Result::unwrap);
    let by_row = one_by_one(|m, row_weights| {
        row_weights.copy_from_slice(&weights(m));
        Ok(())
    });
    let reweighed = data.bootstrap_reweighed(replicates, seed, &by_row);
    assert_eq!(reweighed, by_weights);
    for (ours, copies) in each(&by_weights).into_iter().zip(&by_copies) {
        close(ours.estimate, copies.estimate, 1e-11);
        same(&ours.values, &copies.values);
        same(&ours.jackknife, &copies.jackknife);
        assert_eq!(ours.failed, copies.failed);
    }
}

#[test]
fn same_bits_for_any_threads_order_of_rows_and_labels() {
    let rows = rank_rows("forty");
    let run = |rows: &Rows| rows.prepared().bootstrap(100, 8);
    let pool = |threads| {
        rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .unwrap()
            .install(|| run(&rows))
    };
    let one = pool(1);
    assert_eq!(one, pool(2));
    assert_eq!(one, pool(3));
    let mut order: Vec<usize> = (0..40).rev().collect();
    order.rotate_left(13);
    let mut other = rows.picked(&order);
    assert_eq!(one, run(&other));
    // Other labels in the same order, of clusters and of factors.
    for label in other.cluster.iter_mut().chain(&mut other.factors[0]) {
        *label = *label * 1000 + 7;
    }
    assert_eq!(one, run(&other));
    assert_ne!(one, rows.prepared().bootstrap(100, 9));
}

/// Weights that belong to rows, not clusters: twice as much for all changes nothing, and a failing model is counted.
#[test]
fn reweighing() {
    let rows = rank_rows("forty");
    let data = rows.prepared();
    let scaled = |factor: f64| {
        let reweigh = one_by_one(|m, weights| {
            for (row, weight) in weights.iter_mut().enumerate() {
                let home = data.cluster_of_row()[row] as usize;
                *weight = factor * rows.fraction[row] * f64::from(m[home]);
            }
            Ok(())
        });
        data.bootstrap_reweighed(100, 4, &reweigh)
    };
    let (once, more) = (scaled(1.0), scaled(3.7));
    for (once, more) in each(&once).into_iter().zip(each(&more)) {
        close(once.estimate, more.estimate, 1e-11);
        same(&once.values, &more.values);
        same(&once.jackknife, &more.jackknife);
    }
    let estimates = three(data.estimates(Some(&rows.fraction))).map(Result::unwrap);
    same(&estimates, &each(&once).map(|r| r.estimate));

    let reweigh = one_by_one(|m, weights| {
        weights.fill(1.0);
        if m.iter().all(|m| *m < 2) {
            Ok(())
        } else {
            Err(NotEstimable::NotConverged { iterations: 9 })
        }
    });
    let refusing = data.bootstrap_reweighed(100, 4, &reweigh);
    // Seven draws from seven hold each once with probability 7!/7^7 = 0.6 %; with this seed at most one of 100 does.
    let reason = refusing.kendall.unwrap_err();
    assert!(
        matches!(reason, NotEstimable::ResamplesFailed { failed, replicates: 100 } if failed >= 99),
        "{reason:?}"
    );
}
