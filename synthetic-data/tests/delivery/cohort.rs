//! The records in memory against the delivery of the same scenario, and the effects that show best in them.

use std::collections::BTreeMap;

use fitcohort_synthetic_data::{Effects, Record, Scenario, cohort};

use crate::effects::logistic;
use crate::support::{Delivery, clean};

/// Scenario of 12,000 fittings with nothing planted but `effects` says so.
fn records(effects: Effects) -> Vec<Record> {
    cohort(&Scenario {
        effects,
        ..clean(12_000, 31)
    })
    .unwrap()
}

fn nothing_planted() -> Effects {
    Effects {
        match_per_db: 0.0,
        two_ears: 0.0,
        experience: 0.0,
        clinician_sd: 0.0,
        nonresponse: 0.0,
        ..Effects::default()
    }
}

/// Every fact that a delivery tells, read from the files by the tests' own reader.
#[test]
fn records_are_those_of_the_delivery() {
    let scenario = Scenario::demo(900, 30);
    let delivery = Delivery::of(&Scenario {
        planted_errors: 0.0,
        ..scenario.clone()
    });
    let records = cohort(&scenario).unwrap();
    let fittings = delivery.rows("fittings");
    assert_eq!(records.len(), fittings.len());
    let rms = delivery.rms_by_fitting();
    let satisfaction = delivery.satisfaction();
    let mut ears: BTreeMap<String, u8> = BTreeMap::new();
    for row in delivery.rows("ears") {
        *ears.entry(row[0].clone()).or_default() += u8::from(row[2] == "true");
    }
    let answered: std::collections::BTreeSet<String> = delivery
        .rows("outcomes")
        .into_iter()
        .filter(|row| row[1] == "ioi-ha")
        .map(|row| row[0].clone())
        .collect();
    for (record, row) in records.iter().zip(&fittings) {
        let id = &row[0];
        assert_eq!(*id, format!("F{:08}", record.number + 1));
        assert_eq!(row[1], format!("P{:08}", record.patient + 1));
        assert_eq!(row[2], format!("clinic-{:02}", record.clinic + 1));
        assert_eq!(row[3], format!("clinician-{:02}", record.clinician + 1));
        let age = record.age_years.map(|age| age.to_string());
        assert_eq!(row[5], age.unwrap_or_default());
        let experience = match (record.experience_known, record.experienced) {
            (false, _) => "",
            (true, true) => "experienced",
            (true, false) => "new",
        };
        assert_eq!(row[6], experience, "{id}");
        assert_eq!(ears[id], record.ears_fitted, "{id}");
        assert_eq!(rms.contains_key(id), record.rms_delivered, "{id}");
        if let Some(rms) = rms.get(id) {
            assert!((rms - record.rms_db).abs() < 1e-9, "{id}");
        }
        let delivered = record.satisfaction_delivered.then_some(record.satisfaction);
        assert_eq!(satisfaction.get(id).copied(), delivered, "{id}");
        assert_eq!(answered.contains(id), record.answered, "{id}");
        if !row[9].is_empty() {
            assert_eq!(row[9], record.returned.to_string(), "{id}");
        }
    }
    let realised = &delivery.truth.realised;
    let count = |wanted: fn(&Record) -> bool| records.iter().filter(|r| wanted(r)).count() as u64;
    assert_eq!(count(|r| r.candidate), realised.candidates);
    assert_eq!(
        count(|r| r.candidate),
        count(|r| r.better_ear_db.is_some_and(|db| db >= 20.0))
    );
    assert_eq!(count(|r| r.verified) as f64 / 900.0, realised.verified);
    assert_eq!(count(|r| r.returned) as f64 / 900.0, realised.returned);
    for score in 1..=5 {
        let with = records.iter().filter(|r| r.satisfaction == score).count() as u64;
        assert_eq!(with, realised.satisfaction_counts[usize::from(score) - 1]);
    }
}

/// Log-odds of answering for each decibel and for experience are the planted ones within four standard errors (of the
/// logistic slope, and of a log odds ratio, Woolf 1955, from memory). RMS and experience are drawn apart, so each
/// alone is right but for the flattening that a second predictor left out brings, which is far below the error
/// here.
#[test]
fn answering_depends_on_match_and_experience_as_planted() {
    for (by_match, by_experience) in [(0.0, 0.0), (-0.3, 0.0), (0.0, 0.6), (0.2, -0.4)] {
        let records = records(Effects {
            nonresponse_match: by_match,
            nonresponse_experience: by_experience,
            ..nothing_planted()
        });
        let rms: Vec<(f64, bool)> = records.iter().map(|r| (r.rms_db, r.answered)).collect();
        let (slope, error) = logistic(&rms);
        assert!((slope - by_match).abs() < 4.0 * error, "{slope} {by_match}");
        let experience: Vec<(f64, bool)> = records
            .iter()
            .map(|r| (f64::from(u8::from(r.experienced)), r.answered))
            .collect();
        let (slope, error) = logistic(&experience);
        assert!(
            (slope - by_experience).abs() < 4.0 * error,
            "{slope} {by_experience}"
        );
        // Where satisfaction has no part in it, answering says nothing of it.
        let satisfaction: Vec<(f64, bool)> = records
            .iter()
            .map(|r| (f64::from(r.satisfaction), r.answered))
            .collect();
        let (slope, error) = logistic(&satisfaction);
        assert!(slope.abs() < 4.0 * error, "{slope}");
    }
}

/// The new effects change who answers and nothing that comes before.
#[test]
fn answering_leaves_everything_before_it_as_it_is() {
    let bare = records(nothing_planted());
    let moved = records(Effects {
        nonresponse_match: 0.5,
        nonresponse_experience: 0.5,
        ..nothing_planted()
    });
    let without = |record: &Record| Record {
        answered: false,
        satisfaction_delivered: false,
        ..*record
    };
    assert!(bare.iter().map(without).eq(moved.iter().map(without)));
    assert_ne!(bare, moved);
}

/// Spearman's rho on the true scores: without an effect of match, but with clinicians whose effects go with their
/// match, rho leaves zero to the planted side by more than eight of the standard errors, 1 / sqrt(n - 1), that
/// independent pairs would have.
#[test]
fn confounding_by_clinicians_looks_like_an_effect_of_match() {
    let rho = |clinician_confounding: f64| {
        let scenario = Scenario {
            clinicians: 300,
            effects: Effects {
                clinician_sd: 1.0,
                clinician_confounding,
                drift_db: 0.0,
                ..nothing_planted()
            },
            ..clean(12_000, 33)
        };
        Delivery::of(&scenario)
            .truth
            .realised
            .spearman_rms_satisfaction
            .unwrap()
    };
    let error = 12_000_f64.sqrt().recip();
    assert!(rho(-0.9) < -8.0 * error, "{}", rho(-0.9));
    assert!(rho(0.9) > 8.0 * error, "{}", rho(0.9));
}

/// A truth written before these effects were known reads as one without them, and theirs are written only where
/// they are planted.
#[test]
fn an_older_truth_reads_and_a_newer_one_names_what_is_planted() {
    let old = serde_json::to_string(&Effects::default()).unwrap();
    assert!(!old.contains("confounding") && !old.contains("nonresponse_"));
    let read: Effects = serde_json::from_str(&old).unwrap();
    assert_eq!(read, Effects::default());
    let planted = Effects {
        nonresponse_match: -0.2,
        nonresponse_experience: 0.3,
        clinician_confounding: -0.5,
        ..Effects::default()
    };
    let written = serde_json::to_string(&planted).unwrap();
    assert!(written.contains("\"clinician_confounding\":-0.5"));
    assert_eq!(serde_json::from_str::<Effects>(&written).unwrap(), planted);
}
