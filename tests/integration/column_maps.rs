//! Deliveries read through a column map: whatever names, words, units and shapes they come in, the store holds what the
//! same records in the plain form would have given.

mod example;
mod random;
mod refusals;
mod suggestions;

use serde_json::Value;

use crate::workspace::{FITTINGS, Workspace, files_below, small_practice};

/// The small practice with a day for a quarter, since most forms of dates have no quarters; the store keeps quarters.
fn practice_with_days() -> [(&'static str, String); 4] {
    small_practice().map(|(table, text)| (table, text.replace("2026-Q3", "2026-09-30")))
}

/// Every Parquet file of a cohort but those of rows set aside.
fn parts(workspace: &Workspace, cohort: &str) -> Vec<(std::path::PathBuf, Vec<u8>)> {
    let mut files = files_below(&workspace.path(cohort));
    files.retain(|(path, _)| path.extension().is_some_and(|ending| ending == "parquet"));
    assert!(files.len() >= 4, "{cohort}");
    files
}

/// Rules that only a column map can break, each tried here; the first, which needs the form of `ears` with one row a
/// threshold, beside `pipeline/src/map/translate.rs`.
pub(crate) const RULES_OF_MAPS: [&str; 7] = [
    "read-as-it-is",
    "no-reference-level",
    "unmatched-files",
    "unmapped-file",
    "mapped-column-missing",
    "unmapped-column",
    "passed-over",
];

/// A workspace with the small practice ingested in the plain form as the cohort `c-plain`.
fn plain_practice() -> Workspace {
    let workspace = Workspace::new();
    for (table, text) in practice_with_days() {
        workspace.write(&format!("plain/{table}.csv"), text);
    }
    workspace.ingest("plain", "c-plain");
    workspace
}

/// Ingests through a map, and expects no row set aside and the parts of the plain cohort.
fn assert_mapped_is_plain(workspace: &Workspace, delivery: &str, map: &str, about: &str) -> Value {
    let cohort = format!("c-{delivery}");
    let run = workspace.run(&[
        "ingest", delivery, "--into", &cohort, "--map", map, "--json",
    ]);
    let map_text = || std::fs::read_to_string(workspace.path(map)).unwrap();
    assert_eq!(run.code, 0, "{about}\n{}\n{}", run.shown(), map_text());
    let said = run.json();
    assert_eq!(
        said["set_aside"],
        Value::Array(Vec::new()),
        "{about}\n{said:#}\n{}",
        map_text()
    );
    assert!(
        parts(workspace, &cohort) == parts(workspace, "c-plain"),
        "{about} is stored differently\n{}",
        map_text()
    );
    said
}

/// The sentence and the rows set aside name our column and the sender's, and no value.
#[test]
fn rows_set_aside_name_the_column_of_the_sender() {
    let workspace = plain_practice();
    workspace.write("d/fittings.csv", FITTINGS);
    workspace.write(
        "d/tone.csv",
        "Visit;Side;Aided;AC 500\nF1;canary-1;yes;30\nF1;L;yes;canary-2\nF1;R;yes;30\n",
    );
    workspace.write(
        "map.toml",
        "[[source]]\nfiles = [\"fittings.csv\"]\ntable = \"fittings\"\n\
         [[source]]\nfiles = [\"tone.csv\"]\ntable = \"ears\"\nseparator = \";\"\n\
         columns = { fitting_id = \"Visit\", ear = \"Side\", threshold_500 = \"AC 500\" }\n\
         constants = { fitted = true }\nleave_out = [\"Aided\"]\n\
         values = { ear = { L = \"left\", R = \"right\" } }\n",
    );
    let run = workspace.ok(&[
        "check",
        "d",
        "--map",
        "map.toml",
        "--set-aside-csv",
        "aside.csv",
    ]);
    let aside = std::fs::read_to_string(workspace.path("aside.csv")).unwrap();
    assert!(!run.stdout.contains("canary"), "{}", run.stdout);
    assert!(
        run.stdout
            .contains("tone.csv, line 2: ear (their column \"Side\") is none of the words it takes (left, right)."),
        "{}",
        run.shown()
    );
    let rows = crate::workspace::Rows::parse(&aside);
    // The row's own text is where a value may stand, and nowhere else.
    for row in 0..rows.rows.len() {
        for column in rows.columns.iter().filter(|column| *column != "text") {
            assert!(
                !rows.get(row, column).contains("canary"),
                "{column} of {row}"
            );
        }
    }
    assert_eq!(
        (rows.get(0, "column_name"), rows.get(0, "line")),
        ("ear", "2")
    );
    assert_eq!(
        (rows.get(1, "column_name"), rows.get(1, "line")),
        ("threshold_500", "3")
    );
    assert!(
        rows.get(1, "sentence")
            .starts_with("threshold_500 (their column \"AC 500\") is not a plain number")
    );
}

/// The same files under another map are another delivery; a map that says the same in other words is not.
#[test]
fn the_map_is_part_of_what_was_read() {
    let workspace = plain_practice();
    workspace.write("d/visits.csv", FITTINGS);
    let map = |name: &str, files: &str, rest: &str| {
        let text = format!("[[source]]\nfiles = [\"{files}\"]\ntable = \"fittings\"\n{rest}");
        workspace.write(name, text);
        workspace
            .ok(&["ingest", "d", "--into", "c", "--map", name, "--json"])
            .json()
    };
    assert_eq!(map("1.toml", "visits.csv", "")["already_there"], false);
    assert_eq!(
        map("2.toml", "v*", "# in other words\n")["already_there"],
        true
    );
    let other = map(
        "3.toml",
        "visits.csv",
        "values = { experience = { new = \"\" } }\n",
    );
    assert_eq!(other["already_there"], false);
    let by_experience = workspace.query(&["ears", "c", "--by", "experience"]);
    assert!(
        by_experience.rows.iter().all(|row| row[0] != "new"),
        "{by_experience:?}"
    );
}

/// Orphans of a file that feeds one table twice come back each to its own source when their fitting comes.
#[test]
fn orphans_of_two_sources_of_one_file_come_back() {
    let workspace = plain_practice();
    workspace.write("d/answers.csv", "Visit,Q1,Q4\nF1,5,3\nF9,2,\nF8,4,1\n");
    let item = |n: u8| {
        format!(
            "[[source]]\nfiles = [\"answers.csv\"]\ntable = \"outcomes\"\nunless_blank = [\"Q{n}\"]\n\
             columns = {{ fitting_id = \"Visit\", score = \"Q{n}\" }}\nconstants = {{ instrument = \"ioi-ha\", item = {n} }}\n"
        )
    };
    workspace.write("map.toml", item(1) + &item(4));
    let ingest = || {
        workspace
            .ok(&[
                "ingest", "d", "--into", "c-plain", "--map", "map.toml", "--json",
            ])
            .json()
    };
    let first = ingest();
    let outcomes = &first["tables"]["outcomes"];
    // Of six cells one is blank; three are of fittings that nobody has.
    assert_eq!(outcomes["rows_read"], 5, "{first:#}");
    assert_eq!(outcomes["rows_set_aside"], 3, "{first:#}");
    workspace.write(
        "later/fittings.csv",
        "fitting_id,patient_id,clinic_id,clinician_id,fitted_on\nF8,P8,north,anna-1,2026-Q3\n",
    );
    workspace.ingest("later", "c-plain");
    let again = ingest();
    let outcomes = &again["tables"]["outcomes"];
    assert_eq!(outcomes["rows_read"], 5, "{again:#}");
    assert_eq!(outcomes["rows_set_aside"], 1, "{again:#}");
    assert_eq!(
        outcomes["rows_stored"].as_u64().unwrap() + outcomes["exact_repeats"].as_u64().unwrap(),
        4,
        "{again:#}"
    );
}

/// Numbers and dates that have a type in Parquet are written as here, whatever the map says of text.
#[test]
fn typed_columns_of_parquet_are_read_by_their_type() {
    use std::sync::Arc;

    use arrow::array::{ArrayRef, Date32Array, Float64Array, StringArray};

    let workspace = plain_practice();
    let texts = |values: [&str; 2]| -> ArrayRef { Arc::new(StringArray::from(values.to_vec())) };
    let days: ArrayRef = Arc::new(Date32Array::from(vec![20_682, 20_683]));
    workspace.write(
        "d/visits.parquet",
        crate::parquet_files::bytes(vec![
            ("Visit".to_owned(), texts(["G1", "G2"])),
            ("Site".to_owned(), texts(["north", "north"])),
            ("Date".to_owned(), days),
        ]),
    );
    // A list has no text, and nobody asks for one where it is left out.
    let mut list = arrow::array::ListBuilder::new(arrow::array::Int32Builder::new());
    for _ in 0..2 {
        list.values().append_value(1);
        list.append(true);
    }
    let lists: ArrayRef = Arc::new(list.finish());
    let hours: ArrayRef = Arc::new(Float64Array::from(vec![7.5, 1.25]));
    workspace.write(
        "d/hours.parquet",
        crate::parquet_files::bytes(vec![
            ("Visit".to_owned(), texts(["G1", "G2"])),
            ("Hours".to_owned(), hours),
            ("Weeks".to_owned(), texts(["1,5", "2.5"])),
            ("Parts".to_owned(), lists),
        ]),
    );
    workspace.write(
        "map.toml",
        "[[source]]\nfiles = [\"visits.parquet\"]\ntable = \"fittings\"\ndates = \"DD.MM.YYYY\"\n\
         columns = { fitting_id = \"Visit\", patient_id = \"Visit\", clinic_id = \"Site\", clinician_id = \"Site\", fitted_on = \"Date\" }\n\
         [[source]]\nfiles = [\"hours.parquet\"]\ntable = \"outcomes\"\ndecimal = \",\"\nleave_out = [\"Parts\"]\n\
         columns = { fitting_id = \"Visit\", score = \"Hours\", weeks_after = \"Weeks\" }\n\
         constants = { instrument = \"use-log\", item = \"hours_per_day\" }\n",
    );
    let said = workspace
        .ok(&[
            "check",
            "d",
            "--map",
            "map.toml",
            "--json",
            // The texts are read in a second pass, which leaves the lists out too.
            "--set-aside-csv",
            "aside.csv",
        ])
        .json();
    assert_eq!(said["tables"]["fittings"]["rows_stored"], 2, "{said:#}");
    // A point in a text column is not the comma that the map speaks of.
    let expected = serde_json::json!([{ "table": "outcomes", "rule": "not-a-number", "rows": 1 }]);
    assert_eq!(said["set_aside"], expected, "{said:#}");
}

/// Rows set aside under a map: what the map made of them is kept, and nothing that it did not read.
#[test]
fn texts_of_mapped_rows_hold_what_was_looked_at() {
    let workspace = Workspace::new();
    workspace.write(
        "d/visits.csv",
        "Visit,Patient,Site,Aud,Date,Age,Remarks,Region,Score\n\
         F1,SECRETP1,North Hill,c1,17.08.2026,71,Quill Feather,Blue Harbour,5\n\
         F2,SECRETP2,North Hill,c1,18.08.2026,771,quill@example.org,Blue Harbour,4\n\
         F3,SECRETP3,North Hill,c1,soon,71,078-05-1120,Blue Harbour,9\n\
         F4,SECRETP4,North Hill,c1,19.08.2026,71,x,Blue Harbour,4,\n",
    );
    workspace.write(
        "map.toml",
        "[[source]]\nfiles = [\"visits.csv\"]\ntable = \"fittings\"\ndates = \"DD.MM.YYYY\"\n\
         columns = { fitting_id = \"Visit\", patient_id = \"Patient\", clinic_id = \"Site\", clinician_id = \"Aud\", \
         fitted_on = \"Date\", age_years = \"Age\", x_region = \"Region\" }\nleave_out = [\"Remarks\"]\n\
         values = { clinic_id = { \"North Hill\" = \"nh\" } }\n\
         [[source]]\nfiles = [\"visits.csv\"]\ntable = \"outcomes\"\n\
         columns = { fitting_id = \"Visit\", score = \"Score\" }\n\
         constants = { instrument = \"ioi-ha\", item = 4 }\nunless_blank = [\"Remarks\"]\n",
    );
    workspace.write("key", (1_u8..=40).collect::<Vec<u8>>());
    let identity = ["--pseudonymise", "patient_id", "--key-file", "key"];
    let ingest = [
        "ingest",
        "d",
        "--into",
        "c",
        "--map",
        "map.toml",
        "--set-aside-csv",
        "aside.csv",
    ];
    workspace.ok(&[&ingest[..], &identity].concat());
    let aside = std::fs::read_to_string(workspace.path("aside.csv")).unwrap();
    for secret in [
        "SECRET", "Quill", "quill", "078-05", "17.08", "18.08", "19.08", "771",
    ] {
        assert!(!aside.contains(secret), "{secret} in {aside}");
    }
    let rows = crate::workspace::Rows::parse(&aside);
    let texts: Vec<(&str, &str, &str)> = (0..rows.rows.len())
        .map(|row| {
            (
                rows.get(row, "table_name"),
                rows.get(row, "line"),
                rows.get(row, "text"),
            )
        })
        .collect();
    let unread = "(text),(text),(text),(text),(text),(text),(text),(text),(text),";
    assert_eq!(
        texts,
        [
            ("fittings", "3", "F2,,nh,c1,2026-Q3,90,,Blue Harbour,"),
            ("fittings", "4", "F3,,nh,c1,(text),71,,Blue Harbour,"),
            ("fittings", "5", unread),
            ("outcomes", "3", "F2,,,,,,,,4"),
            ("outcomes", "4", "F3,,,,,,,,9"),
            ("outcomes", "5", unread),
        ]
    );
    // The raw id is not read for another column besides.
    let map = std::fs::read_to_string(workspace.path("map.toml")).unwrap();
    workspace.write(
        "map.toml",
        map.replace("x_region = \"Region\"", "x_region = \"Patient\"")
            .replace("[\"Remarks\"]\nvalues", "[\"Remarks\", \"Region\"]\nvalues"),
    );
    let run = workspace.run(&[&["check", "d", "--map", "map.toml"][..], &identity].concat());
    assert_eq!(run.code, 65, "{}", run.shown());
    assert!(run.stderr.contains("[read-as-it-is]"), "{}", run.shown());
    // A first row of values is not repeated, nor is a name that is a value.
    workspace.write(
        "e/fittings.csv",
        "F1,quill@example.org,Quill Feather,1946-08-17\n",
    );
    workspace.write(
        "plain.toml",
        "[[source]]\nfiles = [\"fittings.csv\"]\ntable = \"fittings\"\n",
    );
    for arguments in [
        &["check", "e", "--map", "plain.toml"][..],
        &["check", "e", "--suggest-map"],
    ] {
        let run = workspace.run(arguments);
        assert_eq!(run.code, 65, "{}", run.shown());
        assert!(!run.shown().contains("uill"), "{}", run.shown());
    }
}
