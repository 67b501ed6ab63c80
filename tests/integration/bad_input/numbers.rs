//! Numbers: what is not a plain decimal is set aside in every column that takes one, and limits are inclusive.

use super::Spoiled;
use crate::parquet_files;
use crate::workspace::Workspace;

/// A column that takes a number: file, column, a row with `{}` in its place, and its limits just outside and inside.
struct Column {
    file: &'static str,
    name: &'static str,
    row: &'static str,
    /// The limits in words, as the sentence gives them.
    limits: &'static str,
    /// Just below and just above the limits.
    outside: &'static [&'static str],
}

const WIDE_HEADER: &str = "fitting_id,ear,stage,quantity,input_level_db,target_250,measured_250";

/// Limits as in the specification of the tables; an age beyond 130 is taken for a mistake, 90 to 130 stored as 90.
/// Half a hundredth rounds away from zero, so 120.005 is 120.01 and outside, -10.005 likewise.
const COLUMNS: [Column; 10] = [
    Column {
        file: "fittings.csv",
        name: "age_years",
        row: "B1,P9,north,anna-1,2026-Q3,{},new,NAL-R,none,false,coast",
        limits: "(0 to 130)",
        outside: &["-1", "131", "1962", "99999999999999999999"],
    },
    Column {
        file: "ears.csv",
        name: "threshold_1000",
        row: "F1,left,true,20,25,,{},,50,55,60,65,70,open,behind",
        limits: "(-10 to 120 dB HL, or >110 for no response at 110)",
        outside: &[
            "-10.01", "-10.005", "120.01", "120.005", "-11", "121", ">121", ">-11", "999",
        ],
    },
    Column {
        file: "responses.csv",
        name: "input_level_db",
        row: "F1,left,final,REIG,{},250,10,12",
        limits: "(40 to 95)",
        outside: &["39.99", "95.01", "95.005", "0.65", "650"],
    },
    Column {
        file: "responses.csv",
        name: "target_db",
        row: "F1,left,final,REIG,65,250,{},12",
        limits: "(-40 to 140)",
        outside: &["-40.01", "140.01", "140.005", "3276799"],
    },
    Column {
        file: "responses.csv",
        name: "measured_db",
        row: "F1,left,final,REIG,65,250,10,{}",
        limits: "(-40 to 140)",
        outside: &["-40.01", "140.01", "-9999"],
    },
    Column {
        file: "responses-wide.csv",
        name: "target_250",
        row: "F1,left,final,REIG,65,{},12",
        limits: "(-40 to 140)",
        outside: &["-40.01", "140.01"],
    },
    Column {
        file: "responses-wide.csv",
        name: "measured_250",
        row: "F1,left,final,REIG,65,10,{}",
        limits: "(-40 to 140)",
        outside: &["-40.01", "140.01"],
    },
    Column {
        file: "outcomes.csv",
        name: "score",
        row: "F1,ioi-ha,4,{},6",
        limits: "(the range of its instrument)",
        outside: &["0", "6", "0.99", "5.01", "99999999999999999999"],
    },
    Column {
        file: "outcomes.csv",
        name: "score",
        row: "F1,use-log,hours_per_day,{},7",
        limits: "(the range of its instrument)",
        outside: &["-0.01", "24.01", "24.005"],
    },
    Column {
        file: "outcomes.csv",
        name: "weeks_after",
        row: "F1,ioi-ha,4,3,{}",
        limits: "(0 to 520)",
        outside: &["-1", "-0.01", "520.01", "5200"],
    },
];

/// Frequencies are read as numbers too, and have no limits but the ten.
const FREQUENCY: Column = Column {
    file: "responses.csv",
    name: "frequency_hz",
    row: "F1,left,final,REIG,65,{},10,12",
    limits: "",
    outside: &[],
};

/// Texts that are no plain number with a decimal point.
const NOT_NUMBERS: [&str; 32] = [
    "NaN",
    "nan",
    "-NaN",
    "inf",
    "-inf",
    "Infinity",
    "1e999",
    "1E2",
    "1e-2",
    "-0",
    "-0.0",
    "-0.00",
    "25,3",
    "1,234",
    "1,234.5",
    "1.234,5",
    "1'234",
    "1 234",
    "1_000",
    "1.2.3",
    "37.",
    ".5",
    "--5",
    "+-5",
    "0x1F",
    " 25",
    "25 ",
    "25dB",
    "twelve",
    "½",
    "٢٥",
    "1\u{a0}234",
];

pub(super) fn spoiled() -> Spoiled {
    let mut out = Spoiled::new();
    out.file("responses-wide.csv", WIDE_HEADER);
    for column in COLUMNS.iter().chain([&FREQUENCY]) {
        for text in NOT_NUMBERS {
            let says = "is not a plain number with a decimal point";
            // Words that the sentence holds itself cannot be told from an echo; nor can a blank.
            let told_apart = !["NaN", "nan", "inf", "Infinity", " 25", "25 "].contains(&text);
            let secret = if told_apart { text } else { "" };
            let row = filled(column, &quoted(text));
            out.bad(column.file, &row, column.name, "not-a-number", says, secret);
        }
        for text in column.outside {
            // A value such as 0 or -1 is in the words around it.
            let secret = if text.len() > 2 && !column.limits.contains(text) {
                text
            } else {
                ""
            };
            let row = filled(column, text);
            out.bad(
                column.file,
                &row,
                column.name,
                "out-of-range",
                column.limits,
                secret,
            );
        }
    }
    out
}

fn filled(column: &Column, text: &str) -> String {
    column.row.replacen("{}", text, 1)
}

/// A comma inside a field stands in quotes.
fn quoted(text: &str) -> String {
    if text.contains(',') {
        format!("\"{text}\"")
    } else {
        text.to_owned()
    }
}

#[test]
fn what_is_no_plain_number_is_set_aside_in_every_column() {
    spoiled().judge();
}

/// Values on the limits, and those that round to them, are stored.
#[test]
fn limits_are_inclusive() {
    let mut out = Spoiled::new();
    for (row, age) in ["0", "90", "91", "130", "007"].into_iter().enumerate() {
        out.good(
            "fittings.csv",
            &format!("G{row},P,north,anna-1,2026-Q3,{age},,NAL-R,,,"),
        );
    }
    out.good(
        "ears.csv",
        "G0,left,true,-10,120,>110,>110.0,-9.996,119.996,+5,0,0.0,00,,",
    );
    for (frequency, target, measured) in [
        (250, "-40", "140"),
        (500, "140.00", "-40.00"),
        (750, "-39.996", "139.996"),
        (1000, "+1", "0"),
    ] {
        for level in ["40", "95", "94.996"] {
            // 94.996 is 95 again, with the same points: an exact repeat, so it stands at another stage.
            let stage = if level == "94.996" { "first" } else { "final" };
            let row = format!("G0,left,{stage},REAR,{level},{frequency},{target},{measured}");
            out.good("responses.csv", &row);
        }
    }
    for row in [
        "G0,ioi-ha,1,1,0",
        "G0,ioi-ha,7,5,520",
        "G0,ioi-ha,2,5.00,519.996",
        "G0,use-log,hours_per_day,0,0.5",
        "G0,use-log,hours_per_day,24,12",
    ] {
        out.good("outcomes.csv", row);
    }
    let workspace = Workspace::new();
    for (name, text) in &out.files {
        workspace.write(&format!("d/{name}"), text);
    }
    let said = workspace.ingest("d", "c");
    out.counts(&said);
    // 90, 91 and 130 are the same age once stored; the practice's own F2 (93) too.
    let ages = workspace.query(&["verification", "c", "--by", "age_band"]);
    let oldest = ages.find(&[("age_band", "90+")]);
    assert_eq!(ages.get(oldest, "n_fittings"), "1");
    let paths = parquet_files::parts(&workspace, "c", "ears");
    let ears = parquet_files::rows(&paths[0]);
    let row = ears.find(&[("fitting_id", "G0")]);
    let stored: Vec<&str> = [250, 500, 750, 1000, 1500, 2000, 3000, 4000, 6000, 8000]
        .map(|frequency| ears.get(row, &format!("threshold_{frequency}")))
        .to_vec();
    // Hundredths of a dB, rounded half away from zero; a limit without response keeps its value and a mark.
    assert_eq!(
        stored,
        [
            "-1000", "12000", "11000", "11000", "-1000", "12000", "500", "0", "0", "0"
        ]
    );
    let marks =
        [500, 750, 1000, 1500].map(|f| ears.get(row, &format!("no_response_{f}")).to_owned());
    assert_eq!(marks, ["false", "true", "true", "false"]);
}
