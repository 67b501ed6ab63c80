//! Planted rows are all there, each breaks the one rule it is said to break, and nothing else does.

use std::collections::{BTreeMap, BTreeSet};

use fitcohort_synthetic_data::Scenario;

use crate::judge::judge;
use crate::support::{Delivery, clean};

fn agree(delivery: &Delivery) {
    let verdict = judge(delivery);
    assert_eq!(verdict.doubly_bad, Vec::<Vec<String>>::new());
    let told: BTreeMap<(String, String), u64> = delivery
        .truth
        .set_aside
        .iter()
        .map(|entry| {
            (
                (entry.table.clone(), entry.rule.clone()),
                entry.rows_set_aside,
            )
        })
        .collect();
    assert_eq!(verdict.set_aside, told);
    for table in &delivery.truth.tables {
        let count = |of: &BTreeMap<String, u64>| of.get(&table.table).copied().unwrap_or(0);
        assert_eq!(
            count(&verdict.repeats),
            table.exact_repeats,
            "{}",
            table.table
        );
        assert_eq!(count(&verdict.stored), table.rows_good, "{}", table.table);
        let read = delivery.rows(&table.table).len() as u64;
        assert_eq!(read, table.rows_written, "{}", table.table);
        assert_eq!(
            read,
            table.rows_good + table.rows_set_aside + table.exact_repeats,
            "{}",
            table.table
        );
    }
    // Two bad rows alike could be taken for one that is repeated.
    let distinct: BTreeSet<&Vec<String>> = verdict.bad.iter().collect();
    assert_eq!(distinct.len(), verdict.bad.len());
}

#[test]
fn counts_agree_with_the_truth() {
    for (fittings, seed) in [(40, 1), (40, 2), (1_500, 3)] {
        agree(&Delivery::of(&Scenario::demo(fittings, seed)));
    }
}

/// Many bad rows for few fittings: every spelling of every rule comes up.
#[test]
fn counts_agree_where_bad_rows_are_dense() {
    agree(&Delivery::of(&Scenario {
        planted_errors: 0.05,
        ..Scenario::demo(600, 4)
    }));
}

/// The rules that a single row can break, by the published list; those on whole files are for other tests.
#[test]
fn even_a_small_delivery_has_every_rule() {
    let delivery = Delivery::of(&Scenario::demo(40, 7));
    let rules: BTreeSet<&str> = delivery
        .truth
        .set_aside
        .iter()
        .map(|e| e.rule.as_str())
        .collect();
    for rule in [
        "field-count",
        "required",
        "identifier-shape",
        "not-a-date",
        "not-a-number",
        "not-whole",
        "out-of-range",
        "unknown-word",
        "label-shape",
        "frequency-not-kept",
        "unknown-instrument",
        "unknown-item",
        "orphan",
        "orphan-ear",
        "target-without-prescription",
        "contradiction",
    ] {
        assert!(rules.contains(rule), "{rule}");
    }
    assert!(
        delivery
            .truth
            .tables
            .iter()
            .all(|table| table.exact_repeats > 0)
    );
}

#[test]
fn without_planted_errors_every_row_is_good() {
    let delivery = Delivery::of(&clean(800, 5));
    agree(&delivery);
    assert!(delivery.truth.set_aside.is_empty());
    assert_eq!(delivery.truth.extra_fittings, 0);
}

/// Planting changes no good row: all rows of the clean delivery are in the other.
#[test]
fn planting_leaves_good_rows_as_they_are() {
    let spoiled = Delivery::of(&Scenario::demo(300, 6));
    let good = Delivery::of(&clean(300, 6));
    for table in ["fittings", "ears", "responses", "outcomes"] {
        let all: BTreeSet<Vec<String>> = spoiled.rows(table).into_iter().collect();
        assert!(
            good.rows(table).iter().all(|row| all.contains(row)),
            "{table}"
        );
    }
    assert_eq!(spoiled.truth.realised, good.truth.realised);
}
