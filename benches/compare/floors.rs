//! The least that can be done with the same bytes, for `run.sh`: a floor under ingest and under the grouped tables.
//!
//! `floors parse DELIVERY` reads every record of the CSV files with the `csv` crate on one core and drops it.
//! `floors scan COHORT` decodes the columns of the store that the grouped tables are made from, on all cores, and drops
//! them.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::print_stdout,
    reason = "a bench says what it measures and stops where it cannot"
)]

#[path = "../floor/mod.rs"]
mod floor;

use std::fs::File;
use std::path::{Path, PathBuf};

use fitcohort_pipeline::store::Cohort;
use fitcohort_pipeline::store::schema::StoreTable;
use parquet::arrow::ProjectionMask;
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;
use rayon::prelude::*;

/// Rows in a batch of a scan.
const BATCH: usize = 65_536;

/// What `match`, `curves`, `ears` and `clinicians` read. A name that ends in `_` stands for every column that begins so.
const NEEDED: [(StoreTable, &[&str]); 3] = [
    (
        StoreTable::Curves,
        &[
            "fitting_id",
            "ear",
            "fitted",
            "n_fitted",
            "stage",
            "quantity",
            "input_level",
            "deviation_",
            "sum_of_squares",
            "rms",
            "signed",
            "high_frequency",
            "slope",
        ],
    ),
    (
        StoreTable::Fittings,
        &[
            "fitting_id",
            "patient_id",
            "clinician_id",
            "coupling",
            "experience",
            "age_years",
            "returned",
            "n_fitted",
            "verified",
            "pure_tone_sum_",
        ],
    ),
    (
        StoreTable::Answers,
        &["fitting_id", "instrument", "item", "score", "latest"],
    ),
];

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    match arguments.as_slice() {
        [step, folder] if step == "parse" => {
            let (records, _) = floor::parse_and_drop(Path::new(folder));
            println!("{records} records");
        }
        [step, folder] if step == "scan" => println!("{} rows", scan(Path::new(folder))),
        _ => {
            println!("floors parse DELIVERY | floors scan COHORT");
            std::process::exit(2);
        }
    }
}

/// Rows of all parts, with the needed columns decoded.
fn scan(folder: &Path) -> usize {
    let cohort = Cohort::open(folder).expect("a cohort");
    // A row group is the piece of work: parts are few, and quarters differ in size.
    let pieces: Vec<(PathBuf, usize, &[&str])> = NEEDED
        .iter()
        .flat_map(|(table, columns)| cohort.parts(*table).map(move |(path, _)| (path, *columns)))
        .flat_map(|(path, columns)| {
            let groups = opened(&path).metadata().num_row_groups();
            (0..groups).map(move |group| (path.clone(), group, columns))
        })
        .collect();
    pieces
        .par_iter()
        .map(|(path, group, columns)| {
            let builder = opened(path);
            let wanted = |name: &str| {
                columns.iter().any(|column| {
                    name == *column || (column.ends_with('_') && name.starts_with(column))
                })
            };
            let positions: Vec<usize> = builder
                .schema()
                .fields()
                .iter()
                .enumerate()
                .filter(|(_, field)| wanted(field.name()))
                .map(|(position, _)| position)
                .collect();
            let mask = ProjectionMask::roots(builder.parquet_schema(), positions);
            builder
                .with_projection(mask)
                .with_row_groups(vec![*group])
                .with_batch_size(BATCH)
                .build()
                .expect("a reader")
                .map(|batch| std::hint::black_box(batch.expect("a batch")).num_rows())
                .sum::<usize>()
        })
        .sum()
}

fn opened(path: &Path) -> ParquetRecordBatchReaderBuilder<File> {
    ParquetRecordBatchReaderBuilder::try_new(File::open(path).expect("a part")).expect("Parquet")
}
