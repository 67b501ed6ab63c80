//! The store when things go wrong: a process that is killed, a disk that is full or fails, several processes at once,
//! files that are damaged or made to harm.

#![allow(
    clippy::print_stdout,
    reason = "a full run of random kills says what it came upon"
)]

mod compaction;
mod damage;
mod faults;
mod kills;
mod manifests;
mod writers;

use std::path::Path;

use fitcohort_pipeline::PipelineError;
use fitcohort_pipeline::ingest;
use fitcohort_pipeline::intake::Intake;
use fitcohort_pipeline::plan::Plan;
use fitcohort_pipeline::store::verify::{Verified, verify};
use fitcohort_pipeline::store::{Cohort, WhenLocked};

use crate::workspace::{FITTINGS, OUTCOMES, Workspace, small_practice};

/// Two deliveries of a small invented practice, `first` and `second`: several quarters, rows set aside in both, and a
/// correction in the second.
fn deliveries() -> Workspace {
    let workspace = Workspace::new();
    let fittings = format!(
        "{FITTINGS}F3,P3,north,anna-1,2026-Q1,60,new,,,,\nF4,P4,north,anna-1,last summer,60,new,,,,\n"
    );
    let mut tables = small_practice();
    tables[0].1 = &fittings;
    workspace.delivery("first", &tables);
    let fittings = format!(
        "{}\nF3,P3,north,anna-1,2026-Q2,61,new,,,,\nF5,P5,north,anna-1,2026-Q3,50,new,,,,\n",
        FITTINGS.lines().next().unwrap()
    );
    let outcomes = format!("{OUTCOMES}F5,ioi-ha,4,2,\nF5,ioi-ha,9,2,\n");
    workspace.delivery(
        "second",
        &[("fittings", &fittings), ("outcomes", &outcomes)],
    );
    workspace
}

/// The cohort `c` of both deliveries.
fn cohort() -> Workspace {
    let workspace = deliveries();
    workspace.ingest("first", "c");
    workspace.ingest("second", "c");
    workspace
}

/// Name of the snapshot in force; none where there is no cohort. Anything else is a failure.
fn in_force(cohort: &Path) -> Option<String> {
    match Cohort::open(cohort) {
        Ok(cohort) => Some(cohort.manifest.snapshot),
        Err(PipelineError::NotACohort { .. }) => None,
        Err(error) => panic!("{error}"),
    }
}

/// Checks a cohort with its history; there is nothing to find.
fn assert_whole(cohort: &Path) -> Verified {
    let verified = verify(cohort, true, &|_| {}).unwrap();
    assert_eq!(verified.findings, [], "{}", cohort.display());
    verified
}

/// Ingests within the test's own process, which starts sooner than the program.
fn ingest(delivery: &Path, cohort: &Path) {
    let plan = Plan::default();
    let intake = Intake::plain(&plan);
    ingest::ingest(delivery, cohort, &intake, WhenLocked::GiveUp, &|_| {}).unwrap();
}

/// Writes a manifest with a pointer that has its hash, as somebody would who wants to be believed.
fn seal(workspace: &Workspace, cohort: &str, snapshot: &str, manifest: impl AsRef<[u8]>) {
    let hash = blake3::hash(manifest.as_ref());
    workspace.write(
        &format!("{cohort}/snapshots/{snapshot}/manifest.json"),
        manifest,
    );
    workspace.write(&format!("{cohort}/CURRENT"), format!("{snapshot} {hash}\n"));
}
