//! Identifiers that become keyed pseudonyms on the way in.

use super::SET_ASIDE;
use super::canaries::Canary;
use crate::parquet_files;
use crate::workspace::{FITTINGS, Rows, Workspace, files_below, small_practice};

const KEY: &[u8] = b"an invented key of more than thirty-two bytes\n";
const OPTIONS: [&str; 4] = [
    "--pseudonymise",
    "fitting_id,patient_id,clinic_id,clinician_id",
    "--key-file",
    "k/practice.key",
];

/// Raw identifiers for those of the small practice: none would pass by itself.
const RAW: [(&str, &str); 6] = [
    ("F1", "0301234567/1"),
    ("F2", "visit of 1946-08-17"),
    ("P1", "\"Zqcanary, Nobody\""),
    ("P2", "078-05-1120"),
    ("north", "12 Zqcanary Street"),
    ("anna-1", "canary.zq@example.org"),
];

fn raw(text: &str) -> String {
    let lines = text.lines().map(|line| {
        let fields = line.split(',').map(|field| {
            let found = RAW.iter().find(|(ours, _)| *ours == field);
            found.map_or(field, |(_, raw)| raw)
        });
        fields.collect::<Vec<_>>().join(",") + "\n"
    });
    lines.collect()
}

/// The small practice with raw identifiers, and rows that are set aside.
fn practice(workspace: &Workspace) {
    for (table, text) in small_practice() {
        workspace.write(&format!("raw/{table}.csv"), raw(text));
        workspace.write(&format!("plain/{table}.csv"), text);
    }
    let more = format!(
        "{}\
         a@example.org,\"Zqcanary, Nobody\",x,y,2026-Q3,old,,,,,\n\
         b@example.org,\"Zqcanary, Nobody\",x,y,2026-Q3\n",
        raw(FITTINGS)
    );
    workspace.write("raw/fittings.csv", more);
    workspace.write("k/practice.key", KEY);
}

fn ingest(workspace: &Workspace, delivery: &str, more: &[&str]) -> crate::workspace::Run {
    workspace.run(&[&["ingest", delivery, "--into", "c", "--json"], more].concat())
}

#[test]
fn raw_identifiers_become_pseudonyms_and_are_nowhere() {
    let workspace = Workspace::new();
    practice(&workspace);
    // Without the key the same delivery is refused.
    assert_eq!(workspace.run(&["check", "raw"]).code, 65);
    let aside = ["--set-aside-csv", "aside.csv"];
    let runs = [
        workspace.ok(&[&["check", "raw"], &OPTIONS[..], &aside].concat()),
        ingest(&workspace, "raw", &[&OPTIONS[..], &aside].concat()),
        workspace.ok(&["report", "c", "--out", "r"]),
        workspace.ok(&["query", "clinicians", "c", "--json"]),
    ];
    assert_eq!(runs[1].code, 0, "{}", runs[1].shown());
    let account = &runs[1].json()["tables"]["fittings"];
    assert_eq!(
        (&account["rows_stored"], &account["rows_set_aside"]),
        (&2.into(), &2.into())
    );
    let raws = RAW.map(|(_, raw)| raw.trim_matches('"'));
    let key = std::str::from_utf8(&KEY[..20]).unwrap();
    for canary in raws
        .into_iter()
        .chain(["a@example.org", "b@example.org", key])
    {
        let canary = Canary::new(canary);
        runs.iter().for_each(|run| canary.assert_unsaid(run));
        canary.assert_unwritten(&workspace, &["raw", "plain", "k"]);
    }
}

/// Tables still meet: every count and measure is that of the plain practice.
#[test]
fn tables_still_meet() {
    let workspace = Workspace::new();
    practice(&workspace);
    workspace.ok(&["ingest", "plain", "--into", "p"]);
    assert_eq!(ingest(&workspace, "raw", &OPTIONS).code, 0);
    for query in ["match", "curves", "verification", "ears", "outcomes"] {
        let of = |cohort: &str| workspace.query(&[query, cohort]);
        assert_eq!(of("c"), of("p"), "{query}");
    }
    let parts = parquet_files::parts(&workspace, "c", "fittings");
    let rows = parquet_files::rows(&parts[0]);
    for column in ["fitting_id", "patient_id", "clinic_id", "clinician_id"] {
        for row in 0..rows.rows.len() {
            let value = rows.get(row, column);
            let hex = value
                .bytes()
                .all(|b| b.is_ascii_digit() || (b'a'..=b'f').contains(&b));
            assert!(value.len() == 32 && hex, "{column} is {value}");
        }
    }
    // Computed with Python 3's standard library:
    // hmac.new(b"an invented key of more than thirty-two bytes\n", b"patient_id\x1f078-05-1120", "sha256").hexdigest()[:32]
    let patients: Vec<&str> = (0..2).map(|row| rows.get(row, "patient_id")).collect();
    assert!(
        patients.contains(&"4cb460b2093bf49620737c724568f2d4"),
        "{patients:?}"
    );
}

/// The same number as a patient's and as a clinician's gives two pseudonyms; columns not named stay as they are.
#[test]
fn columns_are_apart_and_others_untouched() {
    let workspace = Workspace::new();
    let fittings = FITTINGS.replace("P1", "12").replace("anna-1", "12");
    workspace.delivery("d", &small_practice());
    workspace.write("d/fittings.csv", fittings);
    workspace.write("k/practice.key", KEY);
    let options = [
        "--pseudonymise",
        "patient_id,clinician_id",
        "--key-file",
        "k/practice.key",
    ];
    assert_eq!(ingest(&workspace, "d", &options).code, 0);
    let rows: Rows = parquet_files::rows(&parquet_files::parts(&workspace, "c", "fittings")[0]);
    let row = rows.find(&[("fitting_id", "F1")]);
    assert_eq!(rows.get(row, "clinic_id"), "north");
    assert_ne!(rows.get(row, "patient_id"), rows.get(row, "clinician_id"));
    let entry = &workspace.manifest("c")["deliveries"][0]["pseudonyms"];
    assert_eq!(
        entry["columns"],
        serde_json::json!(["clinician_id", "patient_id"])
    );
    assert_eq!(entry["key_check"].as_str().unwrap().len(), 16);
}

#[test]
fn a_cohort_keeps_its_key_and_its_columns() {
    let workspace = Workspace::new();
    practice(&workspace);
    workspace.write("k/other.key", "another invented key of more than 32 bytes");
    assert_eq!(ingest(&workspace, "raw", &OPTIONS).code, 0);
    let before = files_below(&workspace.path("c"));
    let other = [OPTIONS[0], OPTIONS[1], OPTIONS[2], "k/other.key"];
    let fewer = [OPTIONS[0], "patient_id", OPTIONS[2], OPTIONS[3]];
    for (delivery, options, says) in [
        ("raw", &other[..], "pseudonyms under another"),
        ("plain", &other, "the same person would not be known again"),
        ("plain", &fewer, "keyed pseudonyms for patient_id"),
        ("plain", &[], "identifiers as they were delivered"),
    ] {
        let run = ingest(&workspace, delivery, options);
        assert_eq!(run.code, 2, "{}", run.shown());
        assert!(run.stderr.contains(says), "{says}: {}", run.shown());
        assert!(files_below(&workspace.path("c")) == before, "{says}");
    }
    let again = ingest(&workspace, "raw", &OPTIONS);
    assert_eq!(again.json()["already_there"], true, "{}", again.shown());
    // And the other way round.
    workspace.ok(&["ingest", "plain", "--into", "p"]);
    let run = workspace.run(&[&["ingest", "plain", "--into", "p"], &OPTIONS[..]].concat());
    assert_eq!(run.code, 2, "{}", run.shown());
}

#[test]
fn keys_and_columns_that_will_not_do_are_refused() {
    let workspace = Workspace::new();
    practice(&workspace);
    workspace.write("k/short.key", "only a few bytes");
    workspace.write("k/constant.key", "a".repeat(64));
    workspace.write("k/long.key", "no key ".repeat(10_000));
    for (column, key, says) in [
        ("patient_id", "k/short.key", "fewer than 32 bytes"),
        ("patient_id", "k/constant.key", "one byte over and over"),
        ("patient_id", "k/long.key", "some other file"),
        (
            "patient_id",
            "k/nowhere.key",
            "cannot read the key file k/nowhere.key",
        ),
        ("x_region", "k/practice.key", "x_region"),
    ] {
        let options = ["--pseudonymise", column, "--key-file", key];
        let run = ingest(&workspace, "plain", &options);
        assert_eq!(run.code, 2, "{}", run.shown());
        assert!(run.stderr.contains(says), "{says}: {}", run.shown());
        assert!(!run.stderr.contains("only a few bytes"), "{}", run.shown());
        assert!(!workspace.path("c").exists());
    }
    for alone in [
        &["--pseudonymise", "patient_id"][..],
        &["--key-file", "k/practice.key"],
    ] {
        assert_eq!(ingest(&workspace, "plain", alone).code, 2);
    }
}

/// Identifiers may have up to 256 bytes and must not be blank.
#[test]
fn identifiers_that_are_too_long_or_blank_are_set_aside() {
    let workspace = Workspace::new();
    practice(&workspace);
    let tails = [
        ("fittings", "P9,north,anna-1,2026-Q3,,,NAL-R,,,"),
        ("ears", "left,true,20,,,,,,,,,,,"),
        ("responses", "left,final,REIG,65,250,10,12"),
        ("outcomes", "ioi-ha,4,3,6"),
    ];
    for (table, text) in small_practice() {
        let (_, tail) = tails.iter().find(|(of, _)| *of == table).unwrap();
        let rows: String = ["é".repeat(129), "é".repeat(128), " \u{a0} ".to_owned()]
            .iter()
            .map(|id| format!("{id},{tail}\n"))
            .collect();
        workspace.write(&format!("plain/{table}.csv"), format!("{text}{rows}"));
    }
    let run = workspace.ok(&[
        &["check", "plain", "--json", "--set-aside-csv", "aside.csv"],
        &OPTIONS[..],
    ]
    .concat());
    let rows = Rows::parse(&std::fs::read_to_string(workspace.path("aside.csv")).unwrap());
    for (rule, table) in SET_ASIDE {
        let row = rows.find(&[("table_name", table), ("rule", rule)]);
        assert_eq!(rows.get(row, "column_name"), "fitting_id");
        assert!(rows.get(row, "sentence").contains("more than 256 bytes"));
        rows.find(&[("table_name", table), ("rule", "required")]);
    }
    assert_eq!(rows.rows.len(), 8, "{}", run.shown());
}
