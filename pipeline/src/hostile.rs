//! Entry points for hostile input, shared by the fuzz targets and by the tests that run the kept corpus: both judge by
//! the very same code.
//!
//! Each takes bytes and a folder to work in, whose contents it replaces, and panics where a promise of the crate is
//! broken: that every account closes to the row, that a refusal names a rule and a place, that nothing delivered is
//! repeated in a sentence, and that nothing panics. Only the feature `hostile` builds this module.
#![allow(
    clippy::panic,
    clippy::expect_used,
    reason = "a broken promise ends the run: that is how a fuzzer and a test see it"
)]

use std::collections::BTreeMap;
use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};

use crate::PipelineError;
use crate::delivery::{FileRead, columns, printable};
use crate::ingest::{self, Judgement};
use crate::intake::Intake;
use crate::map::{ColumnMap, MapError};
use crate::plan::Plan;
use crate::records::RowIssue;
use crate::rules::Consequence;
use crate::store::{Cohort, WhenLocked, set_aside_in_words, verify};
use crate::vocabulary::TableName;

/// Stands between the tables of an input, and between `CURRENT` and the manifest: the file separator of ASCII.
pub const SEPARATOR: u8 = 0x1C;

/// A delivery of one fitting that breaks no rule.
const PLAIN: [(&str, &str); 4] = [
    (
        "fittings.csv",
        "fitting_id,patient_id,clinic_id,clinician_id,fitted_on,prescription\nF1,P1,north,anna-1,2026-Q3,NAL-R\n",
    ),
    (
        "ears.csv",
        "fitting_id,ear,fitted,threshold_500\nF1,left,true,40\n",
    ),
    (
        "responses.csv",
        "fitting_id,ear,quantity,input_level_db,frequency_hz,target_db,measured_db\nF1,left,REIG,65,500,15,14\n",
    ),
    (
        "outcomes.csv",
        "fitting_id,instrument,item,score\nF1,ioi-ha,4,5\n",
    ),
];

/// A delivery out of bytes: the first says how it is packed, the others are its tables.
///
/// By the first byte, modulo 6: 0 CSV, 1 CSV that is packed with gzip here, 2 with zstd; the tables (fittings, ears,
/// responses, outcomes) then stand between [`SEPARATOR`]s, and one that is not there is not delivered. 3, 4 and 5: the
/// bytes are one file as it stands, fittings as `.csv.gz`, `.csv.zst` or `.parquet`.
///
/// # Panics
/// Where `check` breaks a promise, or the folder cannot be written.
pub fn csv(input: &[u8], folder: &Path) {
    let Some((packing, content)) = input.split_first() else {
        return;
    };
    let delivery = fresh(folder, "delivery");
    let text = match packing % 6 {
        kind @ 0..=2 => {
            let mut tables = content.splitn(TableName::ALL.len(), |byte| *byte == SEPARATOR);
            for table in TableName::ALL {
                let Some(text) = tables.next() else { break };
                let (ending, packed) = pack(kind, text);
                write(
                    &delivery.join(format!("{}.{ending}", table.word())),
                    &packed,
                );
            }
            content
        }
        kind => {
            let ending = match kind {
                3 => "csv.gz",
                4 => "csv.zst",
                _ => "parquet",
            };
            write(&delivery.join(format!("fittings.{ending}")), content);
            // What is in a packed file cannot be told from outside, so that echoes cannot be looked for.
            b""
        }
    };
    let plan = Plan::default();
    judged(&delivery, &Intake::plain(&plan), text);
}

/// A plan file out of bytes. One that is taken says the same after it was written out and read again, and judges a
/// delivery.
///
/// # Panics
/// Where reading breaks a promise, or the folder cannot be written.
pub fn plan(input: &[u8], folder: &Path) {
    let delivery = fresh(folder, "delivery");
    for (name, text) in PLAIN {
        write(&delivery.join(name), text.as_bytes());
    }
    let path = folder.join("plan.toml");
    write(&path, input);
    match Plan::read(&path) {
        Ok(plan) => {
            let again = folder.join("again.toml");
            write(&again, plan.to_toml().as_bytes());
            let mut back = Plan::read(&again).expect("a plan reads what it wrote");
            back.file_text.clone_from(&plan.file_text);
            assert!(back == plan, "a plan changed by being written");
            assert!(plan.criterion().is_ok() && plan.second_criterion().is_ok());
            judged(&delivery, &Intake::plain(&plan), b"");
        }
        Err(error) => assert!(!error.to_string().is_empty()),
    }
}

/// A cohort whose `CURRENT` and manifest are bytes: what stands before the first [`SEPARATOR`] and after it; without
/// one, all of it is the manifest of snapshot 000001, and `CURRENT` has its hash. Such a cohort is opened, and where that succeeds a delivery is
/// added to it.
///
/// # Panics
/// Where opening or adding breaks a promise, or the folder cannot be written.
pub fn manifest(input: &[u8], folder: &Path) {
    let cohort = fresh(folder, "cohort");
    let at = input.iter().position(|byte| *byte == SEPARATOR);
    let (current, manifest) = match at.and_then(|at| input.split_at_checked(at)) {
        Some((current, rest)) => (current.to_vec(), rest.get(1..).unwrap_or_default()),
        None => {
            let hash = blake3::hash(input).to_hex();
            (format!("000001 {hash}\n").into_bytes(), input)
        }
    };
    write(&cohort.join("CURRENT"), &current);
    let snapshot = cohort.join("snapshots/000001");
    fs::create_dir_all(&snapshot).expect("a folder to work in");
    write(&snapshot.join("manifest.json"), manifest);
    let before = match Cohort::open(&cohort) {
        Ok(before) => before,
        Err(error) => {
            assert!(!error.to_string().is_empty());
            return;
        }
    };
    for part in &before.manifest.parts {
        let path = Path::new(&part.path);
        assert!(
            path.is_relative()
                && path
                    .components()
                    .all(|c| matches!(c, std::path::Component::Normal(_))),
            "a part lies outside of the cohort"
        );
    }
    match verify::verify(&cohort, true, &|_| {}) {
        Ok(_) => {}
        Err(error) => assert!(!error.to_string().is_empty()),
    }
    let delivery = fresh(folder, "delivery");
    for (name, text) in PLAIN {
        write(&delivery.join(name), text.as_bytes());
    }
    let plan = Plan::default();
    let intake = Intake::plain(&plan);
    match ingest::ingest(&delivery, &cohort, &intake, WhenLocked::GiveUp, &|_| {}) {
        Ok(ingested) => {
            let after = Cohort::open(&cohort).expect("what was written opens");
            assert!(after.manifest == ingested.manifest);
        }
        // A manifest is damaged in more ways than opening sees; the cohort is then as it was.
        Err(error) => {
            assert!(!error.to_string().is_empty());
            let after = Cohort::open(&cohort).expect("the cohort is as it was");
            assert!(
                after.manifest == before.manifest,
                "a failed ingest changed the cohort"
            );
        }
    }
}

/// A column map out of bytes, and after a [`SEPARATOR`] each the tables that it reads. A map that is taken judges them;
/// what is proposed for the tables is of a map's form, or refused.
///
/// # Panics
/// Where reading breaks a promise, or the folder cannot be written.
pub fn map(input: &[u8], folder: &Path) {
    let delivery = fresh(folder, "delivery");
    let mut parts = input.split(|byte| *byte == SEPARATOR);
    let text = String::from_utf8_lossy(parts.next().unwrap_or_default()).into_owned();
    for (table, content) in TableName::ALL.iter().zip(parts) {
        write(&delivery.join(format!("{}.csv", table.word())), content);
    }
    let plan = Plan::default();
    match ColumnMap::parse(&text, &folder.join("map.toml")) {
        Ok(map) => {
            let intake = Intake {
                map: Some(&map),
                ..Intake::plain(&plan)
            };
            judged(&delivery, &intake, b"");
        }
        Err(error) => assert!(!error.to_string().is_empty()),
    }
    if let Ok(proposed) = crate::map::suggest::suggest(&delivery) {
        // What a person has to choose or to add may be missing in it.
        let read = ColumnMap::parse(&proposed, &folder.join("proposed.toml"));
        assert!(
            !matches!(read, Err(MapError::Syntax { .. })),
            "a proposal is no column map: {read:?}"
        );
    }
}

/// Resources out of bytes: the first says whether they are a Bundle or a resource a line.
///
/// # Panics
/// Where reading breaks a promise, or the folder cannot be written.
pub fn fhir(input: &[u8], folder: &Path) {
    let Some((form, content)) = input.split_first() else {
        return;
    };
    let delivery = fresh(folder, "delivery");
    for (name, text) in PLAIN.iter().take(2) {
        write(&delivery.join(name), text.as_bytes());
    }
    let ending = if form % 2 == 0 { "json" } else { "ndjson" };
    write(&delivery.join(format!("resources.{ending}")), content);
    let map = FHIR_MAP.replace("ENDING", ending);
    let map = ColumnMap::parse(&map, &folder.join("map.toml")).expect("our own map");
    let plan = Plan::default();
    let intake = Intake {
        map: Some(&map),
        ..Intake::plain(&plan)
    };
    judged(&delivery, &intake, b"");
}

/// A map of some codes; the addresses are made up but for that of the code system.
const FHIR_MAP: &str = r#"
[[fhir]]
files = ["resources.ENDING"]
fitting = "encounter"
[fhir.thresholds]
"http://loinc.org|89024-4" = { ear = "left", frequency_hz = 500 }
"http://loinc.org|89025-1" = { ear = "right", frequency_hz = 500 }
"http://loinc.org|89016-0" = { ear = "left", frequency_hz = 1000 }
[fhir.answers]
"http://example.org/q|4" = { instrument = "ioi-ha", item = "4" }
[fhir.scores]
"http://example.org/scale|much" = 5
"#;

/// An entry point.
pub type Entry = fn(&[u8], &Path);

/// The entry points by name: the folders of the corpus are called like them.
pub const ENTRIES: &[(&str, Entry)] = &[
    ("csv", csv),
    ("fhir", fhir),
    ("manifest", manifest),
    ("map", map),
    ("plan", plan),
];

/// Checks a delivery and the promises about what is said of it. `text` is what was delivered, where it is plain.
fn judged(delivery: &Path, intake: &Intake<'_>, text: &[u8]) {
    match ingest::check(delivery, intake, &|_| {}) {
        Ok(judgement) => accounted(&judgement, !text.is_empty()),
        Err(error) => {
            if let Some(named) = refused(&error, delivery)
                && !text.is_empty()
            {
                not_echoed(&named, text);
            }
        }
    }
}

/// Every row is accounted for, and every row set aside has its place and its rule's sentence, about a column of ours where
/// the delivery is in the published format.
fn accounted(judgement: &Judgement, published: bool) {
    for (table, account) in &judgement.accounts {
        assert!(
            account.closes(),
            "the account of {} does not close: {account:?}",
            table.word()
        );
        let aside = judgement
            .issues()
            .iter()
            .filter(|issue| issue.table == *table)
            .count();
        assert_eq!(account.rows_set_aside, aside as u64);
    }
    let mut kinds: BTreeMap<_, RowIssue> = BTreeMap::new();
    for issue in judgement.issues() {
        let kind = (issue.table, issue.place.file, issue.column, issue.rule);
        kinds.entry(kind).or_insert(*issue);
        assert!(issue.place.line > 0, "{issue:?} has no line");
        assert!(issue.rule.text().consequence == Consequence::RowSetAside);
        assert!(issue.rule.text().tables.contains(&issue.table));
    }
    let kinds: Vec<RowIssue> = kinds.into_values().collect();
    let rows: Vec<_> = set_aside_in_words(&kinds, &judgement.files).collect();
    for (row, issue) in rows.iter().zip(&kinds) {
        let name = row.column.as_deref().unwrap_or_default();
        let template = issue.rule.text().sentence;
        let begin = template.split("{column}").next().unwrap_or_default();
        assert!(!row.file.is_empty(), "{row:?}");
        assert!(
            row.sentence.starts_with(&format!("{begin}{name}")),
            "{row:?}"
        );
        assert!(!row.sentence.contains(['{', '\n']), "{row:?}");
        let header = [name.to_owned()];
        let specs = columns::columns_for(issue.table, &header);
        let known = specs.iter().any(|spec| spec.name == name) || columns::is_label_column(name);
        assert!(name.is_empty() || known || !published, "{row:?}");
    }
    for (rule, _) in &judgement.notes {
        assert!(rule.text().consequence == Consequence::Noted);
    }
    let read: u64 = judgement
        .files
        .iter()
        .map(|file: &FileRead| file.rows)
        .sum();
    let accounted: u64 = judgement
        .accounts
        .iter()
        .map(|(_, account)| account.rows_read)
        .sum();
    assert_eq!(read, accounted);
}

/// A refusal names a rule that refuses and a file of the delivery, in one line: the rule's sentence. Gives the name of the
/// column in it, where it has one.
fn refused(error: &PipelineError, delivery: &Path) -> Option<String> {
    let PipelineError::Refused {
        rule,
        file,
        line,
        sentence,
    } = error
    else {
        panic!("a delivery that can be read gave {error:?}");
    };
    assert!(rule.text().consequence == Consequence::DeliveryRefused);
    assert!(
        file.starts_with(delivery),
        "{error:?} is about another folder"
    );
    assert!(line.is_none_or(|line| line > 0), "{error:?}");
    // Files without lines have bytes.
    let told = match sentence.strip_prefix("byte ") {
        Some(rest) => rest.split_once(": ").map_or(rest, |(_, rest)| rest),
        None => sentence.as_str(),
    };
    let Some((begin, end)) = rule.text().sentence.split_once("{column}") else {
        assert!(told == rule.text().sentence, "{error:?}");
        return None;
    };
    // What a value looks like is told in words of ours.
    if let Some((middle, _)) = end.split_once("{class}") {
        let named = told.strip_prefix(begin);
        let named = named.and_then(|rest| rest.split_once(middle));
        let (named, _) = named.unwrap_or_else(|| panic!("{error:?} is not the rule's sentence"));
        assert!(!named.contains(char::is_control), "{error:?}");
        return Some(named.to_owned());
    }
    let named = told
        .strip_prefix(begin)
        .and_then(|rest| rest.strip_suffix(end));
    let named = named.unwrap_or_else(|| panic!("{error:?} is not the rule's sentence"));
    // A column's name may hold any character that is printed.
    assert!(!named.contains(char::is_control), "{error:?}");
    Some(named.to_owned())
}

/// What stands for a column whose name must not be told.
const NAMELESS: [&str; 2] = ["A field of this row", "whose name is not repeated here"];

/// What a sentence names is a column or a table of ours, or a name of a header row: never what another row holds.
fn not_echoed(named: &str, text: &[u8]) {
    // Of other forms than text the header row is not known here.
    if text.is_empty() {
        return;
    }
    let ours = TableName::ALL.iter().any(|table| {
        let forms = [columns::responses_wide(), columns::ears_long()].concat();
        let mut specs = columns::columns_for(*table, &[]).into_iter().chain(forms);
        table.word() == named || specs.any(|spec| spec.name == named)
    });
    let mut tables = text.splitn(TableName::ALL.len(), |byte| *byte == SEPARATOR);
    let known = ours
        || NAMELESS.contains(&named)
        || tables.any(|table| {
            header_row(table)
                .iter()
                .any(|name| printable(name) == named)
        });
    assert!(known, "something other than a column is named: {named}");
}

/// The names of a table's header row.
fn header_row(table: &[u8]) -> Vec<String> {
    let text = table.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(table);
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .from_reader(text);
    let mut record = csv::ByteRecord::new();
    match reader.read_byte_record(&mut record) {
        Ok(true) => record
            .iter()
            .map(|name| String::from_utf8_lossy(name).into_owned())
            .collect(),
        _ => Vec::new(),
    }
}

fn pack(kind: u8, text: &[u8]) -> (&'static str, Vec<u8>) {
    match kind {
        1 => {
            let mut encoder =
                flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
            encoder.write_all(text).expect("memory takes bytes");
            ("csv.gz", encoder.finish().expect("memory takes bytes"))
        }
        2 => (
            "csv.zst",
            zstd::encode_all(text, 1).expect("memory takes bytes"),
        ),
        _ => ("csv", text.to_vec()),
    }
}

/// An empty folder of that name.
fn fresh(folder: &Path, name: &str) -> PathBuf {
    let path = folder.join(name);
    match fs::remove_dir_all(&path) {
        Err(error) if error.kind() != std::io::ErrorKind::NotFound => {
            panic!("the folder to work in cannot be emptied: {error}")
        }
        _ => {}
    }
    fs::create_dir_all(&path).expect("a folder to work in");
    path
}

fn write(path: &Path, bytes: &[u8]) {
    fs::write(path, bytes).expect("a folder to work in");
}
