//! Every row of `tests/reference/mixed.csv`: dense covariance matrices in 40 digits (mpmath), and statsmodels.

use super::super::super::mixed::Criterion;
use super::super::reference::{EXACT, Ours, ROOT, compare};
use super::case;

const REFERENCE: &str = include_str!("../../../../../tests/reference/mixed.csv");

/// Estimates follow the ratio of variances, whose derivative is solved to the last bits; what is left is the condition
/// of the root, two or three digits.
const ESTIMATE: f64 = 1e-10;
/// statsmodels stops its optimiser early.
const STATSMODELS: f64 = 1e-5;
/// It takes standard errors of coefficients from a Hessian that holds the variances too, which in unbalanced data moves
/// their fourth digit; the dense values above hold ours to the last ones.
const STATSMODELS_SE: f64 = 1e-3;

#[test]
fn every_reference_value_is_reproduced() {
    let mut ours = Ours::default();
    for name in [
        "dyestuff",
        "dyestuff2",
        "rail",
        "sleepstudy",
        "sleepstudy unbalanced",
        "two covariates",
        "two covariates flat",
        "ergostool",
    ] {
        for (criterion, word) in [(Criterion::Reml, "reml"), (Criterion::Ml, "ml")] {
            let restricted_only = ["two covariates flat", "ergostool"].contains(&name);
            if restricted_only && criterion == Criterion::Ml {
                continue;
            }
            add(&mut ours, name, criterion, &format!("{name} {word}"));
        }
    }
    compare(REFERENCE, ours);
}

fn add(ours: &mut Ours, name: &str, criterion: Criterion, key: &str) {
    let (labels, rows) = case(name);
    let fit = rows.fit(criterion);
    ours.add(key, "var_between", fit.var_between, ESTIMATE);
    ours.add(key, "var_within", fit.var_within, ESTIMATE);
    ours.add(key, "icc", fit.icc, ESTIMATE);
    ours.add(
        key,
        "-2 log likelihood",
        fit.minus_two_log_likelihood,
        EXACT,
    );
    let test = fit.no_groups().unwrap();
    // A difference of two numbers up to 300 times larger.
    ours.add(key, "no groups", test.statistic, ESTIMATE);
    ours.add(key, "no groups p", test.p, ESTIMATE);
    for (k, coefficient) in fit.coefficients.iter().enumerate() {
        ours.add(
            key,
            &format!("coefficient {k}"),
            coefficient.estimate,
            ESTIMATE,
        );
        assert_eq!(coefficient.se, fit.covariance[k][k].sqrt());
        for (j, covariance) in fit.covariance[k].iter().enumerate().skip(k) {
            ours.add(key, &format!("covariance {k} {j}"), *covariance, ESTIMATE);
            super::super::close(*covariance, fit.covariance[j][k], EXACT);
        }
    }
    let levels = fit.levels().unwrap();
    assert_eq!(levels.len(), labels.len());
    for (label, level) in labels.iter().zip(levels) {
        for (quantity, value) in [
            ("effect", level.shrunken.effect),
            ("conditional sd", level.shrunken.conditional_sd),
            ("prediction sd", level.shrunken.prediction_error_sd),
            ("estimate", level.shrunken.estimate),
            ("estimate sd", level.shrunken.estimate_error_sd),
            ("adjusted", level.adjusted),
            ("adjusted sd", level.adjusted_error_sd),
        ] {
            ours.add(key, &format!("{quantity} {label}"), value, ESTIMATE);
        }
    }
    if name != "rail" {
        let intervals = fit.intervals().unwrap();
        ours.add_interval(key, "between_sd", intervals.between_sd, ROOT);
        ours.add_interval(key, "within_sd", intervals.within_sd, ROOT);
        ours.add_interval(key, "icc", intervals.icc, ROOT);
    }
    if ["sleepstudy unbalanced reml", "two covariates reml"].contains(&key) {
        let mut second = |quantity: &str, value| {
            let tolerance = if quantity.starts_with("se") {
                STATSMODELS_SE
            } else {
                STATSMODELS
            };
            ours.add(key, &format!("statsmodels {quantity}"), value, tolerance);
        };
        for (k, coefficient) in fit.coefficients.iter().enumerate() {
            second(&format!("coefficient {k}"), coefficient.estimate);
            second(&format!("se {k}"), coefficient.se);
        }
        second("var_between", fit.var_between);
        second("var_within", fit.var_within);
        second("-2 log likelihood", fit.minus_two_log_likelihood);
    }
}
