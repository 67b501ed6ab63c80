//! The cohort over several deliveries: what comes again, what comes late, what is corrected.

mod again;
mod folder;
mod refusals;

use crate::parquet_files;
use crate::workspace::{
    EARS, FITTINGS, OUTCOMES, RESPONSES, Workspace, files_below, small_practice,
};

/// Every query but the account of rows, which tells deliveries apart.
const QUERIES: [&str; 10] = [
    "match",
    "curves",
    "verification",
    "ears",
    "outcomes",
    "association",
    "clinicians",
    "variance",
    "trends",
    "referrals",
];

/// Both cohorts say the same, in numbers and in rows.
pub(crate) fn assert_same(workspace: &Workspace, one: &str, other: &str) {
    for query in QUERIES {
        let (a, b) = (
            workspace.query(&[query, one]),
            workspace.query(&[query, other]),
        );
        assert_eq!(a, b, "{query} of {one} and {other}");
    }
    let list = |cohort| workspace.query(&["referrals", cohort, "--list"]);
    assert_eq!(list(one), list(other));
    for table in ["fittings", "ears", "curves", "answers"] {
        assert_eq!(
            stored(workspace, one, table),
            stored(workspace, other, table),
            "{table}"
        );
    }
}

/// The rows of a table over all its files, as `column=value` in the order of the columns' names, sorted.
pub(crate) fn stored(workspace: &Workspace, cohort: &str, table: &str) -> Vec<Vec<String>> {
    let mut out = Vec::new();
    for path in parquet_files::parts(workspace, cohort, table) {
        let rows = parquet_files::rows(&path);
        for values in &rows.rows {
            let named = rows
                .columns
                .iter()
                .zip(values)
                .filter(|(_, value)| !value.is_empty());
            let mut row: Vec<String> = named
                .map(|(name, value)| format!("{name}={value}"))
                .collect();
            row.sort();
            out.push(row);
        }
    }
    out.sort();
    out
}

/// The header row and the rows of one fitting.
fn only(text: &str, fitting: &str) -> String {
    let lines = text.lines().enumerate();
    let kept = lines.filter(|(at, line)| *at == 0 || line.starts_with(&format!("{fitting},")));
    kept.map(|(_, line)| format!("{line}\n")).collect()
}

fn with_first() -> Workspace {
    let workspace = Workspace::new();
    workspace.delivery("first", &small_practice());
    let said = workspace.ingest("first", "c");
    assert_eq!(said["already_there"], false);
    assert_eq!(said["snapshot"], "000001");
    workspace
}

#[test]
fn the_same_delivery_again_changes_nothing() {
    let workspace = with_first();
    let before = files_below(&workspace.path("c"));
    let again = workspace.ingest("first", "c");
    assert_eq!(again["already_there"], true);
    assert_eq!(again["snapshot"], "000001");
    // Under other names it is the same content.
    for (table, text) in small_practice() {
        workspace.write(&format!("renamed/{table}-2026-08.csv"), text);
    }
    assert_eq!(workspace.ingest("renamed", "c")["already_there"], true);
    let words = workspace.ok(&["ingest", "first", "--into", "c"]).stdout;
    assert!(words.contains("already in the cohort"), "{words}");
    assert!(files_below(&workspace.path("c")) == before);

    // Exported anew, with the rows in another order, it is another delivery that says the same.
    for (table, text) in small_practice() {
        let mut lines: Vec<&str> = text.lines().collect();
        lines[1..].reverse();
        workspace.write(&format!("anew/{table}.csv"), lines.join("\n"));
    }
    let said = workspace.ingest("anew", "c");
    assert_eq!(
        (&said["already_there"], &said["snapshot"]),
        (&false.into(), &"000002".into())
    );
    workspace.ingest("first", "alone");
    assert_same(&workspace, "c", "alone");
}

/// A fitting that comes again replaces the earlier record whole: ears, responses and answers too, wherever it moves.
#[test]
fn a_correction_supersedes_the_earlier_record_whole() {
    for quarter in ["2026-Q3", "2026-Q2", "2027-Q1"] {
        let workspace = with_first();
        let first = files_below(&workspace.path("c/snapshots/000001"));
        let fittings = only(FITTINGS, "F1")
            .replace("2026-08-17", quarter)
            .replace("71", "70");
        let ears = only(EARS, "F1").replace("open", "closed");
        let ears = only(&ears, "F1,left");
        workspace.delivery("correction", &[("fittings", &fittings), ("ears", &ears)]);
        let said = workspace.ingest("correction", "c");
        assert_eq!(said["tables"]["fittings"]["rows_stored"], 1);
        assert_eq!(said["tables"]["ears"]["rows_stored"], 1);

        // The same as if only the correction had ever come.
        let rest = |text| only(text, "F2").split_once('\n').unwrap().1.to_owned();
        workspace.delivery(
            "whole",
            &[
                ("fittings", &(fittings.clone() + &rest(FITTINGS))),
                ("ears", &(ears.clone() + &rest(EARS))),
                ("responses", &only(RESPONSES, "F2")),
                ("outcomes", &only(OUTCOMES, "F2")),
            ],
        );
        workspace.ingest("whole", "fresh");
        assert_same(&workspace, "c", "fresh");
        let ids: Vec<String> = stored(&workspace, "c", "fittings")
            .iter()
            .map(|row| {
                row.iter()
                    .find(|value| value.starts_with("fitting_id="))
                    .unwrap()
                    .clone()
            })
            .collect();
        assert_eq!(ids.len(), 2, "{ids:?}");
        let by_quarter = workspace.query(&["verification", "c", "--by", "quarter"]);
        let quarters: Vec<&str> = (0..by_quarter.rows.len())
            .map(|row| by_quarter.get(row, "quarter"))
            .collect();
        let mut expected = vec!["2026-Q3", quarter];
        expected.sort_unstable();
        expected.dedup();
        assert_eq!(quarters, expected);
        // Files once named are never changed; history is kept.
        assert!(files_below(&workspace.path("c/snapshots/000001")) == first);
    }
}

/// Each table in a delivery of its own, over a month: the cohort is the same as from one delivery.
#[test]
fn tables_that_arrive_later_attach_to_stored_fittings() {
    let workspace = with_first();
    for (step, (table, text)) in small_practice().into_iter().enumerate() {
        let name = format!("step-{step}");
        workspace.delivery(&name, &[(table, text)]);
        let said = workspace.ingest(&name, "stepwise");
        assert_eq!(said["set_aside"], serde_json::json!([]), "{said:#}");
        assert_eq!(said["snapshot"], format!("{:06}", step + 1));
    }
    assert_same(&workspace, "stepwise", "c");

    // Row by row: answers of one fitting, then of the other; a later answer to the same question replaces the earlier.
    for fitting in ["F2", "F1"] {
        let outcomes = only(OUTCOMES, fitting);
        workspace.delivery(fitting, &[("outcomes", &outcomes)]);
    }
    workspace.delivery("bare", &small_practice()[..3]);
    for delivery in ["bare", "F2", "F1"] {
        workspace.ingest(delivery, "piecewise");
    }
    assert_same(&workspace, "piecewise", "c");
    let header = OUTCOMES.lines().next().unwrap();
    workspace.delivery(
        "changed",
        &[("outcomes", &format!("{header}\nF2,ioi-ha,4,2,\n"))],
    );
    let said = workspace.ingest("changed", "piecewise");
    assert_eq!(said["tables"]["outcomes"]["rows_stored"], 1);
    let mean = workspace.query(&["outcomes", "piecewise"]);
    let row = mean.find(&[("item", "4")]);
    assert!(
        (mean.real(row, "mean") - 3.5).abs() < 1e-12,
        "5 of F1 and 2 of F2"
    );
    // The same again is a repeat of what is stored.
    workspace.delivery(
        "same",
        &[("outcomes", &format!("{header}\nF2,ioi-ha,4,2.0,\n"))],
    );
    assert_eq!(
        workspace.ingest("same", "piecewise")["tables"]["outcomes"]["exact_repeats"],
        1
    );
}

/// Points that come later join their curve, and replace its points where they say otherwise.
#[test]
fn points_that_arrive_later_join_their_curve() {
    let workspace = with_first();
    let header = RESPONSES.lines().next().unwrap();
    let rows = "F1,left,final,REIG,65,6000,10,13\nF1,left,final,REIG,65,250,10,11\nF1,left,final,REIG,65,500,15,14\n";
    workspace.delivery("later", &[("responses", &format!("{header}\n{rows}"))]);
    let said = workspace.ingest("later", "c");
    let account = &said["tables"]["responses"];
    assert_eq!(
        (&account["rows_stored"], &account["exact_repeats"]),
        (&2.into(), &1.into()),
        "{said:#}"
    );
    let changed = RESPONSES.replace("65,250,10,12", "65,250,10,11");
    let whole = format!("{changed}F1,left,final,REIG,65,6000,10,13\n");
    workspace.delivery("whole", &small_practice());
    workspace.delivery("whole", &[("responses", &whole)]);
    workspace.ingest("whole", "fresh");
    assert_same(&workspace, "c", "fresh");
}

#[test]
fn rows_without_a_fitting_are_orphans_in_any_cohort() {
    let workspace = with_first();
    let before = workspace.query(&["outcomes", "c"]);
    workspace.delivery(
        "strangers",
        &[(
            "outcomes",
            "fitting_id,instrument,item,score\nF3,ioi-ha,4,3\n",
        )],
    );
    let said = workspace.ingest("strangers", "c");
    let rule = serde_json::json!([{ "table": "outcomes", "rule": "orphan", "rows": 1 }]);
    assert_eq!(said["set_aside"], rule);
    assert_eq!(workspace.query(&["outcomes", "c"]), before);
    let quality = workspace.query(&["quality", "c"]);
    quality.find(&[
        ("table_name", "outcomes"),
        ("rule", "orphan"),
        ("rows_set_aside", "1"),
    ]);

    // Without a fittings table no cohort begins; with an empty one it does, and holds nothing.
    let run = workspace.run(&["ingest", "strangers", "--into", "new"]);
    assert_eq!(run.code, 65, "{}", run.shown());
    assert!(
        run.stderr.contains("[missing-table]") && !workspace.path("new").exists(),
        "{}",
        run.shown()
    );
    let header = FITTINGS.lines().next().unwrap();
    workspace.delivery("empty", &[("fittings", header), ("outcomes", OUTCOMES)]);
    let said = workspace.ingest("empty", "new");
    assert_eq!(said["tables"]["outcomes"]["rows_set_aside"], 4);
    assert_eq!(workspace.manifest("new")["parts"], serde_json::json!([]));
    // What is there is counted later all the same.
    workspace.ingest("first", "new");
    assert_same(&workspace, "new", "c");
}

/// A delivery that came before its fittings is taken when it comes again after them; then it is there.
#[test]
fn orphans_are_taken_when_their_delivery_comes_again_after_the_parents() {
    let workspace = with_first();
    let ears = "fitting_id,ear,fitted\nF3,left,true\n";
    let outcomes = "fitting_id,instrument,item,score\nF3,ioi-ha,7,2\n";
    workspace.delivery("children", &[("ears", ears), ("outcomes", outcomes)]);
    let said = workspace.ingest("children", "c");
    assert_eq!(said["tables"]["outcomes"]["rows_set_aside"], 1);
    assert_eq!(workspace.ingest("children", "c")["already_there"], true);
    let parent =
        "fitting_id,patient_id,clinic_id,clinician_id,fitted_on\nF3,P3,north,anna-1,2026-Q4\n";
    workspace.delivery("parent", &[("fittings", parent)]);
    workspace.ingest("parent", "c");
    let said = workspace.ingest("children", "c");
    assert_eq!(said["already_there"], false);
    assert_eq!(said["tables"]["outcomes"]["rows_stored"], 1);
    assert_eq!(said["set_aside"], serde_json::json!([]));
    let outcomes = workspace.query(&["outcomes", "c", "--quarter", "2026-Q4"]);
    let row = outcomes.find(&[("instrument", "ioi-ha"), ("item", "7")]);
    assert_eq!(outcomes.get(row, "n_answered"), "1");
    let before = files_below(&workspace.path("c"));
    assert_eq!(workspace.ingest("children", "c")["already_there"], true);
    assert!(files_below(&workspace.path("c")) == before);
}

/// Two deliveries that share no fitting: their order makes no difference, in one quarter or in two.
#[test]
fn the_order_of_deliveries_makes_no_difference() {
    for quarter in ["2026-08-17", "2025-11"] {
        let workspace = Workspace::new();
        for fitting in ["F1", "F2"] {
            let tables = small_practice()
                .map(|(table, text)| (table, only(text, fitting).replace("2026-08-17", quarter)));
            let tables: Vec<(&str, &str)> = tables
                .iter()
                .map(|(table, text)| (*table, text.as_str()))
                .collect();
            workspace.delivery(fitting, &tables);
        }
        for (cohort, order) in [("there", ["F1", "F2"]), ("back", ["F2", "F1"])] {
            for delivery in order {
                workspace.ingest(delivery, cohort);
            }
        }
        assert_same(&workspace, "there", "back");
        let tables =
            small_practice().map(|(table, text)| (table, text.replace("2026-08-17", quarter)));
        let tables: Vec<(&str, &str)> = tables
            .iter()
            .map(|(table, text)| (*table, text.as_str()))
            .collect();
        workspace.delivery("both", &tables);
        workspace.ingest("both", "at-once");
        assert_same(&workspace, "there", "at-once");
    }
}

/// A label that only some deliveries have is unknown for the others, in the same quarter or in another.
#[test]
fn a_new_label_may_come_with_a_later_delivery() {
    let workspace = with_first();
    let rows = "\
fitting_id,patient_id,clinic_id,clinician_id,fitted_on,x_site
F3,P3,north,anna-1,2026-Q3,pier
F4,P4,north,anna-1,2026-Q4,harbour
";
    let ears = "fitting_id,ear,fitted\nF3,left,true\nF4,left,true\n";
    workspace.delivery("labels", &[("fittings", rows), ("ears", ears)]);
    workspace.ingest("labels", "c");
    let labels = &workspace.manifest("c")["label_columns"];
    assert_eq!(*labels, serde_json::json!(["x_region", "x_site"]));
    let sites = workspace.query(&["verification", "c", "--by", "x_site,x_region"]);
    let of = |site, region| {
        let row = sites.find(&[("x_site", site), ("x_region", region)]);
        sites.get(row, "n_fittings").to_owned()
    };
    assert_eq!(sites.rows.len(), 4);
    for (site, region) in [("", "coast"), ("", ""), ("pier", ""), ("harbour", "")] {
        assert_eq!(of(site, region), "1", "{site:?} {region:?}");
    }
    // A later delivery that touches the older quarter keeps both labels.
    workspace.delivery(
        "answers",
        &[(
            "outcomes",
            "fitting_id,instrument,item,score\nF3,ioi-ha,4,5\n",
        )],
    );
    workspace.ingest("answers", "c");
    assert_eq!(
        workspace.query(&["verification", "c", "--by", "x_site,x_region"]),
        sites
    );
    let answered = workspace.query(&["outcomes", "c", "--where", "x_site=pier"]);
    let row = answered.find(&[("instrument", "ioi-ha"), ("item", "4")]);
    assert_eq!(answered.get(row, "mean"), "5");
}
