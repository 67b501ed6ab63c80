//! The long form of ears: a row a threshold, joined with whatever else is said of the ear.

use std::fmt::Write as _;

use serde_json::Value;

use super::{assert_same, plain, practice};
use crate::parquet_files;
use crate::workspace::{EARS, FITTINGS, Rows, Workspace};

const FREQUENCIES: [u16; 10] = [250, 500, 750, 1000, 1500, 2000, 3000, 4000, 6000, 8000];
const HEADER: &str = "fitting_id,ear,frequency_hz,threshold,fitted,coupling,style";

/// Rows of the wide form as rows of the long form; what holds for the whole ear stands in every row, or in one.
fn long(wide: &str, in_every_row: bool) -> Vec<String> {
    let rows = Rows::parse(wide);
    let mut out = Vec::new();
    for row in 0..rows.rows.len() {
        let whole = ["fitted", "coupling", "style"].map(|column| rows.get(row, column));
        let mut whole = whole.join(",");
        for frequency in FREQUENCIES {
            let threshold = rows.get(row, &format!("threshold_{frequency}"));
            if threshold.is_empty() {
                continue;
            }
            let (id, ear) = (rows.get(row, "fitting_id"), rows.get(row, "ear"));
            out.push(format!("{id},{ear},{frequency},{threshold},{whole}"));
            if !in_every_row {
                ",,".clone_into(&mut whole);
            }
        }
    }
    out
}

/// Rows under the header of the long form.
fn file<S: AsRef<str>>(rows: impl IntoIterator<Item = S>) -> String {
    let mut out = format!("{HEADER}\n");
    for row in rows {
        writeln!(out, "{}", row.as_ref()).unwrap();
    }
    out
}

/// What the ears of the practice are in the wide form, without their thresholds.
fn without_thresholds(wide: &str) -> String {
    let rows = Rows::parse(wide);
    let columns = ["fitting_id", "ear", "fitted", "coupling", "style"];
    let mut out = format!("{}\n", columns.join(","));
    for row in 0..rows.rows.len() {
        let fields = columns.map(|column| rows.get(row, column));
        writeln!(out, "{}", fields.join(",")).unwrap();
    }
    out
}

#[test]
fn the_long_form_of_ears_says_the_same_as_the_wide() {
    let plain = plain();
    let workspace = &plain.workspace;
    let names = ["every", "once", "shuffled", "split", "parquet", "beside"];
    for (table, text) in practice() {
        if table != "ears" {
            for name in names {
                workspace.write(&format!("{name}/{table}.csv"), &text);
            }
            continue;
        }
        let (every, once) = (long(&text, true), long(&text, false));
        let count = every.len();
        workspace.write("every/ears.csv", file(&every));
        workspace.write("once/ears.csv", file(&once));
        let shuffled = (0..count).map(|at| &once[(at * 10_007 + 5) % count]);
        workspace.write("shuffled/ears.csv", file(shuffled));
        for part in 0..3 {
            let rows = once.iter().skip(part).step_by(3);
            workspace.write(&format!("split/ears-{part}.csv"), file(rows));
        }
        workspace.write(
            "parquet/ears.parquet",
            parquet_files::from_csv(&file(&once)),
        );
        // What holds for the ear comes in the wide form, its thresholds in the long.
        workspace.write("beside/ears-2.csv", without_thresholds(&text));
        let points = every.iter().map(|row| {
            let fields: Vec<&str> = row.split(',').take(4).collect();
            format!("{},,,", fields.join(","))
        });
        workspace.write("beside/ears-1.csv", file(points));
    }
    // Eight thresholds of four ears of the small practice, ten of two ears of thirty fittings.
    let rows = 8 * 4 + 30 * 2 * 10;
    for name in names {
        let said = assert_same(&plain, name);
        let extra = if name == "beside" { 4 + 30 * 2 } else { 0 };
        let account = &said["tables"]["ears"];
        assert_eq!(account["rows_read"], rows + extra, "{name}: {account}");
        assert_eq!(account["rows_stored"], rows + extra, "{name}: {account}");
    }
}

/// Rows read, stored, set aside and repeated of the ears.
fn account(said: &Value) -> [u64; 4] {
    let keys = [
        "rows_read",
        "rows_stored",
        "rows_set_aside",
        "exact_repeats",
    ];
    let counts = keys.map(|key| said["tables"]["ears"][key].as_u64().unwrap());
    assert_eq!(counts[0], counts[1..].iter().sum::<u64>());
    counts
}

/// The rules of ears, and how many rows each took.
fn rules(said: &Value) -> Vec<(&str, u64)> {
    let rows = said["set_aside"].as_array().unwrap().iter();
    rows.filter(|row| row["table"] == "ears")
        .map(|row| (row["rule"].as_str().unwrap(), row["rows"].as_u64().unwrap()))
        .collect()
}

/// An ear of a cohort: whether it was fitted, coupling, style, and the thresholds by frequency, in hundredths of dB HL.
fn stored(workspace: &Workspace, cohort: &str, id: &str, ear: &str) -> Option<(String, String)> {
    let rows = parquet_files::rows(&parquet_files::parts(workspace, cohort, "ears")[0]);
    let row = (0..rows.rows.len())
        .find(|&row| rows.get(row, "fitting_id") == id && rows.get(row, "ear") == ear)?;
    let whole = ["fitted", "coupling", "style"].map(|column| rows.get(row, column));
    let thresholds = FREQUENCIES.map(|f| {
        let sign = match rows.get(row, &format!("no_response_{f}")) {
            "true" => ">",
            _ => "",
        };
        format!("{sign}{}", rows.get(row, &format!("threshold_{f}")))
    });
    Some((whole.join(","), thresholds.join(",")))
}

fn whole(text: &str) -> Option<(String, String)> {
    let (whole, thresholds) = text.split_once(' ').unwrap();
    Some((whole.to_owned(), thresholds.to_owned()))
}

#[test]
fn what_is_said_twice_is_a_repeat_and_what_is_said_otherwise_is_set_aside() {
    let workspace = Workspace::new();
    workspace.delivery("d", &[("fittings", FITTINGS)]);
    let rows = [
        // The threshold again, and in another spelling; the last says something new of the ear.
        "F1,left,500,25,true,,",
        "F1,left,500,25,,,",
        "F1,left,500,25.0,true,,",
        "F1,left,500,25,,open,",
        // Two thresholds at one frequency: both go, the rest stays.
        "F1,left,1000,30,,,",
        "F1,left,1000,>110,,,",
        "F1,left,1000,30,,,",
        // Whether it was fitted is said in two ways: no row is left that says it, and so the others wait.
        "F1,right,500,25,true,,",
        "F1,right,1000,30,false,,",
        "F1,right,2000,35,,,",
        "F1,right,2000,35,,,",
        // Beside a row of the wide form: one threshold again, one new, and one that is said otherwise there.
        "F2,right,500,10,false,,",
        "F2,right,750,15,,,",
        "F2,left,8000,45,true,,",
    ];
    workspace.write("d/ears-1.csv", file(rows));
    let wide: Vec<&str> = EARS.lines().take(1).chain(EARS.lines().skip(3)).collect();
    workspace.write("d/ears-0.csv", wide.join("\n"));
    let said = workspace.ingest("d", "c");
    assert_eq!(account(&said), [16, 4, 9, 3], "{said:#}");
    assert_eq!(
        rules(&said),
        [("orphan-ear", 2), ("contradiction", 7)],
        "{said:#}"
    );
    let left = stored(&workspace, "c", "F1", "left");
    assert_eq!(left, whole("true,open, ,2500,,,,,,,,"));
    assert_eq!(stored(&workspace, "c", "F1", "right"), None);
    assert_eq!(stored(&workspace, "c", "F2", "left"), None);
    let right = stored(&workspace, "c", "F2", "right");
    assert_eq!(
        right,
        whole("false,, 1000,1000,1500,1000,,1000,1000,1000,1000,1000")
    );
}

/// Later thresholds add to an ear of the cohort and correct it; later rows of the wide form replace it, as ever.
#[test]
fn later_rows_join_the_ears_of_the_cohort() {
    let workspace = Workspace::new();
    workspace.delivery("first", &[("fittings", FITTINGS), ("ears", EARS)]);
    workspace.ingest("first", "c");
    let rows = [
        "F1,left,750,30,,,",
        "F1,left,8000,>110,,,",
        "F1,left,500,25,,,",
        "F1,left,500,25,true,open,behind",
        "F2,right,4000,15,,open,",
    ];
    workspace.write("later/ears.csv", file(rows));
    let said = workspace.ingest("later", "c");
    assert_eq!(account(&said), [5, 3, 0, 2], "{said:#}");
    let left = "2000,2500,3000,3500,,5000,5500,6000,6500,>11000";
    assert_eq!(
        stored(&workspace, "c", "F1", "left"),
        whole(&format!("true,open,behind {left}"))
    );
    assert_eq!(
        stored(&workspace, "c", "F2", "right"),
        whole("false,open, 1000,1000,,1000,,1000,1000,1500,1000,1000")
    );

    workspace.write(
        "wide/ears.csv",
        "fitting_id,ear,fitted,threshold_500\nF1,left,true,40\n",
    );
    workspace.write("wide/ears-2.csv", file(["F1,left,1000,45,,,"]));
    let said = workspace.ingest("wide", "c");
    assert_eq!(account(&said), [2, 2, 0, 0], "{said:#}");
    assert_eq!(
        stored(&workspace, "c", "F1", "left"),
        whole("true,, ,4000,,4500,,,,,,")
    );
}

/// Thresholds of an ear of which nothing says yet whether it was fitted wait for the row that does.
#[test]
fn thresholds_wait_for_their_ear() {
    let workspace = Workspace::new();
    workspace.delivery("d", &[("fittings", FITTINGS)]);
    let rows = [
        "F1,left,500,25,,,",
        "F1,left,1000,30,,,",
        "F9,left,500,25,,,",
    ];
    workspace.write("d/ears.csv", file(rows));
    let said = workspace.ingest("d", "c");
    assert_eq!(account(&said), [3, 0, 3, 0], "{said:#}");
    assert_eq!(rules(&said), [("orphan", 1), ("orphan-ear", 2)]);

    workspace.write(
        "ears/ears.csv",
        "fitting_id,ear,fitted,threshold_500\nF1,left,true,20\n",
    );
    workspace.ingest("ears", "c");
    // The rows have come back, and what is later stands: they say only what the ear's row leaves open.
    let said = workspace.ingest("d", "c");
    assert_eq!(account(&said), [3, 2, 1, 0], "{said:#}");
    assert_eq!(rules(&said), [("orphan", 1)]);
    assert_eq!(
        stored(&workspace, "c", "F1", "left"),
        whole("true,, ,2000,,3000,,,,,,")
    );
}

/// Of parts that wait in several deliveries the later one stands, whatever comes first of what they wait for; and a row
/// of the wide form that is later than the end of their wait replaces them.
#[test]
fn waiting_thresholds_keep_their_order() {
    let orders = ["f12c", "12cf", "12fc", "fc12", "f1c2", "1c2f"];
    let deliver = |workspace: &Workspace, name: &str, cohort: &str| {
        let folder = format!("{cohort}-{name}");
        match name {
            "f" => {
                let fitting: String = FITTINGS.lines().take(2).map(|l| format!("{l}\n")).collect();
                workspace.write(&format!("{folder}/fittings.csv"), fitting);
            }
            "1" => {
                workspace.write(
                    &format!("{folder}/ears.csv"),
                    file(["F1,left,500,30,,open,a"]),
                );
            }
            "2" => {
                workspace.write(
                    &format!("{folder}/ears.csv"),
                    file(["F1,left,500,35,,vented,b"]),
                );
            }
            "c" => {
                workspace.write(
                    &format!("{folder}/ears.csv"),
                    file(["F1,left,1000,40,true,,"]),
                );
            }
            _ => {
                let wide = "fitting_id,ear,fitted,threshold_1000\nF1,left,true,50\n";
                workspace.write(&format!("{folder}/ears.csv"), wide);
            }
        }
        workspace.ingest(&folder, cohort);
    };
    let begun = |order: &str, expected: &str| {
        let workspace = Workspace::new();
        let other = FITTINGS.replace("F1,P1", "F0,P0").replace("F2,P2", "F3,P3");
        workspace.delivery("begin", &[("fittings", &other)]);
        workspace.ingest("begin", "c");
        for name in order.chars() {
            deliver(&workspace, &name.to_string(), "c");
        }
        assert_eq!(
            stored(&workspace, "c", "F1", "left"),
            whole(expected),
            "{order}"
        );
        workspace.ok(&["verify", "c"]);
    };
    for order in orders {
        begun(order, "true,vented,b ,3500,,4000,,,,,,");
    }
    for order in ["f1cw", "1fcw", "1cfw", "1cwf"] {
        begun(order, "true,, ,,,5000,,,,,,");
    }
}
