//! `compact`: drops superseded history.

use std::path::PathBuf;

use clap::Args;
use fitcohort_pipeline::store::compact;

use super::ingest::when_locked;
use crate::console::Console;
use crate::failure::Failure;

/// Options of `compact`.
#[derive(Args, Debug)]
#[command(after_help = "\
Examples:
  fitcohort compact cohort
  fitcohort compact cohort --no-wait

Older snapshots and the files that only they need are removed for good; the snapshot in force is checked first, and stays
as it is. The command waits until nobody writes to the cohort and nobody reads it.")]
pub(crate) struct Arguments {
    /// Folder of the cohort
    #[arg(value_name = "COHORT")]
    pub(crate) cohort: PathBuf,
    /// Where another process uses the cohort, say so and do nothing
    #[arg(long)]
    pub(crate) no_wait: bool,
}

pub(crate) fn run(arguments: &Arguments, console: &Console) -> Result<(), Failure> {
    let folder = &arguments.cohort;
    let done = compact::compact(folder, when_locked(arguments.no_wait), &|whom| {
        console.waiting(whom)
    })
    .map_err(Failure::of_compaction)?;
    let words = format!(
        "Older snapshots dropped: {}; files removed: {}, {} bytes.\nSnapshot {} of {} stays in force.\n",
        done.snapshots,
        done.files,
        done.bytes,
        done.snapshot,
        folder.display()
    );
    let json = serde_json::json!({
        "snapshot": done.snapshot,
        "snapshots_dropped": done.snapshots,
        "files_removed": done.files,
        "bytes_freed": done.bytes,
    });
    console.summary(&words, &json)
}
