//! `ingest`: adds a delivery to a cohort.

use std::path::{Path, PathBuf};

use clap::Args;
use fitcohort_pipeline::ingest::{self, Ingested};
use fitcohort_pipeline::intake::Intake;
use fitcohort_pipeline::store::write_set_aside_csv;

use super::check;
use super::identity::Identity;
use crate::cli::Common;
use crate::console::{Console, IngestBars};
use crate::failure::Failure;

/// Options of `ingest`.
#[derive(Args, Debug)]
#[command(after_help = "\
Examples:
  fitcohort ingest exports/2026-Q3 --into cohort
  fitcohort ingest corrections --into cohort --set-aside-csv set-aside.csv
  fitcohort ingest exports/2026-Q3 --into cohort --pseudonymise patient_id,fitting_id --key-file ../practice.key
  fitcohort ingest exports/2026-Q3 --into cohort --year-only

A fitting that comes again replaces the earlier record whole. The same delivery twice changes nothing.")]
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
    /// Identities; the same for every delivery of a cohort
    #[command(flatten)]
    pub(crate) identity: Identity,
}

pub(crate) fn run(
    arguments: &Arguments,
    common: &Common,
    console: &Console,
) -> Result<(), Failure> {
    let plan = common.plan()?;
    let pseudonyms = arguments.identity.pseudonyms()?;
    let intake = Intake {
        pseudonyms: pseudonyms.as_ref(),
        year_only: arguments.identity.year_only,
        ..Intake::plain(&plan)
    };
    let ingested = add(&arguments.delivery, &arguments.into, &intake, console)?;
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
    intake: &Intake<'_>,
    console: &Console,
) -> Result<Ingested, Failure> {
    intake.plan.validate()?;
    let bars = IngestBars::new(console);
    let ingested = ingest::ingest(delivery, cohort, intake, &|progress| bars.update(progress))?;
    bars.finish();
    Ok(ingested)
}
