//! A cohort is of one piece: all its deliveries come in with the same pseudonyms and with dates of the same grain.

use super::pseudonyms::Pseudonyms;
use crate::error::PipelineError;
use crate::intake::Intake;
use crate::store::{Cohort, PseudonymEntry};

impl From<&Pseudonyms> for PseudonymEntry {
    fn from(pseudonyms: &Pseudonyms) -> Self {
        Self {
            columns: pseudonyms
                .columns()
                .iter()
                .map(|column| (*column).to_owned())
                .collect(),
            key_check: pseudonyms.key_check(),
        }
    }
}

/// Refuses a delivery that would not meet the ones before it.
///
/// # Errors
/// [`PipelineError::OtherIdentity`].
pub(crate) fn same_as_before(
    cohort: Option<&Cohort>,
    intake: &Intake<'_>,
) -> Result<(), PipelineError> {
    let Some(cohort) = cohort else {
        return Ok(());
    };
    let other = |has: String, would: String, why: &'static str| {
        Err(PipelineError::OtherIdentity {
            path: cohort.folder.clone(),
            has,
            would,
            why,
        })
    };
    let dates = cohort.manifest.dates;
    if dates != intake.dates() {
        return other(
            format!("dates kept to the {}", dates.word()),
            format!("dates kept to the {}", intake.dates().word()),
            "its periods could not be compared",
        );
    }
    let Some(last) = cohort.manifest.deliveries.last() else {
        return Ok(());
    };
    let (has, would): (_, Option<PseudonymEntry>) =
        (last.pseudonyms.as_ref(), intake.pseudonyms.map(Into::into));
    if has.map(|entry| &entry.columns) != would.as_ref().map(|entry| &entry.columns) {
        return other(
            in_words(has),
            in_words(would.as_ref()),
            "the same person would not be known again, and identifiers could come in as they are",
        );
    }
    if has != would.as_ref() {
        return other(
            "pseudonyms under one key".to_owned(),
            "pseudonyms under another".to_owned(),
            "the same person would not be known again",
        );
    }
    Ok(())
}

fn in_words(entry: Option<&PseudonymEntry>) -> String {
    match entry {
        None => "identifiers as they were delivered".to_owned(),
        Some(entry) => {
            let columns: Vec<&str> = entry.columns.iter().map(String::as_str).collect();
            format!("keyed pseudonyms for {}", columns.join(", "))
        }
    }
}
