//! The models and replicates of `fitcohort_queries::statistics` over rows of `model_data.py`, for `run.sh`: the same rows
//! that R and statsmodels get.
//!
//! `models reml ROWS.csv ANSWERS` and `models proportional_odds ROWS.csv ANSWERS` write the estimates and print how many
//! seconds the fit itself took, without reading. `models ranks ROWS.csv ANSWERS REPLICATES` does so for rho with a
//! bootstrap over groups, and a permutation within them, of so many replicates each.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::print_stdout,
    clippy::indexing_slicing,
    reason = "a bench says what it measures and stops where it cannot"
)]

use std::fmt::Write as _;
use std::path::Path;
use std::time::Instant;

use fitcohort_queries::statistics::categorical::proportional_odds;
use fitcohort_queries::statistics::categorical::sandwich::cluster_robust;
use fitcohort_queries::statistics::mixed::{self, Criterion, gather};
use fitcohort_queries::statistics::permutation::{self, Statistic};
use fitcohort_queries::statistics::rank_bootstrap::prepare;

/// Covariates in the linear model and in the ordinal one.
const LINEAR: usize = 6;
const ORDINAL: usize = 8;

/// Rows of `model_data.py` by column.
#[derive(Default)]
struct Rows {
    group: Vec<u32>,
    x: [Vec<f64>; ORDINAL],
    y: Vec<f64>,
    score: Vec<f64>,
}

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let (step, rows, answers) = match arguments.as_slice() {
        [step, rows, answers, ..] => (step.as_str(), read(Path::new(rows)), Path::new(answers)),
        _ => usage(),
    };
    let start = Instant::now();
    let (name, table) = match step {
        "reml" => ("reml", reml(&rows)),
        "proportional_odds" => ("proportional_odds", ordinal(&rows)),
        "ranks" => {
            let replicates = arguments.get(3).and_then(|text| text.parse().ok());
            (
                "replicates",
                ranks(&rows, replicates.unwrap_or_else(|| usage())),
            )
        }
        _ => usage(),
    };
    println!("seconds {:.6}", start.elapsed().as_secs_f64());
    std::fs::write(answers.join(format!("{name}.csv")), table).expect("a file");
}

fn usage() -> ! {
    println!("models reml|proportional_odds|ranks ROWS.csv ANSWERS [REPLICATES]");
    std::process::exit(2);
}

fn read(path: &Path) -> Rows {
    let mut rows = Rows::default();
    let mut reader = csv::Reader::from_path(path).expect("rows");
    let mut record = csv::StringRecord::new();
    while reader.read_record(&mut record).expect("a row") {
        let number = |position: usize| record[position].parse::<f64>().expect("a number");
        rows.group.push(record[0].parse().expect("a group"));
        for (position, column) in rows.x.iter_mut().enumerate() {
            column.push(number(position + 1));
        }
        rows.y.push(number(ORDINAL + 1));
        rows.score.push(number(ORDINAL + 2));
    }
    rows
}

fn slices(columns: &[Vec<f64>]) -> Vec<&[f64]> {
    columns.iter().map(Vec::as_slice).collect()
}

/// Random intercept by REML: coefficients and variances.
fn reml(rows: &Rows) -> String {
    let sums = gather(&rows.y, &slices(&rows.x[..LINEAR]), &rows.group).expect("sums");
    let fit = mixed::fit(&sums, Criterion::Reml).expect("a fit");
    let mut out = "term,estimate\n".to_owned();
    for (position, coefficient) in fit.coefficients.iter().enumerate() {
        let name = match position {
            0 => "constant".to_owned(),
            covariate => format!("x{covariate}"),
        };
        let _ = writeln!(out, "{name},{}", coefficient.estimate);
    }
    let _ = writeln!(
        out,
        "between,{}\nwithin,{}",
        fit.var_between, fit.var_within
    );
    out
}

/// Proportional odds with errors robust to groups.
fn ordinal(rows: &Rows) -> String {
    let columns = slices(&rows.x);
    let fit = proportional_odds::fit(&rows.score, &columns, None).expect("a fit");
    let robust = cluster_robust(&fit, &rows.score, &columns, None, &rows.group).expect("errors");
    let mut out = "term,estimate,se\n".to_owned();
    for covariate in 0..ORDINAL {
        let value = fit.coefficients[covariate];
        let error = robust
            .covariance
            .standard_error(fit.thresholds.len() + covariate)
            .expect("an error");
        let _ = writeln!(out, "x{},{value},{error}", covariate + 1);
    }
    out
}

/// Rho of the outcome and the score, with a bootstrap and a permutation test.
fn ranks(rows: &Rows, replicates: u64) -> String {
    let data = prepare(&rows.y, &rows.score, &[], &[], &rows.group).expect("ranks");
    let found = data.bootstrap(replicates, 1).spearman.expect("a bootstrap");
    permutation::within_clusters(
        &rows.y,
        &rows.score,
        &rows.group,
        replicates,
        1,
        Statistic::Spearman,
    )
    .expect("a permutation test");
    format!("term,estimate\nspearman,{}\n", found.estimate)
}
