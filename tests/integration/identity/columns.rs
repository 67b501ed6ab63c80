//! Columns named like identifiers, with a canary in them.

use super::canaries::{Case, stored};
use crate::parquet_files;
use crate::workspace::{EARS, FITTINGS, OUTCOMES, RESPONSES};

const CANARY: &str = "Zqcanary";

/// A name of each class, and the words of the refusal.
const NAMES: [(&str, &str); 18] = [
    ("patient_name", "a personal name"),
    ("Straße", "an address"),
    ("date of birth", "a full date"),
    ("Telefonnummer", "a telephone number"),
    ("fax", "a fax number"),
    ("eMail", "an e-mail address"),
    ("SSN", "a national number"),
    ("medical_record_no", "a medical record number"),
    ("health_plan_id", "a health plan number"),
    ("account number", "an account number"),
    ("license_no", "a certificate or licence number"),
    ("LicencePlate", "a vehicle number"),
    ("serial_number", "a device identifier"),
    ("url", "the address of a web page"),
    ("ip_address", "an Internet address"),
    ("fingerprint", "a biometric identifier"),
    ("photo", "a photograph"),
    ("customer_number", "one person's alone"),
];

/// A table with a further column.
fn with_column(text: &str, name: &str) -> String {
    let rows = text.lines().enumerate().map(|(line, row)| match line {
        0 => format!("{row},{name}\n"),
        _ => format!("{row},{CANARY}\n"),
    });
    rows.collect()
}

#[test]
fn columns_of_every_class_refuse_the_delivery() {
    let stored = stored();
    let tables = [
        ("fittings", FITTINGS),
        ("ears", EARS),
        ("responses", RESPONSES),
        ("outcomes", OUTCOMES),
    ];
    for (at, (name, _)) in NAMES.into_iter().enumerate() {
        let (table, text) = tables[at % tables.len()];
        let text = with_column(text, name);
        let case = Case {
            about: format!("{name} in {table}"),
            file: format!("{table}.csv"),
            content: text.clone().into_bytes(),
            canary: CANARY,
            rule: "identifying-column",
        };
        case.assert_refused(&stored);
        let case = Case {
            file: format!("{table}.parquet"),
            content: parquet_files::from_csv(&text),
            ..case
        };
        case.assert_refused(&stored);
        let label = format!("x_{}", name.to_lowercase().replace([' ', 'ß'], "_"));
        if label != "x_stra_e" {
            let case = Case {
                about: format!("{label} as a label"),
                file: "fittings.csv".to_owned(),
                content: with_column(FITTINGS, &label).into_bytes(),
                canary: CANARY,
                rule: "identifying-column",
            };
            case.assert_refused(&stored);
        }
    }
}

#[test]
fn the_class_is_named() {
    for (name, words) in NAMES {
        let workspace = crate::workspace::Workspace::new();
        workspace.write("d/fittings.csv", with_column(FITTINGS, name));
        let run = workspace.run(&["check", "d"]);
        assert!(run.stderr.contains(words), "{name}: {}", run.shown());
        assert!(
            run.stderr.contains("fittings.csv, line 1: "),
            "{}",
            run.shown()
        );
        assert!(run.stderr.contains("--pseudonymise"), "{}", run.shown());
    }
}

/// A header row whose names are values: nobody's name is repeated because it stands in the first row.
#[test]
fn a_name_that_is_itself_an_identifier_is_not_repeated() {
    let stored = stored();
    for canary in [
        "canary.zq@example.org",
        "202-555-0147",
        "17.08.1946",
        "Dr. Zqcanary",
    ] {
        let case = Case {
            about: format!("{canary} as a column"),
            file: "outcomes.csv".to_owned(),
            content: with_column(OUTCOMES, canary).into_bytes(),
            canary,
            rule: "identifying-column",
        };
        case.assert_refused(&stored);
    }
}
