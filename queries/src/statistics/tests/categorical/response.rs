//! Weights for non-response, and their bootstrap.

use super::super::super::NotEstimable::*;
use super::super::super::categorical::logistic;
use super::super::super::description::quantile;
use super::super::super::nonresponse::weights::ResponseModel;
use super::super::close;
use super::{MadeUp, below, slices, stream};

fn answered(made: &MadeUp) -> Vec<bool> {
    made.score.iter().map(|score| *score > 0.0).collect()
}

fn draw(clusters: usize, replicate: u64) -> Vec<u32> {
    let mut rng = stream(3, "drawn clusters", replicate);
    let mut times = vec![0; clusters];
    for _ in 0..clusters {
        times[below(&mut rng, clusters as u32) as usize] += 1;
    }
    times
}

#[test]
fn each_cluster_once_is_the_full_sample() {
    for n in [200, 5000] {
        let made = MadeUp::new(n, 3, 2, 50);
        let fitted =
            ResponseModel::fit(&answered(&made), &slices(&made.columns), &made.cluster).unwrap();
        let mut again = vec![f64::NAN; fitted.weights().len()];
        fitted
            .reweigh(&vec![1; fitted.clusters()], &mut again)
            .unwrap();
        assert_eq!(again, fitted.weights());
    }
}

/// Weights from the definition: the fitted probabilities, the response rate, and the quantile of the description.
#[test]
fn weights_from_the_definition() {
    let made = MadeUp::new(3000, 2, 2, 51);
    let (outcome, x) = (answered(&made), slices(&made.columns));
    let fitted = ResponseModel::fit(&outcome, &x, &made.cluster).unwrap();
    let b = logistic::fit(&outcome, &x, None).unwrap().coefficients;
    let rate = outcome.iter().filter(|yes| **yes).count() as f64 / 3000.0;
    let mut weights: Vec<f64> = (0..3000)
        .filter(|&row| outcome[row])
        .map(|row| rate * (1.0 + (-(b[0] + b[1] * x[0][row] + b[2] * x[1][row])).exp()))
        .collect();
    let mut sorted = weights.clone();
    sorted.sort_unstable_by(f64::total_cmp);
    let limit = quantile(&sorted, 0.99).unwrap();
    close(
        fitted.summary.largest_before,
        sorted[sorted.len() - 1],
        1e-12,
    );
    close(fitted.summary.largest, limit, 1e-12);
    let cut = weights.iter().filter(|weight| **weight > limit).count();
    assert_eq!(fitted.summary.truncated, cut as u64);
    assert!(cut > 10);
    weights
        .iter_mut()
        .for_each(|weight| *weight = weight.min(limit));
    for (got, wanted) in fitted.weights().iter().zip(&weights) {
        close(*got, *wanted, 1e-11);
    }
}

/// Before truncation the weighted sums of the covariates over the answers estimate those over all rows; the weights
/// here, whose model is right and which are hardly cut, come close.
#[test]
fn weighted_answers_look_like_all_rows() {
    let made = MadeUp::new(20_000, 1, 2, 52);
    let outcome = answered(&made);
    let fitted = ResponseModel::fit(&outcome, &slices(&made.columns), &made.cluster).unwrap();
    let all: f64 = made.columns[0].iter().sum::<f64>() / 20_000.0;
    let own: Vec<f64> = (0..20_000)
        .filter(|&row| outcome[row])
        .map(|row| made.columns[0][row])
        .collect();
    let plain = own.iter().sum::<f64>() / own.len() as f64;
    let sum: f64 = fitted.weights().iter().sum();
    let weighted = own
        .iter()
        .zip(fitted.weights())
        .map(|(x, w)| x * w)
        .sum::<f64>()
        / sum;
    assert!((weighted - all).abs() < 0.05 * (plain - all).abs());
    assert!((fitted.summary.mean - 1.0).abs() < 0.01);
    close(
        fitted.summary.design_effect * fitted.summary.effective,
        own.len() as f64,
        1e-12,
    );
}

/// The quantile of a replicate against the description's on rows written out, found by way of an equal limit: the
/// largest weight of each replicate is that quantile. Whatever the candidates were, the answer is the same.
#[test]
fn truncation_of_a_replicate() {
    let made = MadeUp::new(2000, 2, 2, 53);
    let outcome = answered(&made);
    let fitted = ResponseModel::fit(&outcome, &slices(&made.columns), &made.cluster).unwrap();
    let home: Vec<u32> = (0..2000)
        .filter(|&row| outcome[row])
        .map(|row| made.cluster[row])
        .collect();
    let mut out = vec![0.0; home.len()];
    for replicate in 0..20 {
        let mut times = draw(fitted.clusters(), replicate);
        if replicate == 0 {
            // Two clusters only: nearly all candidates of the full sample are gone.
            times.fill(0);
            times[..2].fill(3);
        }
        fitted.reweigh(&times, &mut out).unwrap();
        let mut copies: Vec<f64> = out
            .iter()
            .zip(&home)
            .flat_map(|(weight, home)| {
                let times = times[*home as usize];
                std::iter::repeat_n(weight / f64::from(times.max(1)), times as usize)
            })
            .collect();
        copies.sort_unstable_by(f64::total_cmp);
        let n = copies.len();
        // All over the quantile are equal to it; what lies under is as it was.
        let place = ((n - 1) as f64 * 0.99).floor() as usize;
        let limit = copies[n - 1];
        assert!(
            copies[place + 1..]
                .iter()
                .all(|weight| (weight / limit - 1.0).abs() < 1e-15)
        );
        assert!(copies[place] <= limit);
        for (weight, home) in out.iter().zip(&home) {
            assert!(weight.is_finite());
            assert_eq!(*weight == 0.0, times[*home as usize] == 0);
        }
    }
}

/// One Newton step against the full maximum on the rows of each replicate written out: its distance is a small part
/// of the distance between replicate and full sample, and shrinks with the square as the sample grows.
#[test]
fn one_step_is_close_to_the_maximum() {
    for (n, share) in [(2000, 0.2), (20_000, 0.03)] {
        let made = MadeUp::new(n, 2, 2, 54);
        let outcome = answered(&made);
        let fitted = ResponseModel::fit(&outcome, &slices(&made.columns), &made.cluster).unwrap();
        let (mut off, mut moved) = (0.0, 0.0);
        for replicate in 0..5 {
            let times = draw(fitted.clusters(), replicate);
            let mut out = vec![0.0; fitted.weights().len()];
            fitted.reweigh(&times, &mut out).unwrap();
            let copies: Vec<usize> = (0..n)
                .flat_map(|row| {
                    std::iter::repeat_n(row, times[made.cluster[row] as usize] as usize)
                })
                .collect();
            let pick = |values: &[f64]| copies.iter().map(|&row| values[row]).collect::<Vec<_>>();
            let x: Vec<Vec<f64>> = made.columns.iter().map(|column| pick(column)).collect();
            let again: Vec<bool> = copies.iter().map(|&row| outcome[row]).collect();
            let labels: Vec<u32> = copies.iter().map(|&row| made.cluster[row]).collect();
            let full = ResponseModel::fit(&again, &slices(&x), &labels).unwrap();
            let rows = (0..n)
                .filter(|&row| outcome[row])
                .map(|row| made.cluster[row]);
            let mut copy = full.weights().iter();
            for ((home, got), before) in rows.zip(&out).zip(fitted.weights()) {
                let times = times[home as usize];
                for _ in 0..times {
                    let wanted = copy.next().unwrap();
                    off += (got / f64::from(times) - wanted).abs();
                    moved += (before - wanted).abs();
                }
            }
        }
        assert!(off < share * moved, "{n}: {off} of {moved}");
    }
}

/// Covariates in other units, and clusters numbered otherwise.
#[test]
fn units_and_numbers() {
    let made = MadeUp::new(1000, 2, 2, 55);
    let outcome = answered(&made);
    let fitted = ResponseModel::fit(&outcome, &slices(&made.columns), &made.cluster).unwrap();
    let last = fitted.clusters() as u32 - 1;
    let turned: Vec<u32> = made.cluster.iter().map(|label| last - label).collect();
    let moved: Vec<Vec<f64>> = made
        .columns
        .iter()
        .map(|column| column.iter().map(|x| 2026.0 - 30.0 * x).collect())
        .collect();
    let other = ResponseModel::fit(&outcome, &slices(&moved), &turned).unwrap();
    let times = draw(fitted.clusters(), 1);
    let backwards: Vec<u32> = times.iter().rev().copied().collect();
    let (mut a, mut b) = (
        vec![0.0; other.weights().len()],
        vec![0.0; other.weights().len()],
    );
    fitted.reweigh(&times, &mut a).unwrap();
    other.reweigh(&backwards, &mut b).unwrap();
    for (a, b) in a.iter().zip(&b) {
        close(*b, *a, 1e-10);
    }
}

#[test]
fn refusals() {
    let made = MadeUp::new(100, 1, 2, 56);
    let (outcome, x) = (answered(&made), slices(&made.columns));
    let fitted = ResponseModel::fit(&outcome, &x, &made.cluster).unwrap();
    let mut out = vec![0.0; fitted.weights().len()];
    let g = fitted.clusters();
    assert_eq!(
        fitted.reweigh(&vec![0; g], &mut out),
        Err(TooFew { needed: 1, got: 0 })
    );
    assert!(matches!(
        fitted.reweigh(&vec![1; g + 1], &mut out),
        Err(LengthsDiffer { .. })
    ));
    assert!(matches!(
        fitted.reweigh(&vec![1; g], &mut out[1..]),
        Err(LengthsDiffer { .. })
    ));
    assert!(fitted.reweigh(&vec![u32::MAX; g], &mut out).is_ok());

    let far: Vec<u32> = made.cluster.iter().map(|label| label + 70_000).collect();
    assert!(matches!(
        ResponseModel::fit(&outcome, &x, &far),
        Err(OutOfRange { .. })
    ));
    assert_eq!(
        ResponseModel::fit(&outcome, &x, &made.cluster[1..]).err(),
        Some(LengthsDiffer {
            left: 100,
            right: 99
        })
    );
    assert_eq!(
        ResponseModel::fit(&[true; 100], &x, &made.cluster).err(),
        Some(AllEqual)
    );
    assert_eq!(
        ResponseModel::fit(&[], &[], &[]).err(),
        Some(TooFew { needed: 2, got: 0 })
    );
    let always: Vec<bool> = x[0].iter().map(|x| *x > 0.0).collect();
    assert_eq!(
        ResponseModel::fit(&always, &x, &made.cluster).err(),
        Some(Separation { column: 0 })
    );

    // Clusters that answered in full, that did not answer, and a covariate that varies in one cluster only.
    let answers = [true, true, false, false, true, false, true, false];
    let cluster = [0, 0, 1, 1, 2, 2, 2, 2];
    let column = [0.0, 0.0, 0.0, 0.0, 1.0, 1.0, 0.0, 0.0];
    let fitted = ResponseModel::fit(&answers, &[&column], &cluster).unwrap();
    let mut out = [0.0; 4];
    assert_eq!(fitted.reweigh(&[3, 0, 0], &mut out), Err(AllEqual));
    assert_eq!(fitted.reweigh(&[0, 3, 0], &mut out), Err(AllEqual));
    assert_eq!(
        fitted.reweigh(&[2, 1, 0], &mut out),
        Err(Collinear { column: 0 })
    );
    assert_eq!(fitted.reweigh(&[0, 0, 1], &mut out), Ok(()));
}
