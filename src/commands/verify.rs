//! `verify`: is every file of a cohort as its manifest says?

use std::fmt::Write;
use std::path::{Path, PathBuf};

use clap::Args;
use fitcohort_pipeline::store::verify::{self, Verified};

use crate::console::Console;
use crate::failure::Failure;

/// Options of `verify`.
#[derive(Args, Debug)]
#[command(after_help = "\
Examples:
  fitcohort verify cohort
  fitcohort verify cohort --history --json

Every file of the snapshot in force is read: its size, hash, rows and columns, the order and the keys of its rows, and
the account of every delivery. Nothing is changed. A damaged cohort is exit code 65, with all that was found.")]
pub(crate) struct Arguments {
    /// Folder of the cohort
    #[arg(value_name = "COHORT")]
    pub(crate) cohort: PathBuf,
    /// Check the older snapshots that are still there too
    #[arg(long)]
    pub(crate) history: bool,
}

pub(crate) fn run(arguments: &Arguments, console: &Console) -> Result<(), Failure> {
    let folder = &arguments.cohort;
    let bar = console.bar("verifying", verify::bytes_to_read(folder)?);
    let verified = verify::verify(folder, arguments.history, &|bytes| bar.inc(bytes))?;
    bar.finish_and_clear();
    let json = in_json(&verified);
    if verified.findings.is_empty() {
        return console.summary(&in_words(folder, &verified), &json);
    }
    // Findings are what the command is for, so they are said under --quiet too.
    if console.json() {
        console.result(&format!("{json:#}\n"))?;
    } else {
        let mut words = String::new();
        for finding in &verified.findings {
            // Writing to a String does not fail.
            let _ = writeln!(words, "{}: {}", finding.path, finding.detail);
        }
        console.result(&words)?;
    }
    Err(Failure::damaged_cohort(folder, verified.findings.len()))
}

fn in_words(folder: &Path, verified: &Verified) -> String {
    let mut out = format!(
        "Snapshot {} of {} is whole: {} files, {} rows, {} bytes.\n",
        verified.snapshot,
        folder.display(),
        verified.files,
        verified.rows,
        verified.bytes
    );
    if !verified.older.is_empty() {
        // Writing to a String does not fail.
        let _ = writeln!(
            out,
            "So are the older snapshots {}.",
            verified.older.join(", ")
        );
    }
    if verified.being_written {
        out.push_str("Another process is writing to it.\n");
    }
    if !verified.leftovers.is_empty() {
        out.push_str("Left behind by a stopped process, and removed by the next ingest or by `fitcohort compact`:\n");
        for path in &verified.leftovers {
            let _ = writeln!(out, "  {path}");
        }
    }
    out
}

fn in_json(verified: &Verified) -> serde_json::Value {
    serde_json::json!({
        "snapshot": verified.snapshot,
        "older": verified.older,
        "files": verified.files,
        "rows": verified.rows,
        "bytes": verified.bytes,
        "findings": verified
            .findings
            .iter()
            .map(|finding| serde_json::json!({ "file": finding.path, "finding": finding.detail }))
            .collect::<Vec<_>>(),
        "leftovers": verified.leftovers,
        "being_written": verified.being_written,
    })
}
