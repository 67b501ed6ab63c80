//! `export`: the fit-level table with small cells protected, to be given to others.

use std::path::PathBuf;

use clap::Args;
use fitcohort_pipeline::store::Cohort;
use fitcohort_queries::release::{FILES, release};

use crate::cli::Common;
use crate::console::Console;
use crate::failure::Failure;
use crate::selection::SelectionOptions;

/// Options of `export`.
#[derive(Args, Debug)]
#[command(after_help = "\
Examples:
  fitcohort export cohort --out to-share
  fitcohort export cohort --out to-share --from 2025-Q1 --to 2025-Q4 --where grade=moderate

Writes fittings.csv, fittings.parquet, datapackage.json and provenance.json: one row a fitting, without ids, clinics and
clinicians numbered. Every combination of values that others may know is shared by at least the plan's minimum_cell
patients; what would tell fewer apart is coarser or blank. A selection takes rows by their published values: a row
whose quarter is blank is in no quarter. Exports of one snapshot under one plan tell together no more than
the whole; do not give exports of different snapshots to the same reader.")]
pub(crate) struct Arguments {
    /// Folder of the cohort
    #[arg(value_name = "COHORT")]
    pub(crate) cohort: PathBuf,
    /// Folder to write to
    #[arg(long, value_name = "DIR")]
    pub(crate) out: PathBuf,
    /// Which rows
    #[command(flatten)]
    pub(crate) selection: SelectionOptions,
}

pub(crate) fn run(
    arguments: &Arguments,
    common: &Common,
    console: &Console,
) -> Result<(), Failure> {
    let plan = common.plan()?;
    let selection = arguments.selection.grouped_by(&[])?;
    let cohort = Cohort::open(&arguments.cohort)?;
    if Cohort::open(&arguments.out).is_ok() {
        return Err(Failure::usage(
            format!("{} is a cohort", arguments.out.display()),
            "name another folder with --out: nothing but fitcohort's own files belongs into a cohort",
        ));
    }
    let made = release(&cohort, &plan, &selection, env!("CARGO_PKG_VERSION"))?;
    made.write(&arguments.out)?;
    let rows = made.table.rows();
    let out = arguments.out.display();
    let mut words = format!("Wrote {rows} fittings to {out}: {}.\n", FILES.join(", "));
    if made.withheld > 0 {
        words.push_str(&format!(
            "All {} fittings were withheld: together they are of fewer than {} patients.\n",
            made.withheld, plan.minimum_cell
        ));
    } else if rows == 0 {
        words.push_str(
            "No published row is in the selection: such values may be blank for small cells.\n",
        );
    }
    let json = serde_json::json!({
        "out": arguments.out,
        "files": FILES,
        "rows": rows,
        "withheld": made.withheld,
    });
    console.summary(&words, &json)
}
