//! Planted effects, recovered from the files within their own uncertainty.

use fitcohort_synthetic_data::{Effects, Scenario};
use rayon::prelude::*;
use statrs::distribution::{Binomial, ContinuousCDF, DiscreteCDF, Normal};

use crate::support::{Delivery, clean};

/// Slope and standard error of a logistic regression with one predictor, by Newton's method (McCullagh &
/// Nelder 1989, chapter 4). Under proportional odds the slope of any cut of the scores is the planted one.
pub(crate) fn logistic(pairs: &[(f64, bool)]) -> (f64, f64) {
    let (mut a, mut b) = (0.0, 0.0);
    let mut variance = f64::NAN;
    for _ in 0..25 {
        let (mut g0, mut g1, mut h00, mut h01, mut h11) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for &(x, y) in pairs {
            let p = 1.0 / (1.0 + (-(a + b * x)).exp());
            let (r, w) = (f64::from(u8::from(y)) - p, p * (1.0 - p));
            g0 += r;
            g1 += r * x;
            h00 += w;
            h01 += w * x;
            h11 += w * x * x;
        }
        let determinant = h00 * h11 - h01 * h01;
        a += (h11 * g0 - h01 * g1) / determinant;
        b += (h00 * g1 - h01 * g0) / determinant;
        variance = h00 / determinant;
    }
    (b, variance.sqrt())
}

/// Reference: statsmodels 0.15.0, `Logit(y, add_constant(x)).fit()` on these ten pairs.
#[test]
fn the_regression_itself_is_right() {
    let x = [0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0, 4.5, 5.0];
    let y = [
        false, true, false, false, true, false, true, true, false, true,
    ];
    let pairs: Vec<(f64, bool)> = x.into_iter().zip(y).collect();
    let (slope, error) = logistic(&pairs);
    assert!((slope - 0.464346020438).abs() < 1e-8);
    assert!((error - 0.483590526491).abs() < 1e-8);
}

/// (estimate - planted) / standard error, and the estimate, of each of 20 seeds. Effects of clinicians, ears,
/// experience and non-response are off, so that the plain model is the true one.
fn recover(match_per_db: f64) -> Vec<(f64, f64)> {
    (0..20_u64)
        .into_par_iter()
        .map(|seed| {
            let scenario = Scenario {
                effects: Effects {
                    match_per_db,
                    two_ears: 0.0,
                    experience: 0.0,
                    clinician_sd: 0.0,
                    nonresponse: 0.0,
                    ..Effects::default()
                },
                ..clean(1_500, 100 + seed)
            };
            let delivery = Delivery::of(&scenario);
            let answered = delivery.satisfaction();
            let pairs: Vec<(f64, bool)> = delivery
                .rms_by_fitting()
                .into_iter()
                .filter_map(|(fitting, rms)| Some((rms, *answered.get(&fitting)? >= 4)))
                .collect();
            assert!(pairs.len() > 600);
            let (slope, error) = logistic(&pairs);
            ((slope - match_per_db) / error, slope)
        })
        .collect()
}

/// Of 20 intervals at 95 % as many cover the planted value as chance allows (1 in 1,000), and the mean
/// standardised error is a standard normal's within 3.3 of its own.
fn covers(recovered: &[(f64, f64)]) {
    let half = Normal::standard().inverse_cdf(0.975);
    let covered = recovered.iter().filter(|(z, _)| z.abs() < half).count() as u64;
    assert!(
        Binomial::new(0.95, 20).unwrap().cdf(covered) > 0.001,
        "{covered}"
    );
    let mean = recovered.iter().map(|(z, _)| z).sum::<f64>() / 20.0;
    assert!(mean.abs() < 3.3 / 20.0_f64.sqrt(), "{mean}");
}

#[test]
fn planted_match_effect_is_recovered() {
    let recovered = recover(-0.25);
    covers(&recovered);
    let mean = recovered.iter().map(|(_, slope)| slope).sum::<f64>() / 20.0;
    assert!((-0.32..-0.18).contains(&mean), "{mean}");
}

#[test]
fn zero_effect_stays_zero() {
    let recovered = recover(0.0);
    covers(&recovered);
    let mean = recovered.iter().map(|(_, slope)| slope).sum::<f64>() / 20.0;
    assert!(mean.abs() < 0.05, "{mean}");
}

/// SMD 0.22 (Almufarrij et al. 2021) is a correlation of about 0.11; with 6,000 fittings its standard error
/// is about 0.014, and chance differences between clinicians add to that.
#[test]
fn demo_effect_has_the_size_that_evidence_suggests() {
    let rho = |match_per_db| {
        let effects = Effects {
            match_per_db,
            clinician_sd: 0.0,
            ..Effects::default()
        };
        let scenario = Scenario {
            effects,
            ..clean(6_000, 21)
        };
        Delivery::of(&scenario)
            .truth
            .realised
            .spearman_rms_satisfaction
            .unwrap()
    };
    let demo = rho(Effects::default().match_per_db);
    assert!((demo + 0.11).abs() < 0.05, "{demo}");
    let none = rho(0.0);
    assert!(none.abs() < 4.0 / 5_300.0_f64.sqrt(), "{none}");
}

/// Log-odds of answering rise by the planted amount for each point of satisfaction: scores 3 and 5 differ
/// by twice that, within four standard errors (of a log odds ratio, Woolf 1955, from memory).
#[test]
fn answering_depends_on_satisfaction_as_planted() {
    for nonresponse in [0.0, 0.35] {
        let effects = Effects {
            nonresponse,
            ..Effects::default()
        };
        let scenario = Scenario {
            effects,
            ..clean(6_000, 22)
        };
        let realised = Delivery::of(&scenario).truth.realised;
        let group = |k: usize| {
            let n = realised.satisfaction_counts[k] as f64;
            let answered = realised.response_rate_by_satisfaction[k].unwrap() * n;
            (answered, n - answered)
        };
        let ((a, b), (c, d)) = (group(4), group(2));
        let log_ratio = (a / b / (c / d)).ln();
        let error = (1.0 / a + 1.0 / b + 1.0 / c + 1.0 / d).sqrt();
        assert!(
            (log_ratio - 2.0 * nonresponse).abs() < 4.0 * error,
            "{log_ratio}"
        );
    }
}

/// With the drift the clinic's later responses lie lower by the planted decibels, as the clinicians' means
/// of two runs that differ in nothing else show; other clinics stay as they are.
#[test]
fn drift_moves_one_clinic_from_its_quarter_on() {
    let run = |drift_db| {
        let effects = Effects {
            drift_db,
            ..Effects::default()
        };
        let scenario = Scenario {
            effects,
            ..clean(2_000, 23)
        };
        Delivery::of(&scenario)
    };
    let (with, without) = (run(2.5), run(0.0));
    let drift = with.truth.drift.clone().unwrap();
    assert_eq!(without.truth.drift, None);
    assert_eq!(drift.from_quarter, "2025-Q4");
    let place: std::collections::BTreeMap<String, (bool, bool)> = with
        .rows("fittings")
        .into_iter()
        .map(|row| {
            // Ids rise with time, and so do dates: year, then month or quarter.
            let late = match (&row[4][..4], &row[4][5..]) {
                ("2024", _) => false,
                ("2025", rest) => rest == "Q4" || (!rest.starts_with('Q') && &rest[..2] >= "10"),
                _ => true,
            };
            (row[0].clone(), (row[2] == drift.clinic_id, late))
        })
        .collect();
    let mut moved = 0;
    for (a, b) in with.rows("responses").iter().zip(without.rows("responses")) {
        assert_eq!(a[..7], b[..7]);
        let fall: f64 = b[7].parse::<f64>().unwrap() - a[7].parse::<f64>().unwrap();
        if place[&a[0]] == (true, true) {
            // Less only where the invented greatest output of an aid caps both.
            assert!((-0.01..2.61).contains(&fall), "{a:?} {fall}");
            moved += usize::from(fall > 2.39);
        } else {
            assert!(fall.abs() < 1e-9, "{a:?} {b:?}");
        }
    }
    assert!(moved > 2_000, "{moved}");
    let clinic = with
        .truth
        .clinics
        .iter()
        .find(|c| c.clinic_id == drift.clinic_id)
        .unwrap();
    let before = clinic.mean_rms_db_before_drift_from.unwrap();
    assert!(clinic.mean_rms_db_since_drift_from.unwrap() > before + 0.3);
}
