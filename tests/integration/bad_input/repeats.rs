//! Rows that say again what another row said are counted and stored once, whatever their spelling.

use serde_json::Value;

use super::{TABLES, assert_closes};
use crate::workspace::{Workspace, small_practice};

fn account(said: &Value, table: &str) -> [u64; 4] {
    let account = &said["tables"][table];
    assert_closes(account);
    [
        "rows_read",
        "rows_stored",
        "rows_set_aside",
        "exact_repeats",
    ]
    .map(|key| account[key].as_u64().unwrap())
}

#[test]
fn exact_repeats_are_counted_and_stored_once() {
    let workspace = Workspace::new();
    workspace.delivery("once", &small_practice());
    let twice: Vec<(&str, String)> = small_practice()
        .into_iter()
        .map(|(table, text)| {
            let (_, rows) = text.split_once('\n').unwrap();
            (table, format!("{text}{rows}"))
        })
        .collect();
    for (table, text) in &twice {
        workspace.write(&format!("twice/{table}.csv"), text);
    }
    let once = workspace.ingest("once", "c-once");
    let said = workspace.ingest("twice", "c-twice");
    for (table, rows) in TABLES.into_iter().zip([2, 4, 18, 4]) {
        assert_eq!(account(&once, table), [rows, rows, 0, 0], "{table}");
        assert_eq!(account(&said, table), [2 * rows, rows, 0, rows], "{table}");
    }
    for query in ["match", "curves", "outcomes", "verification", "ears"] {
        assert_eq!(
            workspace.query(&[query, "c-once"]),
            workspace.query(&[query, "c-twice"]),
            "{query}"
        );
    }
}

/// The same number, date or level written otherwise is the same row; in another file as well.
#[test]
fn other_spellings_of_the_same_row_are_repeats() {
    let workspace = Workspace::new();
    workspace.delivery("d", &small_practice());
    let header = |table: &str| {
        let (_, text) = small_practice()
            .into_iter()
            .find(|(name, _)| *name == table)
            .unwrap();
        text.lines().next().unwrap()
    };
    for (table, rows) in [
        // A day of the same quarter, an age beyond 90 (90 stands for 90 and older), a blank referral.
        (
            "fittings",
            "F2,P2,north,anna-1,2026-07-01,90,experienced,NAL-R,unknown,,",
        ),
        (
            "ears",
            "F2,right,false,10.0,+10,,10.00,,10.004,10,010,10,9.995,,",
        ),
        (
            "responses",
            "F2,left,final,REIG,65.00,250,10.0,15.000\nF1,left,final,REIG,65,250,10,12",
        ),
        (
            "outcomes",
            "F1,use-log,hours_per_day,7.50,6.0\nF2,ioi-ha,4,4.00,",
        ),
    ] {
        workspace.write(
            &format!("d/{table}-2.csv"),
            format!("{}\n{rows}\n", header(table)),
        );
    }
    let said = workspace.ingest("d", "c");
    assert_eq!(account(&said, "fittings"), [3, 2, 0, 1]);
    assert_eq!(account(&said, "ears"), [5, 4, 0, 1]);
    assert_eq!(account(&said, "responses"), [20, 18, 0, 2]);
    assert_eq!(account(&said, "outcomes"), [6, 4, 0, 2]);
}

/// Three rows of which two agree: all say something under the same key, so all are set aside.
#[test]
fn a_repeat_within_a_contradiction_is_set_aside_too() {
    let workspace = Workspace::new();
    workspace.delivery("d", &small_practice());
    let (_, outcomes) = small_practice()[3];
    workspace.write(
        "d/outcomes.csv",
        format!("{outcomes}F1,ioi-ha,1,3,6\nF1,ioi-ha,1,3,6\nF1,ioi-ha,1,4,6\n"),
    );
    let (_, responses) = small_practice()[2];
    let rows = "F1,left,first,REIG,65,250,10,12\n".repeat(2) + "F1,left,first,REIG,65,250,10,13\n";
    workspace.write("d/responses.csv", format!("{responses}{rows}"));
    let said = workspace.ingest("d", "c");
    assert_eq!(account(&said, "outcomes"), [7, 4, 3, 0]);
    assert_eq!(account(&said, "responses"), [21, 18, 3, 0]);
    let first = workspace.query(&["match", "c"]);
    assert!(first.rows.iter().all(|row| row[0] == "final"), "{first:#?}");
}

/// The wide file comes first by name. A long row that it repeats is then the repeat, whether the wide row brings
/// another point or not; a wide row that disagrees with a point is set aside whole, with the row of that point.
#[test]
fn long_and_wide_rows_are_held_against_each_other() {
    let header = "fitting_id,ear,stage,quantity,input_level_db,target_250,target_6000,measured_250,measured_6000";
    for (row, wide, set_aside, repeats) in [
        ("F1,left,final,REIG,65,10,,12,", 1, 0, 1),
        ("F1,left,final,REIG,65,10,5,12,5", 1, 0, 1),
        ("F1,left,final,REIG,65,10,5,13,5", 1, 2, 0),
    ] {
        let workspace = Workspace::new();
        workspace.delivery("d", &small_practice());
        workspace.write("d/responses-wide.csv", format!("{header}\n{row}\n"));
        let said = workspace.ingest("d", "c");
        let [read, stored, aside, again] = account(&said, "responses");
        assert_eq!(
            (read, aside, again),
            (18 + wide, set_aside, repeats),
            "{row}"
        );
        assert_eq!(stored, read - aside - again);
    }
}
