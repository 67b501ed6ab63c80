//! The text itself: byte order marks, line ends, quotes, blank lines; RFC 4180 for what a CSV file is.

use crate::parquet_files;
use crate::workspace::{
    EARS, FITTINGS, OUTCOMES, RESPONSES, Rows, Workspace, files_below, small_practice,
};

/// What `check` sets aside, as file, line and rule.
fn set_aside(workspace: &Workspace, delivery: &str) -> Vec<(String, String, String)> {
    workspace.ok(&["check", delivery, "--set-aside-csv", "aside.csv"]);
    let rows = Rows::parse(&std::fs::read_to_string(workspace.path("aside.csv")).unwrap());
    (0..rows.rows.len())
        .map(|row| ["file", "line", "rule"].map(|column| rows.get(row, column).to_owned()))
        .map(|[file, line, rule]| (file, line, rule))
        .collect()
}

/// The same rows with other line ends, a byte order mark, quotes around every field, or no last line end.
#[test]
fn spellings_of_the_same_text_are_read_the_same() {
    let quoted = |text: &str| -> String {
        let lines = text.lines().map(|line| {
            let fields: Vec<String> = line
                .split(',')
                .map(|field| format!("\"{field}\""))
                .collect();
            fields.join(",") + "\n"
        });
        lines.collect()
    };
    type Spelling<'a> = (&'static str, &'a dyn Fn(&str) -> String);
    let spellings: [Spelling<'_>; 6] = [
        ("crlf", &|text| text.replace('\n', "\r\n")),
        ("bom", &|text| format!("\u{feff}{text}")),
        ("bom-crlf", &|text| {
            format!("\u{feff}{}", text.replace('\n', "\r\n"))
        }),
        ("quoted", &quoted),
        ("no-last-line-end", &|text| text.trim_end().to_owned()),
        ("blank-lines", &|text| text.replace('\n', "\n\n")),
    ];
    let workspace = Workspace::new();
    workspace.delivery("plain", &small_practice());
    let plain = workspace.ingest("plain", "c-plain");
    let parts = |cohort: &str| {
        let mut files = files_below(&workspace.path(cohort));
        files.retain(|(path, _)| path.extension().is_some_and(|ending| ending == "parquet"));
        files
    };
    for (name, spell) in spellings {
        for (table, text) in small_practice() {
            workspace.write(&format!("{name}/{table}.csv"), spell(text));
        }
        let cohort = format!("c-{name}");
        let said = workspace.ingest(name, &cohort);
        assert_eq!(said["tables"], plain["tables"], "{name}");
        assert_eq!(said["set_aside"], plain["set_aside"], "{name}");
        assert!(
            parts(&cohort) == parts("c-plain"),
            "{name} is stored differently"
        );
    }
}

/// A byte order mark before a quoted first name, as spreadsheets write it.
#[test]
fn a_byte_order_mark_may_stand_before_a_quote() {
    let workspace = Workspace::new();
    workspace.delivery("d", &small_practice());
    workspace.write(
        "d/fittings.csv",
        format!(
            "\u{feff}{}",
            FITTINGS.replacen("fitting_id", "\"fitting_id\"", 1)
        ),
    );
    let json = workspace.ok(&["check", "d", "--json"]).json();
    assert_eq!(json["tables"]["fittings"]["rows_stored"], 2);
}

/// Lines are counted as an editor counts them.
#[test]
fn lines_are_those_of_the_file_whatever_ends_them() {
    let rows = ["F1,ioi-ha,8,3,6", "F2,ioi-ha,4,4,", "F2,ioi-ha,9,4,"];
    for (end, first, second) in [
        ("\n", "2", "4"),
        ("\r\n", "2", "4"),
        ("\n\n", "3", "7"),
        ("\r\n\r\n", "3", "7"),
    ] {
        let workspace = Workspace::new();
        workspace.delivery("d", &small_practice());
        let text = OUTCOMES
            .lines()
            .take(1)
            .chain(rows)
            .map(|line| format!("{line}{end}"));
        workspace.write("d/outcomes.csv", text.collect::<String>());
        let aside = set_aside(&workspace, "d");
        let lines: Vec<&str> = aside.iter().map(|(_, line, _)| line.as_str()).collect();
        assert_eq!(lines, [first, second], "{end:?}");
    }
}

/// Quoted fields may hold line ends, commas and doubled quotes (RFC 4180, section 2, rules 6 and 7); the rows behind
/// keep their lines.
#[test]
fn quotes_may_hold_commas_quotes_and_line_ends() {
    let workspace = Workspace::new();
    workspace.delivery("d", &small_practice());
    let fittings = format!(
        "{FITTINGS}\
         F3,P3,north,anna-1,2026-Q3,,,\"rule, \"\"own\"\" variant\",,,\n\
         F4,P4,north,anna-1,2026-Q3,,,\"two\nlines\",,,\n\
         F5,P5,north,anna-1,17.08.2026,,,,,,\n\
         F6,P6,north,anna-1,2026-Q3,,,\"two\r\nlines\",,,\n\
         F7,P7,north,anna-1,17.08.2026,,,,,,\n"
    );
    workspace.write("d/fittings.csv", &fittings);
    let line = |id: &str| {
        let before = &fittings[..fittings.find(id).unwrap()];
        (before.matches('\n').count() + 1).to_string()
    };
    let aside = set_aside(&workspace, "d");
    let expected: Vec<(String, String, String)> = [
        ("F4,", "label-shape"),
        ("F5,", "not-a-date"),
        ("F6,", "label-shape"),
        ("F7,", "not-a-date"),
    ]
    .map(|(id, rule)| ("fittings.csv".to_owned(), line(id), rule.to_owned()))
    .to_vec();
    assert_eq!(aside, expected);
    let json = workspace.ingest("d", "c");
    assert_eq!(json["tables"]["fittings"]["rows_read"], 7);
    assert_eq!(json["tables"]["fittings"]["rows_stored"], 3);
    let fittings = parquet_files::rows(&parquet_files::parts(&workspace, "c", "fittings")[0]);
    let row = fittings.find(&[("fitting_id", "F3")]);
    assert_eq!(fittings.get(row, "prescription"), "rule, \"own\" variant");
}

/// Columns may stand in any order, and optional ones may be left away.
#[test]
fn columns_stand_in_any_order() {
    let reversed = |text: &str| -> String {
        let lines = text.lines().map(|line| {
            let fields: Vec<&str> = line.split(',').rev().collect();
            fields.join(",") + "\n"
        });
        lines.collect()
    };
    let workspace = Workspace::new();
    workspace.delivery("plain", &small_practice());
    for (table, text) in small_practice() {
        workspace.write(&format!("reversed/{table}.csv"), reversed(text));
    }
    workspace.ingest("plain", "c-plain");
    workspace.ingest("reversed", "c-reversed");
    for table in ["fittings", "ears", "curves", "answers"] {
        let of = |cohort| {
            let parts = parquet_files::parts(&workspace, cohort, table);
            parts
                .iter()
                .map(|path| parquet_files::rows(path))
                .collect::<Vec<_>>()
        };
        assert_eq!(of("c-reversed"), of("c-plain"), "{table}");
    }

    let bare =
        "fitting_id,patient_id,clinic_id,clinician_id,fitted_on\nF1,P1,north,anna-1,2026-08\n";
    workspace.write("bare/fittings.csv", bare);
    workspace.write("bare/ears.csv", "fitting_id,ear,fitted\nF1,left,true\n");
    workspace.write(
        "bare/responses.csv",
        "fitting_id,ear,quantity,input_level_db,frequency_hz,measured_db\nF1,left,REAR,65,1000,70.5\n",
    );
    let said = workspace.ingest("bare", "c-bare");
    for table in ["fittings", "ears", "responses"] {
        assert_eq!(said["tables"][table]["rows_stored"], 1, "{said:#}");
    }
    let fittings = parquet_files::rows(&parquet_files::parts(&workspace, "c-bare", "fittings")[0]);
    assert_eq!(fittings.get(0, "medical_referral"), "unknown");
    let curves = parquet_files::rows(&parquet_files::parts(&workspace, "c-bare", "curves")[0]);
    assert_eq!(
        (curves.get(0, "stage"), curves.get(0, "measured_1000")),
        ("final", "7050")
    );
}

/// A long file is cut into blocks that are read side by side; places stay those of the file.
#[test]
fn places_are_right_far_into_a_long_file() {
    let workspace = Workspace::new();
    workspace.delivery("d", &[("fittings", FITTINGS), ("ears", EARS)]);
    let header = RESPONSES.lines().next().unwrap();
    // The same point again and again, about 10 MB; and two broken rows far in.
    let row = "F1,left,final,REIG,65,250,10,12\n";
    let mut text = format!("{header}\n{}", row.repeat(300_000));
    let broken = "F1,left,final,REIG,65,250,10,\"1\n2\"\n";
    for at in [250_000, 150_000] {
        text.insert_str(header.len() + 1 + at * row.len(), broken);
    }
    workspace.write("d/responses.csv", text);
    let aside = set_aside(&workspace, "d");
    let at = |line: usize| {
        (
            "responses.csv".to_owned(),
            line.to_string(),
            "not-a-number".to_owned(),
        )
    };
    // The first broken row takes two lines, so what is behind it stands further down.
    assert_eq!(aside, [at(150_002), at(250_004)]);
    let json = workspace.ok(&["check", "d", "--json"]).json();
    let account = &json["tables"]["responses"];
    assert_eq!(account["rows_read"], 300_002);
    assert_eq!(account["rows_stored"], 1);
    assert_eq!(account["exact_repeats"], 299_999);
    assert_eq!(account["rows_set_aside"], 2);
}
