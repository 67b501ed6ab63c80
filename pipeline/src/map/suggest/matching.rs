//! Which table a file feeds, and which of our columns each of its columns is.

use std::collections::{BTreeMap, BTreeSet};

use super::names::{self, Found, How};
use super::{Column, Group, words};
use crate::delivery::columns::{ColumnSpec, Kind, columns_for, is_label_column};
use crate::vocabulary::{Ear, TableName};

/// What is proposed for the files of a group.
#[derive(Debug)]
pub(super) struct Proposal {
    pub(super) table: TableName,
    /// The columns of the table in the form that the names show.
    pub(super) specs: Vec<ColumnSpec>,
    /// For each column of theirs, the column of ours that it is.
    pub(super) found: Vec<Option<Found>>,
    /// For each column of theirs, the item of the IOI-HA that it holds.
    pub(super) items: Vec<Option<u8>>,
}

/// Columns that have to be recognised by name before a first row is taken for a header row, and shown.
const LEAST_NAMES: usize = 2;

/// The table that fits best; none where the first row does not look like a header row of any.
pub(super) fn propose(group: &Group) -> Option<Proposal> {
    let by_file = group
        .files
        .first()
        .and_then(|file| names::table_of_file(file));
    let proposals = TableName::ALL
        .iter()
        .map(|table| for_table(*table, group))
        .filter(|proposal| proposal.by_name() >= LEAST_NAMES);
    // The first of equals.
    proposals.fold(None, |best: Option<Proposal>, next| match best {
        Some(best) if best.score(by_file) >= next.score(by_file) => Some(best),
        _ => Some(next),
    })
}

fn for_table(table: TableName, group: &Group) -> Proposal {
    let items: Vec<Option<u8>> = group
        .columns
        .iter()
        .map(|column| match table {
            TableName::Outcomes => names::ioi_item(&column.name),
            _ => None,
        })
        .collect();
    let mut found: Vec<Option<Found>> = group
        .columns
        .iter()
        .zip(&items)
        .map(|(column, item)| match item {
            Some(_) => None,
            None => names::find(table, &column.name),
        })
        .collect();
    let ours: Vec<String> = found
        .iter()
        .flatten()
        .map(|found| found.ours.clone())
        .collect();
    let specs = columns_for(table, &ours);
    let in_form = |name: &str| {
        specs.iter().any(|spec| spec.name == name)
            || (table == TableName::Fittings && is_label_column(name))
    };
    for (slot, column) in found.iter_mut().zip(&group.columns) {
        let fits = |found: &Found| {
            in_form(&found.ours)
                && (found.how != How::Near || content_fits(&specs, &found.ours, column))
        };
        if slot.as_ref().is_some_and(|found| !fits(found)) {
            *slot = None;
        }
    }
    keep_the_surest(&mut found);
    by_content(&specs, group, &items, &mut found);
    Proposal {
        table,
        specs,
        found,
        items,
    }
}

/// One column of theirs for one of ours: the surest, of equals the first.
fn keep_the_surest(found: &mut [Option<Found>]) {
    let mut best: BTreeMap<(String, Option<Ear>), (How, usize)> = BTreeMap::new();
    for (position, slot) in found.iter().enumerate() {
        if let Some(Found { ours, how, ear }) = slot {
            let place = best.entry((ours.clone(), *ear)).or_insert((*how, position));
            *place = (*place).min((*how, position));
        }
    }
    let kept: BTreeSet<usize> = best.values().map(|(_, position)| *position).collect();
    for (position, slot) in found.iter_mut().enumerate() {
        if !kept.contains(&position) {
            *slot = None;
        }
    }
}

/// A required column of words that no name shows, where all words of one column mean something in it alone.
fn by_content(
    specs: &[ColumnSpec],
    group: &Group,
    items: &[Option<u8>],
    found: &mut [Option<Found>],
) {
    for spec in specs {
        let is_there = found.iter().flatten().any(|found| found.ours == spec.name);
        // Yes and no, and numbers, may mean anything.
        let tells = matches!(spec.name, "ear" | "quantity" | "stage");
        if is_there || !tells {
            continue;
        }
        let columns = group.columns.iter().zip(items).zip(found.iter_mut());
        for ((column, item), slot) in columns {
            let known = column.profile.words.keys().all(|word| {
                word.parse::<f64>().is_err() && words::meaning(spec.name, word).is_some()
            });
            let free = slot.is_none()
                && item.is_none()
                && names::reason_to_leave_out(&column.name).is_none();
            if free && known && !column.profile.many && column.profile.words.len() >= 2 {
                *slot = Some(Found {
                    ours: spec.name.to_owned(),
                    how: How::Content,
                    ear: None,
                });
                break;
            }
        }
    }
}

/// Whether most values of a column are what one of ours takes.
pub(super) fn content_fits(specs: &[ColumnSpec], ours: &str, column: &Column) -> bool {
    let profile = &column.profile;
    let most = |count: u64| count * 10 >= profile.filled() * 9;
    let Some(spec) = specs.iter().find(|spec| spec.name == ours) else {
        return true;
    };
    match spec.kind {
        Kind::Identifier | Kind::Label => true,
        Kind::Date => most(profile.all_dates()),
        Kind::Whole(..)
        | Kind::Hundredths(..)
        | Kind::Threshold
        | Kind::Frequency
        | Kind::Score => most(profile.numbers()),
        Kind::Words(_) => most(
            profile
                .words
                .iter()
                .filter(|(word, _)| words::meaning(ours, word).is_some())
                .map(|(_, count)| count)
                .sum(),
        ),
    }
}

impl Proposal {
    /// Columns recognised by their name for certain.
    fn by_name(&self) -> usize {
        let surely = |found: &&Found| found.how <= How::Frequency;
        self.found.iter().flatten().filter(surely).count() + self.items.iter().flatten().count()
    }

    /// More for each column that is recognised, less for each that is required and not there.
    fn score(&self, by_file: Option<TableName>) -> i64 {
        let count = |number: usize| i64::try_from(number).unwrap_or(i64::MAX / 16);
        let recognised = self.found.iter().flatten().count() + self.items.iter().flatten().count();
        let hint = if by_file == Some(self.table) { 4 } else { 0 };
        2 * count(recognised) - 2 * count(self.missing().len()) + hint
    }

    /// Whether each row holds several answers, one a column.
    pub(super) fn has_items(&self) -> bool {
        self.items.iter().any(Option::is_some) && self.at("score").is_none()
    }

    /// The ears whose thresholds stand in columns of their own.
    pub(super) fn ears(&self) -> Vec<Ear> {
        let has = |ear: &Ear| {
            self.found
                .iter()
                .flatten()
                .any(|found| found.ear == Some(*ear))
        };
        Ear::ALL.iter().copied().filter(has).collect()
    }

    /// Where the column stands that is one of ours.
    pub(super) fn at(&self, ours: &str) -> Option<usize> {
        self.found
            .iter()
            .position(|found| found.as_ref().is_some_and(|found| found.ours == ours))
    }

    /// Required columns that nothing was found for.
    pub(super) fn missing(&self) -> Vec<&'static str> {
        let by_item =
            |name: &str| self.has_items() && matches!(name, "instrument" | "item" | "score");
        let by_ear = |name: &str| name == "ear" && !self.ears().is_empty();
        self.specs
            .iter()
            .filter(|spec| spec.required && self.at(spec.name).is_none())
            .map(|spec| spec.name)
            .filter(|name| !by_item(name) && !by_ear(name))
            .collect()
    }
}
