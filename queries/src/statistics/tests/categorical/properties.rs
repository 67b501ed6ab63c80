//! What must not change, or change in a known way, when the data are written down differently.

use rayon::ThreadPoolBuilder;

use super::super::super::categorical::{logistic, proportional_odds, proportionality, sandwich};
use super::super::close;
use super::{MadeUp, below, slices, stream};

/// Two searches for one maximum, their sums taken in another order.
const SAME: f64 = 1e-10;

fn fit(made: &MadeUp) -> (proportional_odds::ProportionalOdds, sandwich::ClusterRobust) {
    let x = slices(&made.columns);
    let fit = proportional_odds::fit(&made.score, &x, None).unwrap();
    let robust = sandwich::cluster_robust(&fit, &made.score, &x, None, &made.cluster).unwrap();
    (fit, robust)
}

#[track_caller]
fn same(left: &MadeUp, right: &MadeUp, factor: impl Fn(usize) -> f64) {
    let (a, robust_a) = fit(left);
    let (b, robust_b) = fit(right);
    close(b.log_likelihood, a.log_likelihood, SAME);
    for k in 0..a.coefficients.len() {
        let (first, second) = (a.coefficient(k).unwrap(), b.coefficient(k).unwrap());
        let factor = factor(k);
        close(second.value * factor, first.value, SAME);
        close(
            second.standard_error * factor.abs(),
            first.standard_error,
            SAME,
        );
        close(second.p, first.p, SAME);
        let (first, second) = (
            robust_a.coefficient(k).unwrap(),
            robust_b.coefficient(k).unwrap(),
        );
        close(
            second.standard_error * factor.abs(),
            first.standard_error,
            SAME,
        );
        close(second.p, first.p, SAME);
    }
    let (x, y) = (slices(&left.columns), slices(&right.columns));
    let first = proportionality::check(&left.score, &x, None).unwrap();
    let second = proportionality::check(&right.score, &y, None).unwrap();
    close(second.overall.statistic, first.overall.statistic, 1e-8);
    for (second, first) in second.by_covariate.iter().zip(&first.by_covariate) {
        close(second.statistic, first.statistic, 1e-8);
    }
}

fn base() -> MadeUp {
    MadeUp::new(1500, 3, 4, 20)
}

#[test]
fn order_of_rows() {
    let made = base();
    let mut order: Vec<usize> = (0..made.score.len()).collect();
    let mut rng = stream(1, "order of rows", 0);
    for last in (1..order.len()).rev() {
        order.swap(last, below(&mut rng, last as u32 + 1) as usize);
    }
    let pick = |values: &[f64]| order.iter().map(|&row| values[row]).collect::<Vec<f64>>();
    let shuffled = MadeUp {
        score: pick(&made.score),
        columns: made.columns.iter().map(|column| pick(column)).collect(),
        cluster: order.iter().map(|&row| made.cluster[row]).collect(),
    };
    same(&made, &shuffled, |_| 1.0);
}

/// Scores counted down: all coefficients change their sign, thresholds their sign and order.
#[test]
fn reversal_of_scores() {
    let made = base();
    let mut turned = base();
    turned
        .score
        .iter_mut()
        .for_each(|score| *score = 7.0 - *score);
    same(&made, &turned, |_| -1.0);
    let (a, b) = (fit(&made).0, fit(&turned).0);
    for (a, b) in a.thresholds.iter().zip(b.thresholds.iter().rev()) {
        close(-b, *a, SAME);
    }
}

/// Any rising relabelling of scores, and any relabelling of clusters.
#[test]
fn names_of_scores_and_clusters() {
    let made = base();
    let mut renamed = base();
    renamed
        .score
        .iter_mut()
        .for_each(|score| *score = (2.0 * *score).exp() - 9.0);
    renamed
        .cluster
        .iter_mut()
        .for_each(|label| *label = u32::MAX - 17 * *label);
    same(&made, &renamed, |_| 1.0);
}

/// Covariates in other units and from another zero; a year or a time stamp is far from 0 against its spread.
#[test]
fn shift_and_scale_of_covariates() {
    let made = base();
    let mut moved = base();
    let (scale, shift) = ([1e3, 0.25, -4.0], [2026.0, -8.0, 1e5]);
    for (column, (scale, shift)) in moved.columns.iter_mut().zip(scale.into_iter().zip(shift)) {
        column.iter_mut().for_each(|x| *x = *x * scale + shift);
    }
    same(&made, &moved, |k| scale[k]);
}

/// All rows twice is weight 2, is half the variance; robust errors do not change with weights of one size.
#[test]
fn doubled_rows_and_weights() {
    let made = base();
    let twice = |values: &[f64]| [values, values].concat();
    let doubled = MadeUp {
        score: twice(&made.score),
        columns: made.columns.iter().map(|column| twice(column)).collect(),
        cluster: [&made.cluster[..], &made.cluster].concat(),
    };
    let weights = vec![2.0; made.score.len()];
    let x = slices(&made.columns);
    let weighted = proportional_odds::fit(&made.score, &x, Some(&weights)).unwrap();
    let robust =
        sandwich::cluster_robust(&weighted, &made.score, &x, Some(&weights), &made.cluster)
            .unwrap();
    let (once, once_robust) = fit(&made);
    let (both, both_robust) = fit(&doubled);
    close(both.log_likelihood, 2.0 * once.log_likelihood, SAME);
    close(weighted.log_likelihood, 2.0 * once.log_likelihood, SAME);
    for k in 0..once.covariance.size() {
        let variance = once.covariance.get(k, k).unwrap();
        close(both.covariance.get(k, k).unwrap(), variance / 2.0, SAME);
        close(weighted.covariance.get(k, k).unwrap(), variance / 2.0, SAME);
        let variance = once_robust.covariance.get(k, k).unwrap();
        close(both_robust.covariance.get(k, k).unwrap(), variance, SAME);
        close(robust.covariance.get(k, k).unwrap(), variance, SAME);
    }
}

/// With two categories the ordinal model is the logistic one: the threshold is minus the intercept.
#[test]
fn two_categories_are_logistic() {
    let made = MadeUp::new(800, 2, 2, 21);
    let x = slices(&made.columns);
    let outcome: Vec<bool> = made.score.iter().map(|score| *score > 0.0).collect();
    let ordered = proportional_odds::fit(&made.score, &x, None).unwrap();
    let binary = logistic::fit(&outcome, &x, None).unwrap();
    assert_eq!(binary.coefficients[0], -ordered.thresholds[0]);
    assert_eq!(binary.coefficients[1..], ordered.coefficients);
    assert_eq!(binary.deviance, ordered.deviance);
    assert_eq!(
        binary.covariance.get(0, 1).unwrap(),
        -ordered.covariance.get(0, 1).unwrap()
    );
    let a = sandwich::cluster_robust(&ordered, &made.score, &x, None, &made.cluster).unwrap();
    let b = sandwich::cluster_robust_logistic(&binary, &outcome, &x, None, &made.cluster).unwrap();
    assert_eq!(a.coefficient(1), b.coefficient(2));
}

/// Without covariates the thresholds are the logits of the cumulative shares.
#[test]
fn no_covariates() {
    let score = [1.0, 1.0, 1.0, 2.0, 2.0, 5.0, 5.0, 5.0, 5.0, 5.0];
    let fit = proportional_odds::fit(&score, &[], None).unwrap();
    close(fit.thresholds[0], (0.3_f64 / 0.7).ln(), 1e-12);
    close(fit.thresholds[1], 0.0, 1e-12);
    let shares: [f64; 3] = [0.3, 0.2, 0.5];
    let sum: f64 = shares.iter().map(|share| 10.0 * share * share.ln()).sum();
    close(fit.log_likelihood, sum, 1e-12);
}

/// With each row a cluster of its own, CR1 is the sandwich of White (1980) times n/(n − 1); with one covariate of two
/// values and two categories both have a closed form: the variance of a log-odds is 1/(n p (1 − p)) either way.
#[test]
fn clusters_of_one() {
    let x: Vec<f64> = (0..100).map(|row| f64::from(u8::from(row >= 40))).collect();
    let outcome: Vec<bool> = (0..100).map(|row| row % 4 == 0 || row > 80).collect();
    let cluster: Vec<u32> = (0..100).collect();
    let fit = logistic::fit(&outcome, &[&x], None).unwrap();
    let robust = sandwich::cluster_robust_logistic(&fit, &outcome, &[&x], None, &cluster).unwrap();
    for k in 0..2 {
        let model = fit.covariance.get(k, k).unwrap();
        close(
            robust.covariance.get(k, k).unwrap(),
            model * 100.0 / 99.0,
            1e-10,
        );
    }
}

/// The same to the last bit on one, two and five threads, with several tasks a category.
#[test]
fn number_of_threads() {
    let made = MadeUp::new(60_000, 3, 3, 22);
    let results: Vec<_> = [1, 2, 5]
        .into_iter()
        .map(|threads| {
            let pool = ThreadPoolBuilder::new()
                .num_threads(threads)
                .build()
                .unwrap();
            pool.install(|| {
                let check = proportionality::check(&made.score, &slices(&made.columns), None);
                (fit(&made), check.unwrap())
            })
        })
        .collect();
    assert_eq!(results[0], results[1]);
    assert_eq!(results[0], results[2]);
}

/// Many categories, some of a single row.
#[test]
fn a_score_with_many_values() {
    let made = MadeUp::new(600, 2, 2, 23);
    let score: Vec<f64> = made.columns[0]
        .iter()
        .enumerate()
        .map(|(row, x)| (10.0 * x).round() + f64::from(row as u32 % 37))
        .collect();
    let fit = proportional_odds::fit(&score, &slices(&made.columns), None).unwrap();
    assert!(fit.levels.len() > 60);
    assert!(fit.thresholds.is_sorted());
    assert!(fit.coefficients[0] > 0.2);
}
