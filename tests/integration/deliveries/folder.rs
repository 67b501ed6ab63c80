//! The cohort's folder itself: files, hashes and counts of the manifest, order of rows, leftovers of a killed writer.

use std::fs::File;

use parquet::basic::Compression;
use parquet::file::reader::{FileReader, SerializedFileReader};

use super::{assert_same, stored, with_first};
use crate::parquet_files;
use crate::workspace::{Workspace, copy, files_below, small_practice};

/// An invented delivery large enough for several quarters and files.
fn invented() -> Workspace {
    Workspace::invented(300, 7)
}

#[test]
fn counts_and_hashes_of_the_manifest_are_those_of_the_files() {
    let workspace = invented();
    workspace.delivery("small", &small_practice());
    workspace.ingest("small", "c");
    let manifest = workspace.manifest("c");
    let parts = manifest["parts"].as_array().unwrap();
    assert!(parts.len() > 8, "{}", parts.len());
    let mut rows = std::collections::BTreeMap::new();
    for part in parts {
        let word = |key: &str| part[key].as_str().unwrap();
        let path = workspace.path(&format!("c/{}", word("path")));
        let bytes = std::fs::read(&path).unwrap();
        assert_eq!(part["bytes"], bytes.len());
        assert_eq!(word("hash"), blake3::hash(&bytes).to_hex().to_string());
        let read = parquet_files::rows(&path);
        assert_eq!(part["rows"], read.rows.len());
        // The folder says the quarter, in the way that query engines read folders, and so does every row.
        let folder = format!("/{}/quarter={}/", word("table"), word("quarter"));
        assert!(word("path").contains(&folder), "{part}");
        assert!(
            (0..read.rows.len()).all(|row| read.get(row, "quarter") == word("quarter")),
            "{part}"
        );
        *rows.entry(word("table").to_owned()).or_insert(0) += read.rows.len();
    }
    // What was stored by the accounts of both deliveries is there.
    for (stored, table) in [
        ("fittings", "fittings"),
        ("ears", "ears"),
        ("answers", "outcomes"),
    ] {
        let accounts = manifest["deliveries"].as_array().unwrap().iter();
        let count: u64 = accounts
            .flat_map(|delivery| delivery["accounts"].as_array().unwrap())
            .filter(|account| account["table"] == table)
            .map(|account| account["rows_stored"].as_u64().unwrap())
            .sum();
        assert_eq!(rows[stored] as u64, count, "{table}");
    }
    // Every file of the snapshots is named by a manifest, and the other way round.
    for (path, _) in files_below(&workspace.path("c")) {
        let name = path.to_string_lossy();
        let named = parts.iter().any(|part| part["path"] == *name);
        let other = ["CURRENT", "LOCK", "READERS"].contains(&&*name)
            || name.ends_with("/manifest.json")
            || name.ends_with("/set-aside.parquet");
        assert!(named || other, "{name} is named nowhere");
    }
}

/// Rows are sorted as the file's own metadata say, columns have statistics, and pages are packed with zstd.
#[test]
fn parts_are_sorted_by_fitting_and_described() {
    let workspace = invented();
    let manifest = workspace.manifest("c");
    for part in manifest["parts"].as_array().unwrap() {
        let path = workspace.path(&format!("c/{}", part["path"].as_str().unwrap()));
        let rows = parquet_files::rows(&path);
        let keys: Vec<Vec<&str>> = (0..rows.rows.len())
            .map(|row| {
                let mut key = vec![rows.get(row, "fitting_id")];
                if part["table"] == "ears" || part["table"] == "curves" {
                    key.push(rows.get(row, "ear"));
                }
                key
            })
            .collect();
        assert!(keys.is_sorted(), "{part}");
        if part["table"] == "fittings" || part["table"] == "ears" {
            assert!(
                keys.windows(2).all(|pair| pair[0] != pair[1]),
                "{part} has a key twice"
            );
        }
        let reader = SerializedFileReader::new(File::open(&path).unwrap()).unwrap();
        for group in reader.metadata().row_groups() {
            let sorting = group.sorting_columns().unwrap();
            let first = usize::try_from(sorting[0].column_idx).unwrap();
            assert_eq!(group.column(first).column_path().string(), "fitting_id");
            for column in group.columns() {
                assert!(matches!(column.compression(), Compression::ZSTD(_)));
                assert!(
                    column.statistics().is_some(),
                    "{} in {part}",
                    column.column_path()
                );
            }
        }
    }
}

/// The same bytes whatever the number of threads.
#[test]
fn the_store_does_not_depend_on_threads() {
    let workspace = invented();
    let expected = files_below(&workspace.path("c"));
    for threads in ["1", "2", "7"] {
        let cohort = format!("c-{threads}");
        workspace.ok(&["ingest", "d", "--into", &cohort, "--threads", threads]);
        assert!(
            files_below(&workspace.path(&cohort)) == expected,
            "{threads} threads"
        );
    }
}

/// What a writer that was killed at each step of its work leaves behind is not seen, and gone after the next ingest.
#[test]
fn leftovers_of_a_killed_ingest_are_ignored_and_cleaned_up() {
    let workspace = with_first();
    workspace.delivery(
        "second",
        &[(
            "outcomes",
            "fitting_id,instrument,item,score\nF1,ioi-ha,5,2\n",
        )],
    );
    copy(&workspace.path("c"), &workspace.path("straight"));
    workspace.ingest("second", "straight");
    let expected = files_below(&workspace.path("straight"));
    let before = workspace.query(&["outcomes", "c"]);
    let leftovers: [&[(&str, &str)]; 4] = [
        // While parts were written.
        &[(
            "staging/answers/quarter=2026-Q3/part-0.parquet",
            "PAR1 half a file",
        )],
        // With the manifest half written.
        &[
            ("staging/manifest.json", "{ \"format\": 1,"),
            ("staging/fittings/x.parquet", ""),
        ],
        // After the snapshot was moved to its place, before it was put in force.
        &[
            ("snapshots/000002/manifest.json", "{}"),
            ("snapshots/000002/answers/left.parquet", "PAR1"),
        ],
        // While it was put in force.
        &[
            ("snapshots/000002/manifest.json", "{}"),
            ("CURRENT.new", "0000"),
        ],
    ];
    for (step, left) in leftovers.into_iter().enumerate() {
        let cohort = format!("killed-{step}");
        copy(&workspace.path("c"), &workspace.path(&cohort));
        for (name, text) in left {
            workspace.write(&format!("{cohort}/{name}"), text);
        }
        assert_eq!(workspace.query(&["outcomes", &cohort]), before, "{left:?}");
        let said = workspace.ingest("second", &cohort);
        assert_eq!(said["snapshot"], "000002");
        assert!(
            files_below(&workspace.path(&cohort)) == expected,
            "{left:?} is not cleaned up"
        );
        assert!(
            !workspace.path(&format!("{cohort}/staging")).exists(),
            "{left:?}"
        );
    }
    assert_same(&workspace, "straight", "killed-3");
    // A first ingest that was killed leaves a folder that is no cohort yet.
    workspace.write("begun/LOCK", "");
    workspace.write("begun/staging/fittings/half.parquet", "PAR1");
    let run = workspace.run(&["query", "match", "begun"]);
    assert_eq!(run.code, 2, "{}", run.shown());
    workspace.ingest("first", "begun");
    assert!(files_below(&workspace.path("begun")) == files_below(&workspace.path("c")));
    assert_eq!(stored(&workspace, "begun", "fittings").len(), 2);
}
