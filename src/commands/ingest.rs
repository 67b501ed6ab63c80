//! `ingest`: adds a delivery to a cohort.

use std::path::{Path, PathBuf};

use clap::Args;
use fitcohort_pipeline::ingest::{self, Ingested};
use fitcohort_pipeline::intake::Intake;
use fitcohort_pipeline::plan::Plan;
use fitcohort_pipeline::store::{WhenLocked, write_set_aside_csv};

use super::check;
use crate::cli::Common;
use crate::console::{Console, IngestBars};
use crate::failure::Failure;

/// Options of `ingest`.
#[derive(Args, Debug)]
#[command(after_help = "\
Examples:
  fitcohort ingest exports/2026-Q3 --into cohort
  fitcohort ingest corrections --into cohort --set-aside-csv set-aside.csv

A fitting that comes again replaces the earlier record whole. The same delivery twice changes nothing. One process writes
to a cohort at a time; the others wait.")]
pub(crate) struct Arguments {
    /// Folder of the delivery
    #[arg(value_name = "DELIVERY")]
    pub(crate) delivery: PathBuf,
    /// Folder of the cohort; made with the first delivery
    #[arg(long, value_name = "COHORT")]
    pub(crate) into: PathBuf,
    /// Write the rows set aside to a CSV file too
    #[arg(long, value_name = "FILE")]
    pub(crate) set_aside_csv: Option<PathBuf>,
    /// Where another process writes to the cohort, say so and do nothing
    #[arg(long)]
    pub(crate) no_wait: bool,
}

/// What `--no-wait` asks for.
pub(crate) fn when_locked(no_wait: bool) -> WhenLocked {
    match no_wait {
        true => WhenLocked::GiveUp,
        false => WhenLocked::Wait,
    }
}

pub(crate) fn run(
    arguments: &Arguments,
    common: &Common,
    console: &Console,
) -> Result<(), Failure> {
    let plan = common.plan()?;
    let ingested = add(
        &arguments.delivery,
        &arguments.into,
        &plan,
        when_locked(arguments.no_wait),
        console,
    )?;
    if let Some(path) = &arguments.set_aside_csv {
        write_set_aside_csv(path, &ingested.judgement.issues, &ingested.judgement.files)?;
    }
    let snapshot = &ingested.manifest.snapshot;
    let words = if ingested.already_there {
        format!("This delivery is already in the cohort; snapshot {snapshot} stays in force.\n")
    } else {
        format!(
            "{}\nSnapshot {snapshot} of {} is in force.\n",
            check::in_words(&ingested.judgement),
            arguments.into.display()
        )
    };
    let mut json = check::in_json(&ingested.judgement);
    if let Some(object) = json.as_object_mut() {
        object.insert("snapshot".to_owned(), snapshot.clone().into());
        object.insert("already_there".to_owned(), ingested.already_there.into());
    }
    console.summary(&words, &json)
}

/// Ingests with bars.
pub(crate) fn add(
    delivery: &Path,
    cohort: &Path,
    plan: &Plan,
    when_locked: WhenLocked,
    console: &Console,
) -> Result<Ingested, Failure> {
    plan.validate()?;
    let bars = IngestBars::new(console);
    let intake = Intake::plain(plan);
    let ingested = ingest::ingest(delivery, cohort, &intake, when_locked, &|progress| {
        bars.update(progress)
    })?;
    bars.finish();
    Ok(ingested)
}
