//! The fittings that a study is made of: those that the plan does not leave out, with a known exposure.

use std::collections::BTreeMap;

use fitcohort_pipeline::plan::{Exclusion, Plan};

use crate::error::QueryError;
use crate::fits::{Fits, Measure};

/// The plan's exposure as a measure.
pub(crate) fn exposure(plan: &Plan) -> Measure {
    match plan.exposure.as_str() {
        "signed" => Measure::Signed,
        "high_frequency" => Measure::HighFrequency,
        "share_within" => Measure::ShareWithin,
        _ => Measure::Rms,
    }
}

/// Refuses covariates and exclusions whose columns the cohort lacks.
pub(crate) fn check(plan: &Plan, label_columns: &[String]) -> Result<(), QueryError> {
    let named = plan
        .covariates
        .iter()
        .chain(plan.exclusions.iter().map(|exclusion| &exclusion.column));
    for name in named {
        if name.starts_with("x_") && !label_columns.contains(name) {
            return Err(QueryError::Selection {
                what: format!(
                    "the plan names the column {name}, which this cohort lacks; it has {}",
                    if label_columns.is_empty() {
                        "no x_ label".to_owned()
                    } else {
                        label_columns.join(", ")
                    }
                ),
            });
        }
    }
    Ok(())
}

/// Whether an exclusion meets the fitting of a row.
fn meets(fits: &Fits, exclusion: &Exclusion, row: usize) -> bool {
    if fits.is_number(&exclusion.column) {
        let beyond = |value: f64| {
            exclusion.below.is_some_and(|limit| value < limit)
                || exclusion.above.is_some_and(|limit| value > limit)
        };
        return fits.number(&exclusion.column, row).is_some_and(beyond);
    }
    let label = fits
        .table()
        .text_at(&exclusion.column, row)
        .unwrap_or_default();
    exclusion.values.iter().any(|value| value == label)
}

/// Whether the plan leaves the fitting of a row out.
pub(crate) fn is_excluded(fits: &Fits, plan: &Plan, row: usize) -> bool {
    plan.exclusions
        .iter()
        .any(|exclusion| meets(fits, exclusion, row))
}

/// Of some rows, those that the study looks at: not excluded, with a known exposure and, where the plan says so, only
/// each patient's latest. In the order of the rows.
pub(crate) fn rows(fits: &Fits, plan: &Plan, exposure: Measure, rows: &[usize]) -> Vec<usize> {
    let satisfied_from = plan.outcome.satisfied_from;
    rows_with(fits, plan, rows, |row| {
        fits.value(exposure, row, satisfied_from).is_some()
    })
}

/// As [`rows`], with an exposure that is known where the test holds.
pub(crate) fn rows_with(
    fits: &Fits,
    plan: &Plan,
    rows: &[usize],
    is_known: impl Fn(usize) -> bool,
) -> Vec<usize> {
    let eligible: Vec<usize> = rows
        .iter()
        .copied()
        .filter(|&row| !is_excluded(fits, plan, row) && is_known(row))
        .collect();
    if plan.unit != "latest-fitting" {
        return eligible;
    }
    let text = |column, row| fits.table().text_at(column, row).unwrap_or_default();
    // A quarter sorts as text; of two fittings in one quarter the later id counts as the later.
    let mut latest: BTreeMap<&str, usize> = BTreeMap::new();
    for &row in &eligible {
        let slot = latest.entry(text("patient_id", row)).or_insert(row);
        let key = |row| (text("quarter", row), text("fitting_id", row));
        if key(row) > key(*slot) {
            *slot = row;
        }
    }
    let mut kept: Vec<usize> = latest.into_values().collect();
    kept.sort_unstable();
    kept
}
