//! The same delivery again, rows of fittings that were set aside, and folders that are no cohort.

use crate::workspace::{FITTINGS, OUTCOMES, Workspace, small_practice};

const FITTING_COLUMNS: &str = "fitting_id,patient_id,clinic_id,clinician_id,fitted_on,prescription";

fn fittings(rows: &str) -> String {
    format!("{FITTING_COLUMNS}\n{rows}")
}

/// The first delivery has G1 whole and an answer of G2, whose fitting comes with the second; the second also corrects
/// G1. The answer returns with its fitting, the correction stays, and the first again changes nothing.
#[test]
fn orphans_return_and_corrections_stay() {
    let workspace = Workspace::new();
    let ears = "fitting_id,ear,fitted,threshold_500,style\n";
    workspace.delivery(
        "d1",
        &[
            ("fittings", &fittings("G1,P1,north,anna-1,2026-Q1,NAL-R\n")),
            ("ears", &format!("{ears}G1,left,true,40,first\n")),
            (
                "outcomes",
                "fitting_id,instrument,item,score\nG1,ioi-ha,4,2\nG2,ioi-ha,4,5\n",
            ),
        ],
    );
    workspace.delivery(
        "d2",
        &[
            (
                "fittings",
                &fittings("G1,P1,north,anna-1,2026-Q2,NAL-R\nG2,P2,north,anna-1,2026-Q2,NAL-R\n"),
            ),
            (
                "ears",
                &format!("{ears}G1,left,true,40,second\nG2,left,true,40,second\n"),
            ),
            (
                "outcomes",
                "fitting_id,instrument,item,score\nG1,ioi-ha,4,3\n",
            ),
        ],
    );
    let first = workspace.ingest("d1", "c");
    assert_eq!(first["tables"]["outcomes"]["rows_set_aside"], 1);
    let second = workspace.ingest("d2", "c");
    assert_eq!(second["returned"], serde_json::json!({ "outcomes": 1 }));
    let again = workspace.ingest("d1", "c");
    assert_eq!(again["already_there"], true);
    let counts = &again["tables"]["outcomes"];
    assert_eq!(counts["rows_read"], 2);
    assert_eq!(counts["rows_stored"], 2);
    assert_eq!(counts["rows_set_aside"], 0);
    let styles = workspace.query(&["verification", "c", "--by", "quarter,style"]);
    assert_eq!(styles.rows.len(), 1, "{styles:?}");
    assert_eq!(styles.get(0, "style"), "second");
    assert_eq!(styles.get(0, "quarter"), "2026-Q2");
    let answers = workspace.query(&["outcomes", "c"]);
    assert_eq!(answers.get(0, "n_answered"), "2");
    // G1 answered 3 by its correction, G2 the 5 that had no parent before.
    assert!((answers.real(0, "mean") - 4.0).abs() < 1e-12);
    // Each row was read once, however often it was delivered.
    let quality = workspace.query(&["quality", "c"]);
    let row = quality.find(&[("table_name", "outcomes"), ("rule", "")]);
    assert_eq!(quality.get(row, "rows_read"), "3");
    assert_eq!(quality.get(row, "rows_stored"), "3");
}

/// An instrument that the plan learns of later.
#[test]
fn rows_set_aside_for_the_plan_come_in_under_another_plan() {
    let workspace = Workspace::new();
    let mut tables = small_practice();
    let answers = format!("{OUTCOMES}F1,comfort,overall,8,\n");
    tables[3].1 = &answers;
    workspace.delivery("d", &tables);
    workspace.ingest("d", "c");
    workspace.write(
        "plan.toml",
        "[instruments.comfort]\nitems = ['overall']\nminimum = 0\nmaximum = 10\n",
    );
    let run = workspace.ok(&[
        "ingest",
        "d",
        "--into",
        "c",
        "--plan",
        "plan.toml",
        "--json",
    ]);
    assert_eq!(run.json()["already_there"], false);
    let found = workspace.query(&["outcomes", "c"]);
    let row = found.find(&[("instrument", "comfort")]);
    assert!((found.real(row, "mean") - 8.0).abs() < 1e-12);
}

/// A fitting that is set aside takes its rows along, also where the cohort has an earlier record of it.
#[test]
fn rows_of_a_fitting_set_aside_do_not_reach_the_earlier_record() {
    let workspace = Workspace::new();
    workspace.delivery("d", &small_practice());
    workspace.ingest("d", "c");
    let before = workspace.query(&["curves", "c"]);
    let mut tables = small_practice();
    let spoiled = FITTINGS.replace("2026-08-17", "last summer");
    tables[0].1 = &spoiled;
    let other = tables[2].1.replace("20,8", "20,19");
    tables[2].1 = &other;
    workspace.delivery("late", &tables);
    let said = workspace.ingest("late", "c");
    assert_eq!(said["tables"]["fittings"]["rows_set_aside"], 1);
    assert_eq!(said["tables"]["responses"]["rows_set_aside"], 12);
    assert_eq!(workspace.query(&["curves", "c"]), before);
}

/// Label columns may stand in any order in the files of one delivery.
#[test]
fn the_order_of_label_columns_tells_nothing() {
    let workspace = Workspace::new();
    for (name, columns, labels) in [("1", "x_a,x_b", "one,two"), ("2", "x_b,x_a", "two,one")] {
        workspace.write(
            &format!("d/fittings-{name}.csv"),
            format!("{FITTING_COLUMNS},{columns}\nG1,P1,north,anna-1,2026-Q1,NAL-R,{labels}\n"),
        );
    }
    let said = workspace.ingest("d", "c");
    assert_eq!(said["tables"]["fittings"]["rows_stored"], 1);
    assert_eq!(said["tables"]["fittings"]["exact_repeats"], 1);
}

#[test]
fn a_folder_of_something_else_is_left_alone() {
    let workspace = Workspace::new();
    workspace.delivery("d", &small_practice());
    workspace.write("mine/staging/letter.txt", "keep me");
    let run = workspace.run(&["ingest", "d", "--into", "mine"]);
    assert_eq!(run.code, 73, "{}", run.shown());
    assert!(workspace.path("mine/staging/letter.txt").is_file());
    // A cohort that lost its pointer is not begun anew over its own data.
    workspace.ingest("d", "c");
    std::fs::remove_file(workspace.path("c/CURRENT")).unwrap();
    let run = workspace.run(&["ingest", "d", "--into", "c"]);
    assert_eq!(run.code, 65, "{}", run.shown());
    assert!(workspace.path("c/snapshots/000001/manifest.json").is_file());
}

/// Any character may stand in the name of a folder.
#[test]
fn paths_are_paths() {
    let workspace = Workspace::new();
    workspace.delivery("d", &small_practice());
    workspace.ingest("d", "co[1]*x");
    assert_eq!(workspace.query(&["match", "co[1]*x"]).rows.len(), 6);
}
