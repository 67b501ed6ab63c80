//! What is withheld from reports: cells built on too few people, and more wherever the rest of what is shown would give a
//! withheld one away. The only place that withholds, so that pages, figures and files obey alike, over all readers and
//! quarters whose reports are made at once.
//!
//! Whoever reads the reports is taken to know the total of every table whose rows add up (from the headline, the flow of
//! records or another table), so that what is withheld here does not hang on which reports are written. A withheld count
//! stays hidden where its group keeps at least two withheld rows, and these together leave room for as many values as the
//! smallest cell may have people.

mod across;
mod links;
#[cfg(test)]
mod tests;

use std::collections::{BTreeMap, BTreeSet};

use across::Set;
use links::{AT_MOST, FINDINGS_OF, PARTS_OF, SAME_PEOPLE, matched};

use super::Review;
use crate::table::{Table, Values};

/// Columns that count what a row is built on; a row is withheld where any of them is too small.
const COUNTS: [&str; 16] = [
    "n",
    "n_fittings",
    "n_candidates",
    "n_ears",
    "n_answered",
    "n_unanswered",
    "n_first",
    "n_final",
    "n_within",
    // Of the owner's changes: the four quarters before, the least of the five, and points of curves before.
    "n_before",
    "n_least",
    "n_fittings_before",
    // Of the study's first table: the thirds.
    "n_low",
    "n_middle",
    "n_high",
    // Of the page of one clinician: everybody else.
    "n_others",
];

/// Real columns that say which row it is, not what was found. The cuts between thirds are found: values of the people in
/// them.
const KEYS: [&str; 4] = ["at", "bin_hi", "bin_lo", "score"];

/// Tables whose counts are the message itself, or that name single records for local use.
const NOT_WITHHELD: [&str; 6] = [
    "quality",
    "recheck",
    "tolerance",
    "referral_list",
    "referral_rules",
    "funnel",
];

/// Tables whose rows add up to a total that is known from elsewhere, with the columns within which they do.
const ADD_UP: [(&str, &[&str]); 20] = [
    ("trends", &["measure"]),
    ("own_quarters", &["measure"]),
    ("practice_quarters", &["measure"]),
    ("clinician_quarters", &["measure", "quarter"]),
    ("clinician_quarters", &["measure", "clinician_id"]),
    ("drivers", &["measure", "grouping"]),
    ("thirds", &[]),
    ("table_one", &["variable"]),
    ("two_ear_by_grade", &[]),
    ("referrals", &["rule"]),
    ("dose_response", &[]),
    ("response_by_match", &[]),
    ("rms_by_answer", &[]),
    // How many are satisfied is known.
    ("rms_by_answer", &["satisfied"]),
    ("rms_histogram", &["score"]),
    ("clinics", &["measure"]),
    ("clinicians", &["measure"]),
    ("signature", &["frequency_hz"]),
    ("spread", &[]),
    ("first_final", &[]),
];

/// How much of a row is withheld; the more, the greater.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
enum Hidden {
    /// Nothing.
    #[default]
    No,
    /// What was found, but not how many it rests on.
    Findings,
    /// Both.
    All,
}

/// A table and what of it is withheld. A table that several readers have is there once.
struct Cells {
    key: String,
    table: Table,
    hidden: Vec<Hidden>,
    /// What the count `n` of a row can be at most, by what is shown elsewhere.
    at_most: Vec<Option<i64>>,
}

impl Cells {
    fn is_hidden(&self, row: usize) -> bool {
        self.hidden.get(row) == Some(&Hidden::All)
    }

    /// Withholds more of a row; true where that is new.
    fn hide(&mut self, row: usize, how: Hidden) -> bool {
        match self.hidden.get_mut(row) {
            Some(slot) if *slot < how => {
                *slot = how;
                true
            }
            _ => false,
        }
    }

    fn counts(&self) -> impl Iterator<Item = &'static str> + '_ {
        COUNTS
            .into_iter()
            .filter(|name| self.table.column(name).is_some())
    }
}

/// Withholds in all tables of reviews that are made at once, of one quarter or of several in time.
pub(super) fn withhold(reviews: &mut [Review], minimum: i64) {
    let mut sets = sets(reviews);
    for cells in sets.iter_mut().flat_map(|set| &mut set.cells) {
        primary(cells, minimum);
    }
    // Each pass withholds more or ends, so the passes end. The last quarter, which knows the most, chooses first.
    loop {
        for set in sets.iter_mut().rev() {
            while step(set, minimum) {}
        }
        if !across::step(&mut sets) {
            break;
        }
    }
    for set in sets {
        let largest = largest_shown(&set.cells);
        let of_quarter = |review: &&mut Review| review.context.quarter == set.quarter;
        for review in reviews.iter_mut().filter(of_quarter) {
            for (key, table) in &mut review.tables {
                if key == "funnel" {
                    *table = links::trimmed(table, &largest);
                } else if let Some(cells) = find(&set.cells, key, table) {
                    *table = cleared(key, table.clone(), &cells.hidden);
                }
            }
        }
    }
}

/// Every table that counts people, by quarter, once in each.
fn sets(reviews: &[Review]) -> Vec<Set> {
    let mut out: Vec<Set> = Vec::new();
    for review in reviews {
        let quarter = &review.context.quarter;
        if out.last().is_none_or(|set| set.quarter != *quarter) {
            out.push(Set {
                quarter: quarter.clone(),
                cells: Vec::new(),
                is_last: false,
            });
        }
        let Some(Set { cells, .. }) = out.last_mut() else {
            continue;
        };
        for (key, table) in &review.tables {
            let is_free = NOT_WITHHELD.contains(&key.as_str()) || !counts_something(table);
            if !is_free && find(cells, key, table).is_none() {
                cells.push(Cells {
                    key: key.clone(),
                    table: table.clone(),
                    hidden: vec![Hidden::No; table.rows()],
                    at_most: vec![None; table.rows()],
                });
            }
        }
    }
    if let Some(last) = out.last_mut() {
        last.is_last = true;
    }
    out
}

fn find<'a>(all: &'a [Cells], key: &str, table: &Table) -> Option<&'a Cells> {
    all.iter()
        .find(|cells| cells.key == key && cells.table == *table)
}

fn counts_something(table: &Table) -> bool {
    COUNTS.iter().any(|name| table.column(name).is_some())
}

/// Withholds the rows built on some, but fewer than the minimum.
fn primary(cells: &mut Cells, minimum: i64) {
    for row in 0..cells.table.rows() {
        let too_small = cells.counts().any(|count| {
            cells
                .table
                .integer_at(count, row)
                .is_some_and(|n| n > 0 && n < minimum)
        });
        if too_small {
            cells.hide(row, Hidden::All);
        }
    }
}

/// One pass over what hangs together; true where more is withheld than before.
fn step(set: &mut Set, minimum: i64) -> bool {
    let (all, quarter) = (&mut set.cells, set.quarter.as_deref());
    let mut more = false;
    for link in SAME_PEOPLE {
        for (one, other) in [link, (link.1, link.0)] {
            for (from, to) in matched(all, one, other, quarter) {
                if all.get(from.0).is_some_and(|cells| cells.is_hidden(from.1)) {
                    more |= hide(all, to, Hidden::All);
                }
            }
        }
    }
    for (lists, how) in [
        (&PARTS_OF[..], Hidden::All),
        (&FINDINGS_OF[..], Hidden::Findings),
    ] {
        for (whole, parts) in lists {
            for (from, to) in matched(all, *whole, *parts, quarter) {
                if all.get(from.0).is_some_and(|cells| cells.is_hidden(from.1)) {
                    more |= hide(all, to, how);
                }
            }
        }
    }
    if more {
        return true;
    }
    bound(all, quarter);
    for cells in all.iter_mut() {
        for within in sums(&cells.key, set.is_last) {
            for rows in groups(&cells.table, within) {
                more |= complement(cells, &rows, minimum, quarter);
            }
        }
        // What hangs together with a table follows before the next table looks for company.
        if more {
            return true;
        }
    }
    unbound(all, minimum, quarter, set.is_last)
}

/// The ways in which the rows of a table add up to a known total. Of an earlier quarter's series there is none but in its
/// rows, which stand in the last report too.
fn sums(key: &str, is_last: bool) -> Vec<&'static [&'static str]> {
    ADD_UP
        .iter()
        .filter(|(known, _)| *known == key && (is_last || key != "trends"))
        .map(|(_, within)| *within)
        .collect()
}

/// Withholds what bounds withheld counts that are left no room and find no more company; true where there was such.
fn unbound(all: &mut [Cells], minimum: i64, quarter: Option<&str>, is_last: bool) -> bool {
    let mut stuck = BTreeSet::new();
    for (place, cells) in all.iter().enumerate() {
        for within in sums(&cells.key, is_last) {
            for rows in groups(&cells.table, within) {
                if cells.table.column("n").is_some() && !is_safe(cells, &rows, "n", minimum) {
                    let hidden = rows.into_iter().filter(|row| cells.is_hidden(*row));
                    stuck.extend(hidden.map(|row| (place, row)));
                }
            }
        }
    }
    let mut more = false;
    // The sums over groups, which are first, bound nothing that the headline does not.
    for (part, whole) in FINDINGS_OF.into_iter().skip(1).chain(AT_MOST) {
        for (from, to) in matched(all, part, whole, quarter) {
            if stuck.contains(&from) {
                more |= hide(all, to, Hidden::All);
            }
        }
    }
    more
}

/// Notes of each count what it can be at most: where it is the numerator of a share elsewhere its denominator, and the
/// fittings of its unit.
fn bound(all: &mut [Cells], quarter: Option<&str>) {
    for cells in all.iter_mut() {
        cells.at_most.fill(None);
    }
    for (part, whole) in FINDINGS_OF.into_iter().chain(AT_MOST) {
        for (part, whole) in matched(all, part, whole, quarter) {
            let most = all
                .get(whole.0)
                .filter(|cells| !cells.is_hidden(whole.1))
                .and_then(|cells| cells.table.integer_at("n", whole.1));
            let slot = all
                .get_mut(part.0)
                .and_then(|cells| cells.at_most.get_mut(part.1));
            if let (Some(slot), Some(most)) = (slot, most) {
                *slot = Some(slot.map_or(most, |known| known.min(most)));
            }
        }
    }
}

fn hide(all: &mut [Cells], (table, row): (usize, usize), how: Hidden) -> bool {
    all.get_mut(table).is_some_and(|cells| cells.hide(row, how))
}

/// The rows of a table by the labels of some columns.
fn groups(table: &Table, within: &[&str]) -> Vec<Vec<usize>> {
    let mut found: BTreeMap<Vec<String>, Vec<usize>> = BTreeMap::new();
    for row in 0..table.rows() {
        found
            .entry(within.iter().map(|name| label(table, name, row)).collect())
            .or_default()
            .push(row);
    }
    found.into_values().collect()
}

/// What a row is named by in a column, as text.
fn label(table: &Table, name: &str, row: usize) -> String {
    match table.text_at(name, row) {
        Some(text) => text.to_owned(),
        None => table
            .real_at(name, row)
            .map(|x| x.to_string())
            .or_else(|| table.flag_at(name, row).map(|flag| flag.to_string()))
            .unwrap_or_default(),
    }
}

/// Withholds the smallest other rows of those that add up to a known total, until no withheld count follows from the
/// others; true where that was needed.
fn complement(cells: &mut Cells, rows: &[usize], minimum: i64, quarter: Option<&str>) -> bool {
    let counts: Vec<&str> = cells.counts().collect();
    let mut more = false;
    for count in counts {
        while !is_safe(cells, rows, count, minimum) {
            let smallest = rows
                .iter()
                .copied()
                .filter(|row| !cells.is_hidden(*row))
                .filter_map(|row| {
                    let n = cells.table.integer_at(count, row).filter(|n| *n > 0)?;
                    // The quarter under review is what the page is about: any other is withheld before it.
                    let reviewed = cells.table.text_at("quarter", row).is_some()
                        && cells.table.text_at("quarter", row) == quarter;
                    Some((reviewed, n, row))
                })
                .min();
            let Some((_, _, row)) = smallest else { break };
            more |= cells.hide(row, Hidden::All);
        }
    }
    more
}

/// Whether the withheld counts of rows with a known total stay hidden. They are whole numbers that add up to what is
/// left of the total. `k` of them that are each at least 1 and add up to `r` may each be anything from 1 to `r - k + 1`;
/// where more is known of how large each can be, from what the others cannot take to what it can be itself. That has to
/// be as wide as the smallest cell. A count of which no withheld row has too few needs only company.
fn is_safe(cells: &Cells, rows: &[usize], count: &str, minimum: i64) -> bool {
    let withheld: Vec<(i64, Option<i64>)> = rows
        .iter()
        .filter(|row| cells.is_hidden(**row))
        .map(|row| {
            let most = cells.at_most.get(*row).copied().flatten();
            let n = cells.table.integer_at(count, *row).unwrap_or(0);
            (n, most.filter(|_| count == "n"))
        })
        // An empty cell is often known to be one, and then no company.
        .filter(|(n, _)| *n > 0)
        .collect();
    let left: i64 = withheld.iter().map(|(n, _)| n).sum();
    match withheld.as_slice() {
        [] => true,
        [_] => false,
        more if !more.iter().any(|(n, _)| *n > 0 && *n < minimum) => true,
        more => {
            let company = i64::try_from(more.len()).unwrap_or(i64::MAX);
            let room: i64 = more
                .iter()
                .map(|(_, most)| most.unwrap_or(left).min(left))
                .sum();
            let is_wide = |most: Option<i64>| {
                let most = most.unwrap_or(left).min(left);
                let least = (left - (room - most)).max(0);
                most - least >= minimum
            };
            left - company >= minimum && more.iter().all(|(_, most)| is_wide(*most))
        }
    }
}

/// The largest count that is shown of each measure of the clinicians, which the funnel may be drawn up to.
fn largest_shown(all: &[Cells]) -> BTreeMap<String, i64> {
    let mut out = BTreeMap::new();
    for cells in all.iter().filter(|cells| cells.key == "clinicians") {
        for row in (0..cells.table.rows()).filter(|row| !cells.is_hidden(*row)) {
            if let (Some(measure), Some(n)) = (
                cells.table.text_at("measure", row),
                cells.table.integer_at("n", row),
            ) {
                let slot = out.entry(measure.to_owned()).or_insert(0);
                *slot = n.max(*slot);
            }
        }
    }
    out
}

/// Takes counts and findings out of the rows of a mask, and marks them.
fn cleared(key: &str, mut table: Table, hidden: &[Hidden]) -> Table {
    let named = |keep: &dyn Fn(&str, &Values) -> bool| -> Vec<String> {
        table
            .columns
            .iter()
            .filter(|column| keep(&column.name, &column.values))
            .map(|column| column.name.clone())
            .collect()
    };
    let is_count = |name: &str| COUNTS.contains(&name);
    let findings = named(&|name, values| match values {
        Values::Real(_) => !KEYS.contains(&name),
        Values::Integer(_) => {
            !is_count(name) && (name.starts_with('n') || matches!(name, "lost" | "order"))
        }
        Values::Text(_) => matches!(name, "signal" | "verdict"),
        Values::Flag(_) => false,
    });
    // How an estimate was made, or why it was not, may say how many it rests on.
    let counts = named(&|name, values| match values {
        Values::Integer(_) => is_count(name),
        Values::Text(_) => {
            name == "how" || name.ends_with("_how") || (name == "interval" && key != "intervals")
        }
        _ => false,
    });
    for (row, how) in hidden.iter().enumerate() {
        if *how >= Hidden::Findings {
            findings.iter().for_each(|name| table.clear(name, row));
        }
        if *how == Hidden::All {
            counts.iter().for_each(|name| table.clear(name, row));
        }
    }
    for (name, row) in links::also_without(key, &table, hidden) {
        table.clear(name, row);
    }
    let marks = hidden.iter().map(|how| Some(*how > Hidden::No)).collect();
    table.flag("withheld", marks)
}
