//! `export`: nobody in the table is told apart, no id leaves, and several exports tell no more than one.

use std::collections::BTreeMap;
use std::fs::File;

use arrow::array::{Array, BooleanArray, Float64Array, Int64Array, StringArray};
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;

use crate::workspace::{Rows, Workspace, files_below, small_practice};

/// Patients that a combination needs, as the default plan has it.
const MINIMUM: usize = 5;

const RARE: [&str; 3] = ["lighthouse-isle", "seldom-rule", "in-the-hat"];

/// Rewrites a table of a delivery row by row.
fn rewrite(workspace: &Workspace, name: &str, change: impl Fn(usize, &mut Vec<String>)) {
    let path = workspace.path(name);
    let mut reader = csv::Reader::from_path(&path).expect("a table");
    let header = reader.headers().expect("a header").clone();
    let mut rows: Vec<Vec<String>> = reader
        .records()
        .map(|row| row.expect("a row").iter().map(str::to_owned).collect())
        .collect();
    let mut writer = csv::Writer::from_path(&path).expect("a table");
    writer.write_record(&header).expect("a header");
    for (number, row) in rows.iter_mut().enumerate() {
        change(number, row);
        writer.write_record(row).expect("a row");
    }
    writer.flush().expect("written");
}

/// An invented delivery with some labels that next to nobody has.
fn delivery(fittings: u32) -> Workspace {
    let workspace = Workspace::new();
    workspace.ok(&[
        "synthesize",
        "--fittings",
        &fittings.to_string(),
        "--planted-errors",
        "0",
        "--seed",
        "11",
        "--out",
        "d",
    ]);
    rewrite(&workspace, "d/fittings.csv", |number, row| {
        if number < 2 {
            row[10] = RARE[0].to_owned();
        }
        if number == 7 {
            row[7] = RARE[1].to_owned();
        }
    });
    rewrite(&workspace, "d/ears.csv", |number, row| {
        if number < 8 && row[2] == "true" {
            row[14] = RARE[2].to_owned();
        }
    });
    workspace
}

fn ingested(workspace: Workspace) -> Workspace {
    workspace.ok(&["ingest", "d", "--into", "c"]);
    workspace
}

fn export(workspace: &Workspace, out: &str, selection: &[&str]) -> Rows {
    let arguments = [&["export", "c", "--out", out][..], selection].concat();
    workspace.ok(&arguments);
    let path = workspace.path(&format!("{out}/fittings.csv"));
    Rows::parse(&std::fs::read_to_string(path).expect("a table"))
}

/// How many columns come before the measures.
fn known_columns(rows: &Rows) -> usize {
    rows.columns
        .iter()
        .position(|name| name == "verified")
        .expect("a first measure")
}

/// Rows by what others may know of them.
fn combinations(rows: &Rows) -> BTreeMap<Vec<String>, usize> {
    let known = known_columns(rows);
    let mut counts = BTreeMap::new();
    for row in &rows.rows {
        *counts.entry(row[..known].to_vec()).or_insert(0) += 1;
    }
    counts
}

fn column(rows: &Rows, name: &str) -> usize {
    rows.columns
        .iter()
        .position(|c| c == name)
        .expect("a column")
}

/// Each fitting of a patient of its own, so that rows count patients: plain loops over what was written suffice.
#[test]
fn every_combination_is_that_of_enough_patients() {
    let workspace = delivery(500);
    rewrite(&workspace, "d/fittings.csv", |number, row| {
        row[1] = format!("PX{number}");
    });
    let workspace = ingested(workspace);
    let rows = export(&workspace, "e", &[]);
    assert_eq!(rows.rows.len(), 500);
    for (combination, count) in combinations(&rows) {
        assert!(count >= MINIMUM, "{combination:?} is that of {count}");
    }
    // And it is of use: year and grade are there for nearly all, and the label that all have for all.
    for (name, at_least) in [
        ("quarter", 450),
        ("grade", 400),
        ("ear", 200),
        ("x_data", 500),
    ] {
        let at = column(&rows, name);
        let there = rows.rows.iter().filter(|row| !row[at].is_empty()).count();
        assert!(there >= at_least, "{name} is there for {there}");
    }
    // The outermost levels are those of enough patients too.
    for name in ["rms_db", "signed_db", "high_frequency_db", "first_rms_db"] {
        let at = column(&rows, name);
        let levels: Vec<i64> = rows
            .rows
            .iter()
            .filter_map(|row| row[at].parse().ok())
            .collect();
        for limit in [levels.iter().min(), levels.iter().max()] {
            let limit = limit.expect("levels");
            let there = levels.iter().filter(|level| *level == limit).count();
            assert!(there >= MINIMUM, "{name} {limit} is that of {there}");
        }
    }
}

/// All first-time wearers are three patients with many fittings each: rows there are enough, patients not.
#[test]
fn many_fittings_of_few_patients_count_as_few() {
    let workspace = delivery(400);
    let others = ingested(delivery(400));
    rewrite(&workspace, "d/fittings.csv", |number, row| {
        if row[6] == "new" {
            row[1] = format!("PN{}", number % 3);
        }
    });
    let workspace = ingested(workspace);
    let published = |workspace: &Workspace| -> usize {
        let rows = export(workspace, "e", &[]);
        assert_eq!(rows.rows.len(), 400);
        let experience = column(&rows, "experience");
        rows.rows
            .iter()
            .filter(|row| row[experience] == "new")
            .count()
    };
    assert_eq!(published(&workspace), 0);
    // It is for the patients' sake: with a patient each, there are some.
    assert!(published(&others) >= MINIMUM);
}

/// The store holds, for each published combination, enough patients who fit it. Clinics are numbered and so tried as
/// whichever of the store's clinics fits.
#[test]
fn the_store_has_enough_patients_for_every_combination() {
    let workspace = ingested(delivery(400));
    let rows = export(&workspace, "e", &[]);
    let open = workspace.write("open.toml", "minimum_cell = 1\n");
    let plan = ["--plan", open.to_str().expect("a path")];
    let all = export(&workspace, "all", &plan);
    assert_eq!(rows.rows.len(), all.rows.len());
    let known = known_columns(&rows);
    let numbered = [column(&rows, "clinic"), column(&rows, "clinician")];
    let quarter = column(&rows, "quarter");
    let band = column(&rows, "age_band");
    let bound = |text: &str| -> (u32, u32) {
        match text.split_once('-') {
            Some((low, high)) => (low.parse().expect("low"), high.parse().expect("high")),
            None => (text.trim_end_matches('+').parse().expect("low"), 999),
        }
    };
    for (combination, count) in combinations(&rows) {
        let fits = |row: &Vec<String>| {
            (0..known).all(|at| {
                let (published, exact) = (&combination[at], &row[at]);
                if published.is_empty() || numbered.contains(&at) {
                    true
                } else if exact.is_empty() {
                    false
                } else if at == quarter {
                    exact.starts_with(published.as_str())
                } else if at == band {
                    let ((low, high), (inner_low, inner_high)) = (bound(published), bound(exact));
                    low <= inner_low && inner_high <= high
                } else {
                    exact == published
                }
            })
        };
        let found = all.rows.iter().filter(|row| fits(row)).count();
        assert!(found >= count, "{combination:?}: {found} of {count}");
        assert!(found >= MINIMUM, "{combination:?}: {found}");
    }
}

#[test]
fn nobody_to_protect_means_nothing_is_blanked() {
    let workspace = ingested(delivery(300));
    let open = workspace.write("open.toml", "minimum_cell = 1\n");
    let rows = export(&workspace, "e", &["--plan", open.to_str().expect("a path")]);
    for (by, name) in [
        ("quarter", "quarter"),
        ("grade", "grade"),
        ("style", "style"),
        ("prescription", "prescription"),
        ("x_region", "x_region"),
        ("age_band", "age_band"),
    ] {
        let wanted = workspace.query(&["verification", "c", "--by", by]);
        let at = column(&rows, name);
        for (place, row) in wanted.rows.iter().enumerate() {
            let count = rows.rows.iter().filter(|r| r[at] == row[0]).count();
            assert_eq!(
                count.to_string(),
                wanted.get(place, "n_fittings"),
                "{row:?}"
            );
        }
    }
    // As many numbers as there are clinicians, the first with most rows.
    let clinicians = workspace.query(&["verification", "c", "--by", "clinician_id"]);
    let mut counts: Vec<usize> = (0..clinicians.rows.len())
        .map(|row| clinicians.get(row, "n_fittings").parse().expect("a count"))
        .collect();
    counts.sort_unstable_by(|a, b| b.cmp(a));
    let at = column(&rows, "clinician");
    for (number, count) in (1..).zip(&counts) {
        let number = number.to_string();
        assert_eq!(
            rows.rows.iter().filter(|row| row[at] == number).count(),
            *count
        );
    }
    // Measures are those of the queries: how many are within the criterion, how many answered.
    let curves = workspace.query(&["curves", "c", "--where", "experience=new"]);
    let place = (0..curves.rows.len())
        .filter(|&row| curves.get(row, "stage") == "final")
        .filter(|&row| curves.get(row, "input_band") == "average")
        .map(|row| curves.get(row, "n_fittings").parse::<usize>().expect("n"))
        .sum::<usize>();
    let (experience, within) = (
        column(&rows, "experience"),
        column(&rows, "within_criterion"),
    );
    let judged = rows
        .rows
        .iter()
        .filter(|row| row[experience] == "new" && !row[within].is_empty())
        .count();
    assert_eq!(judged, place);
}

/// Ids and rare labels are in no byte that was written, nor in the cells of the Parquet file, whose pages are packed.
#[test]
fn no_id_and_no_rare_label_leaves() {
    let workspace = ingested(delivery(900));
    let filter = ["--where", "clinic_id=clinic-01"];
    for (out, selection) in [("e", &[][..]), ("of-a-clinic", &filter[..])] {
        let rows = export(&workspace, out, selection);
        assert!(!rows.rows.is_empty());
        let path = workspace.path("d/fittings.csv");
        let mut delivered = csv::Reader::from_path(path).expect("a table");
        let mut hidden: Vec<String> = RARE.map(str::to_owned).to_vec();
        for row in delivered.records() {
            hidden.extend(row.expect("a row").iter().take(4).map(str::to_owned));
        }
        hidden.sort();
        hidden.dedup();
        assert!(hidden.len() > 500);
        let mut written: Vec<(String, Vec<u8>)> = files_below(&workspace.path(out))
            .into_iter()
            .map(|(name, bytes)| (name.display().to_string(), bytes))
            .collect();
        let names: Vec<&str> = written.iter().map(|(name, _)| name.as_str()).collect();
        assert_eq!(
            names,
            [
                "datapackage.json",
                "fittings.csv",
                "fittings.parquet",
                "provenance.json"
            ]
        );
        let cells = parquet_cells(&workspace, &format!("{out}/fittings.parquet"));
        assert_eq!(cells, rows.rows);
        written.push(("cells".to_owned(), format!("{cells:?}").into_bytes()));
        for (name, bytes) in &written {
            let text = String::from_utf8_lossy(bytes);
            for value in &hidden {
                assert!(!text.contains(value.as_str()), "{name} holds {value}");
            }
        }
    }
}

fn parquet_cells(workspace: &Workspace, name: &str) -> Vec<Vec<String>> {
    let file = File::open(workspace.path(name)).expect("a file");
    let reader = ParquetRecordBatchReaderBuilder::try_new(file)
        .and_then(|builder| builder.build())
        .expect("Parquet");
    let mut rows = Vec::new();
    for batch in reader {
        let batch = batch.expect("a batch");
        for row in 0..batch.num_rows() {
            let cell = |array: &dyn Array| -> String {
                if array.is_null(row) {
                    return String::new();
                }
                let any = array.as_any();
                if let Some(array) = any.downcast_ref::<StringArray>() {
                    return array.value(row).to_owned();
                }
                if let Some(array) = any.downcast_ref::<Int64Array>() {
                    return array.value(row).to_string();
                }
                if let Some(array) = any.downcast_ref::<BooleanArray>() {
                    return array.value(row).to_string();
                }
                let array = any.downcast_ref::<Float64Array>().expect("a known type");
                array.value(row).to_string()
            };
            rows.push(batch.columns().iter().map(|c| cell(c.as_ref())).collect());
        }
    }
    rows
}

/// A selection takes or leaves whole combinations of the one protected table: taken from the whole, it leaves nothing
/// that was not there before, whatever is selected.
#[test]
fn exports_cannot_be_subtracted() {
    let workspace = ingested(delivery(600));
    let whole = export(&workspace, "whole", &[]);
    let counts = combinations(&whole);
    let mut sorted = whole.rows.clone();
    sorted.sort();
    let mut seen = 0;
    let selections: [&[&str]; 8] = [
        &["--quarter", "2025-Q1"],
        &["--quarter", "2026-Q3"],
        &["--from", "2025-Q1", "--to", "2025-Q4"],
        &["--from", "2025-Q2"],
        &["--where", "grade=moderate"],
        &["--where", "clinic_id=clinic-02"],
        &["--where", "experience=new", "--where", "ear=both"],
        &["--where", "x_region=lighthouse-isle"],
    ];
    for (number, selection) in selections.iter().enumerate() {
        let part = export(&workspace, &format!("part-{number}"), selection);
        assert_eq!(part.columns, whole.columns);
        for (combination, count) in combinations(&part) {
            assert_eq!(counts.get(&combination), Some(&count), "{selection:?}");
        }
        // Each row with its measures is one of the whole's, too.
        let mut rest = sorted.clone();
        for row in &part.rows {
            let at = rest.binary_search(row).expect("a row of the whole");
            rest.remove(at);
        }
        seen += part.rows.len();
        // The account is the whole's, so that it cannot be subtracted either.
        let protection = |out: &str| -> serde_json::Value {
            let path = workspace.path(&format!("{out}/provenance.json"));
            let text = std::fs::read_to_string(path).expect("provenance");
            let value: serde_json::Value = serde_json::from_str(&text).expect("JSON");
            value["protection"].clone()
        };
        assert_eq!(protection(&format!("part-{number}")), protection("whole"));
    }
    assert!(seen > 600, "{seen} rows in parts");
    // A whole year takes the rows of which only the year is published along; a rare label has no row.
    let quarter = column(&whole, "quarter");
    let of_2025 = whole
        .rows
        .iter()
        .filter(|row| row[quarter].starts_with("2025"))
        .count();
    let part = export(&workspace, "part-2", selections[2]);
    assert_eq!(part.rows.len(), of_2025);
    assert!(part.rows.iter().any(|row| row[quarter] == "2025"));
    assert!(export(&workspace, "part-7", selections[7]).rows.is_empty());
}

/// Other ids, in another order, leave the same bytes; and so does any number of threads.
#[test]
fn neither_ids_nor_threads_leave_a_trace() {
    let workspace = ingested(delivery(300));
    export(&workspace, "one", &["--threads", "1"]);
    export(&workspace, "four", &["--threads", "4"]);
    let other = delivery(300);
    let renamed = |id: &str| -> String {
        let number: u32 = id[1..].parse().expect("a number");
        format!("Z{:08}", 99_999_999 - number)
    };
    for table in ["fittings", "ears", "responses", "outcomes"] {
        rewrite(&other, &format!("d/{table}.csv"), |_, row| {
            row[0] = renamed(&row[0]);
            if table == "fittings" {
                row[1] = renamed(&row[1]);
            }
        });
    }
    let other = ingested(other);
    export(&other, "renamed", &[]);
    let one = files_below(&workspace.path("one"));
    assert_eq!(one, files_below(&workspace.path("four")));
    assert_eq!(one, files_below(&other.path("renamed")));
}

#[test]
fn too_few_patients_altogether_are_withheld() {
    let workspace = Workspace::new();
    workspace.delivery("d", &small_practice());
    let workspace = ingested(workspace);
    let run = workspace.ok(&["export", "c", "--out", "e"]);
    assert!(run.stdout.contains("withheld"), "{}", run.shown());
    let rows = std::fs::read_to_string(workspace.path("e/fittings.csv")).expect("a table");
    assert_eq!(rows.lines().count(), 1, "{rows}");
    let text = std::fs::read_to_string(workspace.path("e/provenance.json")).expect("provenance");
    let provenance: serde_json::Value = serde_json::from_str(&text).expect("JSON");
    assert_eq!(
        provenance["protection"]["fittings_withheld"],
        "fewer than 5"
    );
    assert_eq!(provenance["protection"]["patients"], "fewer than 5");
}

#[test]
fn what_makes_no_sense_is_refused() {
    let workspace = Workspace::new();
    workspace.delivery("d", &small_practice());
    let workspace = ingested(workspace);
    let cases: [(&[&str], &str); 4] = [
        (&["--out", "c"], "is a cohort"),
        (
            &["--out", "e", "--where", "experience="],
            "may have been blanked",
        ),
        (&["--out", "e", "--where", "shoe_size=44"], "shoe_size"),
        (
            &["--out", "e", "--from", "2026-Q3", "--to", "2026-Q1"],
            "before it begins",
        ),
    ];
    for (arguments, wanted) in cases {
        let run = workspace.run(&[&["export", "c"][..], arguments].concat());
        assert_eq!(run.code, 2, "{}", run.shown());
        assert!(run.stderr.contains(wanted), "{}", run.shown());
    }
    assert!(!workspace.path("e").exists());
}
