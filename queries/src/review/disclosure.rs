//! What is withheld from reports: cells built on too few people, and one more wherever the rest of its row of cells would
//! give a withheld one away. The only place that withholds, so that pages, figures and files obey alike.

use std::collections::{BTreeMap, BTreeSet};

use crate::table::{Table, Values};

/// Columns that count what a row is built on; a row is withheld where any of them is too small.
const COUNTS: [&str; 15] = [
    "n",
    "n_fittings",
    "n_candidates",
    "n_ears",
    "n_answered",
    "n_first",
    "n_final",
    "n_within",
    "n_before",
    "n_least",
    "n_fittings_before",
    "n_others",
    "n_low",
    "n_middle",
    "n_high",
];

/// Real columns that say which row it is, not what was found.
const KEYS: [&str; 5] = ["bin_lo", "bin_hi", "score", "above", "up_to"];

/// Tables whose counts are the message itself, or that name single records for local use. How many values were not
/// recorded is like the flow of records: it says what the study rests on, and nothing about those people.
const NOT_WITHHELD: [&str; 8] = [
    "quality",
    "tolerance",
    "flow",
    "referral_list",
    "referral_rules",
    "funnel",
    "recheck",
    "missing",
];

/// Tables whose rows add up to a total that is known from elsewhere, with the columns within which they do.
const ADD_UP: [(&str, &[&str]); 15] = [
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
    ("drivers", &["measure", "grouping"]),
    ("own_quarters", &["measure"]),
    ("practice_quarters", &["measure"]),
    ("thirds", &[]),
    ("table_one", &["variable"]),
];

/// Tables whose rows stand for the same people, so that what is withheld in one is withheld in the other.
const SAME_ROWS: [(&str, &str); 1] = [("dose_response", "response_by_match")];

/// Rows of one table that give away rows of another: where a row of `from` is withheld, so are the rows of `to` that agree
/// with it in the named columns.
struct Follows {
    from: &'static str,
    to: &'static str,
    /// The column in `from`, and the one in `to`.
    columns: &'static [(&'static str, &'static str)],
    /// Only rows of the drivers' table (whichever of the two it is) with these values.
    only: &'static [(&'static str, &'static str)],
}

/// The clinics, and the candidates by grade, of the quarter stand in two tables each; a quarter too small to show would
/// follow from what the four quarters before come to together.
const FOLLOWS: [Follows; 6] = [
    Follows {
        from: "clinics",
        to: "drivers",
        columns: &[("measure", "measure"), ("clinic_id", "group")],
        only: &[("grouping", "clinic_id")],
    },
    Follows {
        from: "drivers",
        to: "clinics",
        columns: &[("measure", "measure"), ("group", "clinic_id")],
        only: &[("grouping", "clinic_id")],
    },
    Follows {
        from: "two_ear_by_grade",
        to: "drivers",
        columns: &[("grade", "group")],
        only: &[("grouping", "grade"), ("measure", "two_ear")],
    },
    Follows {
        from: "drivers",
        to: "two_ear_by_grade",
        columns: &[("group", "grade")],
        only: &[("grouping", "grade"), ("measure", "two_ear")],
    },
    Follows {
        from: "moves",
        to: "drivers",
        columns: &[("measure", "measure")],
        only: &[],
    },
    Follows {
        from: "moves",
        to: "driver_totals",
        columns: &[("measure", "measure")],
        only: &[],
    },
];

/// Withholds in all tables of a review.
pub(super) fn withhold(tables: &mut BTreeMap<String, Table>, minimum: i64) {
    let mut masks: BTreeMap<String, Vec<bool>> = tables
        .iter()
        .filter(|(key, _)| !NOT_WITHHELD.contains(&key.as_str()))
        .filter_map(|(key, table)| Some((key.clone(), few(table, minimum)?)))
        .collect();
    // Each turn withholds more rows or is the last.
    loop {
        for (key, within) in ADD_UP {
            if let (Some(mask), Some(table)) = (masks.get_mut(key), tables.get(key)) {
                complement(table, within, mask);
            }
        }
        let mut more = false;
        for rule in &FOLLOWS {
            more |= follow(tables, &mut masks, rule);
        }
        if !more {
            break;
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

/// Withholds the rows of one table that follow those of another; true where there was one more.
fn follow(
    tables: &BTreeMap<String, Table>,
    masks: &mut BTreeMap<String, Vec<bool>>,
    rule: &Follows,
) -> bool {
    let (Some(from), Some(to)) = (tables.get(rule.from), tables.get(rule.to)) else {
        return false;
    };
    let counts = |table: &Table, row: usize| {
        table.name != "drivers"
            || rule
                .only
                .iter()
                .all(|(column, value)| table.text_at(column, row) == Some(*value))
    };
    let Some(source) = masks.get(rule.from) else {
        return false;
    };
    let withheld: BTreeSet<Vec<Option<&str>>> = (0..from.rows())
        .filter(|row| source.get(*row).copied().unwrap_or(false) && counts(from, *row))
        .map(|row| {
            rule.columns
                .iter()
                .map(|(column, _)| from.text_at(column, row))
                .collect()
        })
        .collect();
    let mut more = false;
    if let Some(mask) = masks.get_mut(rule.to) {
        for (row, slot) in mask.iter_mut().enumerate() {
            let key: Vec<Option<&str>> = rule
                .columns
                .iter()
                .map(|(_, column)| to.text_at(column, row))
                .collect();
            if !*slot && counts(to, row) && withheld.contains(&key) {
                *slot = true;
                more = true;
            }
        }
    }
    more
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
            Values::Text(_) => matches!(column.name.as_str(), "signal" | "verdict"),
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

    fn texts(values: &[&str]) -> Vec<Option<String>> {
        values.iter().map(|text| Some((*text).to_owned())).collect()
    }

    /// Three clinics; the second has three fittings now, and the third had three before.
    fn clinics_and_drivers() -> BTreeMap<String, Table> {
        let names = ["a", "b", "c", "d"];
        let drivers = Table::new("drivers")
            .text("measure", texts(&["verified"; 4]))
            .text("grouping", texts(&["clinic_id"; 4]))
            .text("group", texts(&names))
            .integer("n", [40, 3, 50, 20].map(Some).to_vec())
            .integer("n_before", [160, 90, 3, 80].map(Some).to_vec())
            .real("within", vec![Some(0.01); 4]);
        let clinics = Table::new("clinics")
            .text("clinic_id", texts(&names))
            .text("measure", texts(&["verified"; 4]))
            .integer("n", [40, 3, 50, 20].map(Some).to_vec())
            .real("observed", vec![Some(0.5); 4]);
        BTreeMap::from([
            ("drivers".to_owned(), drivers),
            ("clinics".to_owned(), clinics),
        ])
    }

    #[test]
    fn a_clinic_withheld_in_one_table_is_withheld_in_the_other() {
        let mut tables = clinics_and_drivers();
        withhold(&mut tables, 5);
        // b and c are small among the drivers; b takes d along among the clinics.
        for key in ["drivers", "clinics"] {
            let found: Vec<bool> = (0..4)
                .map(|row| tables[key].integer_at("n", row).is_none())
                .collect();
            assert_eq!(found, [false, true, true, true], "{key}");
        }
    }

    #[test]
    fn a_small_quarter_before_withholds_what_it_was_pooled_in() {
        let mut tables = clinics_and_drivers();
        let moves = |least: i64| {
            Table::new("moves")
                .text("measure", texts(&["verified"]))
                .integer("n", vec![Some(113)])
                .integer("n_least", vec![Some(least)])
                .real("change", vec![Some(0.1)])
                .text("verdict", texts(&["none"]))
        };
        tables.insert("moves".to_owned(), moves(3));
        withhold(&mut tables, 5);
        assert_eq!(tables["moves"].text_at("verdict", 0), None);
        assert!((0..4).all(|row| tables["drivers"].real_at("within", row).is_none()));
        let mut tables = clinics_and_drivers();
        tables.insert("moves".to_owned(), moves(5));
        withhold(&mut tables, 5);
        assert_eq!(tables["moves"].text_at("verdict", 0), Some("none"));
        assert_eq!(tables["drivers"].real_at("within", 0), Some(0.01));
    }

    #[test]
    fn an_empty_cell_is_no_secret() {
        assert_eq!(withheld(&[40, 0, 50]), [false, false, false]);
    }

    /// What few others did is withheld even without their names, and a quarter of one's own takes another along, since
    /// the sum over all quarters is on the same page.
    #[test]
    fn few_others_and_single_quarters_are_withheld() {
        let practice = Table::new("practice")
            .integer("n_others", vec![Some(0), Some(1), Some(4), Some(5)])
            .real("q50", vec![None, Some(0.5), Some(0.5), Some(0.5)]);
        let text = |words: &[&str]| words.iter().map(|w| Some((*w).to_owned())).collect();
        let quarters = Table::new("own_quarters")
            .text("measure", text(&["rms", "rms", "rms", "verified"]))
            .integer("n", vec![Some(3), Some(30), Some(9), Some(12)])
            .real("value", vec![Some(4.0); 4]);
        let mut tables = BTreeMap::from([
            ("practice".to_owned(), practice),
            ("own_quarters".to_owned(), quarters),
        ]);
        withhold(&mut tables, 5);
        let known = |key: &str, column| {
            let table = &tables[key];
            (0..4)
                .map(|row| table.real_at(column, row).is_some())
                .collect::<Vec<_>>()
        };
        assert_eq!(known("practice", "q50"), [false, false, false, true]);
        assert_eq!(known("own_quarters", "value"), [false, true, false, true]);
        assert_eq!(known("own_quarters", "n"), [false, true, false, true]);
    }
}
