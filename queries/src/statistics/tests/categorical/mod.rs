//! Tests of the logistic and proportional-odds regressions and of the weights for non-response.

mod inference;
mod properties;
mod refusals;
mod response;
mod separation;
mod values;

use super::super::random::{below, stream};

const HOUSING: &str = include_str!("../../../../../tests/reference/data/housing.csv");
const SPECTOR: &str = include_str!("../../../../../tests/reference/data/spector.csv");
const BIRTHWT: &str = include_str!("../../../../../tests/reference/data/birthwt.csv");
const ORDINAL: &str = include_str!("../../../../../tests/reference/data/ordinal.csv");
const OVERLAP: &str = include_str!("../../../../../tests/reference/data/overlap.csv");
const REFERENCE: &str = include_str!("../../../../../tests/reference/categorical.csv");

/// The columns of a table, comments left out.
fn columns(text: &str) -> Vec<Vec<f64>> {
    let rows: Vec<Vec<f64>> = text
        .lines()
        .filter(|line| !line.starts_with('#'))
        .map(|line| {
            line.split(',')
                .map(|field| field.parse().unwrap())
                .collect()
        })
        .collect();
    (0..rows[0].len())
        .map(|k| rows.iter().map(|row| row[k]).collect())
        .collect()
}

/// 1 where the code is the level.
fn dummy(codes: &[f64], level: f64) -> Vec<f64> {
    codes.iter().map(|code| f64::from(*code == level)).collect()
}

fn slices(columns: &[Vec<f64>]) -> Vec<&[f64]> {
    columns.iter().map(Vec::as_slice).collect()
}

fn is_one(column: &[f64]) -> Vec<bool> {
    column.iter().map(|value| *value == 1.0).collect()
}

/// Score, covariates and counts of the housing table: influence, type and contact as dummies, as published.
fn housing() -> (Vec<f64>, Vec<Vec<f64>>, Vec<f64>) {
    let table = columns(HOUSING);
    let covariates = vec![
        dummy(&table[1], 1.0),
        dummy(&table[1], 2.0),
        dummy(&table[2], 1.0),
        dummy(&table[2], 2.0),
        dummy(&table[2], 3.0),
        table[3].clone(),
    ];
    (table[0].clone(), covariates, table[4].clone())
}

/// The births: low weight, and the covariates with race as dummies.
fn births() -> (Vec<bool>, Vec<Vec<f64>>) {
    let mut table = columns(BIRTHWT);
    // The last column is the weight itself, from which the outcome is made.
    table.truncate(9);
    let race = table.remove(3);
    table.splice(3..3, [dummy(&race, 2.0), dummy(&race, 3.0)]);
    let low = table.remove(0);
    (is_one(&low), table)
}

/// Each row as often as it is counted.
fn repeated(values: &[f64], counts: &[f64]) -> Vec<f64> {
    values
        .iter()
        .zip(counts)
        .flat_map(|(value, count)| std::iter::repeat_n(*value, *count as usize))
        .collect()
}

/// Made-up rows with real effects, in clusters that differ.
struct MadeUp {
    score: Vec<f64>,
    columns: Vec<Vec<f64>>,
    cluster: Vec<u32>,
}

impl MadeUp {
    fn new(n: usize, covariates: usize, categories: u32, seed: u64) -> Self {
        let mut rng = stream(seed, "made-up ordered scores", 0);
        let mut draw = move || (f64::from(below(&mut rng, 1 << 24)) + 0.5) / f64::from(1 << 24);
        let groups = (n / 20).max(2);
        let shifts: Vec<f64> = (0..groups).map(|_| draw() - 0.5).collect();
        let columns: Vec<Vec<f64>> = (0..covariates)
            .map(|_| (0..n).map(|_| 4.0 * (draw() + draw() - 1.0)).collect())
            .collect();
        let cluster: Vec<u32> = (0..n).map(|_| (draw() * groups as f64) as u32).collect();
        let score = (0..n)
            .map(|row| {
                let chance = draw();
                let eta: f64 = columns
                    .iter()
                    .enumerate()
                    .map(|(k, column)| column[row] * (0.6 - 0.25 * k as f64))
                    .sum::<f64>()
                    + shifts[cluster[row] as usize]
                    + (chance / (1.0 - chance)).ln();
                (0..categories - 1)
                    .filter(|cut| eta > f64::from(*cut) - 0.5 * f64::from(categories - 2))
                    .count() as f64
            })
            .collect();
        Self {
            score,
            columns,
            cluster,
        }
    }
}
