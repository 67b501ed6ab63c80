//! Manifests that somebody made to harm, and those of an earlier format.

use fitcohort_pipeline::PipelineError;
use fitcohort_pipeline::store::verify::verify;
use fitcohort_pipeline::store::{Cohort, MAX_MANIFEST_BYTES};
use serde_json::{Value, json};

use super::{assert_whole, cohort, seal};
use crate::deliveries::assert_same;
use crate::workspace::{Workspace, copy, files_below};

/// Opening is refused as damage, by every way of opening, and by no way with a panic.
fn assert_damaged(workspace: &Workspace, about: &str) {
    let folder = workspace.path("c");
    for opened in [
        Cohort::open(&folder).map(|_| ()),
        verify(&folder, true, &|_| {}).map(|_| ()),
    ] {
        match opened {
            Err(PipelineError::DamagedStore { .. }) => {}
            other => panic!("{about}: {other:?}"),
        }
    }
}

#[test]
fn a_manifest_made_to_harm_is_refused_as_damaged() {
    let workspace = cohort();
    workspace.write("secret.parquet", "not yours");
    let whole = workspace.manifest("c");
    type Edit = fn(&mut Value);
    let edits: [(&str, Edit); 21] = [
        ("a path up", |m| {
            m["parts"][0]["path"] = json!("snapshots/000001/../../../secret.parquet");
        }),
        ("a path beside", |m| m["parts"][0]["path"] = json!("LOCK")),
        ("an absolute path", |m| {
            m["parts"][0]["path"] = json!("/etc/passwd")
        }),
        ("a dot", |m| {
            m["parts"][0]["path"] = json!("snapshots/./000001/x.parquet");
        }),
        ("a backslash", |m| {
            m["parts"][0]["path"] = json!("snapshots/000001/..\\..\\x");
        }),
        ("a path of a later snapshot", |m| {
            m["parts"][0]["path"] = json!("snapshots/000003/x.parquet");
        }),
        ("a manifest as a part", |m| {
            m["parts"][0]["path"] = json!("snapshots/000001/manifest.json");
        }),
        ("an empty path", |m| m["parts"][0]["path"] = json!("")),
        ("rows set aside elsewhere", |m| {
            m["deliveries"][0]["set_aside"] = json!("../secret.parquet");
        }),
        ("a part twice", |m| {
            let part = m["parts"][0].clone();
            m["parts"].as_array_mut().unwrap().push(part);
        }),
        ("an unknown table", |m| {
            m["parts"][0]["table"] = json!("people")
        }),
        ("an impossible quarter", |m| {
            m["parts"][0]["quarter"] = json!("2026-Q9")
        }),
        ("a date as a quarter", |m| {
            m["parts"][0]["quarter"] = json!("2026-08")
        }),
        ("a huge count", |m| m["parts"][0]["rows"] = json!(u64::MAX)),
        ("counts that overflow", |m| {
            for account in m["deliveries"][0]["accounts"].as_array_mut().unwrap() {
                account["rows_read"] = json!(i64::MAX);
            }
        }),
        ("a negative count", |m| m["parts"][0]["rows"] = json!(-1)),
        ("a hash that is none", |m| {
            m["parts"][0]["hash"] = json!("abc")
        }),
        ("a label of any name", |m| {
            m["label_columns"] = json!(["fitting_id"]);
        }),
        ("a label that the cohort lacks", |m| {
            m["label_columns"] = json!([])
        }),
        ("another snapshot", |m| m["snapshot"] = json!("000001")),
        ("a delivery of tomorrow", |m| {
            m["deliveries"][0]["snapshot"] = json!("999999");
        }),
    ];
    for (about, edit) in edits {
        let mut manifest = whole.clone();
        edit(&mut manifest);
        assert_ne!(manifest, whole, "{about}");
        seal(&workspace, "c", "000002", manifest.to_string());
        assert_damaged(&workspace, about);
    }
    seal(&workspace, "c", "000002", "[".repeat(1_000_000));
    assert_damaged(&workspace, "deep nesting");
    let deep = format!("{{\"format\": 2, \"parts\": {}", "[".repeat(1_000_000));
    seal(&workspace, "c", "000002", deep);
    assert_damaged(&workspace, "deep nesting of a known field");
    seal(&workspace, "c", "000002", [0xff, 0xfe, 0x00]);
    assert_damaged(&workspace, "no text");
    // The sentence repeats nothing of what it found.
    let mut manifest = whole.clone();
    manifest["parts"][0]["rows"] = json!("CANARY");
    seal(&workspace, "c", "000002", manifest.to_string());
    let run = workspace.run(&["query", "match", "c"]);
    assert_eq!(run.code, 65, "{}", run.shown());
    assert!(!run.stderr.contains("CANARY"), "{}", run.shown());
    assert!(run.stderr.contains("line 1, column"), "{}", run.shown());
    seal(&workspace, "c", "000002", whole.to_string());
    assert_whole(&workspace.path("c"));
}

/// A number too large for any format is a newer format all the same.
#[test]
fn any_later_format_is_refused_as_newer() {
    let workspace = cohort();
    for format in [3, 4_000_000_000_000_u64] {
        seal(
            &workspace,
            "c",
            "000002",
            json!({ "format": format }).to_string(),
        );
        match Cohort::open(&workspace.path("c")) {
            Err(PipelineError::NewerFormat { found, known, .. }) => {
                assert_eq!((found, known), (format, 2));
            }
            other => panic!("{other:?}"),
        }
    }
}

/// A file without end where the manifest should be takes no memory to speak of.
#[test]
fn a_manifest_of_any_size_is_read_up_to_a_size() {
    let workspace = cohort();
    let path = workspace.path("c/snapshots/000002/manifest.json");
    let file = std::fs::File::options().write(true).open(path).unwrap();
    file.set_len(MAX_MANIFEST_BYTES * 1000).unwrap();
    match Cohort::open(&workspace.path("c")) {
        Err(error) => assert!(error.to_string().contains("more than the"), "{error}"),
        Ok(_) => panic!("it was opened"),
    }
}

/// A link from inside the cohort to outside is not followed, be it a file, a folder or the manifest.
#[cfg(unix)]
#[test]
fn links_that_lead_out_of_the_cohort_are_refused() {
    let whole = cohort();
    for name in [
        "snapshots/000002/manifest.json".to_owned(),
        "snapshots".to_owned(),
        whole.manifest("c")["parts"][0]["path"]
            .as_str()
            .unwrap()
            .to_owned(),
    ] {
        let workspace = cohort();
        let path = workspace.path("c").join(&name);
        let outside = workspace.path("outside");
        std::fs::rename(&path, &outside).unwrap();
        std::os::unix::fs::symlink(&outside, &path).unwrap();
        match Cohort::open(&workspace.path("c")) {
            Err(PipelineError::DamagedStore { detail, .. }) => {
                assert!(detail.contains("leads out of the cohort"), "{detail}");
            }
            other => panic!("{name}: {other:?}"),
        }
        let run = workspace.run(&["verify", "c"]);
        assert_eq!(run.code, 65, "{}", run.shown());
        // And compaction removes nothing outside.
        assert_eq!(workspace.run(&["compact", "c"]).code, 65);
        assert!(outside.exists());
    }
}

/// Format 1 had the name alone in the pointer, and said of rows set aside only where they are.
fn make_format_1(workspace: &Workspace, cohort: &str, snapshot: &str) {
    let name = format!("{cohort}/snapshots/{snapshot}/manifest.json");
    let text = std::fs::read_to_string(workspace.path(&name)).unwrap();
    let mut manifest: Value = serde_json::from_str(&text).unwrap();
    manifest["format"] = json!(1);
    manifest.as_object_mut().unwrap().remove("previous");
    for delivery in manifest["deliveries"].as_array_mut().unwrap() {
        delivery.as_object_mut().unwrap().remove("set_aside_file");
    }
    workspace.write(&name, format!("{manifest:#}\n"));
    workspace.write(&format!("{cohort}/CURRENT"), format!("{snapshot}\n"));
}

#[test]
fn a_cohort_of_format_1_is_read_and_goes_on_as_format_2() {
    let workspace = cohort();
    copy(&workspace.path("c"), &workspace.path("old"));
    make_format_1(&workspace, "old", "000001");
    make_format_1(&workspace, "old", "000002");
    std::fs::remove_file(workspace.path("old/READERS")).unwrap();
    assert_same(&workspace, "old", "c");
    let verified = assert_whole(&workspace.path("old"));
    assert_eq!(verified.older, ["000001"]);
    assert_eq!(verified.files, assert_whole(&workspace.path("c")).files);
    let columns = "fitting_id,instrument,item,score\n";
    workspace.delivery(
        "third",
        &[("outcomes", &format!("{columns}F5,ioi-ha,4,5\n"))],
    );
    for cohort in ["old", "c"] {
        workspace.ingest("third", cohort);
        workspace.ok(&["verify", cohort, "--history"]);
    }
    assert_eq!(workspace.manifest("old")["format"], 2);
    assert_same(&workspace, "old", "c");
    workspace.ok(&["compact", "old"]);
    assert_whole(&workspace.path("old"));
    // A manifest of format 2 without its hash in the pointer is not what anybody wrote.
    workspace.write("c/CURRENT", "000003\n");
    let run = workspace.run(&["query", "match", "c"]);
    assert_eq!(run.code, 65, "{}", run.shown());
    assert!(
        run.stderr.contains("no hash of the manifest"),
        "{}",
        run.shown()
    );
}

/// A cohort in a folder that may not be written to is read all the same.
#[cfg(unix)]
#[test]
fn a_cohort_is_read_from_a_folder_that_cannot_be_written_to() {
    use std::os::unix::fs::PermissionsExt;
    let workspace = cohort();
    std::fs::remove_file(workspace.path("c/READERS")).unwrap();
    let before = files_below(&workspace.path("c"));
    let rights = |mode| {
        let mode = std::fs::Permissions::from_mode(mode);
        std::fs::set_permissions(workspace.path("c"), mode).unwrap();
    };
    rights(0o555);
    workspace.query(&["match", "c"]);
    workspace.ok(&["verify", "c"]);
    rights(0o755);
    // Whoever may write anywhere may have made the lock.
    let mut after = files_below(&workspace.path("c"));
    after.retain(|(name, _)| name.to_string_lossy() != "READERS");
    assert!(after == before);
}
