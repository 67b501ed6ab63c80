//! Values shaped like identifiers, in each table and each place in which they can stand.
//!
//! Addresses and numbers are those kept free for documentation or fiction, `from memory`; the names are nobody's.

use super::canaries::{Case, stored};
use crate::bad_input::packed::gzip;
use crate::parquet_files;
use crate::workspace::{EARS, FITTINGS, OUTCOMES, RESPONSES, Workspace, small_practice};

/// Where a value stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Stands {
    /// In an id of a person or visit.
    Person,
    /// In the id of a clinic.
    Clinic,
    /// In a label.
    Label,
    /// In the date of the fitting.
    FittedOn,
    /// In a number or word of a closed list, so that the row is set aside.
    Closed,
}

/// Canary, and the places in which it is not recognised: what the documentation says cannot be caught.
const SHAPES: [(&str, &[Stands]); 22] = [
    ("canary.zq@example.org", &[]),
    ("https://example.org/canaryzq", &[]),
    ("www.canaryzq.example", &[]),
    ("203.0.113.217", &[]),
    ("2001:db8::ff00:42:8329", &[]),
    ("00-00-5E-00-53-AF", &[]),
    ("+44 20 7946 0958", &[]),
    ("202-555-0147", &[]),
    ("(202) 555-0147", &[]),
    ("0171 3920012", &[]),
    ("078-05-1120", &[]),
    ("756.1234.5678.97", &[]),
    ("DE89370400440532013000", &[]),
    ("170846-1234", &[]),
    ("987654321", &[]),
    ("1946-08-17", &[Stands::FittedOn]),
    ("17.08.1946", &[Stands::FittedOn]),
    ("17 August 1946", &[Stands::FittedOn]),
    ("19460817", &[Stands::FittedOn, Stands::Closed]),
    (
        "Zqcanary_Nobody",
        &[
            Stands::Clinic,
            Stands::Label,
            Stands::FittedOn,
            Stands::Closed,
        ],
    ),
    ("Dr. Zqcanary", &[Stands::FittedOn, Stands::Closed]),
    (
        "zqcanary nobody",
        &[
            Stands::Clinic,
            Stands::Label,
            Stands::FittedOn,
            Stands::Closed,
        ],
    ),
];

/// A place by table, text, column and what it is; the first row of data is changed.
const PLACES: [(&str, &str, &str, Stands); 19] = [
    ("fittings", FITTINGS, "fitting_id", Stands::Person),
    ("fittings", FITTINGS, "patient_id", Stands::Person),
    ("fittings", FITTINGS, "clinician_id", Stands::Person),
    ("fittings", FITTINGS, "clinic_id", Stands::Clinic),
    ("fittings", FITTINGS, "x_region", Stands::Label),
    ("fittings", FITTINGS, "prescription", Stands::Label),
    ("fittings", FITTINGS, "fitted_on", Stands::FittedOn),
    ("fittings", FITTINGS, "age_years", Stands::Closed),
    ("fittings", FITTINGS, "experience", Stands::Closed),
    ("ears", EARS, "fitting_id", Stands::Person),
    ("ears", EARS, "style", Stands::Label),
    ("ears", EARS, "threshold_500", Stands::Closed),
    ("ears", EARS, "ear", Stands::Closed),
    ("responses", RESPONSES, "fitting_id", Stands::Person),
    ("responses", RESPONSES, "measured_db", Stands::Closed),
    ("responses", RESPONSES, "quantity", Stands::Closed),
    ("outcomes", OUTCOMES, "fitting_id", Stands::Person),
    ("outcomes", OUTCOMES, "instrument", Stands::Closed),
    ("outcomes", OUTCOMES, "score", Stands::Closed),
];

/// A table with the value of its first row replaced in one column.
fn with_value(text: &str, column: &str, value: &str) -> String {
    let mut lines = text.lines().map(str::to_owned);
    let header = lines.next().unwrap();
    let position = header.split(',').position(|name| name == column).unwrap();
    let mut rows: Vec<String> = lines.collect();
    let mut fields: Vec<&str> = rows[0].split(',').collect();
    fields[position] = value;
    rows[0] = fields.join(",");
    format!("{header}\n{}\n", rows.join("\n"))
}

/// Every shape in every place of one table, in one packing.
fn every_place(table: &str, pack: impl Fn(&str) -> (&'static str, Vec<u8>)) {
    let stored = stored();
    let mut cases = 0;
    for (of, text, column, stands) in PLACES.into_iter().filter(|(of, ..)| *of == table) {
        for (value, unseen) in SHAPES {
            if unseen.contains(&stands) {
                continue;
            }
            let (ending, content) = pack(&with_value(text, column, value));
            let case = Case {
                about: format!("{value} in {column} of {of}, {ending}"),
                file: format!("{of}.{ending}"),
                content,
                canary: value,
                rule: "identifying-value",
            };
            case.assert_refused(&stored);
            cases += 1;
        }
    }
    assert!(cases > 40, "{cases}");
}

fn plain(text: &str) -> (&'static str, Vec<u8>) {
    ("csv", text.as_bytes().to_vec())
}

#[test]
fn no_identifier_comes_in_with_fittings() {
    every_place("fittings", plain);
}

#[test]
fn no_identifier_comes_in_with_ears() {
    every_place("ears", |text| ("csv.gz", gzip(text.as_bytes())));
}

#[test]
fn no_identifier_comes_in_with_responses() {
    every_place("responses", plain);
}

#[test]
fn no_identifier_comes_in_with_outcomes() {
    every_place("outcomes", |text| {
        ("parquet", parquet_files::from_csv(text))
    });
}

/// Rows with a field too many or too few, a first row of data instead of a header, and labels that are too long.
#[test]
fn no_identifier_comes_in_with_rows_that_fit_nowhere() {
    let stored = stored();
    for (value, unseen) in SHAPES {
        for (table, text) in small_practice() {
            // A number of 8 digits is seen by its column only, and letters alone may be any word.
            let alone = !["19460817", "zqcanary nobody"].contains(&value);
            // The date of a fitting may stand anywhere in such a row.
            let dated = table == "fittings" && unseen == [Stands::FittedOn];
            if alone {
                let second = if dated {
                    format!("{value},1999-01-01")
                } else {
                    String::new()
                };
                let case = Case {
                    about: format!("{value} in a short row of {table}"),
                    file: format!("{table}.csv"),
                    content: format!("{text}F1,{value}{second}\n").into_bytes(),
                    canary: value,
                    rule: "identifying-value",
                };
                if !dated {
                    case.assert_refused(&stored);
                }
                let long = text.lines().nth(1).unwrap();
                let case = Case {
                    about: format!("{value} in a long row of {table}"),
                    content: format!("{text}{long},,,,,,,{value},1999-01-01\n").into_bytes(),
                    ..case
                };
                case.assert_refused(&stored);
            }
            let (_, rows) = text.split_once('\n').unwrap();
            let case = Case {
                about: format!("{value} in a first row of {table} that is no header"),
                file: format!("{table}.csv"),
                content: format!("{value},{value}\n{rows}").into_bytes(),
                canary: value,
                rule: "no-header-row",
            };
            case.assert_refused(&stored);
        }
        let among_words = !unseen.contains(&Stands::Label)
            && ![
                "19460817",
                "987654321",
                "170846-1234",
                "DE89370400440532013000",
            ]
            .contains(&value);
        if among_words {
            let padded = format!("{} {value}", "a long remark ".repeat(5));
            let case = Case {
                about: format!("{value} in a label that is too long"),
                file: "fittings.csv".to_owned(),
                content: with_value(FITTINGS, "x_region", &padded).into_bytes(),
                canary: value,
                rule: "identifying-value",
            };
            if value != "Dr. Zqcanary" {
                case.assert_refused(&stored);
            }
        }
    }
}

/// Practices of every form of pseudonym pass, and the invented one.
#[test]
fn deliveries_without_identifiers_pass() {
    let workspace = Workspace::new();
    for (patient, clinic, clinician, region) in [
        (
            "8f14e45f-ceea-467f-a0e6-4f2d8a9b1c3e",
            "North-Hill",
            "anna-1",
            "North Hill",
        ),
        ("00001234", "clinic-7", "Clinician-A", "1-2 miles"),
        ("20260001", "C-12", "Fitter-North", "2026-08"),
        ("9b1c3e4f2d8a9b1c", "St-Nowhere", "F1", "500 1000 2000"),
        ("V1StGXR8_Z5jdHi6B-myT", "hill_7", "7", "v1.2.3.4"),
    ] {
        let fittings = FITTINGS
            .replace(",P1,", &format!(",{patient},"))
            .replace("north", clinic)
            .replace("anna-1", clinician)
            .replace("coast", region);
        workspace.delivery("d", &small_practice());
        workspace.write("d/fittings.csv", &fittings);
        let json = workspace.ok(&["check", "d", "--json"]).json();
        assert_eq!(json["tables"]["fittings"]["rows_stored"], 2, "{fittings}");
    }
}

/// A row with a comma too many in a label, or cut off behind one, is set aside and no more.
#[test]
fn rows_that_fit_nowhere_may_hold_labels() {
    let workspace = Workspace::new();
    let fittings = format!(
        "{FITTINGS}\
         F3,P3,Oak-Hill,anna-1,2026-08-17,71,new,Some Rule,none,false,Some Coast, Further North\n\
         F4,P4,Oak-Hill,anna-1,2026-08-17,71,new,Some Rule\n"
    );
    let ears =
        format!("{EARS}F2,left,true,40,40,,40,,40,40,40,40,40,closed,Behind The Ear, Large\n");
    workspace.delivery("d", &small_practice());
    workspace.write("d/fittings.csv", fittings);
    workspace.write("d/ears.csv", ears);
    let json = workspace.ok(&["check", "d", "--json"]).json();
    let expected = serde_json::json!([
        { "table": "fittings", "rule": "field-count", "rows": 2 },
        { "table": "ears", "rule": "field-count", "rows": 1 },
    ]);
    assert_eq!(json["set_aside"], expected);
}

/// A file that is not read may be called anything; its name is not repeated where it holds an identifier.
#[test]
fn names_of_files_are_not_repeated() {
    let workspace = Workspace::new();
    workspace.delivery("d", &small_practice());
    workspace.write("d/canary.zq@example.org.txt", "a note");
    workspace.write("d/notes.txt", "a note");
    for arguments in [&["check", "d"][..], &["check", "d", "--json"]] {
        let run = workspace.ok(arguments);
        assert!(!run.stdout.contains("canary"), "{}", run.shown());
        assert!(run.stdout.contains("notes.txt"), "{}", run.shown());
        assert!(
            run.stdout.contains("what looks like an e-mail address"),
            "{}",
            run.shown()
        );
    }
}
