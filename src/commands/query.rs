//! `query`: one analysis as a table.

use std::fs;
use std::path::PathBuf;

use clap::{Args, ValueEnum};
use fitcohort_pipeline::store::Cohort;
use fitcohort_pipeline::store::schema::GROUP_COLUMNS;
use fitcohort_queries::analysis::Analysis;
use fitcohort_queries::export;
use fitcohort_queries::tables::QUERIES;

use crate::cli::Common;
use crate::console::Console;
use crate::failure::Failure;
use crate::selection::SelectionOptions;

/// How a table is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum Format {
    /// Aligned columns, rounded
    Text,
    /// Comma-separated, nothing rounded
    Csv,
    /// An array of objects
    Json,
    /// Parquet, to a file
    Parquet,
}

/// The queries with what they answer, the grouping columns, and examples.
fn after_help() -> String {
    let queries: String = QUERIES
        .iter()
        .map(|query| format!("  {:<12}  {}\n", query.name, query.about))
        .collect();
    format!(
        "\
Queries:
{queries}
Grouping columns: {}, and any x_ label. Shares are fractions 0-1, _lo and _hi their 95 % limits; what is not known is
empty.

Examples:
  fitcohort query match cohort --by clinician_id --format csv
  fitcohort query ears cohort --by grade --where clinic_id=clinic-02
  fitcohort query curves cohort --by coupling --quarter 2026-Q3 --format json
  fitcohort query referrals cohort --list --format csv --out to-look-at.csv",
        GROUP_COLUMNS.join(", ")
    )
}

/// Options of `query`.
#[derive(Args, Debug)]
#[command(after_help = after_help())]
pub(crate) struct Arguments {
    /// Name of the query
    #[arg(value_name = "NAME")]
    pub(crate) name: String,
    /// Folder of the cohort
    #[arg(value_name = "COHORT")]
    pub(crate) cohort: PathBuf,
    /// Grouping columns, in this order
    #[arg(long, value_name = "COLUMN,…", value_delimiter = ',')]
    pub(crate) by: Vec<String>,
    /// Which rows
    #[command(flatten)]
    pub(crate) selection: SelectionOptions,
    /// Name the single fittings; only for referrals, and to be kept local
    #[arg(long)]
    pub(crate) list: bool,
    /// How to write the table [default: text, or json with --json]
    #[arg(long, value_enum)]
    pub(crate) format: Option<Format>,
    /// Write to a file instead of standard output
    #[arg(long, value_name = "FILE")]
    pub(crate) out: Option<PathBuf>,
}

pub(crate) fn run(
    arguments: &Arguments,
    common: &Common,
    console: &Console,
) -> Result<(), Failure> {
    let plan = common.plan()?;
    let format = arguments.format.unwrap_or(if console.json() {
        Format::Json
    } else {
        Format::Text
    });
    let selection = arguments.selection.grouped_by(&arguments.by)?;
    if arguments.list && arguments.name != "referrals" {
        return Err(Failure::usage(
            format!("--list does not go with the query {}", arguments.name),
            "leave --list away, or ask for referrals",
        ));
    }
    let cohort = Cohort::open(&arguments.cohort)?;
    let mut analysis = Analysis::open(&cohort, &plan, selection)?;
    let table = if arguments.list {
        analysis.referral_list()?
    } else {
        analysis.query(&arguments.name)?
    };
    let text = match format {
        Format::Text => export::to_text(&table),
        Format::Csv => export::to_csv(&table),
        Format::Json => format!("{:#}\n", export::to_json(&table)),
        Format::Parquet => {
            let Some(path) = &arguments.out else {
                return Err(Failure::usage(
                    "Parquet is not written to standard output",
                    "name a file with --out",
                ));
            };
            return Ok(export::write_parquet(&table, path)?);
        }
    };
    match &arguments.out {
        None => console.result(&text),
        Some(path) => fs::write(path, text).map_err(|error| Failure::write(path, &error)),
    }
}
