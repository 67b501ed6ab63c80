//! What is refused, and that nothing is written then.

use std::fs;

use fitcohort_synthetic_data::{Effects, Scenario, SynthesisError, cohort, write_delivery};

#[test]
fn a_folder_with_something_in_it_is_refused_and_left_alone() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("mine.txt"), "mine").unwrap();
    let refused = write_delivery(&Scenario::demo(5, 1), folder.path(), &|_| {});
    assert!(matches!(
        refused,
        Err(SynthesisError::FolderNotEmpty { .. })
    ));
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
}

#[test]
fn a_file_in_the_place_of_the_folder_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("delivery");
    fs::write(&file, "").unwrap();
    let refused = write_delivery(&Scenario::demo(5, 1), &file, &|_| {}).unwrap_err();
    assert!(matches!(&refused, SynthesisError::Io { path, .. } if *path == file));
    assert!(refused.to_string().contains("delivery"));
}

#[test]
fn settings_without_meaning_are_named() {
    let demo = Scenario::demo(50, 1);
    let effects = Effects::default();
    let with_effects = |effects| Scenario {
        effects,
        ..demo.clone()
    };
    let cases = [
        (
            "fittings",
            Scenario {
                fittings: 0,
                ..demo.clone()
            },
        ),
        (
            "clinics",
            Scenario {
                clinics: 0,
                ..demo.clone()
            },
        ),
        (
            "clinicians",
            Scenario {
                clinicians: 1,
                ..demo.clone()
            },
        ),
        (
            "quarters",
            Scenario {
                quarters: 0,
                ..demo.clone()
            },
        ),
        (
            "first_quarter",
            Scenario {
                first_quarter: (2024, 5),
                ..demo.clone()
            },
        ),
        (
            "planted_errors",
            Scenario {
                planted_errors: f64::NAN,
                ..demo.clone()
            },
        ),
        (
            "match_per_db",
            with_effects(Effects {
                match_per_db: f64::INFINITY,
                ..effects
            }),
        ),
        (
            "clinician_sd",
            with_effects(Effects {
                clinician_sd: -1.0,
                ..effects
            }),
        ),
        (
            "nonresponse_match",
            with_effects(Effects {
                nonresponse_match: 5.1,
                ..effects
            }),
        ),
        (
            "nonresponse_experience",
            with_effects(Effects {
                nonresponse_experience: f64::NAN,
                ..effects
            }),
        ),
        (
            "clinician_confounding",
            with_effects(Effects {
                clinician_confounding: -1.01,
                ..effects
            }),
        ),
        (
            "drift_db",
            with_effects(Effects {
                drift_db: 99.0,
                ..effects
            }),
        ),
    ];
    for (wanted, scenario) in cases {
        let folder = tempfile::tempdir().unwrap();
        let target = folder.path().join("new");
        match write_delivery(&scenario, &target, &|_| {}) {
            Err(SynthesisError::Parameter { name, .. }) => assert_eq!(name, wanted),
            other => panic!("{wanted}: {other:?}"),
        }
        assert!(!target.exists(), "{wanted}");
        match cohort(&scenario) {
            Err(SynthesisError::Parameter { name, .. }) => assert_eq!(name, wanted),
            other => panic!("{wanted}: {other:?}"),
        }
    }
}

/// The least that may be asked for, in the least and in an odd number of quarters.
#[test]
fn smallest_scenarios_are_written() {
    for (fittings, quarters) in [(1, 1), (1, 8), (3, 40), (17, 3)] {
        let scenario = Scenario {
            quarters,
            clinics: 1,
            clinicians: 1,
            ..Scenario::demo(fittings, 9)
        };
        let folder = tempfile::tempdir().unwrap();
        let truth = write_delivery(&scenario, folder.path(), &|_| {}).unwrap();
        assert_eq!(truth.realised.fittings, fittings);
        assert_eq!(truth.tables[0].rows_good, fittings + truth.extra_fittings);
    }
}
