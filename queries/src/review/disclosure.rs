//! What is withheld from reports: cells built on too few people, and one more wherever the rest of its row of cells would
//! give a withheld one away. The only place that withholds, so that pages, figures and files obey alike.

use std::collections::BTreeMap;

use crate::table::{Table, Values};

/// Columns that count what a row is built on; a row is withheld where any of them is too small.
const COUNTS: [&str; 11] = [
    "n",
    "n_fittings",
    "n_candidates",
    "n_ears",
    "n_answered",
    "n_first",
    "n_final",
    "n_within",
    "n_low",
    "n_middle",
    "n_high",
];

/// Real columns that say which row it is, not what was found.
const KEYS: [&str; 5] = ["bin_lo", "bin_hi", "score", "above", "up_to"];

/// Tables whose counts are the message itself, or that name single records for local use. How many values were not
/// recorded is like the flow of records: it says what the study rests on, and nothing about those people.
const NOT_WITHHELD: [&str; 7] = [
    "quality",
    "tolerance",
    "flow",
    "referral_list",
    "referral_rules",
    "funnel",
    "missing",
];

/// Tables whose rows add up to a total that is known from elsewhere, with the columns within which they do.
const ADD_UP: [(&str, &[&str]); 12] = [
    ("two_ear_by_grade", &[]),
    ("referrals", &["rule"]),
    ("dose_response", &[]),
    ("response_by_match", &[]),
    ("rms_by_answer", &[]),
    ("rms_histogram", &["score"]),
    ("clinics", &["measure"]),
    ("clinicians", &["measure"]),
    ("spread", &[]),
    ("first_final", &[]),
    ("thirds", &[]),
    ("table_one", &["variable"]),
];

/// Tables whose rows stand for the same people, so that what is withheld in one is withheld in the other.
const SAME_ROWS: [(&str, &str); 1] = [("dose_response", "response_by_match")];

/// Withholds in all tables of a review.
pub(super) fn withhold(tables: &mut BTreeMap<String, Table>, minimum: i64) {
    let mut masks: BTreeMap<String, Vec<bool>> = tables
        .iter()
        .filter(|(key, _)| !NOT_WITHHELD.contains(&key.as_str()))
        .filter_map(|(key, table)| Some((key.clone(), few(table, minimum)?)))
        .collect();
    for (key, within) in ADD_UP {
        if let (Some(mask), Some(table)) = (masks.get_mut(key), tables.get(key)) {
            complement(table, within, mask);
        }
    }
    for (one, other) in SAME_ROWS {
        if let (Some(a), Some(b)) = (masks.get(one).cloned(), masks.get(other).cloned())
            && a.len() == b.len()
        {
            let both: Vec<bool> = a.iter().zip(&b).map(|(a, b)| *a || *b).collect();
            masks.insert(one.to_owned(), both.clone());
            masks.insert(other.to_owned(), both);
        }
    }
    for (key, mask) in masks {
        if let Some(table) = tables.remove(&key) {
            tables.insert(key, cleared(table, &mask));
        }
    }
}

/// The rows built on some, but fewer than the minimum; none where a table counts nothing.
fn few(table: &Table, minimum: i64) -> Option<Vec<bool>> {
    let counts: Vec<&str> = counts_of(table).collect();
    if counts.is_empty() {
        return None;
    }
    let too_small = |row: usize| {
        counts.iter().any(|count| {
            table
                .integer_at(count, row)
                .is_some_and(|n| n > 0 && n < minimum)
        })
    };
    Some((0..table.rows()).map(too_small).collect())
}

fn counts_of(table: &Table) -> impl Iterator<Item = &'static str> + '_ {
    COUNTS
        .into_iter()
        .filter(|name| table.column(name).is_some())
}

/// Where a single row of those that add up is withheld, withholds the smallest other one too.
fn complement(table: &Table, within: &[&str], mask: &mut [bool]) {
    let Some(count) = counts_of(table).next() else {
        return;
    };
    let mut groups: BTreeMap<Vec<String>, Vec<usize>> = BTreeMap::new();
    for row in 0..table.rows() {
        let label = |name: &&str| match table.text_at(name, row) {
            Some(text) => text.to_owned(),
            None => table
                .real_at(name, row)
                .map(|x| x.to_string())
                .unwrap_or_default(),
        };
        groups
            .entry(within.iter().map(label).collect())
            .or_default()
            .push(row);
    }
    for rows in groups.into_values() {
        let is_withheld = |row: &usize| mask.get(*row).copied().unwrap_or(false);
        if rows.iter().filter(|row| is_withheld(row)).count() != 1 {
            continue;
        }
        let smallest = rows
            .iter()
            .filter(|row| !is_withheld(row))
            .filter_map(|row| Some((table.integer_at(count, *row).filter(|n| *n > 0)?, *row)))
            .min();
        if let Some((_, row)) = smallest
            && let Some(slot) = mask.get_mut(row)
        {
            *slot = true;
        }
    }
}

/// Takes counts and findings out of the rows of a mask, and marks them.
fn cleared(mut table: Table, mask: &[bool]) -> Table {
    let found: Vec<String> = table
        .columns
        .iter()
        .filter(|column| match &column.values {
            Values::Real(_) => !KEYS.contains(&column.name.as_str()),
            Values::Integer(_) => column.name.starts_with('n'),
            Values::Text(_) => column.name == "signal",
            Values::Flag(_) => false,
        })
        .map(|column| column.name.clone())
        .collect();
    for (row, _) in mask.iter().enumerate().filter(|(_, withheld)| **withheld) {
        for name in &found {
            table.clear(name, row);
        }
    }
    table.flag("withheld", mask.iter().copied().map(Some).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn grades(n: &[i64]) -> BTreeMap<String, Table> {
        let names = (0..n.len())
            .map(|row| Some(format!("grade {row}")))
            .collect();
        let table = Table::new("two_ear_by_grade")
            .text("grade", names)
            .integer("n_candidates", n.iter().copied().map(Some).collect())
            .real("two_ear", n.iter().map(|_| Some(0.5)).collect());
        BTreeMap::from([("two_ear_by_grade".to_owned(), table)])
    }

    fn withheld(n: &[i64]) -> Vec<bool> {
        let mut tables = grades(n);
        withhold(&mut tables, 5);
        let table = &tables["two_ear_by_grade"];
        (0..table.rows())
            .map(|row| {
                let flagged = table.flag_at("withheld", row).unwrap();
                assert_eq!(flagged, table.integer_at("n_candidates", row).is_none());
                assert_eq!(flagged, table.real_at("two_ear", row).is_none());
                flagged
            })
            .collect()
    }

    #[test]
    fn a_single_small_cell_takes_the_next_smallest_along() {
        assert_eq!(withheld(&[40, 3, 12, 90]), [false, true, true, false]);
    }

    #[test]
    fn two_small_cells_hide_each_other_and_nothing_else() {
        assert_eq!(withheld(&[40, 3, 2, 90]), [false, true, true, false]);
        assert_eq!(withheld(&[40, 50]), [false, false]);
    }

    #[test]
    fn an_empty_cell_is_no_secret() {
        assert_eq!(withheld(&[40, 0, 50]), [false, false, false]);
    }
}
