//! Which data have no finite estimate (Albert & Anderson 1984, Biometrika 71:1), and which only look like it.

use super::super::super::NotEstimable::{self, Collinear, Separation};
use super::super::super::categorical::{logistic, proportional_odds, proportionality};
use super::super::close;
use super::{MadeUp, dummy, slices};

/// A yes for each row at `yes`, a no for each at `no`; one covariate.
fn one(no: &[f64], yes: &[f64]) -> Result<logistic::Logistic, NotEstimable> {
    let x = [no, yes].concat();
    let outcome: Vec<bool> = (0..x.len()).map(|row| row >= no.len()).collect();
    logistic::fit(&outcome, &[&x], None)
}

#[test]
fn complete_separation() {
    for gap in [1e-6, 0.5, 1e6] {
        let no: Vec<f64> = (0..8).map(f64::from).collect();
        let yes: Vec<f64> = no.iter().map(|x| x + 7.0 + gap).collect();
        assert_eq!(one(&no, &yes), Err(Separation { column: 0 }), "{gap}");
        assert_eq!(one(&yes, &no), Err(Separation { column: 0 }), "{gap}");
    }
    assert_eq!(one(&[1.0, 2.0], &[3.0]), Err(Separation { column: 0 }));
}

/// Nothing overlaps, but the groups touch: at 7 there is a yes and a no.
#[test]
fn quasi_complete_separation_at_one_value() {
    let no: Vec<f64> = (0..8).map(f64::from).collect();
    let yes: Vec<f64> = (7..15).map(f64::from).collect();
    assert_eq!(one(&no, &yes), Err(Separation { column: 0 }));
}

/// A two by two table with one empty cell, at sizes from 8 to 80000.
#[test]
fn quasi_complete_separation_by_an_empty_cell() {
    for size in [2, 20, 200, 20_000] {
        let x: Vec<f64> = (0..4 * size).map(|row| f64::from(row % 2)).collect();
        // Of the rows with x = 1 all say yes; the others say yes and no in turn.
        let outcome: Vec<bool> = (0..4 * size)
            .map(|row| row % 2 == 1 || row % 4 == 0)
            .collect();
        let got = logistic::fit(&outcome, &[&x], None);
        assert_eq!(got, Err(Separation { column: 0 }), "{size}");
    }
}

/// Among covariates that do no harm, one level of a factor where all gave the same answer; the level is named, be it
/// common or one row in a thousand, and be the answer a yes or a no.
#[test]
fn a_level_with_one_answer_only() {
    for every in [3, 50, 1000] {
        for answer in [false, true] {
            let made = MadeUp::new(3000, 2, 2, 5);
            let mut outcome: Vec<bool> = made.score.iter().map(|score| *score > 0.0).collect();
            let level: Vec<f64> = (0..3000)
                .map(|row| f64::from(u8::from(row % every == 0)))
                .collect();
            for row in (0..3000).step_by(every) {
                outcome[row] = answer;
            }
            let x = [made.columns[0].clone(), level, made.columns[1].clone()];
            let got = logistic::fit(&outcome, &slices(&x), None);
            assert_eq!(got, Err(Separation { column: 1 }), "{every} {answer}");
        }
    }
}

/// A combination of two covariates separates, neither does alone, with rows on the border on both sides.
#[test]
fn quasi_complete_separation_by_a_combination() {
    let made = MadeUp::new(2000, 2, 2, 6);
    let (a, b) = (&made.columns[0], &made.columns[1]);
    let mut outcome: Vec<bool> = a.iter().zip(b).map(|(a, b)| a + 2.0 * b > 0.0).collect();
    assert!(matches!(
        logistic::fit(&outcome, &slices(&made.columns), None),
        Err(Separation { .. })
    ));
    // Rows on the line a + 2 b = 0, half of each answer.
    let mut x = made.columns.clone();
    for row in 0..200 {
        x[1][row] = (x[1][row] * 64.0).round() / 64.0;
        x[0][row] = -2.0 * x[1][row];
        outcome[row] = row % 2 == 0;
    }
    assert!(matches!(
        logistic::fit(&outcome, &slices(&x), None),
        Err(Separation { .. })
    ));
}

/// For ordered scores: complete; quasi-complete with a level whose rows all have the lowest score; a level at the
/// highest. A level whose rows all lie in the middle is held from both sides and has a finite estimate.
#[test]
fn ordered_scores() {
    let x: Vec<f64> = (0..30).map(f64::from).collect();
    let score: Vec<f64> = x.iter().map(|x| (x / 10.0).floor()).collect();
    assert_eq!(
        proportional_odds::fit(&score, &[&x], None),
        Err(Separation { column: 0 })
    );
    let made = MadeUp::new(2000, 1, 4, 7);
    for (held, finite) in [(0.0, false), (3.0, false), (1.0, true), (2.0, true)] {
        let mut score = made.score.clone();
        let level: Vec<f64> = (0..2000)
            .map(|row| f64::from(u8::from(row % 40 == 0)))
            .collect();
        for row in (0..2000).step_by(40) {
            score[row] = held;
        }
        let got = proportional_odds::fit(&score, &[&made.columns[0], &level], None);
        if finite {
            assert!(got.unwrap().coefficients[1].abs() < 5.0, "{held}");
        } else {
            assert_eq!(got, Err(Separation { column: 1 }), "{held}");
        }
    }
}

/// The whole model has an estimate, one split has none: the check of proportionality says so.
#[test]
fn a_split_may_separate_where_the_model_does_not() {
    let mut made = MadeUp::new(400, 1, 3, 8);
    let level: Vec<f64> = (0..400)
        .map(|row| f64::from(u8::from(row % 10 == 0)))
        .collect();
    for row in (0..400).step_by(10) {
        made.score[row] = 1.0;
    }
    let x = [made.columns.remove(0), level];
    assert!(proportional_odds::fit(&made.score, &slices(&x), None).is_ok());
    assert_eq!(
        proportionality::check(&made.score, &slices(&x), None),
        Err(Separation { column: 1 })
    );
}

/// One row against the current is enough for a finite estimate. For a two by two table it is the log of the
/// cross-product of counts, whatever the size: b = log(a d/(b c)), with the variance 1/a + 1/b + 1/c + 1/d (Woolf 1955,
/// Ann Hum Genet 19:251, from memory).
#[test]
fn one_row_against_the_current_is_enough() {
    for size in [3.0, 100.0, 1e4, 1e6, 1e9] {
        let x = [0.0, 0.0, 1.0, 1.0, 1.0, 0.0];
        let score = [0.0, 1.0, 0.0, 1.0, 1.0, 1.0];
        let counts = [size, size / 2.0, 1.0, size - 1.0, 1.0, size / 2.0];
        let fit = proportional_odds::fit(&score, &[&x], Some(&counts)).unwrap();
        // The one row decides by a sum of terms as large as the size, so its digits are lost in proportion.
        let tolerance = 1e-11 + 1e-15 * size;
        close(fit.coefficients[0], size.ln(), tolerance);
        let variance: f64 = 2.0 / size + 1.0 + 1.0 / size;
        close(
            fit.covariance.standard_error(1).unwrap(),
            variance.sqrt(),
            tolerance,
        );
    }
}

/// Overlap of a hundredth, a thousandth and 1e-5 of the distance between the values: steep, but finite.
#[test]
fn a_narrow_overlap_has_an_estimate() {
    let mut last = 0.0;
    for overlap in [1e-2, 1e-3, 1e-4, 1e-5] {
        let no = [-3.0, -2.0, -1.0, overlap];
        let yes = [3.0, 2.0, 1.0, -overlap];
        let fit = one(&no, &yes).unwrap();
        let slope = fit.coefficients[1];
        // The score equation of a symmetric set, from the definition: Σ x (1 − F(b x)) over the yes rows is 0.
        let score: f64 = yes.iter().map(|x| x / (1.0 + (slope * x).exp())).sum();
        assert!(score.abs() < 1e-12, "{overlap}: {score}");
        assert!(slope > last);
        last = slope;
    }
}

/// One value far out in a covariate is no separation while the others overlap.
#[test]
fn a_value_far_out_is_no_separation() {
    for far in [1e3, 1e5] {
        let mut made = MadeUp::new(300, 1, 2, 9);
        made.columns[0][7] = far;
        made.score[7] = 1.0;
        let fit = proportional_odds::fit(&made.score, &slices(&made.columns), None).unwrap();
        assert!(fit.coefficients[0].abs() < 2.0);
    }
}

#[test]
fn combinations_of_covariates() {
    let made = MadeUp::new(500, 3, 4, 10);
    let base = made.columns.clone();
    let sum: Vec<f64> = (0..500)
        .map(|row| base[0][row] - 2.0 * base[2][row] + 3.0)
        .collect();
    let cases: [(Vec<f64>, &str); 4] = [
        (vec![1.0; 500], "constant"),
        (vec![0.1 + 0.2; 500], "constant with rounding"),
        (base[1].iter().map(|x| 1e6 * x + 7.0).collect(), "copy"),
        (sum, "sum"),
    ];
    for (column, name) in cases {
        let mut x = base.clone();
        x.push(column);
        let got = proportional_odds::fit(&made.score, &slices(&x), None);
        assert_eq!(got, Err(Collinear { column: 3 }), "{name}");
        let outcome: Vec<bool> = made.score.iter().map(|score| *score > 1.0).collect();
        let got = logistic::fit(&outcome, &slices(&x), None);
        assert_eq!(got, Err(Collinear { column: 3 }), "{name}");
    }
    // All levels of a factor beside the thresholds.
    let code: Vec<f64> = (0..500).map(|row| f64::from(row % 3)).collect();
    let levels = [dummy(&code, 0.0), dummy(&code, 1.0), dummy(&code, 2.0)];
    let got = proportional_odds::fit(&made.score, &slices(&levels), None);
    assert_eq!(got, Err(Collinear { column: 2 }));
    // Close to a copy, but not one: a thousandth of the standard deviation apart.
    let mut x = base.clone();
    x.push(
        (0..500)
            .map(|row| base[0][row] + 1e-3 * base[1][499 - row])
            .collect(),
    );
    assert!(proportional_odds::fit(&made.score, &slices(&x), None).is_ok());
}
