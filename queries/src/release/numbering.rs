//! Clinics and clinicians as numbers: 1 for the one with most rows in the table, and so on.
//!
//! The number says nothing that counting the rows of the table would not. Among equals, what their rows say decides,
//! never the id.

use std::cmp::Reverse;
use std::collections::BTreeMap;

use super::details::Details;
use super::measures::Measures;

/// The numbers of one kind of unit.
pub(super) struct Numbers {
    by_row: Vec<Option<i64>>,
    count: usize,
}

impl Numbers {
    /// For sorting; none is last.
    pub(super) fn at(&self, row: usize) -> i64 {
        self.by_row.get(row).copied().flatten().unwrap_or(i64::MAX)
    }

    /// The column of some rows, in their order.
    pub(super) fn column(&self, rows: &[usize]) -> Vec<Option<i64>> {
        rows.iter()
            .map(|&row| self.by_row.get(row).copied().flatten())
            .collect()
    }

    /// How many units have a number.
    pub(super) fn count(&self) -> usize {
        self.count
    }
}

/// Numbers of clinics and of clinicians, as far as they are published.
pub(super) fn numbered(details: &Details, measures: &Measures, rows: &[usize]) -> [Numbers; 2] {
    let content = |row: usize| {
        let mut key = details.key(row);
        key.extend(measures.key(row));
        key
    };
    let clinics = of(details, "clinic", rows, &content);
    let within_clinic = |row: usize| {
        let mut key = vec![clinics.at(row)];
        key.extend(content(row));
        key
    };
    let clinicians = of(details, "clinician", rows, &within_clinic);
    [clinics, clinicians]
}

fn of(
    details: &Details,
    name: &str,
    rows: &[usize],
    content: &dyn Fn(usize) -> Vec<i64>,
) -> Numbers {
    let mut by_row = vec![None; rows.len()];
    let mut units: BTreeMap<u32, Vec<usize>> = BTreeMap::new();
    if let Some(detail) = details.named(name) {
        for &row in rows {
            if let Some(unit) = detail.number(row) {
                units.entry(unit).or_default().push(row);
            }
        }
    }
    // Most rows first, then by what the rows say.
    let mut order: Vec<Vec<usize>> = units.into_values().collect();
    order.sort_by_cached_key(|rows| {
        let mut said: Vec<Vec<i64>> = rows.iter().map(|&row| content(row)).collect();
        said.sort_unstable();
        (Reverse(rows.len()), said)
    });
    for (number, rows) in (1..).zip(&order) {
        for &row in rows {
            if let Some(slot) = by_row.get_mut(row) {
                *slot = Some(number);
            }
        }
    }
    Numbers {
        by_row,
        count: order.len(),
    }
}
