//! The same delivery in every form that is taken: long, wide, packed, split, shuffled, Parquet of text or of types.
//! Whatever the form, the store holds the same bytes and the queries say the same.

mod ears_long;

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::io::Write as _;
use std::sync::Arc;

use arrow::array::{ArrayRef, AsArray, StringArray};
use arrow::compute::cast;
use arrow::datatypes::DataType;
use serde_json::Value;

use crate::parquet_files;
use crate::workspace::{EARS, FITTINGS, OUTCOMES, RESPONSES, Rows, Workspace, files_below};

/// The small practice and thirty fittings more, with fractions, several levels and both stages; invented by arithmetic.
pub(crate) fn practice() -> [(&'static str, String); 4] {
    let (mut fittings, mut ears) = (FITTINGS.to_owned(), EARS.to_owned());
    let (mut responses, mut outcomes) = (RESPONSES.to_owned(), OUTCOMES.to_owned());
    for n in 0..30_i32 {
        let (age, returned) = (40 + n, n % 3 == 0);
        let (clinic, clinician) = (["north", "south"][(n % 2) as usize], n % 5);
        let month = n % 12 + 1;
        writeln!(
            fittings,
            "G{n:02},Q{n},{clinic},clinician-{clinician},2026-{month:02}-05,{age},,NAL-R,,{returned},label {}",
            n % 4
        )
        .unwrap();
        for (ear, shift) in [("left", 0), ("right", n % 7 * 5)] {
            let thresholds: Vec<String> =
                (0..10).map(|f| (20 + shift + 5 * f).to_string()).collect();
            writeln!(
                ears,
                "G{n:02},{ear},true,{},vented,behind",
                thresholds.join(",")
            )
            .unwrap();
            for (stage, level) in [("first", 65), ("final", 50), ("final", 65), ("final", 80)] {
                for (at, frequency) in [250, 500, 1000, 2000, 3000, 4000, 6000]
                    .into_iter()
                    .enumerate()
                {
                    let at = i32::try_from(at).unwrap();
                    let target = 1000 + 37 * n + 110 * at + 10 * level;
                    let measured =
                        target + (n * 131 + at * 977 + level * 53 + shift * 29) % 1300 - 650;
                    let target = if (n + at) % 11 == 0 {
                        String::new()
                    } else {
                        hundredths(target)
                    };
                    let measured = hundredths(measured);
                    writeln!(
                        responses,
                        "G{n:02},{ear},{stage},REAR,{level},{frequency},{target},{measured}"
                    )
                    .unwrap();
                }
            }
        }
        writeln!(outcomes, "G{n:02},ioi-ha,4,{},{}", n % 5 + 1, n % 9).unwrap();
        writeln!(outcomes, "G{n:02},use-log,hours_per_day,{}.25,", n % 15).unwrap();
    }
    [
        ("fittings", fittings),
        ("ears", ears),
        ("responses", responses),
        ("outcomes", outcomes),
    ]
}

fn hundredths(value: i32) -> String {
    format!("{}.{:02}", value / 100, value % 100)
}

/// The queries whose output is compared, and ways of asking.
const QUERIES: [&str; 3] = ["match", "curves", "outcomes"];
const WAYS: [&[&str]; 2] = [
    &["--format", "csv"],
    &["--format", "json", "--by", "quarter,clinician_id,x_region"],
];

/// What every query prints.
fn printed(workspace: &Workspace, cohort: &str) -> Vec<String> {
    let asked = QUERIES
        .iter()
        .flat_map(|query| WAYS.map(|way| [&["query", query, cohort], way].concat()));
    asked
        .map(|arguments| workspace.ok(&arguments).stdout)
        .collect()
}

/// A workspace in which the practice is ingested in its plain form.
struct Plain {
    workspace: Workspace,
    printed: Vec<String>,
}

fn plain() -> Plain {
    let workspace = Workspace::new();
    for (table, text) in practice() {
        workspace.write(&format!("plain/{table}.csv"), text);
    }
    let said = workspace.ingest("plain", "c-plain");
    assert_eq!(said["set_aside"], Value::Array(Vec::new()), "{said:#}");
    let printed = printed(&workspace, "c-plain");
    for text in &printed {
        assert!(text.lines().count() > 2, "{text}");
    }
    Plain { workspace, printed }
}

/// Ingests a delivery, and compares what is stored and what queries say with the plain form.
fn assert_same(plain: &Plain, name: &str) -> Value {
    let workspace = &plain.workspace;
    let cohort = format!("c-{name}");
    let said = workspace.ingest(name, &cohort);
    assert_eq!(
        said["set_aside"],
        Value::Array(Vec::new()),
        "{name}: {said:#}"
    );
    let parts = |cohort: &str| {
        let mut files = files_below(&workspace.path(cohort));
        files.retain(|(path, _)| path.extension().is_some_and(|ending| ending == "parquet"));
        files
    };
    let (expected, found) = (parts("c-plain"), parts(&cohort));
    assert!(expected.len() >= 16, "four quarters of four tables");
    assert!(found == expected, "{name} is stored differently");
    assert_eq!(printed(workspace, &cohort), plain.printed, "{name}");
    said
}

pub(crate) fn gzip(text: &str) -> Vec<u8> {
    let mut encoder = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::default());
    encoder.write_all(text.as_bytes()).unwrap();
    encoder.finish().unwrap()
}

#[test]
fn packed_files_are_read_as_their_text() {
    let plain = plain();
    let workspace = &plain.workspace;
    for (table, text) in practice() {
        workspace.write(&format!("gzip/{table}.csv.gz"), gzip(&text));
        workspace.write(
            &format!("zstd/{table}.csv.zst"),
            zstd::encode_all(text.as_bytes(), 3).unwrap(),
        );
        // Members and frames one behind the other, as when packed files are joined (RFC 1952 2.2, RFC 8878 3).
        let (head, tail) = text.split_at(text.len() / 2);
        workspace.write(
            &format!("members/{table}.csv.gz"),
            [gzip(head), gzip(tail)].concat(),
        );
        let frames = [head, tail].map(|text| zstd::encode_all(text.as_bytes(), 3).unwrap());
        workspace.write(&format!("frames/{table}.csv.zst"), frames.concat());
    }
    for name in ["gzip", "zstd", "members", "frames"] {
        assert_same(&plain, name);
    }
}

#[test]
fn files_may_be_split_and_mixed_and_rows_shuffled() {
    let plain = plain();
    let workspace = &plain.workspace;
    for (table, text) in practice() {
        let (header, rows) = text.split_once('\n').unwrap();
        let mut rows: Vec<&str> = rows.lines().collect();
        let file = |rows: &[&str]| format!("{header}\n{}\n", rows.join("\n"));
        let (first, second) = rows.split_at(rows.len() / 3);
        workspace.write(&format!("split/{table}-1.csv"), file(first));
        workspace.write(&format!("split/{table}-2.csv"), file(second));
        workspace.write(
            &format!("mixed/{table}-1.parquet"),
            parquet_files::from_csv(&file(second)),
        );
        workspace.write(&format!("mixed/{table}-2.csv.gz"), gzip(&file(first)));
        // Every row to another place: steps of a number that has no factor in common with any count below 10007.
        let count = rows.len();
        rows = (0..count)
            .map(|at| rows[(at * 10_007 + 5) % count])
            .collect();
        workspace.write(&format!("shuffled/{table}.csv"), file(&rows));
    }
    for name in ["split", "mixed", "shuffled"] {
        assert_same(&plain, name);
    }
}

/// The long form of responses as wide rows, one a curve.
pub(crate) fn wide(long: &str) -> String {
    let rows = Rows::parse(long);
    let mut curves: BTreeMap<Vec<String>, BTreeMap<String, String>> = BTreeMap::new();
    let head = ["fitting_id", "ear", "stage", "quantity", "input_level_db"];
    for row in 0..rows.rows.len() {
        let key = head.map(|column| rows.get(row, column).to_owned()).to_vec();
        let curve = curves.entry(key).or_default();
        let frequency = rows.get(row, "frequency_hz");
        for prefix in ["target", "measured"] {
            let value = rows.get(row, &format!("{prefix}_db")).to_owned();
            curve.insert(format!("{prefix}_{frequency}"), value);
        }
    }
    let frequencies = [250, 500, 750, 1000, 1500, 2000, 3000, 4000, 6000, 8000];
    let columns: Vec<String> = ["measured", "target"]
        .into_iter()
        .flat_map(|prefix| frequencies.map(|frequency| format!("{prefix}_{frequency}")))
        .collect();
    let mut out = format!("{},{}\n", head.join(","), columns.join(","));
    for (key, curve) in &curves {
        let values: Vec<&str> = columns
            .iter()
            .map(|name| curve.get(name).map_or("", String::as_str))
            .collect();
        writeln!(out, "{},{}", key.join(","), values.join(",")).unwrap();
    }
    out
}

#[test]
fn the_wide_form_says_the_same_as_the_long() {
    let plain = plain();
    let workspace = &plain.workspace;
    for (table, text) in practice() {
        let text = if table == "responses" {
            wide(&text)
        } else {
            text
        };
        workspace.write(&format!("wide/{table}.csv"), &text);
        workspace.write(
            &format!("wide-parquet/{table}.parquet"),
            typed(&text, DataType::Float64),
        );
    }
    let said = assert_same(&plain, "wide");
    // 3 curves of the small practice; two ears, four curves each, of thirty fittings.
    assert_eq!(said["tables"]["responses"]["rows_read"], 3 + 30 * 2 * 4);
    assert_same(&plain, "wide-parquet");
}

/// The columns of a table with the types that a program would give them; real numbers of the given type.
fn typed(text: &str, real: DataType) -> Vec<u8> {
    let rows = Rows::parse(text);
    let columns = rows.columns.iter().enumerate().map(|(position, name)| {
        let values = rows
            .rows
            .iter()
            .map(|row| Some(row[position].as_str()).filter(|value| !value.is_empty()));
        let texts: ArrayRef = Arc::new(values.collect::<StringArray>());
        let kind = match name.as_str() {
            "fitted" | "returned" => DataType::Boolean,
            "fitted_on" => DataType::Date32,
            "age_years" => DataType::Int8,
            "frequency_hz" => DataType::UInt16,
            "input_level_db" => DataType::Int64,
            "score" | "weeks_after" => real.clone(),
            name if name.starts_with("target_") || name.starts_with("measured_") => real.clone(),
            // One threshold is a text, `>110`, so that column stays one.
            "threshold_8000" => DataType::LargeUtf8,
            name if name.starts_with("threshold_") => DataType::Int32,
            "ear" | "stage" | "quantity" | "coupling" | "style" | "instrument" => {
                DataType::Dictionary(Box::new(DataType::Int32), Box::new(DataType::Utf8))
            }
            _ => DataType::Utf8View,
        };
        // A quarter is no date: there the column stays text.
        let dates = texts
            .as_string::<i32>()
            .iter()
            .flatten()
            .all(|date| date.len() == 10);
        let kind = if kind == DataType::Date32 && !dates {
            DataType::Utf8
        } else {
            kind
        };
        let array = cast(&texts, &kind).unwrap();
        assert_eq!(array.null_count(), texts.null_count(), "{name} as {kind}");
        (name.clone(), array)
    });
    parquet_files::bytes(columns.collect())
}

#[test]
fn parquet_of_text_or_of_types_says_the_same_as_csv() {
    let plain = plain();
    let workspace = &plain.workspace;
    for (table, text) in practice() {
        workspace.write(
            &format!("text/{table}.parquet"),
            parquet_files::from_csv(&text),
        );
        for (name, real) in [("double", DataType::Float64), ("single", DataType::Float32)] {
            workspace.write(&format!("{name}/{table}.parquet"), typed(&text, real));
        }
        workspace.write(
            &format!("decimal/{table}.parquet"),
            typed(&text, DataType::Decimal128(9, 4)),
        );
        // Days as days, where every row has one: the small practice's F2 gives a quarter.
        let days = text.replace("2026-Q3", "2026-07-01");
        workspace.write(
            &format!("days/{table}.parquet"),
            typed(&days, DataType::Float64),
        );
    }
    for name in ["text", "double", "single", "decimal", "days"] {
        assert_same(&plain, name);
    }
}

/// Real numbers that a program computed: noise far below a hundredth is no other number, and never an exponent.
#[test]
fn computed_numbers_of_parquet_are_read_as_numbers() {
    let workspace = Workspace::new();
    workspace.delivery("d", &[("fittings", FITTINGS), ("ears", EARS)]);
    let measured = [
        0.1 + 0.2,
        1e-9,
        5.5e-17,
        1.0 / 3.0,
        -1e-9,
        1e21,
        f64::NAN,
        f64::INFINITY,
        -0.0,
    ];
    let count = measured.len();
    let text = |value: &str| -> ArrayRef { Arc::new(StringArray::from(vec![value; count])) };
    let frequencies = vec![
        250.0, 500.0, 750.0, 1000.0, 1500.0, 2000.0, 3000.0, 4000.0, 6000.0,
    ];
    let columns: Vec<(String, ArrayRef)> = [
        ("fitting_id", text("F1")),
        ("ear", text("left")),
        ("quantity", text("REIG")),
        (
            "input_level_db",
            Arc::new(arrow::array::Float32Array::from(vec![65.0; count])) as ArrayRef,
        ),
        (
            "frequency_hz",
            Arc::new(arrow::array::Float64Array::from(frequencies)),
        ),
        (
            "measured_db",
            Arc::new(arrow::array::Float64Array::from(measured.to_vec())),
        ),
    ]
    .map(|(name, array)| (name.to_owned(), array))
    .to_vec();
    workspace.write("d/responses.parquet", parquet_files::bytes(columns));
    let said = workspace
        .ok(&[
            "ingest",
            "d",
            "--into",
            "c",
            "--json",
            "--set-aside-csv",
            "aside.csv",
        ])
        .json();
    assert_eq!(said["tables"]["responses"]["rows_stored"], 5, "{said:#}");
    let aside = Rows::parse(&std::fs::read_to_string(workspace.path("aside.csv")).unwrap());
    let rows: Vec<(&str, &str)> = (0..aside.rows.len())
        .map(|row| (aside.get(row, "line"), aside.get(row, "rule")))
        .collect();
    let expected = [
        ("6", "out-of-range"),
        ("7", "not-a-number"),
        ("8", "not-a-number"),
        ("9", "not-a-number"),
    ];
    assert_eq!(rows, expected);
    let curves = parquet_files::rows(&parquet_files::parts(&workspace, "c", "curves")[0]);
    let stored =
        [250, 500, 750, 1000, 1500].map(|f| curves.get(0, &format!("measured_{f}")).to_owned());
    assert_eq!(stored, ["30", "0", "0", "33", "0"]);
}

/// A column that has no text, such as a list, or bytes that are no text, is a damaged file, not a blank.
#[test]
fn columns_without_a_text_are_refused() {
    let workspace = Workspace::new();
    let ids: ArrayRef = Arc::new(StringArray::from(vec!["F1"]));
    let bytes: ArrayRef = Arc::new(arrow::array::BinaryArray::from(vec![
        b"\xFF\xFE".as_slice(),
    ]));
    let mut list = arrow::array::ListBuilder::new(arrow::array::Int32Builder::new());
    list.values().append_value(1);
    list.append(true);
    let lists: ArrayRef = Arc::new(list.finish());
    for (name, column, rule) in [
        ("bytes", bytes, "[damaged-file]"),
        ("lists", lists, "[nested-column]"),
    ] {
        workspace.delivery(name, &[("fittings", FITTINGS), ("ears", EARS)]);
        let columns = vec![
            ("fitting_id".to_owned(), Arc::clone(&ids)),
            ("instrument".to_owned(), column),
            ("item".to_owned(), Arc::clone(&ids)),
            ("score".to_owned(), Arc::clone(&ids)),
        ];
        workspace.write(
            &format!("{name}/outcomes.parquet"),
            parquet_files::bytes(columns),
        );
        let run = workspace.run(&["check", name]);
        assert_eq!(run.code, 65, "{}", run.shown());
        assert!(run.stderr.contains(rule), "{}", run.shown());
    }
}
