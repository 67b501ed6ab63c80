//! What was measured and answered, rounded so that a row is not known again by its decimals.
//!
//! Levels are whole dB, and capped where fewer patients lie beyond than a cell may show: the outermost value of a
//! column stands for itself and everything beyond, and is that of enough patients. A measurement of a real-ear
//! response repeats no better than that by far (common practice, no source).

use std::collections::BTreeSet;

use crate::fits::{Fits, Measure};
use crate::table::Values;

/// Steps of the share of points within.
const SHARE_STEPS: f64 = 10.0;

/// How a measure is given.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Form {
    /// Yes or no.
    Flag,
    /// Whole dB, capped.
    Level,
    /// A whole number as it is.
    Whole,
    /// A fraction in tenths.
    Tenths,
}

/// Names of the measures, in the order of the columns, with their forms.
pub(super) const MEASURES: [(&str, Form); 13] = [
    ("verified", Form::Flag),
    ("within_criterion", Form::Flag),
    ("within_second", Form::Flag),
    ("first_within_criterion", Form::Flag),
    ("rms_db", Form::Level),
    ("first_rms_db", Form::Level),
    ("signed_db", Form::Level),
    ("high_frequency_db", Form::Level),
    ("share_within", Form::Tenths),
    ("answered", Form::Flag),
    ("score", Form::Whole),
    ("satisfied", Form::Flag),
    ("returned", Form::Flag),
];

fn exact(fits: &Fits, name: &str, row: usize, satisfied_from: f64) -> Option<f64> {
    let value = |measure| fits.value(measure, row, satisfied_from);
    match name {
        "verified" => value(Measure::Verified),
        "within_criterion" => value(Measure::WithinCriterion),
        "within_second" => value(Measure::WithinSecond),
        "first_within_criterion" => fits.first_within(row),
        "rms_db" => value(Measure::Rms),
        "first_rms_db" => fits.first_rms(row),
        "signed_db" => value(Measure::Signed),
        "high_frequency_db" => value(Measure::HighFrequency),
        "share_within" => value(Measure::ShareWithin),
        "answered" => value(Measure::Answered),
        "score" => fits.score(row),
        "satisfied" => value(Measure::Satisfied),
        "returned" => value(Measure::Returned),
        _ => None,
    }
}

/// One measure of all rows, in whole steps.
struct Column {
    name: &'static str,
    form: Form,
    steps: Vec<Option<i64>>,
    /// Rows whose value was capped or, where too few patients have any, left out.
    changed: Vec<usize>,
}

/// All measures.
pub(super) struct Measures {
    columns: Vec<Column>,
}

impl Measures {
    /// The measures of the rows that are published; of all others nothing is known.
    pub(super) fn of(
        fits: &Fits,
        rows: &[usize],
        patients: &[u32],
        minimum: usize,
        satisfied_from: f64,
    ) -> Self {
        let columns = MEASURES
            .into_iter()
            .map(|(name, form)| {
                let mut steps = vec![None; fits.len()];
                for &row in rows {
                    let value = exact(fits, name, row, satisfied_from);
                    let scale = if form == Form::Tenths {
                        SHARE_STEPS
                    } else {
                        1.0
                    };
                    if let Some(slot) = steps.get_mut(row) {
                        *slot = value.map(|value| (value * scale).round() as i64);
                    }
                }
                let changed = match form {
                    Form::Level => cap(&mut steps, patients, minimum),
                    _ => Vec::new(),
                };
                Column {
                    name,
                    form,
                    steps,
                    changed,
                }
            })
            .collect();
        Self { columns }
    }

    /// What a row is sorted by, after what others may know; not known last.
    pub(super) fn key(&self, row: usize) -> Vec<i64> {
        self.columns
            .iter()
            .map(|column| column.steps.get(row).copied().flatten().unwrap_or(i64::MAX))
            .collect()
    }

    /// The columns of some rows, in their order.
    pub(super) fn columns(&self, rows: &[usize]) -> Vec<(&'static str, Values)> {
        self.columns
            .iter()
            .map(|column| {
                let steps = rows
                    .iter()
                    .map(|&row| column.steps.get(row).copied().flatten());
                let values = match column.form {
                    Form::Flag => Values::Flag(steps.map(|step| Some(step? != 0)).collect()),
                    Form::Level | Form::Whole => Values::Integer(steps.collect()),
                    Form::Tenths => {
                        Values::Real(steps.map(|step| Some(step? as f64 / SHARE_STEPS)).collect())
                    }
                };
                (column.name, values)
            })
            .collect()
    }

    /// Rows whose level was capped, by measure.
    pub(super) fn changed(&self) -> impl Iterator<Item = (&'static str, &[usize])> {
        self.columns
            .iter()
            .filter(|column| column.form == Form::Level)
            .map(|column| (column.name, column.changed.as_slice()))
    }
}

/// Brings the outermost levels in until at least `minimum` patients stand at each end; leaves all out where there are
/// not so many patients at either side. Returns the rows that it changed.
fn cap(steps: &mut [Option<i64>], patients: &[u32], minimum: usize) -> Vec<usize> {
    let mut known: Vec<(i64, usize)> = steps
        .iter()
        .enumerate()
        .filter_map(|(row, step)| Some(((*step)?, row)))
        .collect();
    known.sort_unstable();
    let limits = (
        outermost(known.iter().copied(), patients, minimum),
        outermost(known.iter().rev().copied(), patients, minimum),
    );
    let mut changed = Vec::new();
    for (row, step) in steps.iter_mut().enumerate() {
        let Some(level) = *step else { continue };
        let capped = match limits {
            (Some(low), Some(high)) if low <= high => Some(level.clamp(low, high)),
            _ => None,
        };
        if capped != Some(level) {
            changed.push(row);
        }
        *step = capped;
    }
    changed
}

/// The first level, coming from outside, up to which there are enough patients.
fn outermost(
    known: impl Iterator<Item = (i64, usize)>,
    patients: &[u32],
    minimum: usize,
) -> Option<i64> {
    let mut found: BTreeSet<u32> = BTreeSet::new();
    for (level, row) in known {
        found.extend(patients.get(row));
        if found.len() >= minimum {
            return Some(level);
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Worked by hand: from below, three patients are reached at 2 dB (the patient of 0 and 1 dB is one); from above
    /// at 7 dB.
    #[test]
    fn outermost_levels_stand_for_what_is_beyond() {
        let levels = [0, 1, 2, 2, 5, 6, 7, 8, 30];
        let patients = [1, 1, 2, 3, 4, 5, 6, 7, 8];
        let mut steps: Vec<Option<i64>> = levels.map(Some).to_vec();
        let changed = cap(&mut steps, &patients, 3);
        assert_eq!(steps, [2, 2, 2, 2, 5, 6, 7, 7, 7].map(Some));
        assert_eq!(changed, [0, 1, 7, 8]);
    }

    #[test]
    fn levels_of_too_few_are_left_out() {
        let mut steps = vec![Some(1), Some(2), None];
        assert_eq!(cap(&mut steps, &[1, 2, 3], 3), [0, 1]);
        assert_eq!(steps, [None, None, None]);
        // Three at either side cannot be told from each other by a cap without overlap.
        let mut steps: Vec<Option<i64>> = (0..4).map(Some).collect();
        cap(&mut steps, &[1, 2, 3, 4], 3);
        assert_eq!(steps, [None; 4]);
    }
}
