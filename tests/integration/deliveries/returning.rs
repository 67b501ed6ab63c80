//! Rows set aside for want of a parent come back by themselves when a later delivery brings it.

use serde_json::{Value, json};

use super::{assert_same, only, with_first};
use crate::parquet_files;
use crate::workspace::{
    EARS, FITTINGS, OUTCOMES, RESPONSES, Rows, Workspace, files_below, small_practice,
};

/// What the cohort keeps of a delivery.
fn entry(workspace: &Workspace, position: usize) -> Value {
    workspace.manifest("c")["deliveries"][position].clone()
}

/// Its rows set aside.
fn aside(workspace: &Workspace, position: usize) -> Rows {
    let entry = entry(workspace, position);
    parquet_files::rows(&workspace.path(&format!("c/{}", entry["set_aside"].as_str().unwrap())))
}

/// Item and score, in hundredths, of every answer of F1 that is stored.
fn scores(workspace: &Workspace) -> Vec<(String, String)> {
    let mut out = Vec::new();
    for path in parquet_files::parts(workspace, "c", "answers") {
        let rows = parquet_files::rows(&path);
        let of_f1 = (0..rows.rows.len()).filter(|&row| rows.get(row, "fitting_id") == "F1");
        out.extend(of_f1.map(|row| ["item", "score"].map(|name| rows.get(row, name).to_owned())));
    }
    out.sort();
    out.into_iter().map(|[item, score]| (item, score)).collect()
}

fn begun() -> Workspace {
    let workspace = Workspace::new();
    workspace.delivery("empty", &[("fittings", FITTINGS.lines().next().unwrap())]);
    workspace.ingest("empty", "c");
    workspace
}

/// Children first, in deliveries of their own, then the ears, then the parents: nothing has to come again.
#[test]
fn children_wait_for_their_parents() {
    let workspace = begun();
    let [fittings, ears, responses, outcomes] = small_practice();
    for (step, table) in [outcomes, responses, ears, fittings]
        .into_iter()
        .enumerate()
    {
        let name = format!("step-{step}");
        workspace.delivery(&name, &[table]);
        let said = workspace.ingest(&name, "c");
        let returned = match step {
            3 => json!({ "ears": 4, "responses": 18, "outcomes": 4 }),
            _ => json!({}),
        };
        assert_eq!(said["returned"], returned, "{said:#}");
    }
    workspace.delivery("whole", &small_practice());
    workspace.ingest("whole", "at-once");
    assert_same(&workspace, "c", "at-once");
    for position in 1..5 {
        let entry = entry(&workspace, position);
        assert_eq!(entry["waiting"], 0);
        assert_eq!(entry["rules"], json!([]));
        assert_eq!(entry["set_aside"], Value::Null);
        for account in entry["accounts"].as_array().unwrap() {
            assert_eq!(account["rows_set_aside"], 0);
            assert_eq!(account["rows_read"], account["rows_stored"]);
        }
    }
    // Said in words too, and again nothing is left to be done.
    let before = files_below(&workspace.path("c"));
    for step in 0..4 {
        let said = workspace.ingest(&format!("step-{step}"), "c");
        assert_eq!(said["already_there"], true);
    }
    assert!(files_below(&workspace.path("c")) == before);
}

#[test]
fn the_summary_says_what_returned() {
    let workspace = begun();
    workspace.delivery("answers", &[("outcomes", OUTCOMES)]);
    workspace.ingest("answers", "c");
    workspace.delivery("parents", &[("fittings", &only(FITTINGS, "F1"))]);
    let words = workspace.ok(&["ingest", "parents", "--into", "c"]).stdout;
    assert!(
        words.contains(
            "Rows of earlier deliveries that had been set aside and returned: outcomes 3"
        ),
        "{words}"
    );
    // The fourth waits on, with its text.
    let rows = aside(&workspace, 1);
    assert_eq!(rows.rows.len(), 1);
    assert_eq!(rows.get(0, "text"), "F2,ioi-ha,4,4,");
    assert_eq!(rows.get(0, "line"), "5");
    assert_eq!(
        OUTCOMES.find("F2").unwrap().to_string(),
        rows.get(0, "byte")
    );
    assert_eq!(
        rows.get(0, "record"),
        r#"{"fitting_id":"F2","instrument":"ioi-ha","item":"4","score":"4"}"#
    );
}

/// A delivery that does not concern a waiting row leaves the file as it is.
#[test]
fn what_still_waits_is_not_touched() {
    let workspace = with_first();
    workspace.delivery(
        "strangers",
        &[(
            "outcomes",
            "fitting_id,instrument,item,score\nF9,ioi-ha,4,3\n",
        )],
    );
    workspace.ingest("strangers", "c");
    let before = entry(&workspace, 1);
    assert_eq!(before["waiting"], 1);
    assert_eq!(before["set_aside"], "snapshots/000002/set-aside.parquet");
    workspace.delivery("others", &[("fittings", &FITTINGS.replace("F1", "F5"))]);
    workspace.ingest("others", "c");
    assert_eq!(entry(&workspace, 1), before);
}

/// A response waits for its ear; where its fitting is corrected before, the correction stands for the response too.
#[test]
fn a_correction_ends_the_wait_for_an_ear() {
    let without_ear: String = EARS
        .lines()
        .filter(|line| !line.starts_with("F1,right"))
        .map(|line| format!("{line}\n"))
        .collect();
    let ear = |style: &str| format!("fitting_id,ear,fitted,style\nF1,right,true,{style}\n");
    for corrected in [false, true] {
        let workspace = Workspace::new();
        let mut tables = small_practice();
        tables[1].1 = &without_ear;
        workspace.delivery("first", &tables);
        workspace.ingest("first", "c");
        assert_eq!(entry(&workspace, 0)["waiting"], 6);
        if corrected {
            workspace.delivery("correction", &[("fittings", &only(FITTINGS, "F1"))]);
            workspace.ingest("correction", "c");
            assert_eq!(entry(&workspace, 0)["waiting"], 0);
            let rows = aside(&workspace, 0);
            assert_eq!(rows.rows.len(), 6);
            assert!((0..6).all(|row| rows.get(row, "record").is_empty()));
            assert!((0..6).all(|row| rows.get(row, "rule") == "orphan-ear"));
        }
        workspace.delivery("ear", &[("ears", &ear("late"))]);
        let said = workspace.ingest("ear", "c");
        let returned = if corrected {
            json!({})
        } else {
            json!({ "responses": 6 })
        };
        assert_eq!(said["returned"], returned, "{said:#}");
    }
}

/// Rows of a fitting that was itself set aside wait for it to come again, and stay set aside until then.
#[test]
fn rows_of_a_refused_fitting_return_with_its_correction() {
    let workspace = with_first();
    let spoiled = only(FITTINGS, "F1").replace("2026-08-17", "last summer");
    let answer = "fitting_id,instrument,item,score\nF1,ioi-ha,7,2\n";
    workspace.delivery("late", &[("fittings", &spoiled), ("outcomes", answer)]);
    workspace.ingest("late", "c");
    let said = workspace.ingest("late", "c");
    assert_eq!(said["already_there"], true);
    assert_eq!(said["set_aside"][1]["rule"], "orphan");
    workspace.delivery("mended", &[("fittings", &only(FITTINGS, "F1"))]);
    let said = workspace.ingest("mended", "c");
    assert_eq!(said["returned"], json!({ "outcomes": 1 }));
    assert_eq!(scores(&workspace), [("7".to_owned(), "200".to_owned())]);
}

/// Waiting rows of two deliveries under one key: the later wins, and rows of one delivery that contradict each other
/// are set aside, then as now.
#[test]
fn waiting_rows_meet_as_they_would_have() {
    let workspace = begun();
    let header = "fitting_id,instrument,item,score\n";
    for (name, rows) in [
        ("one", "F1,ioi-ha,1,1\nF1,ioi-ha,2,1\nF1,ioi-ha,2,1\n"),
        (
            "two",
            "F1,ioi-ha,1,2\nF1,ioi-ha,2,1\nF1,ioi-ha,3,4\nF1,ioi-ha,3,5\n",
        ),
    ] {
        workspace.delivery(name, &[("outcomes", &format!("{header}{rows}"))]);
        workspace.ingest(name, "c");
    }
    let own = format!("{header}F1,ioi-ha,4,3\n");
    let parents = only(FITTINGS, "F1");
    workspace.delivery("parents", &[("fittings", &parents), ("outcomes", &own)]);
    let said = workspace.ingest("parents", "c");
    assert_eq!(said["returned"], json!({ "outcomes": 5 }));
    let account = |position| {
        let accounts = entry(&workspace, position)["accounts"].clone();
        [
            "rows_read",
            "rows_stored",
            "rows_set_aside",
            "exact_repeats",
        ]
        .map(|count| accounts[3][count].as_u64().unwrap())
    };
    assert_eq!(account(1), [3, 2, 0, 1]);
    assert_eq!(account(2), [4, 1, 2, 1]);
    let rules = json!([{ "table": "outcomes", "rule": "contradiction", "rows": 2 }]);
    assert_eq!(entry(&workspace, 2)["rules"], rules);
    assert_eq!(entry(&workspace, 2)["waiting"], 0);
    let rows = aside(&workspace, 2);
    assert_eq!(rows.get(0, "rule"), "contradiction");
    assert!(rows.get(0, "sentence").contains("under the same key"));
    assert_eq!(
        (rows.get(0, "text"), rows.get(1, "text")),
        ("F1,ioi-ha,3,4", "F1,ioi-ha,3,5")
    );
    let expected = [("1", "200"), ("2", "100"), ("4", "300")];
    let expected = expected.map(|(item, score)| (item.to_owned(), score.to_owned()));
    assert_eq!(scores(&workspace), expected);
}

/// Rows of both forms that waited are read in the order in which they were delivered: which of them says again what
/// another said depends on it, and the account is that of the same delivery after its fittings.
#[test]
fn waiting_rows_of_both_forms_keep_their_order() {
    let wide_ears = "fitting_id,ear,fitted,threshold_500,threshold_1000\nF1,left,true,25,30\n";
    let long_ears = "fitting_id,ear,frequency_hz,threshold\nF1,left,1000,30\n";
    let wide_responses = "fitting_id,ear,quantity,input_level_db,target_500,measured_500,measured_1000\n\
        F1,left,REIG,65,20,21,22\n";
    let long_responses = "fitting_id,ear,quantity,input_level_db,frequency_hz,measured_db\nF1,left,REIG,65,1000,22\n";
    let fittings = only(FITTINGS, "F1");
    for wide_first in [true, false] {
        let [wide, long] = if wide_first { [1, 2] } else { [2, 1] };
        let accounts = [true, false].map(|waits| {
            let workspace = begun();
            workspace.delivery("fittings", &[("fittings", &fittings)]);
            workspace.delivery(
                "children",
                &[
                    (&format!("ears-{wide}"), wide_ears),
                    (&format!("ears-{long}"), long_ears),
                    (&format!("responses-{wide}"), wide_responses),
                    (&format!("responses-{long}"), long_responses),
                ],
            );
            let names = if waits {
                ["children", "fittings"]
            } else {
                ["fittings", "children"]
            };
            for name in names {
                workspace.ingest(name, "c");
            }
            let entry = entry(&workspace, if waits { 1 } else { 2 });
            assert_eq!(entry["waiting"], 0, "{entry:#}");
            assert_eq!(entry["rules"], json!([]), "{entry:#}");
            entry["accounts"].clone()
        });
        let [waited, at_once] = accounts;
        assert_eq!(waited, at_once, "the wide form first: {wide_first}");
        // What the long row says, the wide one has said; not so the other way about.
        let (stored, repeats) = if wide_first { (1, 1) } else { (2, 0) };
        for table in [1, 2] {
            assert_eq!(waited[table]["rows_read"], 2, "{waited:#}");
            assert_eq!(waited[table]["rows_stored"], stored, "{waited:#}");
            assert_eq!(waited[table]["exact_repeats"], repeats, "{waited:#}");
        }
    }
}

/// A row that returns may break another rule under what it finds, and is then set aside by that one.
#[test]
fn a_row_that_returns_is_judged_by_every_rule() {
    let workspace = begun();
    let [_, ears, responses, _] = small_practice();
    workspace.delivery("children", &[ears, responses]);
    workspace.ingest("children", "c");
    let parents = FITTINGS.replace("NAL-R", "");
    workspace.delivery("parents", &[("fittings", &parents)]);
    let said = workspace.ingest("parents", "c");
    assert_eq!(said["returned"], json!({ "ears": 4 }));
    let rules =
        json!([{ "table": "responses", "rule": "target-without-prescription", "rows": 18 }]);
    assert_eq!(entry(&workspace, 1)["rules"], rules);
    assert_eq!(entry(&workspace, 1)["waiting"], 0);
    let line = RESPONSES.lines().nth(1).unwrap();
    assert_eq!(aside(&workspace, 1).get(0, "text"), line);
}

/// A cohort of an earlier version, whose rows set aside have neither text nor record, opens; those rows do not return.
#[test]
fn rows_set_aside_by_an_earlier_version_stay() {
    let workspace = begun();
    workspace.delivery("answers", &[("outcomes", OUTCOMES)]);
    workspace.ingest("answers", "c");
    let path = workspace.path("c/snapshots/000002/set-aside.parquet");
    let rows = parquet_files::rows(&path);
    let kept: Vec<String> = std::iter::once(&rows.columns)
        .chain(&rows.rows)
        .map(|row| {
            let cells: Vec<String> = row[..6].iter().map(|cell| format!("\"{cell}\"")).collect();
            cells.join(",") + "\n"
        })
        .collect();
    std::fs::write(&path, parquet_files::from_csv(&kept.concat())).unwrap();
    let manifest = workspace.path("c/snapshots/000002/manifest.json");
    let text = std::fs::read_to_string(&manifest).unwrap();
    let mut value: serde_json::Value = serde_json::from_str(&text).unwrap();
    for entry in value["deliveries"].as_array_mut().unwrap() {
        let entry = entry.as_object_mut().unwrap();
        entry.remove("waiting");
        entry.remove("set_aside_file");
    }
    let text = format!("{value:#}\n");
    std::fs::write(&manifest, &text).unwrap();
    let hash = blake3::hash(text.as_bytes()).to_hex();
    workspace.write("c/CURRENT", format!("000002 {hash}\n"));
    workspace.delivery("parents", &[("fittings", FITTINGS)]);
    let said = workspace.ingest("parents", "c");
    assert_eq!(said["returned"], json!({}));
    assert_eq!(entry(&workspace, 1)["accounts"][3]["rows_set_aside"], 4);
}

/// The share is judged for each table, and before anything is stored.
#[test]
fn too_large_a_share_set_aside_fails_when_asked_to() {
    let workspace = Workspace::new();
    let mut tables = small_practice();
    let outcomes = format!("{OUTCOMES}F1,ioi-ha,9,3,\n");
    tables[3].1 = &outcomes;
    workspace.delivery("d", &tables);
    for (share, code) in [("0.2", 0), ("0.19", 1), ("0", 1), ("1", 0)] {
        let asked = ["--fail-on-set-aside", share];
        let check = workspace.run(&[&["check", "d", "--json"][..], &asked].concat());
        let ingest =
            workspace.run(&[&["ingest", "d", "--into", share, "--json"][..], &asked].concat());
        for run in [&check, &ingest] {
            assert_eq!(run.code, code, "{}", run.shown());
            assert_eq!(run.json()["tables"]["outcomes"]["rows_set_aside"], 1);
            if code == 1 {
                let said = "1 of 5 rows of outcomes are set aside";
                assert!(run.stderr.contains(said), "{}", run.shown());
            }
        }
        assert_eq!(workspace.path(share).exists(), code == 0);
    }
    // An existing cohort stays as it is, and the rows are written out all the same.
    workspace.ingest("d", "c");
    let before = files_below(&workspace.path("c"));
    workspace.delivery(
        "more",
        &[("outcomes", &outcomes.replace("ioi-ha,4,3", "ioi-ha,4,2"))],
    );
    let run = workspace.run(&[
        "ingest",
        "more",
        "--into",
        "c",
        "--fail-on-set-aside",
        "0.1",
        "--set-aside-csv",
        "s.csv",
    ]);
    assert_eq!(run.code, 1, "{}", run.shown());
    assert!(files_below(&workspace.path("c")) == before);
    let rows = Rows::parse(&std::fs::read_to_string(workspace.path("s.csv")).unwrap());
    assert_eq!(rows.get(0, "text"), "F1,ioi-ha,9,3,");
    // The same delivery once more is the same finding.
    let run = workspace.run(&[
        "ingest",
        "d",
        "--into",
        "c",
        "--fail-on-set-aside",
        "0.1",
        "--set-aside-csv",
        "t.csv",
    ]);
    assert_eq!(run.code, 1, "{}", run.shown());
    let again = Rows::parse(&std::fs::read_to_string(workspace.path("t.csv")).unwrap());
    assert_eq!(again.get(0, "text"), "F1,ioi-ha,9,3,");
    for share in ["-0.1", "1.5", "NaN", "few"] {
        let run = workspace.run(&["check", "d", &format!("--fail-on-set-aside={share}")]);
        assert_eq!(run.code, 2, "{}", run.shown());
    }
}

/// By table, the largest count first, with three places at most; as JSON with the same places.
#[test]
fn check_shows_the_first_places_of_each_rule() {
    let workspace = Workspace::new();
    let mut tables = small_practice();
    let outcomes = format!(
        "{OUTCOMES}F1,ioi-ha,9,3,\nF1,other,9,3,\nF1,other,9,4,\nF3,ioi-ha,1,3,\nF1,other,9,3,\nF1,other,9,3,\n"
    );
    tables[3].1 = &outcomes;
    workspace.delivery("d", &tables);
    let words = workspace.ok(&["check", "d"]).stdout;
    let begin = words.find("Set aside").unwrap();
    let shown: Vec<&str> = words[begin..].lines().collect();
    assert_eq!(shown[1], "outcomes");
    let starts = |line: usize, start: &str| {
        assert!(shown[line].trim_start().starts_with(start), "{words}");
    };
    starts(2, "4  unknown-instrument           outcomes.csv, line 7: ");
    starts(3, "outcomes.csv, line 8: ");
    starts(4, "outcomes.csv, line 10: ");
    starts(5, "1  unknown-item ");
    starts(6, "1  orphan ");
    let json = workspace.ok(&["check", "d", "--json"]).json();
    let places: Vec<(&str, u64)> = json["examples"]
        .as_array()
        .unwrap()
        .iter()
        .map(|place| {
            (
                place["rule"].as_str().unwrap(),
                place["line"].as_u64().unwrap(),
            )
        })
        .collect();
    let expected = [
        ("unknown-instrument", 7),
        ("unknown-instrument", 8),
        ("unknown-instrument", 10),
        ("unknown-item", 6),
        ("orphan", 9),
    ];
    assert_eq!(places, expected);
}
