//! Every row of `tests/reference/regression.csv`, which names its tool, version and call, and the raters of Shrout &
//! Fleiss.

use super::super::super::analysis_of_variance::{f_upper_tail, one_way};
use super::super::super::linear::{Correction, cluster_robust, fit, residuals};
use super::super::super::rater_agreement::{Form, intraclass};
use super::super::reference::{DISTRIBUTION, EXACT, Ours, compare};
use super::super::{close, labelled};
use super::{clustered, columns, groups, slices};

const REFERENCE: &str = include_str!("../../../../../tests/reference/regression.csv");

/// Least squares of two libraries on data of three digits and a condition near 1.
const FITTED: f64 = 1e-11;

#[test]
fn every_reference_value_is_reproduced() {
    let mut ours = Ours::default();
    least_squares(&mut ours);
    through_the_origin(&mut ours);
    clusters(&mut ours);
    variance(&mut ours);
    raters(&mut ours);
    tails(&mut ours);
    compare(REFERENCE, ours);
}

fn least_squares(ours: &mut Ours) {
    let (_, x, y) = clustered("clustered");
    let x = slices(&x);
    for (case, x, intercept) in [
        ("clustered", x.as_slice(), true),
        ("clustered origin", x.as_slice(), false),
        ("clustered mean", &[], true),
    ] {
        let fit = fit(&y, x, intercept).unwrap();
        for (j, test) in fit.tests().into_iter().enumerate() {
            let test = test.unwrap();
            ours.add(case, &format!("b{j}"), fit.coefficients[j], FITTED);
            ours.add(case, &format!("se{j}"), fit.standard_errors[j], FITTED);
            ours.add(case, &format!("t{j}"), test.t, FITTED);
            ours.add(case, &format!("p{j}"), test.p, DISTRIBUTION);
            ours.add_interval(case, &format!("interval{j}"), test.interval, DISTRIBUTION);
            for (k, value) in fit.unscaled_covariance[j].iter().enumerate() {
                ours.add(case, &format!("unscaled{j}{k}"), *value, FITTED);
            }
        }
        ours.add(case, "s", fit.residual_sd, FITTED);
        let residuals = residuals(&y, x, intercept).unwrap();
        for row in [0, 17, y.len() - 1] {
            // The library takes them from fitted values, and so loses the digits that cancel.
            ours.add(case, &format!("residual{row}"), residuals[row], 1e-10);
        }
        if let Some(f) = fit.f {
            ours.add(case, "r2", fit.r_squared, FITTED);
            ours.add(case, "f", f, FITTED);
            ours.add(case, "f_p", fit.f_p.unwrap(), DISTRIBUTION);
            ours.add(case, "condition", fit.condition, FITTED);
        }
    }
}

fn through_the_origin(ours: &mut Ours) {
    let range = |from: i32, to: i32| (from..=to).map(f64::from).collect::<Vec<f64>>();
    for (case, x, y) in [
        ("NoInt1", range(60, 70), range(130, 140)),
        ("NoInt2", vec![4.0, 5.0, 6.0], vec![3.0, 4.0, 4.0]),
    ] {
        let fit = fit(&y, &[&x], false).unwrap();
        ours.add(case, "b0", fit.coefficients[0], EXACT);
        ours.add(case, "se0", fit.standard_errors[0], EXACT);
        ours.add(case, "s", fit.residual_sd, EXACT);
        ours.add(case, "r2", fit.r_squared, EXACT);
        ours.add(case, "f", fit.f.unwrap(), EXACT);
    }
}

fn clusters(ours: &mut Ours) {
    for case in ["clustered", "sleepstudy"] {
        let (labels, x, y) = clustered(case);
        let x = slices(&x);
        for (name, correction) in [
            ("CR0", Correction::Cr0),
            ("CR1", Correction::Cr1),
            ("CR1 rows", Correction::Cr1Rows),
        ] {
            let robust = cluster_robust(&y, &x, true, &labels, correction).unwrap();
            for (j, test) in robust.tests.iter().enumerate() {
                let test = test.clone().unwrap();
                let se = robust.standard_errors[j];
                ours.add(case, &format!("{name} se{j}"), se, FITTED);
                ours.add(case, &format!("{name} p{j}"), test.p, DISTRIBUTION);
                let interval = format!("{name} interval{j}");
                ours.add_interval(case, &interval, test.interval, DISTRIBUTION);
            }
            let covariance = robust.covariance[0][1];
            ours.add(case, &format!("{name} covariance01"), covariance, FITTED);
        }
        let rows: Vec<u32> = (0..y.len() as u32).collect();
        for (name, correction) in [("HC0", Correction::Cr0), ("HC1", Correction::Cr1Rows)] {
            let robust = cluster_robust(&y, &x, true, &rows, correction).unwrap();
            for (j, se) in robust.standard_errors.iter().enumerate() {
                ours.add(case, &format!("{name} se{j}"), *se, FITTED);
            }
        }
    }
    let (labels, x, y) = clustered("clustered");
    let robust = cluster_robust(&y, &slices(&x), false, &labels, Correction::Cr1Rows).unwrap();
    for (j, se) in robust.standard_errors.iter().enumerate() {
        ours.add("clustered origin", &format!("CR1 rows se{j}"), *se, FITTED);
    }
}

fn variance(ours: &mut Ours) {
    let gears: Vec<Vec<f64>> = labelled("gears").into_iter().map(|(_, v)| v).collect();
    let dyestuff = labelled("dyestuff").into_iter().map(|(_, v)| v).collect();
    let uneven = vec![
        gears[4][..3].to_vec(),
        gears[5][..7].to_vec(),
        gears[6].clone(),
        gears[7][..1].to_vec(),
    ];
    for (case, data) in [
        ("sirstv", groups("sirstv")),
        ("gears", gears),
        ("gears uneven", uneven),
        ("dyestuff", dyestuff),
    ] {
        let got = one_way(&slices(&data)).unwrap();
        // Values that differ in the fourth digit only: squares have lost eight digits before the test begins.
        ours.add(case, "F", got.f, 1e-9);
        ours.add(case, "p", got.p, 1e-9);
    }
}

/// The table of Shrout & Fleiss, one row a target.
fn shrout_fleiss() -> Vec<Vec<f64>> {
    columns("shrout_fleiss")[2]
        .chunks(4)
        .map(<[f64]>::to_vec)
        .collect()
}

fn raters(ours: &mut Ours) {
    let shrout = shrout_fleiss();
    let two = shrout.iter().map(|ratings| ratings[..2].to_vec()).collect();
    let turned = (0..4)
        .map(|judge| shrout.iter().map(|ratings| ratings[judge]).collect())
        .collect();
    let table = |targets: u32, judges: u32, rating: &dyn Fn(u32, u32) -> u32| {
        (0..targets)
            .map(|i| (0..judges).map(|j| f64::from(rating(i, j))).collect())
            .collect::<Vec<Vec<f64>>>()
    };
    for (case, data) in [
        ("shrout_fleiss", shrout),
        ("shrout_fleiss two judges", two),
        ("shrout_fleiss targets as judges", turned),
        (
            "rule",
            table(120, 3, &|i, j| 3 * i % 17 + 2 * j + (7 * i + 5 * j) % 4),
        ),
        ("opposed", table(9, 2, &|i, j| (i + j) % 2 * 5 + i % 3)),
    ] {
        for form in intraclass(&slices(&data)).unwrap().forms {
            let form = form.unwrap();
            let name = form.form.name().replace(',', ";");
            // Near 0 a difference of mean squares, and near its pole the mean of k, lose some digits.
            ours.add(case, &name, form.estimate, 1e-10);
            match form.interval {
                Ok(interval) => ours.add_interval(case, &name, interval, 1e-9),
                Err(_) => assert!(case == "opposed" && name.starts_with("ICC(2")),
            }
        }
    }
}

fn tails(ours: &mut Ours) {
    for (f, above, below, tolerance) in [
        (0.5, 3.0, 7.0, EXACT),
        (1.0, 2.0, 2.0, EXACT),
        (5436385.5, 1.0, 34.0, 1e-11),
        (1e12, 2.0, 5.0, EXACT),
        (21.0, 8.0, 180.0, 1e-11),
        // The logarithms of gamma at half of these degrees are in the millions, and cancel.
        (1.2, 10.0, 1e5, 1e-9),
        (2.05, 10.0, 1e6, 1e-8),
        (3.9, 1.0, 1e6, 1e-8),
        (1.045, 9000.0, 9500.0, 1e-8),
        (1.1, 3e3, 1e6, 2e-8),
        (1.005, 1e6, 1e6, 1e-8),
    ] {
        let name = REFERENCE
            .lines()
            .filter_map(|line| line.strip_prefix("F tail,")?.split(',').next())
            .find(|name| {
                let parts: Vec<f64> = name.split(' ').map(|part| part.parse().unwrap()).collect();
                parts == [f, above, below]
            })
            .unwrap();
        ours.add(
            "F tail",
            name,
            f_upper_tail(f, above, below).unwrap(),
            tolerance,
        );
    }
}

/// Shrout & Fleiss (1979), Psych Bull 86:420, table 4, to the two digits printed; digits by R's psych 2.2.9, `ICC`.
#[test]
fn six_forms_of_shrout_and_fleiss() {
    let got = intraclass(&slices(&shrout_fleiss())).unwrap();
    close(got.mean_squares.targets, 11.2416666666667, 1e-13);
    close(got.mean_squares.within, 6.26388888888889, 1e-13);
    close(got.mean_squares.judges, 32.4861111111111, 1e-13);
    close(got.mean_squares.residual, 1.01944444444444, 1e-13);
    assert_eq!((got.targets, got.judges), (6, 4));
    let wanted = [
        (
            0.17,
            0.165741768405476,
            -0.132932324874751,
            0.722560062328121,
        ),
        (
            0.29,
            0.289763779527559,
            0.018786513374712,
            0.761084369648953,
        ),
        (0.71, 0.714840714840715, 0.342464765033925, 0.94585825995536),
        (
            0.44,
            0.442797133679269,
            -0.884442155238119,
            0.912415420340776,
        ),
        (
            0.62,
            0.620050547598989,
            0.0711368153025035,
            0.927232040167722,
        ),
        (
            0.91,
            0.909315542377069,
            0.675674713816305,
            0.985891678169062,
        ),
    ];
    for ((form, coefficient), (printed, estimate, lo, hi)) in
        Form::ALL.into_iter().zip(got.forms).zip(wanted)
    {
        let coefficient = coefficient.unwrap();
        assert_eq!(coefficient.form, form);
        assert!((coefficient.estimate - printed).abs() <= 0.005);
        close(coefficient.estimate, estimate, 1e-13);
        // Quantiles of F by two libraries.
        let interval = coefficient.interval.unwrap();
        close(interval.lo, lo, 1e-9);
        close(interval.hi, hi, 1e-9);
    }
}
