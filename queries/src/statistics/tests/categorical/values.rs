//! Published values, and every row of `tests/reference/categorical.csv`.

use super::super::super::NotEstimable;
use super::super::super::categorical::{logistic, proportional_odds, proportionality, sandwich};
use super::super::super::nonresponse::weights::ResponseModel;
use super::super::close;
use super::super::reference::{DISTRIBUTION, EXACT, Ours, compare};
use super::{
    ORDINAL, OVERLAP, REFERENCE, SPECTOR, births, columns, housing, is_one, repeated, slices,
};

/// Maxima are compared after the last bits of two searches: the references stop within about 1e-13 of theirs, and the
/// errors come from matrices with conditions up to 1e5.
const MAXIMUM: f64 = 1e-9;

/// `polr(Sat ~ Infl + Type + Cont, weights = Freq)` of the R package MASS 7.3-58.2, as in Venables & Ripley (2002),
/// Modern Applied Statistics with S, section 7.3. Its search stops at about 1e-8.
#[test]
fn housing_as_published() {
    let (score, covariates, counts) = housing();
    let fit = proportional_odds::fit(&score, &slices(&covariates), Some(&counts)).unwrap();
    let published = [
        (0.566393738331161, 0.104652784381422),
        (1.28881910896275, 0.127156147663349),
        (-0.572350002326708, 0.119238011895305),
        (-0.366186370939805, 0.155173336387358),
        (-1.09101465912575, 0.151486022514996),
        (0.360284005296117, 0.0955357977365203),
    ];
    for (k, (b, error)) in published.into_iter().enumerate() {
        let got = fit.coefficient(k).unwrap();
        close(got.value, b, 1e-7);
        close(got.standard_error, error, 1e-7);
    }
    close(fit.thresholds[0], -0.496135137181298, 1e-7);
    close(fit.thresholds[1], 0.690708259056983, 1e-7);
    close(fit.deviance, 3479.14929905895, 1e-12);
    assert_eq!(fit.levels, [1.0, 2.0, 3.0]);
    assert_eq!(fit.n, 72);
}

/// `glm(low ~ ., binomial)` of R 4.2.2 on the births of Hosmer & Lemeshow (1989); its errors are good to about 1e-9.
#[test]
fn births_as_published() {
    let (low, covariates) = births();
    let fit = logistic::fit(&low, &slices(&covariates), None).unwrap();
    let published = [
        (0.480623209100782, 1.19690410673577),
        (-0.0295490270744754, 0.0370314173609362),
        (-0.0154242839798523, 0.00691938106224049),
        (1.27225979775438, 0.527363702925799),
        (0.880495925782536, 0.440785664195591),
        (0.938845701578259, 0.402154076565973),
        (0.543337031124541, 0.34540543056545),
        (1.86330287037884, 0.697540058996846),
        (0.767648145771582, 0.45932147808857),
        (0.0653018347794342, 0.172395825924323),
    ];
    for (k, (b, error)) in published.into_iter().enumerate() {
        let got = fit.coefficient(k).unwrap();
        close(got.value, b, 1e-9);
        close(got.standard_error, error, 1e-8);
    }
    close(fit.deviance, 201.284795055881, 1e-12);
}

/// Two classes of 100: 80 answered with mean 10, 40 with mean 20. By arithmetic the weights are 0.6/0.8 and 0.6/0.4,
/// the weighted mean 15, and (Σ w)²/Σ w² = 120²/(80·0.5625 + 40·2.25) = 106.666…
#[test]
fn weighting_classes_by_arithmetic() {
    let answered: Vec<bool> = (0..200)
        .map(|row| row % 100 < if row < 100 { 80 } else { 40 })
        .collect();
    let class: Vec<f64> = (0..200)
        .map(|row| f64::from(u8::from(row >= 100)))
        .collect();
    let cluster: Vec<u32> = (0..200).collect();
    let fitted = ResponseModel::fit(&answered, &[&class], &cluster).unwrap();
    let weights = fitted.weights();
    assert_eq!(weights.len(), 120);
    let sum: f64 = weights.iter().sum();
    let weighted: f64 = weights
        .iter()
        .enumerate()
        .map(|(row, weight)| weight * if row < 80 { 10.0 } else { 20.0 })
        .sum();
    close(weights[0], 0.75, EXACT);
    close(weights[119], 1.5, EXACT);
    close(weighted / sum, 15.0, EXACT);
    close(fitted.summary.mean, 1.0, EXACT);
    close(fitted.summary.effective, 320.0 / 3.0, EXACT);
    close(fitted.summary.design_effect, 1.125, EXACT);
    close(fitted.summary.smallest_probability, 0.4, EXACT);
    close(fitted.summary.largest, 1.5, EXACT);
    close(fitted.summary.largest_before, 1.5, EXACT);
    assert_eq!(
        (fitted.summary.invited, fitted.summary.answered),
        (200, 120)
    );
}

#[test]
fn every_reference_value_is_reproduced() {
    let mut ours = Ours::default();
    ordered(&mut ours);
    binary(&mut ours);
    proportional(&mut ours);
    response(&mut ours);
    overlap(&mut ours);
    compare(REFERENCE, ours);
}

fn add_fit(
    ours: &mut Ours,
    case: &str,
    fit: &proportional_odds::ProportionalOdds,
    robust: Option<&sandwich::ClusterRobust>,
) {
    let cuts = fit.thresholds.len();
    let values = fit.thresholds.iter().chain(&fit.coefficients);
    for (k, value) in values.enumerate() {
        let name = if k < cuts {
            format!("threshold {}", k + 1)
        } else {
            format!("b {}", k - cuts + 1)
        };
        ours.add(case, &name, *value, EXACT);
        let error = fit.covariance.standard_error(k).unwrap();
        ours.add(case, &format!("{name} se"), error, MAXIMUM);
        if let Some(robust) = robust {
            let error = robust.covariance.standard_error(k).unwrap();
            ours.add(case, &format!("{name} robust se"), error, MAXIMUM);
        }
    }
    ours.add(case, "log-likelihood", fit.log_likelihood, EXACT);
}

fn ordered(ours: &mut Ours) {
    let (score, covariates, counts) = housing();
    let fit = proportional_odds::fit(&score, &slices(&covariates), Some(&counts)).unwrap();
    add_fit(ours, "housing", &fit, None);
    for (k, b) in fit.coefficients.iter().enumerate() {
        // The search of the reference stops early; its first digits count here.
        ours.add("housing by OrderedModel", &format!("b {}", k + 1), *b, 1e-6);
    }
    let table = columns(ORDINAL);
    let cluster: Vec<u32> = table[0].iter().map(|label| *label as u32).collect();
    let (score, x) = (&table[1], slices(&table[2..4]));
    for (case, weights) in [
        ("ordinal", None),
        ("ordinal weighted", Some(table[4].as_slice())),
    ] {
        let fit = proportional_odds::fit(score, &x, weights).unwrap();
        let robust = sandwich::cluster_robust(&fit, score, &x, weights, &cluster).unwrap();
        add_fit(ours, case, &fit, Some(&robust));
        if weights.is_none() {
            let first = robust.coefficient(0).unwrap();
            assert_eq!(first.degrees, Some(11.0));
            ours.add_interval(case, "b 1 robust", first.interval, DISTRIBUTION);
            ours.add(case, "b 1 robust p", first.p, DISTRIBUTION);
            ours.add(case, "b 1 p", fit.coefficient(0).unwrap().p, DISTRIBUTION);
        }
    }
}

fn add_logistic(ours: &mut Ours, case: &str, fit: &logistic::Logistic) {
    for (k, b) in fit.coefficients.iter().enumerate() {
        ours.add(case, &format!("b {k}"), *b, MAXIMUM);
        let error = fit.covariance.standard_error(k).unwrap();
        ours.add(case, &format!("b {k} se"), error, MAXIMUM);
    }
}

fn binary(ours: &mut Ours) {
    let table = columns(SPECTOR);
    let (improved, x) = (is_one(&table[0]), slices(&table[1..]));
    let fit = logistic::fit(&improved, &x, None).unwrap();
    add_logistic(ours, "spector", &fit);
    ours.add("spector", "log-likelihood", fit.log_likelihood, EXACT);
    let weights: Vec<f64> = (0..improved.len())
        .map(|row| 1.0 + (row % 3) as f64)
        .collect();
    let fit = logistic::fit(&improved, &x, Some(&weights)).unwrap();
    add_logistic(ours, "spector weighted", &fit);

    let (low, covariates) = births();
    let fit = logistic::fit(&low, &slices(&covariates), None).unwrap();
    add_logistic(ours, "birthwt", &fit);
    ours.add("birthwt", "log-likelihood", fit.log_likelihood, EXACT);

    let table = columns(ORDINAL);
    let cluster: Vec<u32> = table[0].iter().map(|label| *label as u32).collect();
    let over: Vec<bool> = table[1].iter().map(|score| *score > 2.0).collect();
    let x = slices(&table[2..4]);
    let fit = logistic::fit(&over, &x, None).unwrap();
    let robust = sandwich::cluster_robust_logistic(&fit, &over, &x, None, &cluster).unwrap();
    for k in 0..3 {
        let error = robust.coefficient(k).unwrap().standard_error;
        ours.add(
            "ordinal over 2",
            &format!("b {k} robust se"),
            error,
            MAXIMUM,
        );
    }
}

fn proportional(ours: &mut Ours) {
    let (score, covariates, counts) = housing();
    let table = columns(ORDINAL);
    let cases = [
        (
            "brant housing",
            proportionality::check(&score, &slices(&covariates), Some(&counts)),
        ),
        (
            "brant ordinal",
            proportionality::check(&table[1], &slices(&table[2..4]), None),
        ),
    ];
    for (case, result) in cases {
        let result = result.unwrap();
        ours.add(case, "overall", result.overall.statistic, MAXIMUM);
        ours.add(case, "overall p", result.overall.p, MAXIMUM);
        for (k, test) in result.by_covariate.iter().enumerate() {
            let name = format!("covariate {}", k + 1);
            ours.add(case, &name, test.statistic, MAXIMUM);
            ours.add(case, &format!("{name} p"), test.p, MAXIMUM);
        }
    }
    // Counted or repeated, the rows are the same.
    let repeat: Vec<Vec<f64>> = covariates.iter().map(|x| repeated(x, &counts)).collect();
    let again = proportionality::check(&repeated(&score, &counts), &slices(&repeat), None).unwrap();
    let once = proportionality::check(&score, &slices(&covariates), Some(&counts)).unwrap();
    close(again.overall.statistic, once.overall.statistic, MAXIMUM);
    assert_eq!((once.overall.degrees, once.by_covariate[0].degrees), (6, 1));
}

fn response(ours: &mut Ours) {
    let table = columns(ORDINAL);
    let cluster: Vec<u32> = table[0].iter().map(|label| *label as u32).collect();
    let answered = is_one(&table[5]);
    let fitted = ResponseModel::fit(&answered, &slices(&table[2..4]), &cluster).unwrap();
    let summary = fitted.summary;
    ours.add(
        "response",
        "largest before",
        summary.largest_before,
        MAXIMUM,
    );
    ours.add("response", "largest", summary.largest, MAXIMUM);
    ours.add("response", "truncated", summary.truncated as f64, EXACT);
    ours.add("response", "effective", summary.effective, MAXIMUM);
    let smallest = summary.smallest_probability;
    ours.add("response", "smallest probability", smallest, MAXIMUM);
    ours.add("response", "sum", fitted.weights().iter().sum(), MAXIMUM);

    let times = [2, 0, 1, 3, 0, 1, 1, 2, 0, 1, 1, 0];
    let mut drawn = vec![0.0; fitted.weights().len()];
    fitted.reweigh(&times, &mut drawn).unwrap();
    let own: Vec<f64> = answered
        .iter()
        .zip(&cluster)
        .filter(|(answered, _)| **answered)
        .map(|(_, cluster)| f64::from(times[*cluster as usize]))
        .collect();
    let sum: f64 = drawn.iter().sum();
    let (mut squares, mut largest) = (0.0, 0.0_f64);
    for (weight, times) in drawn.iter().zip(&own).filter(|(_, times)| **times > 0.0) {
        squares += weight * weight / times;
        largest = largest.max(weight / times);
    }
    ours.add("response drawn", "largest", largest, MAXIMUM);
    ours.add("response drawn", "sum", sum, MAXIMUM);
    ours.add("response drawn", "effective", sum * sum / squares, MAXIMUM);
}

/// Small sets, of which a linear programme says whether there is a finite estimate.
fn overlap(ours: &mut Ours) {
    let table = columns(OVERLAP);
    let last = table[0][table[0].len() - 1] as usize;
    for set in 1..=last {
        let rows: Vec<usize> = (0..table[0].len())
            .filter(|&row| table[0][row] as usize == set)
            .collect();
        let pick = |k: usize| rows.iter().map(|&row| table[k][row]).collect::<Vec<f64>>();
        let got = proportional_odds::fit(&pick(1), &[&pick(2), &pick(3)], None);
        let finite = match got {
            Ok(_) => 1.0,
            Err(NotEstimable::Separation { .. }) => 0.0,
            Err(other) => panic!("{set}: {other}"),
        };
        ours.add(&format!("overlap {set}"), "finite", finite, EXACT);
    }
}
