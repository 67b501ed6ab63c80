//! `ingest`: adds a delivery to a cohort.

use std::path::{Path, PathBuf};

use clap::Args;
use fitcohort_pipeline::PipelineError;
use fitcohort_pipeline::ingest::{self, Ingested};
use fitcohort_pipeline::intake::Intake;
use fitcohort_pipeline::store::WhenLocked;

use super::check;
use crate::cli::Common;
use crate::console::{Console, IngestBars};
use crate::failure::Failure;
use crate::intake::IntakeOptions;

/// Options of `ingest`.
#[derive(Args, Debug)]
#[command(after_help = "\
Examples:
  fitcohort ingest exports/2026-Q3 --into cohort
  fitcohort ingest corrections --into cohort --set-aside-csv set-aside.csv
  fitcohort ingest exports/2026-Q3 --into cohort --fail-on-set-aside 0.02
  fitcohort ingest exports/2026-Q3 --into cohort --map map.toml
  fitcohort ingest exports/2026-Q3 --into cohort --pseudonymise patient_id,fitting_id --key-file ../practice.key
  fitcohort ingest exports/2026-Q3 --into cohort --year-only

A fitting that comes again replaces the earlier record whole. The same delivery twice changes nothing. Rows of earlier
deliveries that were set aside for want of a fitting or an ear are stored as soon as a delivery brings it. One process
writes to a cohort at a time; the others wait.")]
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
    /// How the delivery is taken in
    #[command(flatten)]
    pub(crate) intake: IntakeOptions,
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
    plan.validate()?;
    let files = arguments.intake.read()?;
    let ingested = match run_with_bars(
        &arguments.delivery,
        &arguments.into,
        &files.under(&plan),
        when_locked(arguments.no_wait),
        console,
    ) {
        Ok(ingested) => ingested,
        Err(error) => return refused(error, arguments, console),
    };
    if let Some(path) = &arguments.set_aside_csv {
        ingested.write_set_aside_csv(path)?;
    }
    let snapshot = &ingested.manifest.snapshot;
    let words = if ingested.already_there {
        format!("This delivery is already in the cohort; snapshot {snapshot} stays in force.\n")
    } else {
        format!(
            "{}{}\nSnapshot {snapshot} of {} is in force.\n",
            check::in_words(&ingested.judgement),
            returned_in_words(&ingested),
            arguments.into.display()
        )
    };
    let mut json = check::in_json(&ingested.judgement);
    if let Some(object) = json.as_object_mut() {
        object.insert("snapshot".to_owned(), snapshot.clone().into());
        object.insert("already_there".to_owned(), ingested.already_there.into());
        let returned: serde_json::Map<String, serde_json::Value> = ingested
            .returned
            .iter()
            .map(|(table, rows)| (table.word().to_owned(), (*rows).into()))
            .collect();
        object.insert("returned".to_owned(), returned.into());
    }
    console.summary(&words, &json)
}

/// Rows of earlier deliveries that are set aside no longer.
fn returned_in_words(ingested: &Ingested) -> String {
    if ingested.returned.is_empty() {
        return String::new();
    }
    let tables: Vec<String> = ingested
        .returned
        .iter()
        .map(|(table, rows)| format!("{} {rows}", table.word()))
        .collect();
    format!(
        "\nRows of earlier deliveries that had been set aside and returned: {}\n",
        tables.join(", ")
    )
}

/// A failure that the caller asked for is said after what became of the delivery; any other by itself.
fn refused(error: PipelineError, arguments: &Arguments, console: &Console) -> Result<(), Failure> {
    let (judgement, failure) = check::with_judgement(error)?;
    if let Some(path) = &arguments.set_aside_csv {
        judgement.write_set_aside_csv(path)?;
    }
    console.summary(&check::in_words(&judgement), &check::in_json(&judgement))?;
    failure.map_or(Ok(()), Err)
}

/// Ingests a delivery.
pub(crate) fn add(
    delivery: &Path,
    cohort: &Path,
    intake: &Intake<'_>,
    when_locked: WhenLocked,
    console: &Console,
) -> Result<Ingested, Failure> {
    Ok(run_with_bars(
        delivery,
        cohort,
        intake,
        when_locked,
        console,
    )?)
}

fn run_with_bars(
    delivery: &Path,
    cohort: &Path,
    intake: &Intake<'_>,
    when_locked: WhenLocked,
    console: &Console,
) -> Result<Ingested, PipelineError> {
    let bars = IngestBars::new(console);
    let ingested = ingest::ingest(delivery, cohort, intake, when_locked, &|progress| {
        bars.update(progress)
    })?;
    bars.finish();
    Ok(ingested)
}
