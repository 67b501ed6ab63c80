//! What must not change the correlations, and what must.

use super::super::super::random::{below, stream};
use super::super::super::rank_bootstrap::Estimates;
use super::super::close;
use super::{Rows, partial_spearman};

/// Rows with ties everywhere; `levels` distinct values of y.
fn made_up(rows: usize, levels: u32, seed: u64) -> Rows {
    let mut rng = stream(seed, "rows with covariates", 0);
    let mut column = |bound| -> Vec<u32> { (0..rows).map(|_| below(&mut rng, bound)).collect() };
    let numbers = |v: Vec<u32>| -> Vec<f64> { v.into_iter().map(f64::from).collect() };
    let z = numbers(column(12));
    let x: Vec<f64> = column(30)
        .iter()
        .zip(&z)
        .map(|(v, z)| f64::from(*v) + z)
        .collect();
    let y = column(levels)
        .iter()
        .zip(&x)
        .map(|(v, x)| ((f64::from(*v) + x / 40.0 * f64::from(levels)) / 2.0).floor())
        .collect();
    Rows {
        x,
        y,
        numeric: vec![z, numbers(column(200))],
        factors: vec![column(3), column(4)],
        cluster: column(9),
        whole: numbers(column(4)),
        fraction: column(1000)
            .iter()
            .map(|v| f64::from(v.saturating_sub(100)) / 250.0)
            .collect(),
    }
}

fn three(rows: &Rows, weights: &[f64]) -> [f64; 3] {
    let Estimates {
        spearman,
        kendall,
        partial,
    } = rows.prepared().estimates(Some(weights));
    [spearman.unwrap(), kendall.unwrap(), partial.unwrap()]
}

#[track_caller]
fn all_close(got: [f64; 3], wanted: [f64; 3]) {
    for (got, wanted) in got.into_iter().zip(wanted) {
        // Rounding of sums in another order; the projection amplifies it a little.
        close(got, wanted, 1e-11);
    }
}

#[test]
fn invariances() {
    // Few levels, some, many: each way of counting concordance, and one with many cells.
    for (levels, seed) in [(5, 1), (20, 2), (90, 3)] {
        let rows = made_up(150, levels, seed);
        for weights in [&rows.whole, &rows.fraction] {
            let base = three(&rows, weights);
            assert!(base.iter().all(|v| v.abs() > 0.01 && v.abs() < 0.99));

            let swapped = Rows {
                x: rows.y.clone(),
                y: rows.x.clone(),
                ..rows.clone()
            };
            all_close(three(&swapped, weights), base);

            let twice: Vec<f64> = weights.iter().map(|w| 2.0 * w).collect();
            all_close(three(&rows, &twice), base);

            let mut bent = rows.clone();
            bent.x.iter_mut().for_each(|v| *v = (*v / 10.0).exp());
            bent.y.iter_mut().for_each(|v| *v = v.powi(3) - 5.0);
            bent.numeric[0].iter_mut().for_each(|v| *v = 3.0 * *v + 1.0);
            assert_eq!(three(&bent, weights), base);

            let mut turned = rows.clone();
            turned.y.iter_mut().for_each(|v| *v = -*v);
            all_close(three(&turned, weights), base.map(|v| -v));
            turned.x.iter_mut().for_each(|v| *v = -*v);
            turned.numeric[1].iter_mut().for_each(|v| *v = -*v);
            all_close(three(&turned, weights), base);

            let order: Vec<usize> = (0..150).map(|i| i * 37 % 150).collect();
            let moved = rows.picked(&order);
            let moved_weights: Vec<f64> = order.iter().map(|&row| weights[row]).collect();
            all_close(three(&moved, &moved_weights), base);

            // Levels of a factor under other names, in another order; a factor said twice, and a constant one.
            let mut named = rows.clone();
            named.factors[1].iter_mut().for_each(|v| *v = 90 - 20 * *v);
            named.factors.push(rows.factors[0].clone());
            named.factors.push(vec![8; 150]);
            named.numeric.push(rows.numeric[0].clone());
            all_close(three(&named, weights), base);

            // Rows of weight 0 are not there.
            let there: Vec<usize> = (0..150).filter(|&row| weights[row] > 0.0).collect();
            let kept: Vec<f64> = there.iter().map(|&row| weights[row]).collect();
            assert!(kept.len() < 150);
            all_close(three(&rows.picked(&there), &kept), base);
        }
    }
}

/// The one-off function by QR and the weighted one by elimination are two ways to one number; symmetric, and the same
/// under monotone transforms.
#[test]
fn two_ways_to_partial_rho() {
    for seed in 0..10 {
        let rows = made_up(80, 5, seed);
        let (numeric, factors) = (rows.numeric(), rows.factors());
        let got = partial_spearman(&rows.x, &rows.y, &numeric, &factors).unwrap();
        close(three(&rows, &[1.0; 80])[2], got.rho, 1e-11);
        let other = partial_spearman(&rows.y, &rows.x, &numeric, &factors).unwrap();
        close(other.rho, got.rho, 1e-12);
        assert_eq!((got.k, got.n), (7, 80));
        let bent: Vec<f64> = rows.x.iter().map(|v| (v / 9.0).exp()).collect();
        let same = partial_spearman(&bent, &rows.y, &numeric, &factors).unwrap();
        assert_eq!(same, got);
        let turned: Vec<f64> = rows.x.iter().map(|v| -v).collect();
        let turned = partial_spearman(&turned, &rows.y, &numeric, &factors).unwrap();
        close(turned.rho, -got.rho, 1e-12);
        close(turned.p, got.p, 1e-9);
    }
}
