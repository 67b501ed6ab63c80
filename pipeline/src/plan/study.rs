//! The study part of the plan: what is asked, of which fittings, and with what taken into account.

use serde::{Deserialize, Serialize};

use super::{PlanError, value};
use crate::store::schema::GROUP_COLUMNS;

/// Exposures of the study: how close the sound came to target.
pub const EXPOSURES: [&str; 4] = ["rms", "signed", "high_frequency", "share_within"];

/// Methods of association, in the order of the table.
pub const METHODS: [&str; 6] = [
    "spearman",
    "kendall",
    "partial",
    "ordinal",
    "ordinal_within",
    "ordinal_between",
];

/// What counts as one: each fitting, or each patient's latest fitting.
pub const UNITS: [&str; 2] = ["fitting", "latest-fitting"];

/// Covariates that are numbers: age in years, and the pure-tone average (500, 1000, 2000, 4000 Hz) of the better ear,
/// dB HL.
pub const NUMERIC_COVARIATES: [&str; 2] = ["age_years", "pta4"];

/// Whether a column takes labels: a grouping column of the fitting, or a label column `x_…`.
fn is_label(name: &str) -> bool {
    name.starts_with("x_") || (GROUP_COLUMNS.contains(&name) && name != "ear")
}

/// Covariates that the plan may name, for messages.
fn known_covariates() -> String {
    let labels = GROUP_COLUMNS
        .into_iter()
        .filter(|name| !matches!(*name, "ear" | "clinician_id"));
    let known: Vec<&str> = NUMERIC_COVARIATES.into_iter().chain(labels).collect();
    format!("{} and any x_ label", known.join(", "))
}

/// The one hypothesis that is tested without a correction for many tests.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Primary {
    /// The hypothesis, in a sentence.
    pub hypothesis: String,
    /// The row of the table of associations that answers it.
    pub method: String,
    /// Whether it is the row that is weighted for answers that did not come back.
    pub weighted: bool,
}

impl Default for Primary {
    fn default() -> Self {
        Self {
            hypothesis:
                "A smaller RMS deviation from target goes with a higher answer on satisfaction."
                    .to_owned(),
            method: "spearman".to_owned(),
            weighted: false,
        }
    }
}

/// Fittings that the study leaves out.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Exclusion {
    /// A grouping column, a label column, or a numeric covariate.
    pub column: String,
    /// Labels that are left out; an empty label stands for "not known".
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub values: Vec<String>,
    /// Numbers under this are left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub below: Option<f64>,
    /// Numbers over this are left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub above: Option<f64>,
    /// Why.
    pub reason: String,
}

/// Refuses a word that is not on the list, with the nearest one that is.
pub(super) fn one_of(key: &str, given: &str, known: &[&str]) -> Result<(), PlanError> {
    if known.contains(&given) {
        return Ok(());
    }
    let hint = super::keys::nearest(given, known.iter().copied())
        .map_or_else(String::new, |near| format!("; did you mean {near}?"));
    Err(value(
        key,
        &format!("must be one of {}{hint}", known.join(", ")),
    ))
}

/// Checks the covariates' names.
pub(super) fn check_covariates(covariates: &[String]) -> Result<(), PlanError> {
    for (position, name) in covariates.iter().enumerate() {
        let numeric = NUMERIC_COVARIATES.contains(&name.as_str());
        if !numeric && (!is_label(name) || name == "clinician_id") {
            return Err(value(
                "covariates",
                &format!(
                    "has {name}, which is none: there are {}",
                    known_covariates()
                ),
            ));
        }
        if covariates
            .iter()
            .take(position)
            .any(|earlier| earlier == name)
        {
            return Err(value("covariates", &format!("names {name} twice")));
        }
    }
    Ok(())
}

/// Checks that the hypothesis is stated, and is not the default one where the exposure is another.
pub(super) fn check_hypothesis(primary: &Primary, exposure: &str) -> Result<(), PlanError> {
    let of_rms = primary.hypothesis == Primary::default().hypothesis;
    if primary.hypothesis.trim().is_empty() || (of_rms && exposure != "rms") {
        return Err(value(
            "primary.hypothesis",
            &format!("must state in a sentence what is expected of the exposure {exposure}"),
        ));
    }
    Ok(())
}

/// Checks the exclusions' columns and limits.
pub(super) fn check_exclusions(exclusions: &[Exclusion]) -> Result<(), PlanError> {
    for exclusion in exclusions {
        let Exclusion {
            column,
            values,
            below,
            above,
            ..
        } = exclusion;
        if exclusion.reason.trim().is_empty() {
            return Err(value(
                "exclusions",
                &format!("of {column} must say their reason"),
            ));
        }
        let numeric = NUMERIC_COVARIATES.contains(&column.as_str());
        if !numeric && !is_label(column) {
            return Err(value(
                "exclusions",
                &format!(
                    "name the column {column}, which is none: there are clinician_id, {}",
                    known_covariates()
                ),
            ));
        }
        let limits = below.is_some() || above.is_some();
        if numeric && (!limits || !values.is_empty()) {
            return Err(value(
                "exclusions",
                &format!("of {column} need below or above, and no values: it is a number"),
            ));
        }
        if !numeric && (limits || values.is_empty()) {
            return Err(value(
                "exclusions",
                &format!("of {column} need values, and neither below nor above: it is a label"),
            ));
        }
        let finite = |limit: &Option<f64>| limit.is_none_or(f64::is_finite);
        if !finite(below) || !finite(above) || below.zip(*above).is_some_and(|(b, a)| b > a) {
            return Err(value(
                "exclusions",
                &format!("of {column} must have finite limits, below not over above"),
            ));
        }
    }
    Ok(())
}
