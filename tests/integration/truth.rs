//! What was planted is found again: to the row where it was counted, within its interval where it was drawn.

use fitcohort_synthetic_data::{Scenario, Truth, write_delivery};

use crate::workspace::{Rows, Workspace};

fn cohort(scenario: &Scenario) -> (Workspace, Truth) {
    let workspace = Workspace::new();
    let truth = write_delivery(scenario, &workspace.path("d"), &|_| {}).expect("a delivery");
    workspace.write("plan.toml", "permutations = 199\nresamples = 200\n");
    workspace.ok(&["ingest", "d", "--into", "c"]);
    (workspace, truth)
}

#[test]
fn every_planted_row_is_accounted_for() {
    for (fittings, seed) in [(40, 3), (600, 4)] {
        let workspace = Workspace::new();
        let truth = write_delivery(
            &Scenario::demo(fittings, seed),
            &workspace.path("d"),
            &|_| {},
        )
        .expect("a delivery");
        let json = workspace
            .ok(&["ingest", "d", "--into", "c", "--json"])
            .json();
        for table in &truth.tables {
            let found = &json["tables"][&table.table];
            let count = |name: &str| {
                found[name]
                    .as_u64()
                    .unwrap_or_else(|| panic!("{name} in {json:#}"))
            };
            assert_eq!(count("rows_read"), table.rows_written, "{}", table.table);
            assert_eq!(count("rows_stored"), table.rows_good, "{}", table.table);
            assert_eq!(
                count("rows_set_aside"),
                table.rows_set_aside,
                "{}",
                table.table
            );
            assert_eq!(
                count("exact_repeats"),
                table.exact_repeats,
                "{}",
                table.table
            );
        }
        let mut planted: Vec<(String, String, u64)> = truth
            .set_aside
            .iter()
            .map(|entry| {
                (
                    entry.table.clone(),
                    entry.rule.clone(),
                    entry.rows_set_aside,
                )
            })
            .collect();
        let mut found: Vec<(String, String, u64)> = json["set_aside"]
            .as_array()
            .expect("a list")
            .iter()
            .map(|entry| {
                let text = |name: &str| entry[name].as_str().expect("text").to_owned();
                (
                    text("table"),
                    text("rule"),
                    entry["rows"].as_u64().expect("count"),
                )
            })
            .collect();
        planted.sort();
        found.sort();
        assert_eq!(planted, found);
        // The account in the store is the same, and it closes.
        let quality = workspace.query(&["quality", "c"]);
        for table in &truth.tables {
            let row = quality.find(&[("table_name", &table.table), ("rule", "")]);
            let sum = quality.real(row, "rows_stored")
                + quality.real(row, "rows_set_aside")
                + quality.real(row, "exact_repeats");
            assert!((quality.real(row, "rows_read") - sum).abs() < 0.5);
        }
    }
}

/// The mean deviation of each clinician's headline curves, from the query and from the truth, which counted them while
/// they were invented.
#[test]
fn signatures_of_clinicians_are_the_truth() {
    let (workspace, truth) = cohort(&Scenario::demo(400, 11));
    let rows = workspace.query(&["match", "c", "--by", "clinician_id"]);
    let mut compared = 0;
    for clinician in &truth.clinicians {
        for (frequency, mean) in &clinician.mean_deviation_db {
            let (mut total, mut n) = (0.0, 0.0);
            for row in 0..rows.rows.len() {
                let at = |column: &str| rows.get(row, column);
                if at("clinician_id") == clinician.clinician_id
                    && at("stage") == "final"
                    && at("input_band") == "average"
                    && at("frequency_hz") == frequency.to_string()
                {
                    total += rows.real(row, "mean") * rows.real(row, "n_ears");
                    n += rows.real(row, "n_ears");
                }
            }
            assert!(n > 0.0, "{} at {frequency}", clinician.clinician_id);
            assert!(
                (total / n - mean).abs() < 0.006,
                "{} at {frequency} Hz: {} against {mean}",
                clinician.clinician_id,
                total / n
            );
            compared += 1;
        }
    }
    assert!(compared > 20);
}

fn spearman(rows: &Rows) -> (f64, f64, f64, f64) {
    let row = rows.find(&[("method", "spearman"), ("weighted", "false")]);
    (
        rows.real(row, "estimate"),
        rows.real(row, "lo"),
        rows.real(row, "hi"),
        rows.real(row, "p"),
    )
}

/// Over 20 seeds the correlation in everybody, before anybody fails to answer, lies within the 95 % interval from those
/// who answered. Fewer than 17 of 20 would happen by chance less than three times in a thousand.
#[test]
fn the_planted_association_lies_in_its_interval_over_twenty_seeds() {
    let mut covered = 0;
    let mut negative = 0;
    for seed in 1..=20 {
        let (workspace, truth) = cohort(&Scenario::demo(700, 1000 + seed));
        let rows = workspace.query(&["association", "c", "--plan", "plan.toml"]);
        let (estimate, lo, hi, _) = spearman(&rows);
        let planted = truth.realised.spearman_rms_satisfaction.expect("known");
        covered += u32::from(lo <= planted && planted <= hi);
        negative += u32::from(estimate < 0.0);
    }
    assert!(
        covered >= 17,
        "{covered} of 20 intervals hold the planted correlation"
    );
    assert!(
        negative >= 17,
        "{negative} of 20 estimates have the planted sign"
    );
}

/// With no effect planted the permutation test within clinicians finds one in about 5 % of seeds: at most 4 of 20 (more
/// would happen by chance less than three times in a thousand).
#[test]
fn no_effect_is_found_where_none_was_planted() {
    let mut found = 0;
    for seed in 1..=20 {
        let mut scenario = Scenario::demo(300, 2000 + seed);
        scenario.effects.match_per_db = 0.0;
        let (workspace, _) = cohort(&scenario);
        let rows = workspace.query(&["association", "c", "--plan", "plan.toml"]);
        found += u32::from(spearman(&rows).3 < 0.05);
    }
    assert!(found <= 4, "{found} of 20");
}

/// The clinic whose matches were made to fall from the fifth quarter on stands out from the others in the last one.
#[test]
fn the_planted_drift_shows_in_its_clinic() {
    let (workspace, truth) = cohort(&Scenario::demo(1500, 5));
    let drift = truth.drift.as_ref().expect("planted");
    let mean_rms = |from: &str, to: &str| -> f64 {
        let filter = format!("clinic_id={}", drift.clinic_id);
        let rows = workspace.query(&[
            "curves", "c", "--where", &filter, "--from", from, "--to", to,
        ]);
        let (mut total, mut n) = (0.0, 0.0);
        for row in 0..rows.rows.len() {
            if rows.get(row, "stage") == "final" && rows.get(row, "input_band") == "average" {
                total += rows.real(row, "rms_mean") * rows.real(row, "n_complete");
                n += rows.real(row, "n_complete");
            }
        }
        total / n
    };
    let before = mean_rms("2024-Q4", "2025-Q3");
    let after = mean_rms(&drift.from_quarter, "2026-Q3");
    assert!(after > before + 0.3, "{before} then {after}");
}
