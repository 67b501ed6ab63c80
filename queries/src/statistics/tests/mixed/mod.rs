//! Tests of the random intercept with covariates.

mod properties;
mod published;
mod reference;
mod refusals;

use super::super::mixed::{Criterion, Mixed, Sums, fit, gather};
use super::super::random::{below, stream};

/// The tables with covariates in `tests/reference/data`.
const TABLES: [(&str, &str); 3] = [
    (
        "ergostool",
        include_str!("../../../../../tests/reference/data/ergostool.csv"),
    ),
    (
        "sleepstudy",
        include_str!("../../../../../tests/reference/data/sleepstudy.csv"),
    ),
    (
        "two_covariates",
        include_str!("../../../../../tests/reference/data/two_covariates.csv"),
    ),
];

/// One data set by rows.
#[derive(Clone, Default)]
struct Rows {
    y: Vec<f64>,
    columns: Vec<Vec<f64>>,
    group: Vec<u32>,
}

impl Rows {
    fn sums(&self) -> Sums {
        let columns: Vec<&[f64]> = self.columns.iter().map(Vec::as_slice).collect();
        gather(&self.y, &columns, &self.group).unwrap()
    }

    fn fit(&self, criterion: Criterion) -> Mixed {
        fit(&self.sums(), criterion).unwrap()
    }

    /// The rows at these places, in this order.
    fn at(&self, places: &[usize]) -> Self {
        let pick = |values: &[f64]| places.iter().map(|&row| values[row]).collect();
        Self {
            y: pick(&self.y),
            columns: self.columns.iter().map(|column| pick(column)).collect(),
            group: places.iter().map(|&row| self.group[row]).collect(),
        }
    }
}

/// The rows of one table, comments left out.
fn table(name: &str) -> Vec<Vec<&'static str>> {
    let known = TABLES.iter().find(|(known, _)| *known == name);
    let Some((_, text)) = known else {
        return super::table(name);
    };
    text.lines()
        .filter(|line| !line.starts_with('#'))
        .map(|line| line.split(',').collect())
        .collect()
}

/// A case of the reference: labels of groups in order of appearance, and rows whose groups are numbered by them.
fn case(name: &str) -> (Vec<&'static str>, Rows) {
    let (file, value) = match name {
        "sleepstudy unbalanced" => ("sleepstudy", 2),
        "two covariates" => ("two_covariates", 3),
        "two covariates flat" => ("two_covariates", 4),
        "ergostool" | "sleepstudy" => (name, 2),
        _ => (name, 1),
    };
    let mut labels: Vec<&str> = Vec::new();
    let mut rows = Rows::default();
    for row in table(file) {
        let place = labels.iter().position(|label| *label == row[0]);
        let place = place.unwrap_or_else(|| {
            labels.push(row[0]);
            labels.len() - 1
        });
        // The days that each subject leaves out in the unbalanced cut, as in `mixed.py`.
        let left_out = [
            &["2", "5", "8"][..],
            &["0", "3", "6"],
            &["1", "4", "7", "9"],
        ][place % 3];
        if name == "sleepstudy unbalanced" && left_out.contains(&row[1]) {
            continue;
        }
        let covariates: Vec<f64> = match file {
            "ergostool" => ["T2", "T3", "T4"]
                .map(|kind| f64::from(u8::from(row[1] == kind)))
                .to_vec(),
            _ => row[1..]
                .iter()
                .take(value.min(3) - 1)
                .map(|text| text.parse().unwrap())
                .collect(),
        };
        rows.columns.resize(covariates.len(), Vec::new());
        for (column, covariate) in rows.columns.iter_mut().zip(covariates) {
            column.push(covariate);
        }
        rows.y.push(row[value].parse().unwrap());
        rows.group.push(place as u32);
    }
    (labels, rows)
}

/// A number spread evenly over -1..1.
fn uniform(rng: &mut impl rand::Rng) -> f64 {
    f64::from(below(rng, 2_000_001)) / 1e6 - 1.0
}

/// Random rows: `groups` groups of 1 to 9, a covariate that varies within and between groups, one constant within, one
/// that varies within only a little; an outcome with variance `between`.
fn random_rows(seed: u64, groups: u32, between: f64) -> Rows {
    let mut rng = stream(seed, "mixed rows", 0);
    let mut rows = Rows {
        columns: vec![Vec::new(); 3],
        ..Rows::default()
    };
    for group in 0..groups {
        let (level, shift, fixed) = (
            3f64.sqrt() * between.sqrt() * uniform(&mut rng),
            2.0 * uniform(&mut rng),
            30.0 + 9.0 * uniform(&mut rng),
        );
        let size = 1 + below(&mut rng, 9) + u32::from(group == 0);
        for _ in 0..size {
            let x = [
                5.0 + shift + 2.0 * uniform(&mut rng),
                fixed,
                100.0 + 5.0 * shift + uniform(&mut rng),
            ];
            for (column, x) in rows.columns.iter_mut().zip(x) {
                column.push(x);
            }
            rows.y.push(
                40.0 + 1.5 * x[0] - 0.4 * x[1] + 0.2 * x[2] + level + 3.0 * uniform(&mut rng),
            );
            rows.group.push(group);
        }
    }
    rows
}

/// The places 0..n in random order.
fn shuffled(seed: u64, n: usize) -> Vec<usize> {
    let mut rng = stream(seed, "mixed order", 0);
    let mut places: Vec<usize> = (0..n).collect();
    for last in (1..n).rev() {
        places.swap(last, below(&mut rng, last as u32 + 1) as usize);
    }
    places
}
