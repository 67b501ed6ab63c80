//! Units (clinicians, as a rule) compared after case mix: a random intercept with the plan's covariates.

use fitcohort_pipeline::plan::Plan;

use crate::covariates::{Covariates, not_estimable};
use crate::fits::{Fits, Measure};
use crate::statistics::NotEstimable;
use crate::statistics::mixed::{Criterion, Mixed, fit, gather};

/// What is decided about the device together with fitting one ear or two: taking it into account would take away what is
/// asked.
const OF_THE_DEVICE: [&str; 3] = ["coupling", "style", "prescription"];

/// The values of a measure: unit, row of the fit-level table, value.
pub(crate) type Valued = (u32, usize, f64);

/// A fitted comparison of units.
pub(crate) struct CaseMix {
    /// The model; groups are labelled by unit.
    pub(crate) model: Mixed,
    /// Whether the covariates are in it.
    pub(crate) adjusted: bool,
    /// How it was made.
    pub(crate) how: String,
}

/// Columns that say the same, one as groups and one as a number: taking one into account would take away the other.
const SAME: [(&str, &str); 2] = [("grade", "pta4"), ("age_band", "age_years")];

/// Whether a covariate says what some grouping columns say.
fn is_asked_for(name: &str, by: &[String]) -> bool {
    by.iter().any(|column| {
        column == name
            || SAME.contains(&(column.as_str(), name))
            || SAME.contains(&(name, column.as_str()))
    })
}

/// The plan's covariates that a measure is adjusted for when units are told apart by some columns.
pub(crate) fn covariates_for(plan: &Plan, measure: Measure, by: &[String]) -> Vec<String> {
    plan.covariates
        .iter()
        .filter(|name| !is_asked_for(name, by))
        .filter(|name| measure != Measure::TwoEar || !OF_THE_DEVICE.contains(&name.as_str()))
        .cloned()
        .collect()
}

fn model(
    rows: &[Valued],
    positions: &[usize],
    columns: &[Vec<f64>],
) -> Result<Mixed, NotEstimable> {
    let there = || positions.iter().filter_map(|&position| rows.get(position));
    let values: Vec<f64> = there().map(|(_, _, value)| *value).collect();
    let units: Vec<u32> = there().map(|(unit, _, _)| *unit).collect();
    let columns: Vec<&[f64]> = columns.iter().map(Vec::as_slice).collect();
    fit(&gather(&values, &columns, &units)?, Criterion::Reml)
}

/// Fits the units with the covariates; without them where they cannot be used, which `how` then says.
///
/// # Errors
/// The reason, in words, where not even that can be estimated.
pub(crate) fn compare(fits: &Fits, names: &[String], rows: &[Valued]) -> Result<CaseMix, String> {
    let table_rows: Vec<usize> = rows.iter().map(|(_, row, _)| *row).collect();
    let covariates = Covariates::of(fits, names, &table_rows);
    let all: Vec<usize> = (0..rows.len()).collect();
    let adjusted = covariates
        .complete()
        .map_err(|reason| not_estimable(&reason, names))
        .and_then(|known| {
            let columns = covariates.columns(&known);
            match model(rows, &known, &columns.values) {
                Ok(found) => Ok((found, known.len(), columns.adjusted_for())),
                Err(reason) => Err(not_estimable(&reason, &columns.names)),
            }
        });
    match adjusted {
        Ok((model, n, adjusted_for)) => Ok(CaseMix {
            model,
            adjusted: true,
            how: format!(
                "random intercept, REML, {adjusted_for}; {n} of {} fittings",
                rows.len()
            ),
        }),
        Err(reason) => match model(rows, &all, &[]) {
            Ok(model) => Ok(CaseMix {
                model,
                adjusted: false,
                how: format!("random intercept, REML, without covariates; adjusted {reason}"),
            }),
            Err(reason) => Err(not_estimable(&reason, &[])),
        },
    }
}
