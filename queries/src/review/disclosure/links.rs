//! Which rows of the tables hang together, so that one gives away another.

use std::collections::{BTreeMap, BTreeSet};

use super::{Cells, Hidden, label};
use crate::table::Table;

/// Columns and the labels of which each has one.
type Only = &'static [(&'static str, &'static [&'static str])];

/// Some rows of a table: those with certain labels, and the columns by which they are matched with others.
#[derive(Clone, Copy, Debug)]
pub(super) struct Rows {
    key: &'static str,
    only: Only,
    on: &'static [&'static str],
    span: Span,
}

/// Of which quarters the rows are meant.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Span {
    All,
    /// The quarter under review.
    This,
    /// The quarter under review and the four before it.
    Five,
}

pub(super) const fn all(key: &'static str, on: &'static [&'static str]) -> Rows {
    only(key, &[], on)
}

pub(super) const fn only(key: &'static str, only: Only, on: &'static [&'static str]) -> Rows {
    Rows {
        key,
        only,
        on,
        span: Span::All,
    }
}

const VERIFIED: Only = &[("measure", &["verified"])];
const ANSWERED: Only = &[("measure", &["answered"])];
const SATISFIED: Only = &[("measure", &["satisfied"])];
/// Measures of a final response: known of nearly all who are verified, and of nobody else.
const JUDGED: Only = &[(
    "measure",
    &[
        "within_criterion",
        "within_second",
        "rms",
        "signed",
        "high_frequency",
    ],
)];
/// What the page of one clinician says of the fittings measured twice.
const MEASURED_TWICE: Only = &[(
    "measure",
    &[
        "rms_first",
        "rms_last",
        "rms_fall",
        "within_first",
        "within_last",
    ],
)];

/// A clinic, and its part of a change.
pub(super) const CLINICS_IN_DRIVERS: (Rows, Rows) = (
    all("clinics", &["measure", "clinic_id"]),
    only(
        "drivers",
        &[("grouping", &["clinic_id"])],
        &["measure", "group"],
    ),
);

/// Candidates of a grade, and their part of the change of two-ear fitting.
pub(super) const GRADES_IN_DRIVERS: (Rows, Rows) = (
    all("two_ear_by_grade", &["grade"]),
    only(
        "drivers",
        &[("grouping", &["grade"]), ("measure", &["two_ear"])],
        &["group"],
    ),
);

/// Rows that count the same people: what is withheld in one is withheld in the other.
pub(super) const SAME_PEOPLE: [(Rows, Rows); 11] = [
    (
        all("headline", &["measure"]),
        Rows {
            span: Span::This,
            ..all("trends", &["measure"])
        },
    ),
    // Whether a response was measured and whether an answer came are shares of the same fittings.
    (
        only("headline", VERIFIED, &[]),
        only("headline", ANSWERED, &[]),
    ),
    (
        only("trends", VERIFIED, &["quarter"]),
        only("trends", ANSWERED, &["quarter"]),
    ),
    (
        only("clinics", VERIFIED, &["clinic_id"]),
        only("clinics", ANSWERED, &["clinic_id"]),
    ),
    (
        only("clinicians", VERIFIED, &["clinician_id"]),
        only("clinicians", ANSWERED, &["clinician_id"]),
    ),
    (
        only("clinician", VERIFIED, &[]),
        only("clinician", ANSWERED, &[]),
    ),
    (
        only("drivers", VERIFIED, &["grouping", "group"]),
        only("drivers", ANSWERED, &["grouping", "group"]),
    ),
    (
        only("clinicians", &[("measure", &["signed"])], &["clinician_id"]),
        all("spread", &["clinician_id"]),
    ),
    CLINICS_IN_DRIVERS,
    GRADES_IN_DRIVERS,
    (
        all("dose_response", &["bin_lo"]),
        all("response_by_match", &["bin_lo"]),
    ),
];

/// A whole and its parts, or a sum and what goes into it: where the first is withheld, so is the second.
pub(super) const PARTS_OF: [(Rows, Rows); 31] = [
    (all("headline", &["measure"]), all("clinics", &["measure"])),
    (
        only("headline", &[("measure", &["two_ear"])], &[]),
        all("two_ear_by_grade", &[]),
    ),
    (
        all("rms_by_answer", &["score"]),
        all("rms_histogram", &["score"]),
    ),
    // A change holds the sum of the four quarters before, from which one of them would follow.
    (
        Rows {
            span: Span::Five,
            ..all("trends", &["measure"])
        },
        all("moves", &["measure"]),
    ),
    (all("moves", &["measure"]), all("drivers", &["measure"])),
    // The points now and before are those of the fittings judged, and of those with a deviation.
    (
        only("moves", &[("measure", &["within_criterion"])], &[]),
        all("driver_frequencies", &[]),
    ),
    (
        Rows {
            span: Span::Five,
            ..only("trends", &[("measure", &["rms"])], &[])
        },
        all("driver_frequencies", &[]),
    ),
    // What is missing is counted among those who could have answered and those who did.
    (
        only("flow", &[("step", &["analysed"])], &[]),
        all("missing", &[]),
    ),
    (
        all("moves", &["measure"]),
        all("driver_totals", &["measure"]),
    ),
    // Each measure is known of some of the fittings: how many these are says how many there are at least.
    (only("headline", VERIFIED, &[]), all("headline", &[])),
    (
        only("trends", VERIFIED, &["quarter"]),
        all("trends", &["quarter"]),
    ),
    (
        only("clinics", VERIFIED, &["clinic_id"]),
        all("clinics", &["clinic_id"]),
    ),
    (
        only("clinicians", VERIFIED, &["clinician_id"]),
        all("clinicians", &["clinician_id"]),
    ),
    (
        only("drivers", VERIFIED, &["grouping", "group"]),
        all("drivers", &["grouping", "group"]),
    ),
    (
        only("clinician_quarters", VERIFIED, &["clinician_id", "quarter"]),
        all("clinician_quarters", &["clinician_id", "quarter"]),
    ),
    // What is judged of a response is known of nearly the same people, so that one measure tells of another.
    (only("headline", JUDGED, &[]), only("headline", JUDGED, &[])),
    (
        only("trends", JUDGED, &["quarter"]),
        only("trends", JUDGED, &["quarter"]),
    ),
    (
        only("clinics", JUDGED, &["clinic_id"]),
        only("clinics", JUDGED, &["clinic_id"]),
    ),
    (
        only("clinicians", JUDGED, &["clinician_id"]),
        only("clinicians", JUDGED, &["clinician_id"]),
    ),
    (
        only("drivers", JUDGED, &["grouping", "group"]),
        only("drivers", JUDGED, &["grouping", "group"]),
    ),
    (
        only("clinician_quarters", JUDGED, &["clinician_id", "quarter"]),
        only("clinician_quarters", JUDGED, &["clinician_id", "quarter"]),
    ),
    (
        only("clinicians", JUDGED, &["clinician_id"]),
        all("signature", &["clinician_id"]),
    ),
    // The page of one clinician lies beside the trainer's report, and beside the pages of all others: it says no more of
    // one than the report does, and of a quarter no more than all pages together may.
    (
        all("clinicians", &["clinician_id", "measure"]),
        all("clinician", &["clinician_id", "measure"]),
    ),
    (
        only("clinicians", VERIFIED, &["clinician_id"]),
        all("rests_on", &["clinician_id"]),
    ),
    (
        all("spread", &["clinician_id"]),
        only("clinician", &[("measure", &["spread"])], &["clinician_id"]),
    ),
    (
        all("first_final", &["clinician_id"]),
        only("clinician", MEASURED_TWICE, &["clinician_id"]),
    ),
    (
        all("signature", &["clinician_id", "frequency_hz"]),
        all("own_signature", &["clinician_id", "frequency_hz"]),
    ),
    (
        all("clinicians", &["clinician_id", "measure"]),
        all("clinician_quarters", &["clinician_id", "measure"]),
    ),
    (
        all("trends", &["measure", "quarter"]),
        all("clinician_quarters", &["measure", "quarter"]),
    ),
    (
        all("trends", &["measure", "quarter"]),
        all("practice_quarters", &["measure", "quarter"]),
    ),
    (
        all(
            "clinician_quarters",
            &["clinician_id", "measure", "quarter"],
        ),
        all("own_quarters", &["clinician_id", "measure", "quarter"]),
    ),
];

/// Rows whose count is the numerator of a share elsewhere: where the count is withheld, so is that share. Those who
/// answered are those of whom it is known whether they are satisfied, and those verified are nearly those who are judged.
/// Sums over groups, with all their digits, fit few counts of the groups that are withheld.
pub(super) const FINDINGS_OF: [(Rows, Rows); 20] = [
    // First, since `unbound` passes over it.
    (
        all("drivers", &["measure", "grouping"]),
        all("driver_totals", &["measure", "grouping"]),
    ),
    (
        only("headline", JUDGED, &[]),
        only("headline", VERIFIED, &[]),
    ),
    (
        only("trends", JUDGED, &["quarter"]),
        only("trends", VERIFIED, &["quarter"]),
    ),
    (only("moves", JUDGED, &[]), only("moves", VERIFIED, &[])),
    (
        only("driver_totals", JUDGED, &["grouping"]),
        only("driver_totals", VERIFIED, &["grouping"]),
    ),
    (
        only("clinics", JUDGED, &["clinic_id"]),
        only("clinics", VERIFIED, &["clinic_id"]),
    ),
    (
        only("clinicians", JUDGED, &["clinician_id"]),
        only("clinicians", VERIFIED, &["clinician_id"]),
    ),
    (
        only("clinician", JUDGED, &[]),
        only("clinician", VERIFIED, &[]),
    ),
    (
        only("drivers", JUDGED, &["grouping", "group"]),
        only("drivers", VERIFIED, &["grouping", "group"]),
    ),
    (
        only("own_quarters", JUDGED, &["quarter"]),
        only("own_quarters", VERIFIED, &["quarter"]),
    ),
    (
        only("clinician_quarters", JUDGED, &["clinician_id", "quarter"]),
        only("clinician_quarters", VERIFIED, &["clinician_id", "quarter"]),
    ),
    (
        only("trends", JUDGED, &["quarter"]),
        only("practice_quarters", VERIFIED, &["quarter"]),
    ),
    (
        only("headline", SATISFIED, &[]),
        only("headline", ANSWERED, &[]),
    ),
    (
        only("trends", SATISFIED, &["quarter"]),
        only("trends", ANSWERED, &["quarter"]),
    ),
    (only("moves", SATISFIED, &[]), only("moves", ANSWERED, &[])),
    (
        only("driver_totals", SATISFIED, &["grouping"]),
        only("driver_totals", ANSWERED, &["grouping"]),
    ),
    (
        only("clinics", SATISFIED, &["clinic_id"]),
        only("clinics", ANSWERED, &["clinic_id"]),
    ),
    (
        only("clinicians", SATISFIED, &["clinician_id"]),
        only("clinicians", ANSWERED, &["clinician_id"]),
    ),
    (
        only("clinician", SATISFIED, &[]),
        only("clinician", ANSWERED, &[]),
    ),
    (
        only("drivers", SATISFIED, &["grouping", "group"]),
        only("drivers", ANSWERED, &["grouping", "group"]),
    ),
];

/// Counts, and others of the same unit that they cannot be more than: a measure is known of some of the fittings.
pub(super) const AT_MOST: [(Rows, Rows); 5] = [
    (all("headline", &[]), only("headline", VERIFIED, &[])),
    (
        all("trends", &["quarter"]),
        only("trends", VERIFIED, &["quarter"]),
    ),
    (
        all("clinics", &["clinic_id"]),
        only("clinics", VERIFIED, &["clinic_id"]),
    ),
    (
        all("clinicians", &["clinician_id"]),
        only("clinicians", VERIFIED, &["clinician_id"]),
    ),
    (
        all("drivers", &["grouping", "group"]),
        only("drivers", VERIFIED, &["grouping", "group"]),
    ),
];

/// A row of a table: the place of the table, and its own.
type At = (usize, usize);

/// The pairs of rows that a link joins.
pub(super) fn matched(
    tables: &[Cells],
    one: Rows,
    other: Rows,
    quarter: Option<&str>,
) -> Vec<(At, At)> {
    let mut by_label: BTreeMap<Vec<String>, Vec<At>> = BTreeMap::new();
    for (at, labels) in rows_of(tables, other, quarter) {
        by_label.entry(labels).or_default().push(at);
    }
    rows_of(tables, one, quarter)
        .into_iter()
        .flat_map(|(from, labels)| {
            let to = by_label.get(&labels).cloned().unwrap_or_default();
            to.into_iter().map(move |to| (from, to))
        })
        .collect()
}

/// The rows meant, each with the labels by which it is matched.
pub(super) fn rows_of(
    tables: &[Cells],
    rows: Rows,
    quarter: Option<&str>,
) -> Vec<(At, Vec<String>)> {
    let mut out = Vec::new();
    for (place, cells) in tables.iter().enumerate() {
        if cells.key != rows.key {
            continue;
        }
        let table = &cells.table;
        let quarters = span(table, rows.span, quarter);
        for row in 0..table.rows() {
            let is_one = rows.only.iter().all(|(column, labels)| {
                table
                    .text_at(column, row)
                    .is_some_and(|label| labels.contains(&label))
            });
            let in_span = rows.span == Span::All
                || table
                    .text_at("quarter", row)
                    .is_some_and(|quarter| quarters.contains(quarter));
            if is_one && in_span {
                let labels = rows.on.iter().map(|name| label(table, name, row)).collect();
                out.push(((place, row), labels));
            }
        }
    }
    out
}

/// The quarters of a table that are meant: by name, since 2025-Q4 stands before 2026-Q1 in the order of letters too.
fn span<'a>(table: &'a Table, span: Span, quarter: Option<&str>) -> BTreeSet<&'a str> {
    let so_far: BTreeSet<&str> = (0..table.rows())
        .filter_map(|row| table.text_at("quarter", row))
        .filter(|known| quarter.is_some_and(|quarter| *known <= quarter))
        .collect();
    let most = if span == Span::This { 1 } else { 5 };
    so_far.into_iter().rev().take(most).collect()
}

/// The funnel up to the first size of its grid that is a tenth beyond the largest count shown: the grid itself is the
/// same for every cohort, so that it does not tell how large a withheld one is.
pub(super) fn trimmed(funnel: &Table, largest: &BTreeMap<String, i64>) -> Table {
    funnel.filtered(|table, row| {
        let shown = table
            .text_at("measure", row)
            .and_then(|measure| largest.get(measure).copied())
            .unwrap_or(0);
        table
            .integer_at("n", row)
            .is_some_and(|n| shown > 0 && n <= (shown + shown / 10).max(10))
    })
}

/// What else would give a withheld row away, as column and row: a smoothed series holds every value before, and what
/// is lost at a step of the flow is the difference of two counts.
pub(super) fn also_without(
    key: &str,
    table: &Table,
    hidden: &[Hidden],
) -> Vec<(&'static str, usize)> {
    let is_withheld = |row: usize| hidden.get(row).is_some_and(|how| *how > Hidden::No);
    match key {
        "trends" => super::groups(table, &["measure"])
            .into_iter()
            .filter(|rows| rows.iter().any(|row| is_withheld(*row)))
            .flatten()
            .map(|row| ("ewma", row))
            .collect(),
        "flow" => (1..table.rows())
            .filter(|row| is_withheld(row - 1))
            .map(|row| ("lost", row))
            .collect(),
        _ => Vec::new(),
    }
}
