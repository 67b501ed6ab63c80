//! Rows that break a rule of words, identifiers, dates, labels or belonging. Numbers are in `numbers`.

use super::{Spoiled, belonging};

/// A row of `fittings` with one field replaced.
pub(super) fn fitting(column: usize, value: &str) -> String {
    row(
        &[
            "B1", "P9", "north", "anna-1", "2026-Q3", "71", "new", "NAL-R", "none", "false",
            "coast",
        ],
        column,
        value,
    )
}

/// A row of `ears` with one field replaced. Its key is taken already: a row set aside is not held against others.
pub(super) fn ear(column: usize, value: &str) -> String {
    row(
        &[
            "F1", "left", "true", "20", "", "", "", "", "", "", "", "", "", "open", "behind",
        ],
        column,
        value,
    )
}

/// A row of `responses` in the long form with one field replaced.
pub(super) fn response(column: usize, value: &str) -> String {
    row(
        &["F1", "left", "final", "REIG", "65", "250", "10", "12"],
        column,
        value,
    )
}

/// A row of `outcomes` with one field replaced.
pub(super) fn answer(column: usize, value: &str) -> String {
    row(&["F1", "ioi-ha", "4", "3", "6"], column, value)
}

fn row(fields: &[&str], column: usize, value: &str) -> String {
    let mut fields = fields.to_vec();
    fields[column] = value;
    fields.join(",")
}

/// The small practice with a row for each way of breaking a rule.
pub(super) fn spoiled() -> Spoiled {
    let mut out = Spoiled::new();
    blanks_and_identifiers(&mut out);
    dates_words_and_labels(&mut out);
    belonging::orphans(&mut out);
    belonging::contradictions(&mut out);
    belonging::ear_points(&mut out);
    out
}

fn blanks_and_identifiers(out: &mut Spoiled) {
    let required = "is blank, and it is required";
    let fittings = [
        "fitting_id",
        "patient_id",
        "clinic_id",
        "clinician_id",
        "fitted_on",
    ];
    for (position, column) in fittings.into_iter().enumerate() {
        out.bad(
            "fittings.csv",
            &fitting(position, ""),
            column,
            "required",
            required,
            "",
        );
    }
    for (position, column) in ["fitting_id", "ear", "fitted"].into_iter().enumerate() {
        out.bad(
            "ears.csv",
            &ear(position, ""),
            column,
            "required",
            required,
            "",
        );
    }
    for (position, column) in [
        (0, "fitting_id"),
        (1, "ear"),
        (3, "quantity"),
        (4, "input_level_db"),
        (5, "frequency_hz"),
        (7, "measured_db"),
    ] {
        out.bad(
            "responses.csv",
            &response(position, ""),
            column,
            "required",
            required,
            "",
        );
    }
    for (position, column) in ["fitting_id", "instrument", "item", "score"]
        .into_iter()
        .enumerate()
    {
        out.bad(
            "outcomes.csv",
            &answer(position, ""),
            column,
            "required",
            required,
            "",
        );
    }

    let shape = "is not a pseudonym of 1 to 64 characters";
    let long = "q".repeat(65);
    for (position, column, value) in [
        (0, "fitting_id", "visit 417"),
        (0, "fitting_id", "visit.417"),
        (1, "patient_id", "person 417/2"),
        (1, "patient_id", "n.k. 417"),
        (2, "clinic_id", "nörth"),
        (3, "clinician_id", &*long),
    ] {
        let row = fitting(position, value);
        out.bad(
            "fittings.csv",
            &row,
            column,
            "identifier-shape",
            shape,
            value,
        );
    }
    let value = "visit 417";
    out.bad(
        "ears.csv",
        &ear(0, value),
        "fitting_id",
        "identifier-shape",
        shape,
        value,
    );
    out.bad(
        "responses.csv",
        &response(0, value),
        "fitting_id",
        "identifier-shape",
        shape,
        value,
    );
    out.bad(
        "outcomes.csv",
        &answer(0, value),
        "fitting_id",
        "identifier-shape",
        shape,
        value,
    );
    // Sixty-four characters are allowed.
    out.good("fittings.csv", &fitting(3, &"q".repeat(64)));

    let fields = "another number of fields than the header row";
    let whole = [
        ("fittings.csv", fitting(0, "B2")),
        ("ears.csv", ear(0, "F1")),
        ("responses.csv", response(0, "F1")),
        ("outcomes.csv", answer(0, "F1")),
    ];
    for (file, row) in whole {
        out.bad(
            file,
            &format!("{row},surplus-417"),
            "",
            "field-count",
            fields,
            "surplus-417",
        );
        let (short, _) = row.rsplit_once(',').unwrap();
        out.bad(file, short, "", "field-count", fields, "");
    }
}

fn dates_words_and_labels(out: &mut Spoiled) {
    // 2026 is no leap year (Gregorian calendar).
    for value in [
        "2026-02-29",
        "2026-13-01",
        "2026-Q5",
        "2026-00",
        "17.08.2026",
        "08/17/2026",
        "26-08-17",
        "2026",
        "2026-8-17",
        "1899-12-31",
        "2026-08-17T10:00:00",
        "q3 2026",
    ] {
        let says = "is not a date like 2026-08-17, a month like 2026-08 or a quarter like 2026-Q3";
        // A value that the sentence holds itself cannot be told from an echo.
        let secret = if says.contains(value) { "" } else { value };
        out.bad(
            "fittings.csv",
            &fitting(4, value),
            "fitted_on",
            "not-a-date",
            says,
            secret,
        );
    }
    let word = "unknown-word";
    for (position, column, value, allowed) in [
        (6, "experience", "veteran", "(new, experienced)"),
        (
            8,
            "medical_referral",
            "perhaps",
            "(none, advised, completed, unknown)",
        ),
        (9, "returned", "TRUE", "(false, true)"),
        (9, "returned", "1", "(false, true)"),
    ] {
        let secret = if value.len() > 1 { value } else { "" };
        out.bad(
            "fittings.csv",
            &fitting(position, value),
            column,
            word,
            allowed,
            secret,
        );
    }
    for (position, column, value, allowed) in [
        (1, "ear", "R", "(left, right)"),
        (1, "ear", "beide", "(left, right)"),
        (2, "fitted", "yes", "(false, true)"),
        (13, "coupling", "dome", "(open, vented, closed, custom)"),
    ] {
        let secret = if value.len() > 1 { value } else { "" };
        out.bad(
            "ears.csv",
            &ear(position, value),
            column,
            word,
            allowed,
            secret,
        );
    }
    for (position, column, value, allowed) in [
        (1, "ear", "Left", "(left, right)"),
        (2, "stage", "second", "(first, final)"),
        (3, "quantity", "REUG", "(REAR, REIG)"),
        (3, "quantity", "rear", "(REAR, REIG)"),
    ] {
        out.bad(
            "responses.csv",
            &response(position, value),
            column,
            word,
            allowed,
            value,
        );
    }

    let label = "is not a label of at most 64 printable characters";
    let long = "y".repeat(65);
    for (position, column, value) in [
        (7, "prescription", &*long),
        (7, "prescription", "tab\tinside"),
        (10, "x_region", &*long),
        (10, "x_region", "bell\u{7}"),
    ] {
        out.bad(
            "fittings.csv",
            &fitting(position, value),
            column,
            "label-shape",
            label,
            value,
        );
    }
    out.bad(
        "ears.csv",
        &ear(14, &long),
        "style",
        "label-shape",
        label,
        &long,
    );
    // Sixty-four characters, not bytes.
    out.good(
        "fittings.csv",
        &fitting(10, &"é".repeat(64)).replace("B1", "B4"),
    );

    let kept = "250, 500, 750, 1000, 1500, 2000, 3000, 4000, 6000, 8000 Hz";
    for value in ["125", "1250", "12000", "0", "99999999999"] {
        let row = response(5, value);
        let secret = if kept.contains(value) { "" } else { value };
        out.bad(
            "responses.csv",
            &row,
            "frequency_hz",
            "frequency-not-kept",
            kept,
            secret,
        );
    }
    let built_in = "neither built in (ioi-ha, use-log) nor declared in the plan";
    for value in ["home-made", "IOI-HA"] {
        out.bad(
            "outcomes.csv",
            &answer(1, value),
            "instrument",
            "unknown-instrument",
            built_in,
            value,
        );
    }
    for value in ["8", "hours_per_day", "04"] {
        let says = "is not an item of its instrument";
        // One digit is in the words around it.
        let secret = if value.len() > 1 { value } else { "" };
        out.bad(
            "outcomes.csv",
            &answer(2, value),
            "item",
            "unknown-item",
            says,
            secret,
        );
    }
    let whole = "is not a whole number";
    out.bad(
        "fittings.csv",
        &fitting(5, "71.5"),
        "age_years",
        "not-whole",
        whole,
        "71.5",
    );
    out.bad(
        "responses.csv",
        &response(5, "1000.5"),
        "frequency_hz",
        "not-whole",
        whole,
        "1000.5",
    );
    out.bad(
        "outcomes.csv",
        &answer(3, "3.5"),
        "score",
        "not-whole",
        whole,
        "3.5",
    );
}

#[test]
fn rows_that_break_a_rule_are_set_aside_with_their_place() {
    let workspace = spoiled().judge();
    // What is stored is what stood in the good rows.
    let fittings = workspace.query(&["match", "c", "--where", "ear=left"]);
    assert!(!fittings.rows.is_empty());
    let quality = workspace.query(&["quality", "c"]);
    let row = quality.find(&[("table_name", "outcomes"), ("rule", "contradiction")]);
    assert_eq!(quality.get(row, "rows_set_aside"), "4");
}

/// Numbers and words that the sentences hold themselves make the check for echoes weaker, never wrong; this one looks
/// for a value in every byte that the program says or writes.
#[test]
fn a_value_set_aside_is_nowhere_in_the_cohort() {
    let mut out = Spoiled::new();
    let value = "secret ~417~ value";
    let row = fitting(1, value);
    out.bad(
        "fittings.csv",
        &row,
        "patient_id",
        "identifier-shape",
        "pseudonym",
        value,
    );
    let workspace = out.judge();
    for (path, bytes) in crate::workspace::files_below(&workspace.path("c")) {
        let found = bytes
            .windows(value.len())
            .any(|window| window == value.as_bytes());
        assert!(!found, "{}", path.display());
    }
    for (path, _) in crate::workspace::files_below(&workspace.path("c")) {
        if path.extension().is_some_and(|ending| ending == "parquet") {
            let rows = crate::parquet_files::rows(&workspace.path("c").join(&path));
            assert!(!format!("{rows:?}").contains(value), "{}", path.display());
        }
    }
}
