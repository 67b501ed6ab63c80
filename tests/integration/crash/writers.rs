//! Several writers at once.

use std::collections::BTreeSet;
use std::fs::File;
use std::io::{BufRead, BufReader};
use std::process::Stdio;

use super::assert_whole;
use crate::deliveries::{assert_same, stored};
use crate::workspace::{Run, Workspace, small_practice};

/// Deliveries `d-0` and on that share no fitting, each with a row to set aside.
fn deliveries(count: usize) -> (Workspace, Vec<String>) {
    let workspace = Workspace::new();
    let names: Vec<String> = (0..count).map(|number| format!("d-{number}")).collect();
    for (number, name) in names.iter().enumerate() {
        for (table, text) in small_practice() {
            let mut text = text
                .replace("F1,", &format!("F1-{number},"))
                .replace("F2,", &format!("F2-{number},"))
                .replace(",P", &format!(",P{number}-"));
            if table == "outcomes" {
                text.push_str("nobody,ioi-ha,1,1,\n");
            }
            workspace.write(&format!("{name}/{table}.csv"), text);
        }
    }
    (workspace, names)
}

/// Starts an ingest of each delivery at once, and gives what they said when all have ended.
fn at_once(workspace: &Workspace, deliveries: &[String], cohort: &str) -> Vec<Run> {
    let children: Vec<_> = deliveries
        .iter()
        .map(|delivery| {
            workspace
                .command(&["ingest", delivery, "--into", cohort, "--json"])
                .stdout(Stdio::piped())
                .stderr(Stdio::piped())
                .spawn()
                .expect("the program starts")
        })
        .collect();
    children
        .into_iter()
        .zip(deliveries)
        .map(|(child, delivery)| {
            let run = Run::new(&["ingest", delivery], &child.wait_with_output().unwrap());
            assert_eq!(run.code, 0, "{}", run.shown());
            run
        })
        .collect()
}

/// Into a cohort that is not there yet and into one that is, two, four and eight at once: all end well and none is lost.
#[test]
fn ingests_at_once_end_as_the_same_in_turn() {
    for count in [2, 4, 8] {
        let (workspace, names) = deliveries(count);
        for (first, cohort, in_turn) in [(0, "new", "turn-new"), (1, "there", "turn-there")] {
            for name in &names[..first] {
                workspace.ingest(name, cohort);
            }
            let runs = at_once(&workspace, &names[first..], cohort);
            for name in &names {
                workspace.ingest(name, in_turn);
            }
            let snapshots: BTreeSet<String> = runs
                .iter()
                .map(|run| run.json()["snapshot"].as_str().unwrap().to_owned())
                .collect();
            let expected: BTreeSet<String> =
                (first + 1..=count).map(|n| format!("{n:06}")).collect();
            assert_eq!(snapshots, expected, "{count} at once");
            let hashes = |cohort: &str| -> BTreeSet<String> {
                let manifest = workspace.manifest(cohort);
                let deliveries = manifest["deliveries"].as_array().unwrap().iter();
                deliveries
                    .map(|entry| entry["hash"].as_str().unwrap().to_owned())
                    .collect()
            };
            assert_eq!(hashes(cohort).len(), count);
            assert_eq!(hashes(cohort), hashes(in_turn));
            for table in ["fittings", "ears", "curves", "answers"] {
                assert_eq!(
                    stored(&workspace, cohort, table),
                    stored(&workspace, in_turn, table),
                    "{table}, {count} at once"
                );
            }
            assert_eq!(
                workspace.query(&["quality", cohort]),
                workspace.query(&["quality", in_turn])
            );
            // The queries follow from the rows; the largest case says so once.
            if count == 8 && first == 0 {
                assert_same(&workspace, cohort, in_turn);
            }
            assert_eq!(assert_whole(&workspace.path(cohort)).leftovers, [""; 0]);
        }
    }
}

/// The same delivery by several at once is stored once.
#[test]
fn the_same_delivery_at_once_is_stored_once() {
    let (workspace, names) = deliveries(1);
    let runs = at_once(&workspace, &vec![names[0].clone(); 4], "c");
    let stored = runs
        .iter()
        .filter(|run| run.json()["already_there"] == false);
    assert_eq!(stored.count(), 1);
    assert_eq!(workspace.manifest("c")["snapshot"], "000001");
    assert_whole(&workspace.path("c"));
}

/// A second writer says once that it waits, then waits and does its work; to a program and under `--quiet` it says nothing.
#[test]
fn a_writer_waits_for_the_one_before() {
    let (workspace, names) = deliveries(4);
    workspace.ingest(&names[0], "c");
    let lock = File::options()
        .write(true)
        .open(workspace.path("c/LOCK"))
        .unwrap();
    lock.try_lock().unwrap();
    let start = |name: &str, option: &[&str]| {
        workspace
            .command(&[&["ingest", name, "--into", "c"], option].concat())
            .stdout(Stdio::null())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap()
    };
    let mut waiting = start(&names[1], &[]);
    let silent = [
        start(&names[2], &["--quiet"]),
        start(&names[3], &["--json"]),
    ];
    let mut said = BufReader::new(waiting.stderr.take().unwrap()).lines();
    assert_eq!(
        said.next().unwrap().unwrap(),
        "waiting for another process that writes to the cohort"
    );
    assert_eq!(workspace.manifest("c")["snapshot"], "000001");
    assert!(waiting.try_wait().unwrap().is_none());
    drop(lock);
    assert!(said.next().is_none());
    assert!(waiting.wait().unwrap().success());
    for child in silent {
        let output = child.wait_with_output().unwrap();
        assert!(output.status.success());
        assert_eq!(String::from_utf8_lossy(&output.stderr), "");
    }
    assert_eq!(workspace.manifest("c")["snapshot"], "000004");
}
