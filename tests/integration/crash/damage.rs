//! `verify` finds every kind of damage, and names the file.

use std::fs::File;
use std::path::PathBuf;

use arrow::array::RecordBatch;
use arrow::compute::concat_batches;
use fitcohort_pipeline::store::Cohort;
use fitcohort_pipeline::store::verify::{Finding, verify};
use parquet::arrow::ArrowWriter;
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;
use parquet::arrow::arrow_writer::ArrowWriterOptions;
use serde_json::{Value, json};

use super::{assert_whole, cohort, seal};
use crate::workspace::{Workspace, files_below};

fn findings(workspace: &Workspace) -> Vec<Finding> {
    verify(&workspace.path("c"), true, &|_| {})
        .unwrap()
        .findings
}

/// Files whose damage has to be found: all but the locks, which are empty.
fn files(workspace: &Workspace) -> Vec<(PathBuf, Vec<u8>)> {
    let mut files = files_below(&workspace.path("c"));
    files.retain(|(_, bytes)| !bytes.is_empty());
    assert!(files.len() > 12, "{}", files.len());
    files
}

/// One bit of any file, the first byte, the middle one and the last in turn; half a file; no file.
#[test]
fn a_file_that_is_changed_cut_or_gone_is_named() {
    let workspace = cohort();
    let before = assert_whole(&workspace.path("c"));
    assert_eq!(before.older, ["000001"]);
    for (name, bytes) in files(&workspace) {
        let path = workspace.path("c").join(&name);
        let name = name.to_string_lossy();
        let check = |what: &str| {
            let found = match verify(&workspace.path("c"), true, &|_| {}) {
                Ok(verified) => verified
                    .findings
                    .iter()
                    .map(|finding| format!("{}: {}\n", finding.path, finding.detail))
                    .collect(),
                Err(error) => error.to_string(),
            };
            // Where the pointer is damaged, it may be the snapshot it names that is not as it says.
            let named = found.contains(&*name) || name == "CURRENT";
            assert!(!found.is_empty() && named, "{name} {what}: {found}");
        };
        for at in [0, bytes.len() / 2, bytes.len() - 1] {
            let mut changed = bytes.clone();
            changed[at] ^= 1;
            std::fs::write(&path, changed).unwrap();
            check("changed");
        }
        std::fs::write(&path, &bytes[..bytes.len() / 2]).unwrap();
        check("cut");
        std::fs::remove_file(&path).unwrap();
        if name == "CURRENT" {
            assert_eq!(workspace.run(&["verify", "c"]).code, 2);
        } else if name == "snapshots/000001/manifest.json" {
            // A snapshot without a manifest is one that was dropped, and what only it had is left over.
            let verified = assert_whole(&workspace.path("c"));
            assert_eq!(verified.older, [""; 0]);
            let left = |path: &String| path.starts_with("snapshots/000001/fittings/");
            assert!(verified.leftovers.iter().any(left), "{verified:?}");
        } else {
            check("gone");
            let run = workspace.run(&["verify", "c", "--history"]);
            assert_eq!(run.code, 65, "{}", run.shown());
            assert!(
                run.stdout.contains(&*name) || run.stderr.contains(&*name),
                "{}",
                run.shown()
            );
        }
        std::fs::write(&path, &bytes).unwrap();
    }
    assert_eq!(assert_whole(&workspace.path("c")), before);
}

/// An ingest that has to write the rows of a damaged part anew refuses to: the damage would come out with a good hash.
#[test]
fn an_ingest_does_not_carry_damage_on() {
    let workspace = cohort();
    let columns = "fitting_id,instrument,item,score\n";
    workspace.delivery(
        "third",
        &[("outcomes", &format!("{columns}F5,ioi-ha,4,5\n"))],
    );
    for table in ["curves", "fittings", "ears"] {
        let name = format!("c/snapshots/000002/{table}/quarter=2026-Q3/part-0.parquet");
        let bytes = std::fs::read(workspace.path(&name)).unwrap();
        // The first page begins after four bytes.
        for at in [8, bytes.len() / 3, bytes.len() / 2] {
            let mut changed = bytes.clone();
            changed[at] ^= 1;
            workspace.write(&name, changed);
            let run = workspace.run(&["ingest", "third", "--into", "c"]);
            assert_eq!(run.code, 65, "{}", run.shown());
            assert!(
                run.stderr.contains(&format!("{name} is damaged")),
                "{}",
                run.shown()
            );
        }
        workspace.write(&name, bytes);
    }
    workspace.ingest("third", "c");
}

/// Every bit of the pointer and of the manifest it has the hash of.
#[test]
fn no_changed_bit_of_pointer_or_manifest_is_read() {
    let workspace = cohort();
    for name in ["CURRENT", "snapshots/000002/manifest.json"] {
        let path = workspace.path("c").join(name);
        let bytes = std::fs::read(&path).unwrap();
        for (at, bit) in (0..bytes.len()).flat_map(|at| (0..8).map(move |bit| (at, bit))) {
            // The manifest is a few thousand bytes: one bit of each does.
            if name != "CURRENT" && at % 8 != bit {
                continue;
            }
            let mut changed = bytes.clone();
            changed[at] ^= 1 << bit;
            std::fs::write(&path, changed).unwrap();
            let opened = Cohort::open(&workspace.path("c"));
            assert!(opened.is_err(), "{name}, byte {at}, bit {bit}");
        }
        std::fs::write(&path, &bytes).unwrap();
    }
    assert_whole(&workspace.path("c"));
}

/// Every finding is said, in words and to a program, also under `--quiet`.
#[test]
fn all_findings_are_printed() {
    let workspace = cohort();
    let manifest = workspace.manifest("c");
    let path = |number: usize| {
        manifest["parts"][number]["path"]
            .as_str()
            .unwrap()
            .to_owned()
    };
    std::fs::remove_file(workspace.path(&format!("c/{}", path(0)))).unwrap();
    workspace.write(&format!("c/{}", path(1)), "PAR1");
    for options in [&["--quiet"][..], &[]] {
        let run = workspace.run(&[&["verify", "c"], options].concat());
        assert_eq!(run.code, 65, "{}", run.shown());
        assert_eq!(run.stdout.lines().count(), 2, "{}", run.shown());
        assert!(run.stdout.contains(&format!("{}: it is gone", path(0))));
        assert!(run.stdout.contains(&format!("{}: it has 4 bytes", path(1))));
        assert!(
            run.stderr.contains("c is damaged: 2 findings"),
            "{}",
            run.shown()
        );
    }
    let run = workspace.run(&["verify", "c", "--json"]);
    assert_eq!(run.code, 65);
    assert_eq!(run.json()["findings"].as_array().unwrap().len(), 2);
}

/// Two files of the same table and size in each other's place, as a mistaken restore would leave them.
#[test]
fn swapped_parts_are_found() {
    let workspace = cohort();
    let mut manifest = workspace.manifest("c");
    let of_fittings: Vec<usize> = (0..manifest["parts"].as_array().unwrap().len())
        .filter(|&n| manifest["parts"][n]["table"] == "fittings")
        .collect();
    let (a, b) = (of_fittings[0], of_fittings[1]);
    let path = |n: usize| {
        workspace.path(&format!(
            "c/{}",
            manifest["parts"][n]["path"].as_str().unwrap()
        ))
    };
    let between = workspace.path("between");
    std::fs::rename(path(a), &between).unwrap();
    std::fs::rename(path(b), path(a)).unwrap();
    std::fs::rename(&between, path(b)).unwrap();
    assert_eq!(findings(&workspace).len(), 2, "{:?}", findings(&workspace));
    // Also where sizes, hashes and rows are made to fit: then the quarters do not.
    for key in ["bytes", "hash", "rows"] {
        let (one, other) = (
            manifest["parts"][a][key].clone(),
            manifest["parts"][b][key].clone(),
        );
        manifest["parts"][a][key] = other;
        manifest["parts"][b][key] = one;
    }
    seal(&workspace, "c", "000002", manifest.to_string());
    let found = findings(&workspace);
    let quarters = found.iter().filter(|finding| {
        finding
            .detail
            .contains("of another quarter than its folder")
    });
    assert_eq!(quarters.count(), 2, "{found:?}");
}

/// A count that is not what the files hold, in a manifest whose hash is right.
#[test]
fn edited_counts_are_found() {
    let workspace = cohort();
    let whole = workspace.manifest("c");
    type Edit = fn(&mut Value);
    let edits: [(&str, Edit); 7] = [
        ("rows by its footer", |m| m["parts"][0]["rows"] = json!(77)),
        ("the manifest says", |m| m["parts"][0]["bytes"] = json!(77)),
        ("delivery 1: the account of", |m| {
            m["deliveries"][0]["accounts"][1]["rows_stored"] = json!(77);
        }),
        ("delivery 2: the account of", |m| {
            m["deliveries"][1]["accounts"][0]["rows_read"] = json!(77);
        }),
        ("set aside by rule", |m| {
            m["deliveries"][0]["rules"][0]["rows"] = json!(77);
        }),
        ("their file has 77", |m| {
            m["deliveries"][0]["set_aside_file"]["rows"] = json!(77);
        }),
        ("no file of them is named", |m| {
            let entry = m["deliveries"][0].as_object_mut().unwrap();
            entry.remove("set_aside");
        }),
    ];
    for (says, edit) in edits {
        let mut manifest = whole.clone();
        edit(&mut manifest);
        seal(&workspace, "c", "000002", manifest.to_string());
        let found = findings(&workspace);
        assert!(
            found.iter().any(|finding| finding.detail.contains(says)),
            "{says}: {found:?}"
        );
    }
}

fn rows(path: &PathBuf) -> RecordBatch {
    let reader = ParquetRecordBatchReaderBuilder::try_new(File::open(path).unwrap())
        .unwrap()
        .build()
        .unwrap();
    let batches: Vec<RecordBatch> = reader.map(Result::unwrap).collect();
    concat_batches(&batches[0].schema(), &batches).unwrap()
}

/// Writes other rows into a part, and a manifest and a pointer that bear it out.
fn forge(
    workspace: &Workspace,
    table: &str,
    quarter: &str,
    change: impl Fn(RecordBatch) -> RecordBatch,
) {
    let mut manifest = workspace.manifest("c");
    let part = manifest["parts"]
        .as_array_mut()
        .unwrap()
        .iter_mut()
        .find(|part| part["table"] == table && part["quarter"] == quarter)
        .unwrap();
    let path = workspace.path(&format!("c/{}", part["path"].as_str().unwrap()));
    let batch = change(rows(&path));
    let mut bytes = Vec::new();
    let options = ArrowWriterOptions::new().with_skip_arrow_metadata(true);
    let mut writer =
        ArrowWriter::try_new_with_options(&mut bytes, batch.schema(), options).unwrap();
    writer.write(&batch).unwrap();
    writer.close().unwrap();
    part["rows"] = json!(batch.num_rows());
    part["bytes"] = json!(bytes.len());
    part["hash"] = json!(blake3::hash(&bytes).to_hex().to_string());
    std::fs::write(path, bytes).unwrap();
    seal(workspace, "c", "000002", manifest.to_string());
}

/// Rows of a batch in another order, or some of them only, or some twice.
fn picked(batch: &RecordBatch, rows: &[usize]) -> RecordBatch {
    let slices: Vec<RecordBatch> = rows.iter().map(|&row| batch.slice(row, 1)).collect();
    concat_batches(&batch.schema(), &slices).unwrap()
}

/// Rows that contradict each other, in files that are as the manifest says. What the cohort holds: F1, F2 and F5 in
/// 2026-Q3, F3 in 2026-Q2.
#[test]
fn keys_that_do_not_fit_are_found() {
    type Change = fn(RecordBatch) -> RecordBatch;
    let cases: [(&str, &str, &str, Change); 6] = [
        (
            "fittings",
            "1 of its rows hold a fitting that is there already, the first being row 2",
            "fittings",
            |b| picked(&b, &[0, 0, 1, 2]),
        ),
        (
            "fittings",
            "row 2 is not in the order of fitting_id",
            "fittings",
            |b| picked(&b, &[1, 0, 2]),
        ),
        (
            "fittings",
            "2 of its rows have no fitting in their quarter, the first being row 1",
            "ears",
            |b| picked(&b, &[1, 2]),
        ),
        (
            "ears",
            "1 of its rows have a key that is there already, the first being row 2",
            "ears",
            |b| picked(&b, &[0, 0, 1, 2, 3]),
        ),
        (
            "curves",
            "have a key that is there already, the first being row 3",
            "curves",
            |b| picked(&b, &[0, 1, 1]),
        ),
        (
            "answers",
            "1 of its rows have a key that is there already",
            "answers",
            |b| picked(&b, &[0, 1, 1]),
        ),
    ];
    for (table, says, found_in, change) in cases {
        let workspace = cohort();
        // First unchanged: what the test's own writer makes is as good.
        forge(&workspace, table, "2026-Q3", |batch| batch);
        assert_eq!(findings_in_force(&workspace), []);
        forge(&workspace, table, "2026-Q3", change);
        let found = findings_in_force(&workspace);
        assert!(
            found
                .iter()
                .any(|f| f.detail.contains(says) && f.path.contains(&format!("/{found_in}/"))),
            "{says}: {found:?}"
        );
    }
}

/// Columns that are not those of the schema, and a fitting that is in two quarters.
#[test]
fn columns_and_quarters_that_do_not_fit_are_found() {
    let workspace = cohort();
    forge(&workspace, "answers", "2026-Q3", |batch| {
        let columns: Vec<usize> = (1..batch.num_columns()).collect();
        batch.project(&columns).unwrap()
    });
    let found = findings_in_force(&workspace);
    assert!(
        found[0].detail.contains("columns, where the schema has"),
        "{found:?}"
    );

    // The rows of 2026-Q3 again as those of a further quarter, with the quarter changed in every row.
    let workspace = cohort();
    let mut manifest = workspace.manifest("c");
    let part = manifest["parts"]
        .as_array()
        .unwrap()
        .iter()
        .find(|part| part["table"] == "fittings" && part["quarter"] == "2026-Q3")
        .unwrap();
    let batch = rows(&workspace.path(&format!("c/{}", part["path"].as_str().unwrap())));
    let mut part = part.clone();
    let position = batch.schema().index_of("quarter").unwrap();
    let mut columns = batch.columns().to_vec();
    columns[position] = std::sync::Arc::new(arrow::array::StringArray::from(vec![
        "2027-Q1";
        batch.num_rows()
    ]));
    let batch = RecordBatch::try_new(batch.schema(), columns).unwrap();
    let path = "snapshots/000002/fittings/quarter=2027-Q1/part-0.parquet";
    let copied = workspace.path(&format!("c/{}", part["path"].as_str().unwrap()));
    workspace.write(&format!("c/{path}"), std::fs::read(copied).unwrap());
    part["quarter"] = json!("2027-Q1");
    part["path"] = json!(path);
    manifest["parts"].as_array_mut().unwrap().push(part);
    seal(&workspace, "c", "000002", manifest.to_string());
    forge(&workspace, "fittings", "2027-Q1", |_| batch.clone());
    let found = findings_in_force(&workspace);
    assert_eq!(found.len(), 1, "{found:?}");
    assert_eq!(
        found[0].detail,
        "3 of its rows hold a fitting of another quarter too, the first being row 1"
    );
}

fn findings_in_force(workspace: &Workspace) -> Vec<Finding> {
    verify(&workspace.path("c"), false, &|_| {})
        .unwrap()
        .findings
}
