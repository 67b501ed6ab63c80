//! Least squares, errors robust to clusters, analysis of variance and raters: against published values and
//! general-purpose libraries.

mod certified;
mod certified_sets;
mod clusters;
mod properties;
mod refusals;
mod values;

/// The tables of this family, each with its source in its first lines.
const TABLES: [(&str, &str); 7] = [
    (
        "clustered",
        include_str!("../../../../../tests/reference/data/clustered.csv"),
    ),
    (
        "filip",
        include_str!("../../../../../tests/reference/data/filip.csv"),
    ),
    (
        "longley",
        include_str!("../../../../../tests/reference/data/longley.csv"),
    ),
    (
        "norris",
        include_str!("../../../../../tests/reference/data/norris.csv"),
    ),
    (
        "shrout_fleiss",
        include_str!("../../../../../tests/reference/data/shrout_fleiss.csv"),
    ),
    (
        "sirstv",
        include_str!("../../../../../tests/reference/data/sirstv.csv"),
    ),
    (
        "sleepstudy",
        include_str!("../../../../../tests/reference/data/sleepstudy_part.csv"),
    ),
];

/// The columns of a table as numbers.
fn columns(name: &str) -> Vec<Vec<f64>> {
    let (_, text) = TABLES
        .iter()
        .find(|(known, _)| *known == name)
        .expect("a known table");
    let mut columns: Vec<Vec<f64>> = Vec::new();
    for line in text.lines().filter(|line| !line.starts_with('#')) {
        for (index, field) in line.split(',').enumerate() {
            if columns.len() <= index {
                columns.push(Vec::new());
            }
            columns[index].push(field.parse().unwrap());
        }
    }
    columns
}

/// Values in the second column by the label in the first.
fn groups(name: &str) -> Vec<Vec<f64>> {
    let columns = columns(name);
    let mut groups: Vec<Vec<f64>> = Vec::new();
    for (row, value) in columns[1].iter().enumerate() {
        if row == 0 || columns[0][row] != columns[0][row - 1] {
            groups.push(Vec::new());
        }
        groups.last_mut().unwrap().push(*value);
    }
    groups
}

/// Slices over vectors, as the functions take them.
fn slices(columns: &[Vec<f64>]) -> Vec<&[f64]> {
    columns.iter().map(Vec::as_slice).collect()
}

/// Cluster labels, covariates and outcome of the made-up clustered rows, or of the sleep study.
fn clustered(name: &str) -> (Vec<u32>, Vec<Vec<f64>>, Vec<f64>) {
    let mut columns = columns(name);
    let y = columns.pop().unwrap();
    let labels = columns
        .remove(0)
        .iter()
        .map(|label| *label as u32)
        .collect();
    (labels, columns, y)
}
