//! What protection cost: how many values were made coarser, blanked or capped, over the whole protected table.
//!
//! It is the account of the snapshot and not of a selection, so that the accounts of several exports cannot be
//! subtracted.

use super::details::{Detail, Details};
use super::measures::Measures;
use super::protect::distinct;

/// Counts of rows.
pub(super) struct Account {
    /// Fittings of the snapshot.
    pub(super) fittings: usize,
    /// Their patients.
    pub(super) patients: usize,
    /// Fittings withheld.
    pub(super) withheld: usize,
    /// By column: values made coarser.
    pub(super) coarser: Vec<(String, usize)>,
    /// By column: values left blank.
    pub(super) blanked: Vec<(String, usize)>,
    /// By measure: levels capped or left out.
    pub(super) capped: Vec<(String, usize)>,
}

/// Columns that have a coarser form.
const COARSER: [(&str, &str); 2] = [("quarter", "year"), ("age_band", "age_span")];

impl Account {
    pub(super) fn of(
        details: &Details,
        measures: &Measures,
        rows: &[usize],
        patients: &[u32],
    ) -> Self {
        let hidden = |detail: &Detail, row: usize| {
            detail.number(row).is_none() && detail.values.get(row).copied().flatten().is_some()
        };
        let coarse = |name: &str, row: usize| {
            let detail = details.named(name);
            detail.is_some_and(|detail| detail.number(row).is_some())
        };
        let mut coarser = Vec::new();
        let mut blanked = Vec::new();
        for detail in details.all() {
            let name = detail.name.as_str();
            if COARSER.iter().any(|(_, coarse)| *coarse == name) {
                continue;
            }
            let gone: Vec<usize> = rows
                .iter()
                .copied()
                .filter(|&row| hidden(detail, row))
                .collect();
            let partly = match COARSER.iter().find(|(fine, _)| *fine == name) {
                Some((_, wide)) => {
                    let partly = gone.iter().filter(|&&row| coarse(wide, row)).count();
                    coarser.push((name.to_owned(), partly));
                    partly
                }
                None => 0,
            };
            blanked.push((name.to_owned(), gone.len() - partly));
        }
        Self {
            fittings: patients.len(),
            patients: distinct(patients, 0..patients.len()),
            withheld: patients.len() - rows.len(),
            coarser,
            blanked,
            capped: measures
                .changed()
                .map(|(name, rows)| (name.to_owned(), rows.len()))
                .collect(),
        }
    }
}
