//! The same delivery again: rows that were set aside then are judged anew, since their parents may have come or the plan
//! may know their instrument now. All other rows were dealt with and are passed over, whatever became of them since.

use std::collections::{HashMap, HashSet};

use crate::delivery::{STRANGER, Unsettled};
use crate::error::PipelineError;
use crate::records::{Curve, Place};
use crate::settle::Account;
use crate::store::{Cohort, DeliveryEntry};
use crate::vocabulary::{N_FREQUENCIES, TableName};

/// Rows by table and place.
type Rows = HashSet<(TableName, Place)>;

/// Keeps only those rows of a delivery that an earlier ingest of the same delivery had set aside.
pub(crate) fn keep_set_aside(
    unsettled: &mut Unsettled,
    entry: &DeliveryEntry,
    cohort: &Cohort,
) -> Result<(), PipelineError> {
    let rows = rows_set_aside(unsettled, entry, cohort)?;
    let kept = |table: TableName, place: Place| rows.contains(&(table, place));
    pass_over_fittings(unsettled, |place| kept(TableName::Fittings, place));
    unsettled.ears.retain_mut(|record| {
        if !record.long {
            return kept(TableName::Ears, record.place);
        }
        let passed_over = (0..N_FREQUENCIES)
            .filter(|&position| !kept(TableName::Ears, record.place_of(position)))
            .fold(0, |mask, position| mask | (1 << position));
        record.clear(passed_over);
        record.tested != 0
    });
    unsettled
        .answers
        .retain(|answer| kept(TableName::Outcomes, answer.place));
    unsettled.curves.retain_mut(|curve| {
        let passed_over = positions(curve, |place| !kept(TableName::Responses, place));
        curve.clear(passed_over);
        curve.filled() != 0
    });
    unsettled
        .issues
        .retain(|issue| kept(issue.table, issue.place));
    unsettled.repeated_fittings = 0;
    Ok(())
}

/// The account of a delivery after rows that had been set aside were judged anew.
pub(crate) fn account(before: Account, anew: Account) -> Account {
    Account {
        rows_read: before.rows_read,
        rows_stored: before.rows_stored + anew.rows_stored,
        rows_set_aside: anew.rows_set_aside,
        exact_repeats: before.exact_repeats + anew.exact_repeats,
    }
}

fn rows_set_aside(
    unsettled: &Unsettled,
    entry: &DeliveryEntry,
    cohort: &Cohort,
) -> Result<Rows, PipelineError> {
    let mut numbers: HashMap<(&str, &str), Place> = HashMap::new();
    let mut next: HashMap<TableName, u16> = HashMap::new();
    for file in &unsettled.files {
        let number = next.entry(file.table).or_insert(0);
        let place = Place {
            file: *number,
            line: 0,
        };
        numbers.insert((file.table.word(), &file.name), place);
        *number += 1;
    }
    let mut rows = Rows::new();
    for (table, file, line) in cohort.rows_set_aside(entry)? {
        // Files may have other names now; then nothing is known of their rows, and they stay as they were.
        if let (Some(table), Some(place)) = (
            TableName::from_word(table.as_bytes()),
            numbers.get(&(table.as_str(), file.as_str())),
        ) {
            rows.insert((table, Place { line, ..*place }));
        }
    }
    Ok(rows)
}

/// Takes fittings out; what names them takes them for fittings of the cohort from here on.
fn pass_over_fittings(unsettled: &mut Unsettled, kept: impl Fn(Place) -> bool) {
    let mut numbers = Vec::with_capacity(unsettled.fittings.len());
    let mut left = Vec::new();
    for (fitting, place) in std::mem::take(&mut unsettled.fittings) {
        let number = |count: usize| u32::try_from(count).unwrap_or(STRANGER - 1);
        if kept(place) {
            numbers.push(number(left.len()));
            left.push((fitting, place));
        } else {
            numbers.push(number(unsettled.strangers.len()) | STRANGER);
            unsettled.strangers.push(fitting.id);
        }
    }
    unsettled.fittings = left;
    let renumber = |fitting: &mut u32| {
        if *fitting & STRANGER == 0
            && let Some(number) = numbers.get(*fitting as usize)
        {
            *fitting = *number;
        }
    };
    unsettled
        .ears
        .iter_mut()
        .for_each(|record| renumber(&mut record.fitting));
    unsettled
        .curves
        .iter_mut()
        .for_each(|curve| renumber(&mut curve.key.fitting));
    unsettled
        .answers
        .iter_mut()
        .for_each(|answer| renumber(&mut answer.fitting));
}

/// Positions of a curve whose row's place passes a test.
fn positions(curve: &Curve, test: impl Fn(Place) -> bool) -> u16 {
    if curve.wide {
        return if test(curve.place) { curve.filled() } else { 0 };
    }
    (0..N_FREQUENCIES)
        .filter(|&position| test(curve.place_of(position)))
        .fold(0, |mask, position| mask | (1 << position))
}
