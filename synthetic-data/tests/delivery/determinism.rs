//! The same scenario gives the same bytes.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::sync::Mutex;

use fitcohort_synthetic_data::{Scenario, Truth, write_delivery};

fn bytes(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    fs::read_dir(folder)
        .unwrap()
        .map(|entry| {
            let entry = entry.unwrap();
            let name = entry.file_name().into_string().unwrap();
            (name, fs::read(entry.path()).unwrap())
        })
        .collect()
}

fn with_threads(scenario: &Scenario, threads: usize) -> BTreeMap<String, Vec<u8>> {
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(threads)
        .build()
        .unwrap();
    let folder = tempfile::tempdir().unwrap();
    pool.install(|| write_delivery(scenario, folder.path(), &|_| {}))
        .unwrap();
    bytes(folder.path())
}

/// More fittings than one batch of tasks holds.
#[test]
fn bytes_do_not_depend_on_threads() {
    let scenario = Scenario::demo(8_300, 3);
    let one = with_threads(&scenario, 1);
    assert_eq!(
        one.keys().collect::<Vec<_>>(),
        [
            "README.txt",
            "datapackage.json",
            "ears.csv",
            "fittings.csv",
            "outcomes.csv",
            "responses.csv",
            "truth.json"
        ]
    );
    for threads in [2, 3] {
        let more = with_threads(&scenario, threads);
        for (name, content) in &one {
            assert!(
                more[name] == *content,
                "{name} differs at {threads} threads"
            );
        }
    }
}

#[test]
fn another_seed_gives_another_delivery() {
    let one = with_threads(&Scenario::demo(60, 1), 1);
    let other = with_threads(&Scenario::demo(60, 2), 1);
    for table in ["fittings.csv", "ears.csv", "responses.csv", "outcomes.csv"] {
        assert_ne!(one[table], other[table], "{table}");
    }
}

#[test]
fn truth_on_disk_is_the_truth_returned_and_progress_rises_to_the_end() {
    let folder = tempfile::tempdir().unwrap();
    let told = Mutex::new(Vec::new());
    let scenario = Scenario::demo(300, 5);
    let truth = write_delivery(&scenario, folder.path(), &|done| {
        told.lock().unwrap().push(done);
    })
    .unwrap();
    let json = fs::read_to_string(folder.path().join("truth.json")).unwrap();
    let read: Truth = serde_json::from_str(&json).unwrap();
    assert_eq!(serde_json::to_string_pretty(&truth).unwrap() + "\n", json);
    assert_eq!(read.tables, truth.tables);
    assert_eq!(read.set_aside, truth.set_aside);
    let told = told.into_inner().unwrap();
    assert!(told.is_sorted());
    assert_eq!(told.last(), Some(&300));
}
