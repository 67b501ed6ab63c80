//! Forms of pseudonyms that practices use, in large columns: the gate has to let every one of them pass.

use std::path::Path;

use csv::ByteRecord;

use super::{Found, Gate};
use crate::delivery::header::Header;
use crate::intake::Intake;
use crate::plan::Plan;
use crate::records::Labels;
use crate::vocabulary::TableName;

/// What the gate finds in a column of pseudonyms of people.
fn found(values: impl Iterator<Item = String>) -> Option<Found> {
    let plan = Plan::default();
    let names = [
        "fitting_id",
        "patient_id",
        "clinic_id",
        "clinician_id",
        "fitted_on",
    ];
    let header = Header::new(
        TableName::Fittings,
        names.map(str::to_owned).to_vec(),
        Path::new("fittings.csv"),
        &mut Labels::default(),
        &Intake::plain(&plan),
    )
    .unwrap();
    let mut gate = Gate::new(TableName::Fittings, &header);
    for (value, line) in values.zip(2..) {
        let row = ["F1", &value, "clinic-1", "clinician-1", "2026-Q3"];
        gate.row(line, &ByteRecord::from(row.as_slice()));
    }
    let (found, tallies) = gate.into_parts();
    found.or_else(|| tallies.verdict())
}

/// Random bytes that are the same in every run: a hash of the number.
fn random(seed: u64, number: u64) -> [u8; 32] {
    let mut text = seed.to_le_bytes().to_vec();
    text.extend(number.to_le_bytes());
    *blake3::hash(&text).as_bytes()
}

fn letters(bytes: &[u8], alphabet: &str, length: usize) -> String {
    let alphabet = alphabet.as_bytes();
    bytes
        .iter()
        .cycle()
        .take(length)
        .map(|byte| char::from(alphabet[usize::from(*byte) % alphabet.len()]))
        .collect()
}

const HEX: &str = "0123456789abcdef";
const BASE_32: &str = "ABCDEFGHIJKLMNOPQRSTUVWXYZ234567";
const CROCKFORD: &str = "0123456789ABCDEFGHJKMNPQRSTVWXYZ";
const BASE_64: &str = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_";

fn uuid(bytes: &[u8; 32]) -> String {
    let hex = letters(bytes, HEX, 32);
    format!(
        "{}-{}-4{}-a{}-{}",
        &hex[..8],
        &hex[8..12],
        &hex[13..16],
        &hex[17..20],
        &hex[20..]
    )
}

/// A form by name, and a pseudonym of it by number.
type Form = (&'static str, fn(u64) -> String);

const FORMS: [Form; 29] = [
    ("running number", |n| (n + 1).to_string()),
    ("running number of 6 digits", |n| (100_000 + n).to_string()),
    ("running number of 8 digits", |n| {
        (10_000_000 + n).to_string()
    }),
    ("running number behind its year", |n| {
        format!("{}{:04}", 2019 + n / 9999, n % 9999 + 1)
    }),
    ("padded running number", |n| format!("{:012}", n + 1)),
    ("synthesizer's", |n| format!("F{:08}", n + 1)),
    ("letter and 6 digits", |n| format!("P{n:06}")),
    ("letter and 9 digits", |n| format!("P{:09}", n * 7919)),
    ("clinic and person", |n| {
        format!("clinic-{}-{:04}", n % 12, n / 12)
    }),
    ("site, person, visit", |n| {
        format!("{:02}-{:04}-{:04}", n % 40 + 1, n / 40, n % 9)
    }),
    ("country, site, person", |n| {
        format!("101-{:03}-{:04}", n % 40 + 1, n / 40)
    }),
    ("site and person in threes", |n| {
        format!("1{:02}-{:03}", n % 40, n / 40 % 1000)
    }),
    ("year and number", |n| format!("{}-{:05}", 2019 + n % 8, n)),
    ("random number of 6 digits", |n| {
        letters(&random(1, n), "0123456789", 6)
    }),
    ("random number of 8 digits", |n| {
        letters(&random(2, n), "123456789", 8)
    }),
    ("uuid", |n| uuid(&random(3, n))),
    ("UUID", |n| uuid(&random(4, n)).to_uppercase()),
    ("8 hexadecimal digits", |n| letters(&random(5, n), HEX, 8)),
    ("10 hexadecimal digits", |n| letters(&random(6, n), HEX, 10)),
    ("12 hexadecimal digits", |n| {
        letters(&random(7, n), HEX, 12).to_uppercase()
    }),
    ("16 hexadecimal digits", |n| letters(&random(8, n), HEX, 16)),
    ("32 hexadecimal digits", |n| letters(&random(9, n), HEX, 32)),
    ("64 hexadecimal digits", |n| {
        letters(&random(10, n), HEX, 64)
    }),
    ("base 32", |n| letters(&random(11, n), BASE_32, 13)),
    ("base 32 in fours", |n| {
        let text = letters(&random(12, n), CROCKFORD, 12);
        format!("{}-{}-{}", &text[..4], &text[4..8], &text[8..])
    }),
    ("10 of base 64", |n| letters(&random(13, n), BASE_64, 10)),
    ("21 of base 64", |n| letters(&random(14, n), BASE_64, 21)),
    ("43 of base 64", |n| letters(&random(15, n), BASE_64, 43)),
    ("six and four digits", |n| {
        let text = letters(&random(16, n), "0123456789", 10);
        format!("{}-{}", &text[..6], &text[6..])
    }),
];

#[test]
fn pseudonyms_of_every_form_pass() {
    for (name, form) in FORMS {
        for many in [1_u64, 3, 40, 50_000] {
            assert_eq!(found((0..many).map(form)), None, "{many} × {name}");
        }
    }
}

/// One value among others of another form is enough; a date has to be more than one in a hundred.
#[test]
fn one_identifier_among_pseudonyms_is_found() {
    let forms: [Form; 4] = [FORMS[0], FORMS[5], FORMS[15], FORMS[22]];
    for (name, form) in forms {
        for value in [
            "nobody@example.org",
            "078-05-1120",
            "202-555-0143",
            "0301234567",
            "123456789",
            "17.08.1946",
            "1946-08-17",
            "170846-1234",
            "Nobody_Else",
            "Else, Nobody",
        ] {
            let column = |n: u64| if n == 4000 { value.to_owned() } else { form(n) };
            let line = found((0..5000).map(column)).map(|found| found.line);
            assert_eq!(line, Some(4002), "{value} among {name}");
        }
        let with_dates = |every: u64| {
            found((0..5000).map(move |n| {
                if n % every == 3 {
                    format!("19{:02}08{:02}", 30 + n % 60, n % 28 + 1)
                } else {
                    form(n)
                }
            }))
        };
        assert_eq!(with_dates(50).map(|found| found.line), Some(5), "{name}");
        assert_eq!(with_dates(2500), None, "{name}");
    }
}
