//! What others may know about a fitting, detail by detail, and how much of it is published.

use std::collections::BTreeMap;

use fitcohort_pipeline::derive::AGE_BANDS;
use fitcohort_pipeline::quarter::Quarter;

use super::protect::Step;
use crate::fits::Fits;
use crate::order;
use crate::selection::Selection;
use crate::table::Values;

/// Age bands in wider spans, in order.
pub(super) const AGE_SPANS: [&str; 3] = ["0-59", "60-79", "80+"];

/// The better ear's average is given in steps of so many dB.
pub(super) const PTA_STEP_DB: i64 = 5;

/// What each detail is: its name, the column of the fit-level table behind it, and the coarser detail it needs. In
/// the order in which they are published as far as patients suffice: what study and quality work need most comes
/// first.
const ORDER: [(&str, &str, Option<&str>); 13] = [
    ("year", "quarter", None),
    ("age_span", "age_band", None),
    ("grade", "grade", None),
    ("ear", "ear", None),
    ("coupling", "coupling", None),
    ("experience", "experience", None),
    ("clinic", "clinic_id", None),
    ("age_band", "age_band", Some("age_span")),
    ("quarter", "quarter", Some("year")),
    // A clinician is at one clinic as a rule, and would give it away; so would the average its grade.
    ("clinician", "clinician_id", Some("clinic")),
    ("better_ear_pta_db", "pure_tone_sum_better", Some("grade")),
    ("prescription", "prescription", None),
    ("style", "style", None),
];

/// Columns of the table and the details they show, the finest first. Clinic and clinician are shown as numbers, by
/// others.
const COLUMNS: [(&str, &[&str]); 9] = [
    ("quarter", &["quarter", "year"]),
    ("age_band", &["age_band", "age_span"]),
    ("grade", &["grade"]),
    ("better_ear_pta_db", &["better_ear_pta_db"]),
    ("ear", &["ear"]),
    ("coupling", &["coupling"]),
    ("style", &["style"]),
    ("prescription", &["prescription"]),
    ("experience", &["experience"]),
];

/// One detail of all rows.
pub(super) struct Detail {
    pub(super) name: String,
    parent: Option<usize>,
    /// The labels in their natural order.
    labels: Vec<String>,
    /// Number of the label of each row.
    pub(super) values: Vec<Option<u32>>,
    /// The same, as far as published.
    pub(super) published: Vec<Option<u32>>,
}

impl Detail {
    fn new(name: &str, column: &str, parent: Option<usize>, of: &[Option<String>]) -> Self {
        let mut labels: Vec<String> = of.iter().flatten().cloned().collect();
        labels.sort_by(|a, b| order::labels(column, Some(a), Some(b)));
        if column == "pure_tone_sum_better" {
            labels.sort_by_key(|label| label.parse::<i64>().unwrap_or(0));
        }
        labels.dedup();
        let numbers: BTreeMap<&str, u32> = labels.iter().map(String::as_str).zip(0_u32..).collect();
        let values = of
            .iter()
            .map(|label| numbers.get(label.as_deref()?).copied())
            .collect();
        Self {
            name: name.to_owned(),
            parent,
            labels,
            values,
            published: vec![None; of.len()],
        }
    }

    /// Number of the label of a row, as far as published.
    pub(super) fn number(&self, row: usize) -> Option<u32> {
        self.published.get(row).copied().flatten()
    }

    /// The label of a row, as far as published.
    fn label(&self, row: usize) -> Option<&str> {
        let number = usize::try_from(self.number(row)?).ok()?;
        self.labels.get(number).map(String::as_str)
    }
}

/// All details, in the order of their publishing.
pub(super) struct Details {
    all: Vec<Detail>,
    labels: Vec<String>,
    invented: bool,
}

/// A number for each patient, one a row.
pub(super) fn patients(fits: &Fits) -> Vec<u32> {
    let table = fits.table();
    crate::fits::numbered(
        (0..table.rows()).map(|row| table.text_at("patient_id", row).unwrap_or("").to_owned()),
    )
}

impl Details {
    /// Nothing is published yet.
    pub(super) fn of(fits: &Fits, labels: &[String]) -> Self {
        let table = fits.table();
        let further = labels
            .iter()
            .map(|label| (label.as_str(), label.as_str(), None));
        let mut all: Vec<Detail> = Vec::new();
        for (name, column, parent) in ORDER.into_iter().chain(further) {
            let parent =
                parent.and_then(|parent| all.iter().position(|known| known.name == parent));
            let values: Vec<Option<String>> = (0..table.rows())
                .map(|row| match name {
                    "year" => table.text_at(column, row)?.get(..4).map(str::to_owned),
                    "age_span" => span(table.text_at(column, row)?).map(str::to_owned),
                    "better_ear_pta_db" => {
                        // A sum of four in hundredths.
                        let average = table.real_at(column, row)? / 400.0;
                        let steps = (average / PTA_STEP_DB as f64).round() as i64;
                        Some((steps * PTA_STEP_DB).to_string())
                    }
                    _ => table.text_at(column, row).map(str::to_owned),
                })
                .collect();
            all.push(Detail::new(name, column, parent, &values));
        }
        let invented =
            (0..table.rows()).any(|row| table.text_at("x_data", row) == Some("invented"));
        Self {
            all,
            labels: labels.to_vec(),
            invented,
        }
    }

    /// Whether a fitting says that it is invented.
    pub(super) fn is_invented(&self) -> bool {
        self.invented
    }

    /// The details for protection.
    pub(super) fn steps(&self) -> Vec<Step<'_>> {
        self.all
            .iter()
            .map(|detail| Step {
                values: &detail.values,
                parent: detail.parent,
            })
            .collect()
    }

    /// Takes over what protection lets through.
    pub(super) fn publish(&mut self, published: Vec<Vec<Option<u32>>>) {
        for (detail, published) in self.all.iter_mut().zip(published) {
            detail.published = published;
        }
    }

    /// A detail by name.
    pub(super) fn named(&self, name: &str) -> Option<&Detail> {
        self.all.iter().find(|detail| detail.name == name)
    }

    /// All details, in the order of their publishing.
    pub(super) fn all(&self) -> &[Detail] {
        &self.all
    }

    /// Columns and the details they show; the finest first.
    fn shown(&self) -> impl Iterator<Item = (&str, Vec<&Detail>)> {
        let fixed = COLUMNS
            .into_iter()
            .map(|(column, names)| (column, names.to_vec()));
        let further = self
            .labels
            .iter()
            .map(|label| (label.as_str(), vec![label.as_str()]));
        fixed.chain(further).map(|(column, names)| {
            let details = names.into_iter().filter_map(|name| self.named(name));
            (column, details.collect())
        })
    }

    /// What a row is sorted by: its published values in the order of the columns, clinic and clinician apart; blank
    /// last.
    pub(super) fn key(&self, row: usize) -> Vec<i64> {
        self.shown()
            .flat_map(|(_, details)| {
                // The coarsest first.
                let numbers = details.into_iter().rev();
                numbers.map(|detail| detail.number(row).map_or(i64::MAX, i64::from))
            })
            .collect()
    }

    /// The columns of some rows, in their order.
    pub(super) fn columns(&self, rows: &[usize]) -> Vec<(String, Values)> {
        self.shown()
            .map(|(column, details)| {
                let labels = rows
                    .iter()
                    .map(|&row| details.iter().find_map(|detail| detail.label(row)));
                let values = match column {
                    "better_ear_pta_db" => {
                        Values::Integer(labels.map(|label| label?.parse().ok()).collect())
                    }
                    _ => Values::Text(labels.map(|label| label.map(str::to_owned)).collect()),
                };
                (column.to_owned(), values)
            })
            .collect()
    }

    /// Whether a row is in a selection, by its published values: what is blank or too coarse is not.
    pub(super) fn is_in(&self, selection: &Selection, row: usize) -> bool {
        let label = |name: &str| self.named(name).and_then(|detail| detail.label(row));
        let in_span = match (selection.from, selection.to) {
            (None, None) => true,
            (from, to) => {
                let within = |quarter: &str| {
                    quarter.parse::<Quarter>().is_ok_and(|quarter| {
                        from.is_none_or(|from| quarter >= from) && to.is_none_or(|to| quarter <= to)
                    })
                };
                match (label("quarter"), label("year")) {
                    (Some(quarter), _) => within(quarter),
                    (None, Some(year)) => {
                        (1..=4).all(|number| within(&format!("{year}-Q{number}")))
                    }
                    (None, None) => false,
                }
            }
        };
        in_span
            && selection.filters.iter().all(|(column, value)| {
                let name = match column.as_str() {
                    "clinic_id" => "clinic",
                    "clinician_id" => "clinician",
                    other => other,
                };
                label(name) == Some(value.as_str())
            })
    }
}

/// The span that a band lies in.
fn span(band: &str) -> Option<&'static str> {
    let place = AGE_BANDS.iter().position(|known| *known == band)?;
    let [young, middle, old] = AGE_SPANS;
    Some(match place {
        0..5 => young,
        5..7 => middle,
        _ => old,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spans_hold_their_bands() {
        let spans: Vec<&str> = AGE_BANDS.iter().filter_map(|band| span(band)).collect();
        let wanted = [
            "0-59", "0-59", "0-59", "0-59", "0-59", "60-79", "60-79", "80+", "80+",
        ];
        assert_eq!(spans, wanted);
        assert_eq!(span("70"), None);
    }
}
