//! FHIR resources beside CSV: the same practice, the same cohort; bad resources set aside to the row.
//!
//! The resources follow the structure published at hl7.org/fhir/R4 (observation.html, questionnaireresponse.html,
//! bundle.html, json.html); all that stands in them is invented. The map is the example of the documentation.

mod resources;

use std::collections::BTreeSet;
use std::io::Write as _;
use std::path::{Path, PathBuf};

use fitcohort_pipeline::ingest::{self, Judgement};
use fitcohort_pipeline::intake::Intake;
use fitcohort_pipeline::map::ColumnMap;
use fitcohort_pipeline::plan::Plan;
use fitcohort_pipeline::store::{WhenLocked, set_aside_in_words};
use fitcohort_pipeline::vocabulary::TableName;
use serde_json::{Value, json};

use crate::workspace::{FITTINGS, RESPONSES, Workspace, files_below, small_practice};
use resources::{
    answers, bundle, company, ears_without_thresholds, lines, observation, thresholds, value,
};

/// Rules that set a row aside and that only FHIR resources can break, with the tables.
pub(crate) const SET_ASIDE: [(&str, &str); 10] = [
    ("resource-disagrees", "ears"),
    ("resource-disagrees", "outcomes"),
    ("resource-not-read", "ears"),
    ("resource-not-read", "outcomes"),
    ("resource-status", "ears"),
    ("resource-status", "outcomes"),
    ("unit-not-taken", "ears"),
    ("unit-not-taken", "outcomes"),
    ("value-not-taken", "ears"),
    ("value-not-taken", "outcomes"),
];
/// Rules by which only FHIR files are refused.
pub(crate) const REFUSED: [&str; 1] = ["not-a-bundle"];
/// What is said of FHIR files only.
pub(crate) const NOTED: [&str; 3] = ["code-not-mapped", "resource-ignored", "value-absent"];

/// A name that stands wherever a resource may hold one, and that must be nowhere in what is said or written.
const CANARY: &str = "Quillfeather";

fn map() -> ColumnMap {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/fhir-map.example.toml");
    let text = std::fs::read_to_string(&path).unwrap();
    ColumnMap::parse(&text, &path).unwrap()
}

/// Files of a delivery by name.
type Files = Vec<(&'static str, Vec<u8>)>;

/// The map's entries for the files that a delivery has: one that finds none refuses it.
fn with_map<T>(delivery: &Path, work: impl FnOnce(&Intake<'_>) -> T) -> T {
    let (plan, mut map) = (Plan::default(), map());
    let names: Vec<String> = std::fs::read_dir(delivery)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned())
        .collect();
    map.fhir.retain(|source| {
        let begin = source.files[0].split('*').next().unwrap();
        names.iter().any(|name| name.starts_with(begin))
    });
    let intake = Intake {
        map: Some(&map),
        ..Intake::plain(&plan)
    };
    work(&intake)
}

fn taken_in(workspace: &Workspace, delivery: &str, cohort: &str) -> Judgement {
    let folders = [delivery, cohort].map(|name| workspace.path(name));
    with_map(&folders[0], |intake| {
        ingest::ingest(&folders[0], &folders[1], intake, WhenLocked::Wait, &|_| {})
    })
    .unwrap()
    .judgement
}

fn account(judgement: &Judgement, table: TableName) -> [u64; 4] {
    let (_, account) = judgement
        .accounts
        .iter()
        .find(|(name, _)| *name == table)
        .unwrap();
    assert!(account.closes());
    [
        account.rows_read,
        account.rows_stored,
        account.rows_set_aside,
        account.exact_repeats,
    ]
}

fn gzip(text: &str) -> Vec<u8> {
    let mut encoder = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::default());
    encoder.write_all(text.as_bytes()).unwrap();
    encoder.finish().unwrap()
}

/// The tables of the cohort, byte for byte.
fn tables(workspace: &Workspace, cohort: &str) -> Vec<(PathBuf, Vec<u8>)> {
    let mut files = files_below(&workspace.path(cohort));
    files.retain(|(path, _)| path.extension().is_some_and(|ending| ending == "parquet"));
    files
}

#[test]
fn resources_store_the_same_cohort_as_rows() {
    let workspace = Workspace::new();
    workspace.delivery("plain", &small_practice());
    workspace.ingest("plain", "c-plain");
    let expected = tables(&workspace, "c-plain");
    let thresholds = [company(), thresholds()].concat();
    let answers = [company(), answers()].concat();
    let (head, tail) = thresholds.split_at(9);
    let forms: [(&str, Files); 3] = [
        (
            "bundle",
            vec![
                ("thresholds.json", bundle(&thresholds).into_bytes()),
                ("answers.json", bundle(&answers).into_bytes()),
            ],
        ),
        (
            "lines",
            vec![
                ("thresholds.ndjson", lines(&thresholds).into_bytes()),
                ("answers.ndjson", lines(&answers).into_bytes()),
            ],
        ),
        (
            "packed",
            vec![
                ("thresholds-1.ndjson.gz", gzip(&lines(tail))),
                ("thresholds-2.json.gz", gzip(&bundle(head))),
                (
                    "answers.ndjson.zst",
                    zstd::encode_all(lines(&answers).as_bytes(), 3).unwrap(),
                ),
            ],
        ),
    ];
    for (name, files) in forms {
        workspace.delivery(
            name,
            &[
                ("fittings", FITTINGS),
                ("ears", &ears_without_thresholds()),
                ("responses", RESPONSES),
            ],
        );
        for (file, bytes) in files {
            workspace.write(&format!("{name}/{file}"), bytes);
        }
        let judgement = taken_in(&workspace, name, &format!("c-{name}"));
        assert_eq!(judgement.issues(), [], "{name}");
        assert_eq!(judgement.not_read, Vec::<String>::new(), "{name}");
        // Four rows that say who was fitted, eight thresholds of each.
        assert_eq!(account(&judgement, TableName::Ears), [36, 36, 0, 0]);
        assert_eq!(account(&judgement, TableName::Outcomes), [4, 4, 0, 0]);
        let noted: Vec<&str> = judgement.notes.iter().map(|(r, _)| r.code()).collect();
        assert_eq!(noted, ["resource-ignored"; 2], "{:?}", judgement.notes);
        let cohort = format!("c-{name}");
        assert!(tables(&workspace, &cohort) == expected, "{name}");
        for (path, bytes) in files_below(&workspace.path(&cohort)) {
            let found = bytes.windows(CANARY.len()).any(|w| w == CANARY.as_bytes());
            assert!(!found, "{name}: {}", path.display());
        }
        assert!(!format!("{judgement:?}").contains(CANARY));
    }
}

/// A spoiled resource: what is put in, and the rule that its row breaks; none where nothing comes of it but a note.
fn spoiled(table: &str) -> Vec<(Value, Option<&'static str>)> {
    let mut out = Vec::new();
    let mut add = |key: &str, put: Value, rule| {
        let mut resource = if table == "ears" {
            let mut resource = observation("F1", "left", "500");
            resource["valueQuantity"] = value("25");
            resource
        } else {
            answers().remove(0)
        };
        match key {
            "answer" => resource["item"][0]["item"][0]["answer"][0] = put,
            key => resource[key] = put,
        }
        out.push((resource, rule));
    };
    add("status", json!("entered-in-error"), Some("resource-status"));
    add("status", json!(7), Some("resource-not-read"));
    add(
        "modifierExtension",
        json!([{ "url": CANARY }]),
        Some("resource-not-read"),
    );
    if table == "ears" {
        let mut quantity = value("25");
        quantity["unit"] = "dB SPL".into();
        add("valueQuantity", quantity, Some("unit-not-taken"));
        let mut quantity = value("25");
        quantity["comparator"] = "<".into();
        add("valueQuantity", quantity, Some("value-not-taken"));
        add("valueString", json!("30"), Some("resource-disagrees"));
        // The ordinary rules go on from there.
        add("valueQuantity", value(">95"), Some("out-of-range"));
        add("valueQuantity", value("1e30"), Some("out-of-range"));
        add("valueQuantity", Value::Null, Some("required"));
        add("encounter", Value::Null, Some("required"));
        add(
            "encounter",
            json!({ "reference": "Encounter/F 7" }),
            Some("identifier-shape"),
        );
        add(
            "encounter",
            json!({ "reference": "Encounter/F417" }),
            Some("orphan"),
        );
        add(
            "code",
            json!({ "coding": [{ "system": "http://loinc.org", "code": CANARY }] }),
            None,
        );
        let mut absent = observation("F1", "left", "500");
        absent["dataAbsentReason"] = json!({ "text": CANARY });
        out.push((absent, None));
    } else {
        let hours = json!({ "valueQuantity": { "value": 3, "code": "h" } });
        add("answer", hours, Some("unit-not-taken"));
        add(
            "answer",
            json!({ "valueString": CANARY }),
            Some("value-not-taken"),
        );
        let twice = json!({ "valueInteger": 3, "valueDecimal": 3 });
        add("answer", twice, Some("resource-disagrees"));
        add("answer", json!({ "valueInteger": 6 }), Some("out-of-range"));
        add("answer", json!({ "valueDecimal": 3.5 }), Some("not-whole"));
        add("answer", json!({}), Some("required"));
        add(
            "identifier",
            json!({ "system": CANARY, "value": "F1" }),
            Some("required"),
        );
        add("questionnaire", json!("http://example.org/other"), None);
    }
    out
}

#[test]
fn bad_resources_are_set_aside_to_the_row() {
    let mut seen = BTreeSet::new();
    let mut noted = BTreeSet::new();
    for (table, file, good) in [
        ("ears", "thresholds", thresholds()),
        ("outcomes", "answers", answers()),
    ] {
        let spoiled = spoiled(table);
        let bad: Vec<Value> = spoiled
            .iter()
            .map(|(resource, _)| resource.clone())
            .collect();
        let expected: Vec<&str> = spoiled.iter().filter_map(|(_, rule)| *rule).collect();
        let resources = [company(), bad, good].concat();
        for (form, text) in [("json", bundle(&resources)), ("ndjson", lines(&resources))] {
            let workspace = Workspace::new();
            let mut practice = small_practice().to_vec();
            practice.retain(|(name, _)| *name != "outcomes");
            workspace.delivery("d", &practice);
            workspace.write(&format!("d/{file}.{form}"), text);
            let judgement = taken_in(&workspace, "d", "c");
            let rows: Vec<_> = set_aside_in_words(judgement.issues(), &judgement.files).collect();
            let rules: Vec<&str> = rows.iter().map(|row| row.rule.as_str()).collect();
            assert_eq!(rules, expected, "{rows:#?}");
            for (row, number) in rows.iter().zip(1..) {
                // Bad resources come first, and those of which nothing comes come last among them.
                assert_eq!((row.line, &row.file), (number, &format!("{file}.{form}")));
                seen.insert((row.rule.clone(), row.table.clone()));
            }
            let aside = rows.len() as u64;
            let counts = match table {
                // The thresholds say again what the CSV says.
                "ears" => [4 + 32 + aside, 4, aside, 32],
                _ => [4 + aside, 4, aside, 0],
            };
            assert_eq!(
                account(&judgement, TableName::from_word(table.as_bytes()).unwrap()),
                counts
            );
            noted.extend(judgement.notes.iter().map(|(rule, _)| rule.code()));
            let all = format!("{rows:?} {:?}", judgement.notes);
            assert!(!all.contains(CANARY), "{all}");
            for (path, bytes) in files_below(&workspace.path("c")) {
                let found = bytes.windows(CANARY.len()).any(|w| w == CANARY.as_bytes());
                assert!(!found, "{}", path.display());
            }
        }
    }
    for case in SET_ASIDE {
        let case = (case.0.to_owned(), case.1.to_owned());
        assert!(seen.contains(&case), "{case:?} in {seen:?}");
    }
    for rule in NOTED {
        assert!(noted.contains(rule), "{rule} in {noted:?}");
    }
}

#[test]
fn damaged_files_are_refused_with_their_byte() {
    let whole = bundle(&thresholds());
    let text = lines(&thresholds());
    let half = whole.len() / 2;
    let mut latin = text.clone().into_bytes();
    let at = text.find(CANARY).unwrap();
    latin[at] = 0xE9;
    let cut = text.len() - 30;
    let cases: [(&str, Vec<u8>, &str, Option<usize>); 8] = [
        (
            "thresholds.json",
            whole[..half].into(),
            "damaged-file",
            Some(half),
        ),
        (
            "thresholds.ndjson",
            text[..cut].into(),
            "damaged-file",
            Some(cut),
        ),
        ("thresholds.json", latin.clone(), "not-utf8", Some(at)),
        ("thresholds.json", "[]".into(), "damaged-file", Some(0)),
        ("thresholds.json", text.clone().into(), "not-a-bundle", None),
        ("thresholds.ndjson", latin, "not-utf8", Some(at)),
        (
            "thresholds.json",
            "\u{feff}".into(),
            "damaged-file",
            Some(3),
        ),
        (
            "thresholds.json.gz",
            gzip(&whole)[..200].into(),
            "damaged-file",
            None,
        ),
    ];
    for (file, bytes, rule, byte) in cases {
        let workspace = Workspace::new();
        workspace.delivery("d", &small_practice());
        workspace.write(&format!("d/{file}"), bytes);
        let folders = ["d", "c"].map(|name| workspace.path(name));
        let error = with_map(&folders[0], |intake| {
            ingest::ingest(&folders[0], &folders[1], intake, WhenLocked::Wait, &|_| {})
        })
        .expect_err(rule)
        .to_string();
        assert!(error.contains(&format!("[{rule}]")), "{file}: {error}");
        assert!(error.contains(file) && !error.contains(CANARY), "{error}");
        if let Some(byte) = byte {
            assert!(error.contains(&format!("byte {byte}: ")), "{file}: {error}");
        }
        assert!(!workspace.path("c").exists());
    }
}

/// Without a map nothing is known of such files, and they are not read.
#[test]
fn without_a_map_resources_are_not_read() {
    let workspace = Workspace::new();
    workspace.delivery("d", &small_practice());
    workspace.write("d/thresholds.json", bundle(&thresholds()));
    let said = workspace.ok(&["check", "d", "--json"]).json();
    assert_eq!(said["not_read"], json!(["thresholds.json"]));
}

/// The same resources under a map that reads them otherwise are another delivery.
#[test]
fn the_map_is_part_of_what_a_delivery_says() {
    let workspace = Workspace::new();
    workspace.delivery("d", &small_practice());
    workspace.write("d/thresholds.json", bundle(&thresholds()));
    let plan = Plan::default();
    let hash = |map: &ColumnMap| {
        let intake = Intake {
            map: Some(map),
            ..Intake::plain(&plan)
        };
        ingest::check(&workspace.path("d"), &intake, &|_| {})
            .unwrap()
            .hash
    };
    let mut map = map();
    map.fhir.truncate(1);
    let mut other = map.clone();
    other.fhir[0].thresholds.pop_first();
    let mut renamed = map.clone();
    renamed.fhir[0].files.push("further*.json".to_owned());
    assert_ne!(hash(&map), hash(&other));
    assert_eq!(hash(&map), hash(&renamed));
}
