//! Maps and deliveries that do not fit: each is refused with what to do, and nothing is stored.

use crate::workspace::{FITTINGS, Workspace};

const FIT: &str = "[[source]]\nfiles = [\"visits.csv\"]\ntable = \"fittings\"\n\
    columns = { fitting_id = \"Visit\", patient_id = \"Patient\", clinic_id = \"Site\", clinician_id = \"By\", fitted_on = \"Date\" }\n";
const VISITS: &str = "Visit,Patient,Site,By,Date\nF1,P1,north,anna-1,2026-08-17\n";

/// Runs `check` over files with a map, and gives code and standard error.
fn check(files: &[(&str, &str)], map: &str) -> (i32, String) {
    let workspace = Workspace::new();
    for (name, text) in files {
        workspace.write(&format!("d/{name}"), text);
    }
    workspace.write("map.toml", map);
    let run = workspace.run(&["ingest", "d", "--into", "c", "--map", "map.toml"]);
    assert!(
        run.code == 0 || !workspace.path("c").exists(),
        "{}",
        run.shown()
    );
    (run.code, run.stderr)
}

#[test]
fn what_fits_is_taken() {
    assert_eq!(check(&[("visits.csv", VISITS)], FIT), (0, String::new()));
}

#[test]
fn a_map_and_a_delivery_that_do_not_fit_are_refused() {
    let renamed = VISITS.replace("Patient", "Patients");
    let more = VISITS
        .replace("Date\n", "Date,Colour,Size\n")
        .replace("-17\n", "-17,canary,canary\n");
    let twice = VISITS
        .replace("Date\n", "Date,Site\n")
        .replace("-17\n", "-17,canary\n");
    let semicolons = VISITS.replace(',', ";");
    for (files, map, parts) in [
        (
            &[("visit.csv", VISITS)][..],
            FIT,
            &["[unmatched-files]", "\"visits.csv\"", ".parquet"][..],
        ),
        (
            &[("visits.csv", VISITS), ("responses-2.csv", "x\n")],
            FIT,
            &[
                "responses-2.csv",
                "[unmapped-file]",
                "take it out of the folder",
            ],
        ),
        (
            &[("visits.csv", &renamed)],
            FIT,
            &[
                "line 1",
                "[mapped-column-missing]",
                "\"Patient\" (is \"Patients\" meant?)",
            ],
        ),
        (
            &[("visits.csv", &semicolons)],
            FIT,
            &["[mapped-column-missing]", "is `separator` right?"],
        ),
        (
            &[("visits.csv", &more)],
            FIT,
            &[
                "line 1",
                "[unmapped-column]",
                "\"Colour\", \"Size\"",
                "`leave_out`",
            ],
        ),
        (
            &[("visits.csv", &twice)],
            FIT,
            &["[repeated-column]", "\"Site\""],
        ),
        (
            &[("visits.csv", FITTINGS)],
            "[[source]]\nfiles = [\"visits.csv\"]\ntable = \"fittings\"\nconstants = { age_years = 40 }\n",
            &["[repeated-column]", "age_years, which is a constant"],
        ),
        (
            &[("visits.csv", "fitting_id,patient_id\n")],
            "[[source]]\nfiles = [\"visits.csv\"]\ntable = \"fittings\"\n",
            &["[missing-column]", "clinic_id"],
        ),
        (&[("visits.csv", "")], FIT, &["[empty-file]"]),
    ] {
        let (code, said) = check(files, map);
        assert_eq!(code, 65, "{said}");
        for part in parts {
            assert!(said.contains(part), "no {part:?} in {said}");
        }
        assert!(!said.contains("canary"), "{said}");
        assert!(said.contains("what to do:"), "{said}");
    }
}

/// Of a first row that holds none of the mapped columns nothing is shown: it may be no header row.
#[test]
fn a_first_row_that_is_no_header_row_is_not_shown() {
    let (code, said) = check(
        &[("visits.csv", "Visiting,Patricia,Sited,Bye,Dated\n")],
        FIT,
    );
    assert_eq!(code, 65);
    for word in ["Visiting", "Patricia", "Sited", "Bye", "Dated"] {
        assert!(!said.contains(word), "{said}");
    }
}

#[test]
fn a_map_that_is_not_in_order_is_a_matter_of_usage() {
    for (map, parts) in [
        (
            FIT.replace("fitted_on", "fited_on"),
            &["line 4", "columns.fited_on", "did you mean `fitted_on`?"][..],
        ),
        (
            FIT.replace("table", "tabel"),
            &["line 3", "did you mean `table`?"],
        ),
        (FIT.replace("]]", "]"), &["line 1"]),
    ] {
        let (code, said) = check(&[("visits.csv", VISITS)], &map);
        assert_eq!(code, 2, "{said}");
        for part in parts {
            assert!(said.contains(part), "no {part:?} in {said}");
        }
    }
    let workspace = Workspace::new();
    workspace.write("d/fittings.csv", FITTINGS);
    let run = workspace.run(&["check", "d", "--map", "none.toml"]);
    assert_eq!(run.code, 2, "{}", run.shown());
    let run = workspace.run(&["check", "d", "--map", "none.toml", "--suggest-map"]);
    assert_eq!(run.code, 2, "{}", run.shown());
}
