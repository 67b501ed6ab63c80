//! What the store refuses: to be written twice at once, to be read where it is newer, damaged or no cohort at all.

use std::fs::File;

use super::with_first;
use crate::workspace::{OUTCOMES, Workspace, files_below, small_practice};

/// While another process holds the lock, nobody else writes; reading goes on.
#[test]
fn a_lock_held_elsewhere_is_respected() {
    let workspace = with_first();
    workspace.delivery(
        "second",
        &[("outcomes", OUTCOMES), ("ears", small_practice()[1].1)],
    );
    let before = files_below(&workspace.path("c"));
    let query = workspace.query(&["match", "c"]);
    let lock = File::options()
        .write(true)
        .open(workspace.path("c/LOCK"))
        .unwrap();
    lock.try_lock().unwrap();
    let run = workspace.run(&["ingest", "second", "--into", "c", "--no-wait"]);
    assert_eq!(run.code, 74, "{}", run.shown());
    assert!(
        run.stderr.contains("another process is writing to c"),
        "{}",
        run.shown()
    );
    assert!(
        run.stderr
            .contains("what to do: wait until the other process has ended"),
        "{}",
        run.shown()
    );
    assert!(files_below(&workspace.path("c")) == before);
    assert_eq!(workspace.query(&["match", "c"]), query);

    // The same before the first snapshot is there.
    workspace.write("new/LOCK", "");
    let other = File::options()
        .write(true)
        .open(workspace.path("new/LOCK"))
        .unwrap();
    other.try_lock().unwrap();
    let run = workspace.run(&["ingest", "first", "--into", "new", "--no-wait"]);
    assert_eq!(run.code, 74, "{}", run.shown());
    assert!(!workspace.path("new/CURRENT").exists());

    drop(lock);
    workspace.ingest("second", "c");
    drop(other);
    workspace.ingest("first", "new");
}

/// Commands that read or write a cohort, with its folder left out.
const COMMANDS: [&[&str]; 4] = [
    &["compact"],
    &["query", "match"],
    &["report", "--out", "r"],
    &["ingest", "second", "--into"],
];

fn assert_refused(workspace: &Workspace, cohort: &str, code: i32, says: &[&str]) {
    for command in COMMANDS {
        let run = workspace.run(&[command, &[cohort]].concat());
        assert_eq!(run.code, code, "{}", run.shown());
        for words in says {
            assert!(run.stderr.contains(words), "{words:?}: {}", run.shown());
        }
        assert!(run.stderr.contains("what to do: "), "{}", run.shown());
    }
    assert!(!workspace.path("r").exists());
}

#[test]
fn a_newer_format_is_refused_and_left_alone() {
    let workspace = with_first();
    workspace.delivery("second", &[("outcomes", OUTCOMES)]);
    // Of a later version only the format is known, and that the pointer has the hash of the manifest.
    let later = "{ \"format\": 3, \"anything\": { \"else\": [] } }";
    workspace.write("c/snapshots/000001/manifest.json", later);
    let hash = blake3::hash(later.as_bytes());
    workspace.write("c/CURRENT", format!("000001 {hash}\n"));
    let before = files_below(&workspace.path("c"));
    let says = [
        "000001/manifest.json is in store format 3; this version reads up to 2",
        "a later one",
    ];
    assert_refused(&workspace, "c", 65, &says);
    assert!(files_below(&workspace.path("c")) == before);

    let run = workspace.run(&["verify", "c"]);
    assert!(
        run.code == 65 && run.stderr.contains(says[0]),
        "{}",
        run.shown()
    );

    // A pointer of another shape is of a later version, or damaged.
    workspace.write("c/CURRENT", format!("snapshot 000001 {hash}\n"));
    let says = [
        "c/CURRENT does not name a snapshot",
        "damaged, or of a newer version",
        "use the latest version",
    ];
    assert_refused(&workspace, "c", 65, &says);
}

#[test]
fn a_damaged_cohort_is_named_and_left_alone() {
    let current = "c/CURRENT";
    let manifest = "c/snapshots/000001/manifest.json";
    for (path, content, says) in [
        (current, "", "does not name a snapshot"),
        (current, "../../elsewhere\n", "does not name a snapshot"),
        (manifest, "", "manifest.json is damaged"),
        (manifest, "{ \"format\": \"one\" }", "states no format"),
        (manifest, "{ \"format\": 1 }", "manifest.json is damaged"),
    ] {
        let workspace = with_first();
        workspace.delivery("second", &[("outcomes", OUTCOMES)]);
        workspace.write(path, content);
        if path == manifest {
            // The hash is that of the damage, so that it is not the hash which finds it.
            let hash = blake3::hash(content.as_bytes());
            workspace.write(current, format!("000001 {hash}\n"));
        }
        let before = files_below(&workspace.path("c"));
        assert_refused(&workspace, "c", 65, &[says]);
        assert!(files_below(&workspace.path("c")) == before, "{says}");
    }
}

/// A part that is gone, cut off, or of the right size and no Parquet.
#[test]
fn a_damaged_part_is_named_and_nothing_is_computed_from_the_others() {
    let part = "c/snapshots/000001/curves/quarter=2026-Q3/part-0.parquet";
    let size = std::fs::metadata(with_first().path(part)).unwrap().len();
    let workspace = with_first();
    // F1 is in the quarter of the part, so an ingest has to read it.
    workspace.delivery(
        "second",
        &[("outcomes", OUTCOMES), ("ears", small_practice()[1].1)],
    );
    std::fs::remove_file(workspace.path(part)).unwrap();
    assert_refused(
        &workspace,
        "c",
        65,
        &["part-0.parquet is damaged: it is gone"],
    );
    workspace.write(part, "PAR1 cut off");
    let says =
        format!("part-0.parquet is damaged: it has 12 bytes, where the manifest says {size}");
    assert_refused(
        &workspace,
        "c",
        65,
        &[&says, "restore the cohort's folder from a backup"],
    );
    workspace.write(part, vec![b'x'; usize::try_from(size).unwrap()]);
    let before = files_below(&workspace.path("c"));
    let run = workspace.run(&["ingest", "second", "--into", "c"]);
    assert_eq!(run.code, 65, "{}", run.shown());
    assert!(
        run.stderr.contains("part-0.parquet is damaged: "),
        "{}",
        run.shown()
    );
    assert!(files_below(&workspace.path("c")) == before);
}

#[test]
fn a_folder_that_is_no_cohort_is_a_mistake_of_usage() {
    let workspace = Workspace::new();
    workspace.delivery("d", &small_practice());
    workspace.write("file", "text");
    for folder in ["d", "nowhere", "file"] {
        for command in [&["query", "match"][..], &["report", "--out", "r"]] {
            let run = workspace.run(&[command, &[folder]].concat());
            assert_eq!(run.code, 2, "{}", run.shown());
            assert!(
                run.stderr.contains(&format!("{folder} is not a cohort")),
                "{}",
                run.shown()
            );
        }
    }
    assert!(!workspace.path("r").exists());
    // A file where the cohort's folder should be cannot be written to.
    let run = workspace.run(&["ingest", "d", "--into", "file"]);
    assert_eq!(run.code, 73, "{}", run.shown());
    assert!(run.stderr.contains("cannot write file"), "{}", run.shown());
    assert_eq!(
        std::fs::read_to_string(workspace.path("file")).unwrap(),
        "text"
    );
}
