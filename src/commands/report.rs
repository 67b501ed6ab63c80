//! `report`: pages, figures, tables and numbers for each reader.

use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};
use fitcohort_pipeline::plan::Plan;
use fitcohort_pipeline::quarter::Quarter;
use fitcohort_pipeline::store::Cohort;
use fitcohort_queries::review::{self, Reader, Review, ReviewRequest};

use crate::cli::Common;
use crate::console::Console;
use crate::failure::Failure;

/// A reader, as an option.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum ReaderName {
    /// Is this quarter's quality all right, and where is it not?
    Owner,
    /// Does closer match predict satisfaction?
    Researcher,
    /// Where do clinicians differ, and in what?
    Trainer,
}

impl From<ReaderName> for Reader {
    fn from(name: ReaderName) -> Self {
        match name {
            ReaderName::Owner => Self::Owner,
            ReaderName::Researcher => Self::Researcher,
            ReaderName::Trainer => Self::Trainer,
        }
    }
}

/// Options of `report`.
#[derive(Args, Debug)]
#[command(after_help = "\
Examples:
  fitcohort report cohort --out reports
  fitcohort report cohort --out reports --reader owner --quarter 2026-Q3

Each reader gets a folder with index.html, figures, tables, results.json and provenance.json. The same cohort, plan and
seed give the same bytes.")]
pub(crate) struct Arguments {
    /// Folder of the cohort
    #[arg(value_name = "COHORT")]
    pub(crate) cohort: PathBuf,
    /// Folder to write to
    #[arg(long, value_name = "DIR")]
    pub(crate) out: PathBuf,
    /// Only for this reader
    #[arg(long, value_enum)]
    pub(crate) reader: Option<ReaderName>,
    /// The quarter under review [default: the last one]
    #[arg(long, value_name = "2026-Q3")]
    pub(crate) quarter: Option<Quarter>,
}

pub(crate) fn run(
    arguments: &Arguments,
    common: &Common,
    console: &Console,
) -> Result<(), Failure> {
    let plan = common.plan()?;
    let readers: Vec<Reader> = match arguments.reader {
        Some(reader) => vec![reader.into()],
        None => Reader::ALL.to_vec(),
    };
    let cohort = Cohort::open(&arguments.cohort)?;
    let reviews = write(
        &cohort,
        &plan,
        &readers,
        arguments.quarter,
        &arguments.out,
        console,
    )?;
    let pages: Vec<String> = reviews
        .iter()
        .map(|review| page(&arguments.out, review.reader).display().to_string())
        .collect();
    let words = pages
        .iter()
        .map(|page| format!("wrote {page}\n"))
        .collect::<String>();
    console.summary(&words, &serde_json::json!({ "pages": pages }))
}

/// Where a reader's page stands.
pub(crate) fn page(out: &Path, reader: Reader) -> PathBuf {
    out.join(reader.name()).join("index.html")
}

/// Gathers and writes reports, with a bar.
pub(crate) fn write(
    cohort: &Cohort,
    plan: &Plan,
    readers: &[Reader],
    quarter: Option<Quarter>,
    out: &Path,
    console: &Console,
) -> Result<Vec<Review>, Failure> {
    let bar = console.bar("reporting", readers.len() as u64 + 1);
    let reviews = review::gather(&ReviewRequest {
        cohort,
        plan,
        readers,
        quarter,
        version: env!("CARGO_PKG_VERSION"),
    })?;
    bar.inc(1);
    for review in &reviews {
        fitcohort_reports::write_report(review, &out.join(review.reader.name()))?;
        bar.inc(1);
    }
    bar.finish_and_clear();
    Ok(reviews)
}
