//! A fault at every place where the store touches the disk.

use std::path::Path;
use std::process::Command;

use fitcohort_pipeline::store::WritePoint;
use rayon::prelude::*;

use super::{assert_whole, deliveries, in_force, ingest};
use crate::workspace::{Workspace, copy, files_below};

/// Points of a compaction, which `compaction.rs` comes to.
const OF_COMPACTION: [WritePoint; 5] = [
    WritePoint::OldManifest,
    WritePoint::OldManifestSync,
    WritePoint::OldFile,
    WritePoint::OldFolder,
    WritePoint::OldFolderSync,
];

/// Every fault at some points, on the first passage and, where bytes or folders are many, on a later one.
pub(super) fn faults(points: impl Iterator<Item = WritePoint>) -> Vec<(WritePoint, String)> {
    let mut out = Vec::new();
    for point in points {
        let many = [
            WritePoint::PartWrite,
            WritePoint::TreeSync,
            WritePoint::Leftovers,
            WritePoint::OldFile,
        ]
        .contains(&point);
        for passage in 1..=(if many { 3 } else { 1 }) {
            for fault in point.operation().faults() {
                // The one in the middle adds nothing.
                if passage != 2 {
                    out.push((point, format!("{}:{fault}:{passage}", point.word())));
                }
            }
        }
    }
    out
}

/// Runs an ingest that meets a fault, and holds what is left against the cohort before and after.
fn meet(workspace: &Workspace, before: Option<&Path>, delivery: &str, after: &Path, fault: &str) {
    let name = fault.replace(':', "-");
    let cohort = workspace.path(&name);
    if let Some(before) = before {
        copy(before, &cohort);
    }
    let old = before.and_then(in_force);
    let new = in_force(after);
    let run = workspace.run_with_fault(&["ingest", delivery, "--into", &name], Some(fault));
    assert!(
        run.stderr.contains("fault reached: "),
        "{fault} is not reached\n{}",
        run.shown()
    );
    let (point, kind) = fault.split_once(':').unwrap();
    let killed = kind.starts_with("kill");
    let succeeds = kind.starts_with("short-write");
    match run.code {
        0 => assert!(succeeds, "{fault}\n{}", run.shown()),
        -1 => assert!(killed, "{fault}\n{}", run.shown()),
        73 | 74 => assert!(!killed && !succeeds, "{fault}\n{}", run.shown()),
        _ => panic!("{fault}\n{}", run.shown()),
    }
    // Which of the two is in force is no matter of chance.
    let done = succeeds
        || point == "cohort-sync"
        || (point == "pointer-rename" && kind.starts_with("kill-after"));
    let expected = if done { &new } else { &old };
    assert_eq!(in_force(&cohort), *expected, "{fault}\n{}", run.shown());
    if expected.is_some() {
        assert_whole(&cohort);
    }
    if !killed && !done {
        assert!(
            run.stderr.contains("the cohort is as it was"),
            "{}",
            run.shown()
        );
        // A process that lives cleans up after itself, but for the locks. What cannot be removed is left.
        let files = |folder: Option<&Path>| {
            let mut files = folder
                .filter(|folder| folder.exists())
                .map(files_below)
                .unwrap_or_default();
            files.retain(|(name, _)| !["LOCK", "READERS"].contains(&&*name.to_string_lossy()));
            files
        };
        assert!(
            files(Some(&cohort)) == files(before),
            "{fault} leaves something behind"
        );
    }
    if point == "cohort-sync" && !killed {
        assert!(run.stderr.contains("is in force, but"), "{}", run.shown());
    }
    ingest(&workspace.path(delivery), &cohort);
    assert!(
        files_below(&cohort) == files_below(after),
        "{fault}: not the files of an undisturbed cohort"
    );
    assert_eq!(assert_whole(&cohort).leftovers, [""; 0], "{fault}");
    std::fs::remove_dir_all(&cohort).unwrap();
}

fn of_ingest(not_reached: &[WritePoint]) -> Vec<(WritePoint, String)> {
    faults(
        WritePoint::ALL
            .iter()
            .copied()
            .filter(|point| !OF_COMPACTION.contains(point) && !not_reached.contains(point)),
    )
}

#[test]
fn a_first_ingest_survives_every_fault() {
    let workspace = deliveries();
    ingest(&workspace.path("first"), &workspace.path("whole"));
    let cases = of_ingest(&[WritePoint::Leftovers]);
    assert!(cases.len() > 100, "{}", cases.len());
    cases.par_iter().for_each(|(_, fault)| {
        meet(&workspace, None, "first", &workspace.path("whole"), fault);
    });
}

#[test]
fn a_second_ingest_survives_every_fault() {
    let workspace = deliveries();
    ingest(&workspace.path("first"), &workspace.path("before"));
    copy(&workspace.path("before"), &workspace.path("whole"));
    ingest(&workspace.path("second"), &workspace.path("whole"));
    // The folder is there already.
    let cases = of_ingest(&[WritePoint::Leftovers, WritePoint::CohortParentSync]);
    let before = workspace.path("before");
    let whole = workspace.path("whole");
    cases.par_iter().for_each(|(_, fault)| {
        meet(&workspace, Some(&before), "second", &whole, fault);
    });
}

/// Leftovers of one stopped ingest, and the next one stopped while it removes them.
#[test]
fn cleaning_up_survives_every_fault() {
    let workspace = deliveries();
    ingest(&workspace.path("first"), &workspace.path("whole"));
    ingest(&workspace.path("first"), &workspace.path("before"));
    ingest(&workspace.path("second"), &workspace.path("whole"));
    // With the cohort there before, and without.
    for (cohort, delivery, before) in [("c", "second", true), ("d", "first", false)] {
        let after = if before { "whole" } else { "before" };
        for (_, fault) in faults([WritePoint::Leftovers].into_iter()) {
            for stop in ["manifest-write:kill-half", "pointer-rename:kill-before"] {
                let folder = workspace.path(cohort);
                if before {
                    copy(&workspace.path("before"), &folder);
                }
                let ingest_again = ["ingest", delivery, "--into", cohort];
                let stopped = workspace.run_with_fault(&ingest_again, Some(stop));
                assert_eq!(stopped.code, -1, "{}", stopped.shown());
                let run = workspace.run_with_fault(&ingest_again, Some(&fault));
                assert!(run.stderr.contains("fault reached"), "{}", run.shown());
                assert_ne!(run.code, 0, "{}", run.shown());
                assert_eq!(in_force(&folder).is_some(), before, "{fault} after {stop}");
                ingest(&workspace.path(delivery), &folder);
                assert!(
                    files_below(&folder) == files_below(&workspace.path(after)),
                    "{fault} after {stop}"
                );
                std::fs::remove_dir_all(&folder).unwrap();
            }
        }
    }
}

/// What a stopped ingest left behind is named by `verify`, and is no fault.
#[test]
fn leftovers_are_named_and_no_fault() {
    let workspace = deliveries();
    workspace.ingest("first", "c");
    let whole = workspace.ok(&["verify", "c"]).stdout;
    assert!(whole.contains("Snapshot 000001 of c is whole: "), "{whole}");
    assert!(!whole.contains("Left behind"), "{whole}");
    for (stop, left) in [
        ("part-write:kill-half", &["staging"][..]),
        ("snapshot-rename:kill-before", &["CURRENT.new", "staging"]),
        (
            "pointer-rename:kill-before",
            &["CURRENT.new", "snapshots/000002"],
        ),
    ] {
        workspace.run_with_fault(&["ingest", "second", "--into", "c"], Some(stop));
        let said = workspace.ok(&["verify", "c", "--json"]).json();
        assert_eq!(said["leftovers"], serde_json::json!(left));
        assert_eq!(said["findings"], serde_json::json!([]));
        let words = workspace.ok(&["verify", "c"]).stdout;
        for name in left {
            assert!(words.contains(&format!("\n  {name}\n")), "{words}");
        }
    }
    workspace.ok(&["compact", "c"]);
    assert_eq!(
        workspace.ok(&["verify", "c", "--json"]).json()["leftovers"],
        serde_json::json!([])
    );
}

/// Faults are a feature of the tests' build alone.
#[test]
fn the_program_as_it_is_built_for_use_has_no_faults() {
    let features = |edges: &str| {
        let output = Command::new(env!("CARGO"))
            .current_dir(env!("CARGO_MANIFEST_DIR"))
            .args(["tree", "--offline", "--package", "fitcohort", "--edges"])
            .args([edges, "--invert", "fitcohort-pipeline"])
            .output()
            .expect("cargo starts");
        let text = String::from_utf8_lossy(&output.stdout).into_owned();
        assert!(
            output.status.success() && text.starts_with("fitcohort-pipeline "),
            "{text}{}",
            String::from_utf8_lossy(&output.stderr)
        );
        text
    };
    assert!(!features("features,normal,build").contains("\"faults\""));
    assert!(features("features,normal,build,dev").contains("\"faults\""));
}
