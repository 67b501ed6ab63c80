//! The fit-level table: one row a fitting with a fitted ear, and the measures that are read off it.

use std::collections::BTreeMap;

use fitcohort_pipeline::plan::NUMERIC_COVARIATES;

use crate::order;
use crate::table::Table;

/// Billionths in one dB.
const NANO: f64 = 1e9;

/// A measure of a fitting.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Measure {
    /// Within the plan's criterion (share).
    WithinCriterion,
    /// Within the second criterion (share).
    WithinSecond,
    /// RMS deviation over complete headline curves, dB.
    Rms,
    /// Mean signed deviation over headline curves, dB.
    Signed,
    /// Mean deviation at 3, 4 and 6 kHz over headline curves, dB; negative is a shortfall.
    HighFrequency,
    /// Points of the headline curves within the criterion's limits (share of points).
    ShareWithin,
    /// With any final response (share).
    Verified,
    /// Candidates fitted in both ears (share).
    TwoEar,
    /// With an answer to the outcome item (share).
    Answered,
    /// Answers at or above the plan's score (share).
    Satisfied,
    /// Hearing aids returned (share).
    Returned,
}

impl Measure {
    /// Shares of fittings, in the order of the tables.
    pub const SHARES: [Self; 7] = [
        Self::WithinCriterion,
        Self::WithinSecond,
        Self::Verified,
        Self::TwoEar,
        Self::Answered,
        Self::Satisfied,
        Self::Returned,
    ];
    /// Levels in dB, in the order of the tables.
    pub const LEVELS: [Self; 3] = [Self::Rms, Self::Signed, Self::HighFrequency];

    /// The name in tables.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::WithinCriterion => "within_criterion",
            Self::WithinSecond => "within_second",
            Self::Rms => "rms",
            Self::Signed => "signed",
            Self::HighFrequency => "high_frequency",
            Self::ShareWithin => "share_within",
            Self::Verified => "verified",
            Self::TwoEar => "two_ear",
            Self::Answered => "answered",
            Self::Satisfied => "satisfied",
            Self::Returned => "returned",
        }
    }
}

/// The fit-level table.
#[derive(Clone, Debug)]
pub struct Fits {
    table: Table,
}

/// Rows of a table that share the labels of some columns.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Group {
    pub(crate) labels: Vec<Option<String>>,
    pub(crate) rows: Vec<usize>,
}

impl Fits {
    pub(crate) fn new(table: Table) -> Self {
        Self { table }
    }

    /// The table itself.
    pub(crate) fn table(&self) -> &Table {
        &self.table
    }

    /// Number of fittings.
    pub(crate) fn len(&self) -> usize {
        self.table.rows()
    }

    /// Rows by the labels of some columns, in natural order; one group of all rows where no column is named.
    pub(crate) fn groups(&self, by: &[String]) -> Vec<Group> {
        groups(&self.table, by)
    }

    /// Whether a covariate of that name is a number.
    pub(crate) fn is_number(&self, name: &str) -> bool {
        NUMERIC_COVARIATES.contains(&name)
    }

    /// A numeric covariate of a row: age in years, or the better ear's average, dB HL.
    pub(crate) fn number(&self, name: &str, row: usize) -> Option<f64> {
        match name {
            "age_years" => self.table.real_at("age_years", row),
            "pta4" => self
                .table
                .real_at("pure_tone_sum_better", row)
                .map(|sum| sum / 400.0),
            _ => None,
        }
    }

    /// Score of the outcome item, where answered.
    pub(crate) fn score(&self, row: usize) -> Option<f64> {
        self.table
            .real_at("score", row)
            .map(|hundredths| hundredths / 100.0)
    }

    /// A mean of a total in billionths over a count.
    fn mean(&self, total: &str, count: &str, row: usize) -> Option<f64> {
        let count = self.table.real_at(count, row).filter(|n| *n > 0.0)?;
        Some(self.table.real_at(total, row)? / count / NANO)
    }

    /// RMS deviation from a sum of squares (hundredths squared, four to a curve) and a count of curves.
    fn root_mean_square(&self, squares: &str, curves: &str, row: usize) -> Option<f64> {
        let curves = self.table.real_at(curves, row).filter(|n| *n > 0.0)?;
        Some((self.table.real_at(squares, row)? / (4.0 * curves)).sqrt() / 100.0)
    }

    /// RMS deviation of the first stage, dB.
    pub(crate) fn first_rms(&self, row: usize) -> Option<f64> {
        self.root_mean_square("first_squares", "n_first_complete", row)
    }

    /// Within the criterion at the first stage: 1, 0 or not known.
    pub(crate) fn first_within(&self, row: usize) -> Option<f64> {
        self.table.real_at("first_within", row)
    }

    /// A measure of the fitting in a row: shares as 0 or 1, levels in dB; none where the fitting is not in the
    /// measure's denominator.
    pub(crate) fn value(&self, measure: Measure, row: usize, satisfied_from: f64) -> Option<f64> {
        let share = |flag: bool| Some(f64::from(u8::from(flag)));
        match measure {
            Measure::WithinCriterion => self.table.real_at("within", row),
            Measure::WithinSecond => self.table.real_at("within_second", row),
            Measure::Rms => self.root_mean_square("squares", "n_complete", row),
            Measure::Signed => self.mean("signed_total", "n_signed", row),
            Measure::HighFrequency => self.mean("high_frequency_total", "n_high_frequency", row),
            Measure::ShareWithin => {
                let points = self.table.real_at("n_points", row).filter(|n| *n > 0.0)?;
                Some(self.table.real_at("n_points_within", row)? / points)
            }
            Measure::Verified => share(self.table.flag_at("verified", row)?),
            Measure::TwoEar => {
                (self.table.integer_at("candidate", row) == Some(1)).then_some(())?;
                share(self.table.integer_at("n_fitted", row)? == 2)
            }
            Measure::Answered => share(self.score(row).is_some()),
            Measure::Satisfied => share(self.score(row)? >= satisfied_from),
            Measure::Returned => share(self.table.flag_at("returned", row)?),
        }
    }
}

/// Rows of a table by the labels of some columns, in natural order.
pub(crate) fn groups(table: &Table, by: &[String]) -> Vec<Group> {
    groups_of(table, by, &(0..table.rows()).collect::<Vec<_>>())
}

/// Some rows of a table by the labels of some columns, in natural order.
pub(crate) fn groups_of(table: &Table, by: &[String], rows: &[usize]) -> Vec<Group> {
    if by.is_empty() {
        return vec![Group {
            labels: Vec::new(),
            rows: rows.to_vec(),
        }];
    }
    let mut found: BTreeMap<Vec<Option<&str>>, Vec<usize>> = BTreeMap::new();
    for &row in rows {
        let labels = by.iter().map(|column| table.text_at(column, row)).collect();
        found.entry(labels).or_default().push(row);
    }
    let mut groups: Vec<Group> = found
        .into_iter()
        .map(|(labels, rows)| Group {
            labels: labels
                .into_iter()
                .map(|label| label.map(str::to_owned))
                .collect(),
            rows,
        })
        .collect();
    groups.sort_by(|a, b| {
        by.iter()
            .zip(a.labels.iter().zip(&b.labels))
            .map(|(column, (a, b))| order::labels(column, a.as_deref(), b.as_deref()))
            .find(|ordering| ordering.is_ne())
            .unwrap_or(std::cmp::Ordering::Equal)
    });
    groups
}

/// Numbers for the labels of a column, in natural order of the labels, one a row; rows without a label get none.
pub(crate) fn numbered(labels: impl Iterator<Item = String>) -> Vec<u32> {
    let labels: Vec<String> = labels.collect();
    let mut known: Vec<&String> = labels.iter().collect();
    known.sort_unstable();
    known.dedup();
    labels
        .iter()
        .map(|label| u32::try_from(known.binary_search(&label).unwrap_or(0)).unwrap_or(u32::MAX))
        .collect()
}
