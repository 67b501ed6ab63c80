//! Compaction: what it drops, what it waits for, and what is left where it is stopped.

use std::io::{BufRead, BufReader};
use std::process::Stdio;
use std::time::Duration;

use fitcohort_pipeline::store::schema::StoreTable;
use fitcohort_pipeline::store::{Cohort, WritePoint};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;

use super::faults::faults;
use super::{assert_whole, cohort, deliveries, in_force};
use crate::deliveries::assert_same;
use crate::workspace::{Workspace, copy, files_below};

/// A cohort of four snapshots, some of whose older files are still in force.
fn with_history() -> Workspace {
    let workspace = cohort();
    let answer = |score: u8| format!("fitting_id,instrument,item,score\nF5,ioi-ha,4,{score}\n");
    for (name, score) in [("third", 3), ("fourth", 4)] {
        workspace.delivery(name, &[("outcomes", &answer(score))]);
        workspace.ingest(name, "c");
    }
    workspace
}

#[test]
fn history_goes_and_the_snapshot_in_force_stays() {
    let workspace = with_history();
    copy(&workspace.path("c"), &workspace.path("whole"));
    let before = files_below(&workspace.path("c"));
    let said = workspace.ok(&["compact", "c", "--json"]).json();
    let after = files_below(&workspace.path("c"));
    assert_eq!(said["snapshot"], "000004");
    assert_eq!(said["snapshots_dropped"], 3);
    let size =
        |files: &[(std::path::PathBuf, Vec<u8>)]| files.iter().map(|f| f.1.len()).sum::<usize>();
    assert_eq!(said["files_removed"], before.len() - after.len());
    assert_eq!(said["bytes_freed"], size(&before) - size(&after));
    assert!(said["bytes_freed"].as_u64().unwrap() > 0);
    // What is left is what was there, and the manifest in force names all of it.
    assert!(after.iter().all(|file| before.contains(file)));
    let manifest = serde_json::to_string(&workspace.manifest("c")).unwrap();
    for (path, _) in &after {
        let name = path.to_string_lossy();
        let own = [
            "CURRENT",
            "LOCK",
            "READERS",
            "snapshots/000004/manifest.json",
        ];
        assert!(
            own.contains(&&*name) || manifest.contains(&format!("\"{name}\"")),
            "{name} is left"
        );
    }
    assert_same(&workspace, "c", "whole");
    assert_eq!(
        workspace.query(&["quality", "c"]),
        workspace.query(&["quality", "whole"])
    );
    assert_eq!(assert_whole(&workspace.path("c")).leftovers, [""; 0]);
    // Twice is the same as once, and the cohort goes on.
    let words = workspace.ok(&["compact", "c"]).stdout;
    assert!(
        words.contains("Older snapshots dropped: 0; files removed: 0, 0 bytes.\nSnapshot 000004 of c stays in force."),
        "{words}"
    );
    assert!(files_below(&workspace.path("c")) == after);
    assert_eq!(workspace.ingest("first", "c")["already_there"], true);
}

/// A process that reads keeps the files of its snapshot, whatever is written meanwhile.
#[test]
fn a_reader_keeps_its_files() {
    let workspace = deliveries();
    workspace.ingest("first", "c");
    let reading = Cohort::open(&workspace.path("c")).unwrap();
    workspace.ingest("second", "c");
    let run = workspace.run(&["compact", "c", "--no-wait"]);
    assert_eq!(run.code, 74, "{}", run.shown());
    assert!(
        run.stderr.contains("another process is reading c"),
        "{}",
        run.shown()
    );
    let mut child = workspace
        .command(&["compact", "c"])
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut said = BufReader::new(child.stderr.take().unwrap()).lines();
    assert_eq!(
        said.next().unwrap().unwrap(),
        "waiting for other processes that read the cohort"
    );
    // Others may read meanwhile, and those who write wait for the compaction.
    workspace.ok(&["verify", "c", "--history"]);
    let run = workspace.run(&["ingest", "second", "--into", "c", "--no-wait"]);
    assert_eq!(run.code, 74, "{}", run.shown());
    for table in StoreTable::ALL {
        for (path, part) in reading.parts(table) {
            assert_eq!(std::fs::metadata(path).unwrap().len(), part.bytes);
        }
    }
    assert!(child.try_wait().unwrap().is_none());
    drop(reading);
    assert!(child.wait().unwrap().success());
    assert!(!workspace.path("c/snapshots/000001/manifest.json").exists());
    assert_whole(&workspace.path("c"));
}

/// Where a file in force is damaged, history may be all there is: nothing is dropped.
#[test]
fn a_damaged_cohort_is_not_compacted() {
    let workspace = with_history();
    let part = workspace.manifest("c")["parts"][0]["path"]
        .as_str()
        .unwrap()
        .to_owned();
    let path = workspace.path(&format!("c/{part}"));
    let mut bytes = std::fs::read(&path).unwrap();
    bytes[20] ^= 1;
    std::fs::write(&path, bytes).unwrap();
    let before = files_below(&workspace.path("c"));
    let run = workspace.run(&["compact", "c"]);
    assert_eq!(run.code, 65, "{}", run.shown());
    assert!(run.stderr.contains("is damaged"), "{}", run.shown());
    assert!(files_below(&workspace.path("c")) == before);
    let run = workspace.run(&["compact", "nowhere"]);
    assert_eq!(run.code, 2, "{}", run.shown());
    assert!(!workspace.path("nowhere").exists());
}

/// What has to hold after a compaction was stopped in `cohort`, and after the next one.
fn assert_stopped_well(workspace: &Workspace, cohort: &str, compacted: &str, about: &str) {
    let folder = workspace.path(cohort);
    assert_eq!(in_force(&folder).as_deref(), Some("000004"), "{about}");
    // Older snapshots whose manifest is there are whole too.
    assert_whole(&folder);
    workspace.ok(&["compact", cohort]);
    assert!(
        files_below(&folder) == files_below(&workspace.path(compacted)),
        "{about}"
    );
    assert_eq!(assert_whole(&folder).leftovers, [""; 0], "{about}");
}

#[test]
fn a_compaction_survives_every_fault() {
    let workspace = with_history();
    copy(&workspace.path("c"), &workspace.path("compacted"));
    workspace.ok(&["compact", "compacted"]);
    let points = [
        WritePoint::Lock,
        WritePoint::Readers,
        WritePoint::OldManifest,
        WritePoint::OldManifestSync,
        WritePoint::OldFile,
        WritePoint::OldFolder,
        WritePoint::OldFolderSync,
    ];
    faults(points.into_iter())
        .par_iter()
        .for_each(|(_, fault)| {
            let name = fault.replace(':', "-");
            copy(&workspace.path("c"), &workspace.path(&name));
            let run = workspace.run_with_fault(&["compact", &name], Some(fault));
            assert!(run.stderr.contains("fault reached: "), "{fault}");
            let killed = fault.contains("kill");
            assert_eq!(run.code == -1, killed, "{fault}\n{}", run.shown());
            assert!(killed || [73, 74].contains(&run.code), "{}", run.shown());
            assert_stopped_well(&workspace, &name, "compacted", fault);
        });
}

#[test]
fn a_compaction_killed_at_any_moment_leaves_the_snapshot_in_force() {
    let kills = std::env::var("FITCOHORT_KILLS").map_or(6, |text| text.parse().unwrap());
    let workspace = with_history();
    copy(&workspace.path("c"), &workspace.path("compacted"));
    let begun = std::time::Instant::now();
    workspace.ok(&["compact", "compacted"]);
    let whole = begun.elapsed();
    let mut random = ChaCha8Rng::seed_from_u64(20_260_818);
    let mut compacted = 0;
    for number in 0..kills {
        let name = format!("killed-{number}");
        copy(&workspace.path("c"), &workspace.path(&name));
        let mut child = workspace
            .command(&["compact", &name])
            .stdout(Stdio::null())
            .spawn()
            .unwrap();
        // From when it holds the lock, most of the time goes by; the removal itself is short.
        std::thread::sleep(whole.mul_f64(random.random_range(0.2..1.1)) + Duration::from_micros(1));
        child.kill().unwrap();
        child.wait().unwrap();
        let gone = !workspace
            .path(&format!("{name}/snapshots/000001/manifest.json"))
            .exists();
        compacted += u32::from(gone);
        assert_stopped_well(&workspace, &name, "compacted", &name);
        std::fs::remove_dir_all(workspace.path(&name)).unwrap();
    }
    println!("{kills} kills, {compacted} of them after the first manifest was gone");
}
