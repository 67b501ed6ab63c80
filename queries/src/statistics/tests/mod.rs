//! Tests of the statistics against published values, general-purpose libraries and known invariants.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "tests"
)]

mod balance;
mod categorical;
mod charts;
mod cluster_shares;
mod clustering;
mod decomposition;
mod missing;
mod mixed;
mod not_estimable;
mod permutation;
mod properties;
mod published;
mod reference;
mod regression;
mod resampling;

/// The tables in `tests/reference/data`, each with its source in its first lines.
const TABLES: [(&str, &str); 10] = [
    (
        "dyestuff",
        include_str!("../../../../tests/reference/data/dyestuff.csv"),
    ),
    (
        "dyestuff2",
        include_str!("../../../../tests/reference/data/dyestuff2.csv"),
    ),
    (
        "gears",
        include_str!("../../../../tests/reference/data/gears.csv"),
    ),
    (
        "lew",
        include_str!("../../../../tests/reference/data/lew.csv"),
    ),
    (
        "mavro",
        include_str!("../../../../tests/reference/data/mavro.csv"),
    ),
    (
        "michelso",
        include_str!("../../../../tests/reference/data/michelso.csv"),
    ),
    (
        "pairs",
        include_str!("../../../../tests/reference/data/pairs.csv"),
    ),
    (
        "rail",
        include_str!("../../../../tests/reference/data/rail.csv"),
    ),
    (
        "surgical",
        include_str!("../../../../tests/reference/data/surgical.csv"),
    ),
    (
        "unbalanced",
        include_str!("../../../../tests/reference/data/unbalanced.csv"),
    ),
];

/// The rows of one table, comments left out.
fn table(name: &str) -> Vec<Vec<&'static str>> {
    let (_, text) = TABLES
        .iter()
        .find(|(known, _)| *known == name)
        .expect("a known table");
    text.lines()
        .filter(|line| !line.starts_with('#'))
        .map(|line| line.split(',').collect())
        .collect()
}

/// One column of one table as numbers.
fn column(name: &str, index: usize) -> Vec<f64> {
    table(name)
        .iter()
        .map(|row| row[index].parse().unwrap())
        .collect()
}

/// A two-column table of label and value, as (label, values) in order of appearance.
fn labelled(name: &str) -> Vec<(&'static str, Vec<f64>)> {
    let mut groups: Vec<(&str, Vec<f64>)> = Vec::new();
    for row in table(name) {
        let value = row[1].parse().unwrap();
        match groups.last_mut() {
            Some((label, values)) if *label == row[0] => values.push(value),
            _ => groups.push((row[0], vec![value])),
        }
    }
    groups
}

/// Cluster, x and y of one example in `pairs.csv`.
fn pairs(case: &str) -> (Vec<u32>, Vec<f64>, Vec<f64>) {
    let rows: Vec<_> = table("pairs")
        .into_iter()
        .filter(|row| row[0] == case)
        .collect();
    assert!(!rows.is_empty(), "{case}");
    (
        rows.iter().map(|row| row[1].parse().unwrap()).collect(),
        rows.iter().map(|row| row[2].parse().unwrap()).collect(),
        rows.iter().map(|row| row[3].parse().unwrap()).collect(),
    )
}

/// Group sums for the random intercept.
fn groups(name: &str) -> Vec<super::random_intercept::Group> {
    labelled(name)
        .iter()
        .map(|(_, values)| {
            let mean = values.iter().sum::<f64>() / values.len() as f64;
            let ss = values.iter().map(|value| (value - mean).powi(2)).sum();
            super::random_intercept::Group {
                n: values.len() as u64,
                mean,
                ss,
            }
        })
        .collect()
}

/// Asserts equality up to a relative tolerance, absolute below 1.
#[track_caller]
fn close(got: f64, wanted: f64, tolerance: f64) {
    assert!(
        (got - wanted).abs() <= tolerance * wanted.abs().max(1.0),
        "got {got:?}, wanted {wanted:?}"
    );
}

/// The number of correct digits, as NIST counts them: minus the decimal logarithm of the relative error.
fn correct_digits(got: f64, certified: f64) -> f64 {
    if got == certified {
        17.0
    } else {
        -((got - certified) / certified).abs().log10()
    }
}
