//! Dates: no finer than the quarter in any byte, the year alone on request, and ages of 90 for all above 89.

use super::canaries::Canary;
use crate::parquet_files;
use crate::workspace::{FITTINGS, Workspace, files_below, small_practice};

/// A practice of two years, with dates of every grain.
fn two_years(workspace: &Workspace) {
    let fittings = format!(
        "{FITTINGS}\
         F3,P3,north,anna-1,2025-11-29,70,new,NAL-R,none,false,coast\n\
         F4,P4,north,anna-1,2025-02,70,new,NAL-R,none,false,coast\n\
         F5,P5,north,anna-1,not a date,70,new,NAL-R,none,false,coast\n"
    );
    workspace.delivery("d", &small_practice());
    workspace.write("d/fittings.csv", fittings);
}

#[test]
fn no_date_finer_than_a_quarter_is_in_any_byte() {
    let workspace = Workspace::new();
    two_years(&workspace);
    let run = workspace.ok(&["ingest", "d", "--into", "c", "--set-aside-csv", "aside.csv"]);
    workspace.ok(&["report", "c", "--out", "r"]);
    for date in ["2026-08-17", "2025-11-29", "2026-08", "2025-11", "2025-02"] {
        // The sentence about a date gives one as an example.
        if !date.starts_with("2026-08") {
            Canary::new(date).assert_unsaid(&run);
            Canary::new(date).assert_unwritten(&workspace, &["d"]);
        }
    }
    let dates: Vec<String> = parquet_files::parts(&workspace, "c", "fittings")
        .iter()
        .flat_map(|part| {
            let rows = parquet_files::rows(part);
            (0..rows.rows.len())
                .map(|row| rows.get(row, "quarter").to_owned())
                .collect::<Vec<_>>()
        })
        .collect();
    assert_eq!(dates, ["2025-Q1", "2025-Q4", "2026-Q3", "2026-Q3"]);
    assert_eq!(workspace.manifest("c")["dates"], "quarter");
    for reader in ["owner", "researcher", "trainer"] {
        let read = |name: &str| {
            std::fs::read_to_string(workspace.path(&format!("r/{reader}/{name}"))).unwrap()
        };
        let provenance: serde_json::Value = serde_json::from_str(&read("provenance.json")).unwrap();
        assert_eq!(provenance["limited_data_set"], true);
        assert_eq!(provenance["dates"], "quarter");
        assert!(read("index.html").contains("limited data set"));
    }
}

#[test]
fn years_alone_are_kept_on_request() {
    let workspace = Workspace::new();
    two_years(&workspace);
    workspace.write(
        "d/fittings-2.csv",
        "fitting_id,patient_id,clinic_id,clinician_id,fitted_on\nF6,P6,north,anna-1,2024\n",
    );
    let checked = workspace
        .ok(&["check", "d", "--year-only", "--json"])
        .json();
    assert_eq!(checked["tables"]["fittings"]["rows_stored"], 5);
    let checked = workspace.ok(&["check", "d", "--json"]).json();
    assert_eq!(
        checked["tables"]["fittings"]["rows_stored"], 4,
        "a year is no date elsewhere"
    );
    workspace.ok(&[
        "ingest",
        "d",
        "--into",
        "c",
        "--year-only",
        "--set-aside-csv",
        "aside.csv",
    ]);
    workspace.ok(&["report", "c", "--out", "r"]);
    for date in ["2025-Q", "2025-11", "2025-02", "2024-Q"] {
        Canary::new(date).assert_unwritten(&workspace, &["d"]);
    }
    let manifest = workspace.manifest("c");
    assert_eq!(manifest["dates"], "year");
    let paths: Vec<&str> = manifest["parts"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|part| part["table"] == "fittings")
        .map(|part| part["path"].as_str().unwrap())
        .collect();
    let folders: Vec<bool> = ["2024", "2025", "2026"]
        .iter()
        .zip(&paths)
        .map(|(year, path)| path.contains(&format!("quarter={year}/")))
        .collect();
    assert_eq!(folders, [true; 3], "{paths:?}");

    let count = |arguments: &[&str]| {
        let rows = workspace.query(&[&["verification", "c"], arguments].concat());
        rows.get(0, "n_fittings").to_owned()
    };
    assert_eq!(count(&["--quarter", "2026"]), "2");
    assert_eq!(count(&["--from", "2026"]), "2");
    assert_eq!(count(&["--to", "2026"]), "2");
    let by_year = workspace.query(&["verification", "c", "--by", "quarter"]);
    assert_eq!(by_year.get(0, "quarter"), "2026");
    let trends = workspace.query(&["trends", "c"]);
    assert!(
        trends
            .rows
            .iter()
            .any(|row| row.contains(&"2026".to_owned())),
        "{trends:?}"
    );
    let run = workspace.run(&["query", "verification", "c", "--quarter", "2026-Q3"]);
    assert_eq!(run.code, 2, "{}", run.shown());
    assert!(run.stderr.contains("keeps years only"), "{}", run.shown());

    let page = std::fs::read_to_string(workspace.path("r/owner/index.html")).unwrap();
    assert!(page.contains("Year review, 2026"));
    assert!(!page.contains("limited data set"));
    let provenance = std::fs::read_to_string(workspace.path("r/owner/provenance.json")).unwrap();
    assert!(
        provenance.contains("\"limited_data_set\": false"),
        "{provenance}"
    );
    workspace.ok(&["report", "c", "--out", "r2", "--quarter", "2026"]);
}

/// On quarters, a year as a limit takes its four quarters in.
#[test]
fn a_year_limits_quarters_too() {
    let workspace = Workspace::invented(200, 3);
    let count = |arguments: &[&str]| -> u64 {
        let rows = workspace.query(&[&["verification", "c"], arguments].concat());
        rows.get(0, "n_fittings").parse().unwrap()
    };
    let year = count(&["--quarter", "2025"]);
    let quarters: u64 = (1..=4)
        .map(|quarter| count(&["--quarter", &format!("2025-Q{quarter}")]))
        .sum();
    assert_eq!(year, quarters);
    assert!(year > 0);
    assert_eq!(count(&["--from", "2025-Q1", "--to", "2025"]), year);
    assert_eq!(count(&["--from", "2025", "--to", "2025-Q4"]), year);
}

#[test]
fn years_and_quarters_do_not_mix() {
    for (first, second) in [(&["--year-only"][..], &[][..]), (&[], &["--year-only"])] {
        let workspace = Workspace::new();
        two_years(&workspace);
        let ingest =
            |options: &[&str]| workspace.run(&[&["ingest", "d", "--into", "c"], options].concat());
        assert_eq!(ingest(first).code, 0);
        let before = files_below(&workspace.path("c"));
        let run = ingest(second);
        assert_eq!(run.code, 2, "{}", run.shown());
        assert!(
            run.stderr.contains("dates kept to the quarter"),
            "{}",
            run.shown()
        );
        assert!(
            run.stderr.contains("dates kept to the year"),
            "{}",
            run.shown()
        );
        assert!(files_below(&workspace.path("c")) == before);
        assert_eq!(ingest(first).code, 0);
    }
}

/// Ages over 89 tell who a very old person is (45 CFR 164.514(b)(2)(i)(C), from memory).
#[test]
fn ages_over_89_are_one() {
    let workspace = Workspace::new();
    let mut fittings = format!("{}\n", FITTINGS.lines().next().unwrap());
    let ages = [0, 88, 89, 90, 91, 104, 130];
    for age in ages {
        fittings += &format!("A{age},B{age},north,anna-1,2026-Q3,{age},,,,,\n");
    }
    workspace.write("d/fittings.csv", fittings);
    workspace.ok(&["ingest", "d", "--into", "c"]);
    let rows = parquet_files::rows(&parquet_files::parts(&workspace, "c", "fittings")[0]);
    for age in ages {
        let row = rows.find(&[("fitting_id", &format!("A{age}"))]);
        assert_eq!(rows.get(row, "age_years"), age.min(90).to_string());
    }
}
