//! Settles rows against each other: exact repeats are counted once, contradictions are set aside, rows without a
//! parent are orphans, and a later delivery's row replaces the cohort's under the same key.

mod curves;
mod ears;

use rayon::prelude::*;

use crate::delivery::{STRANGER, Unsettled};
use crate::records::{Fitting, Place, Records, RowIssue};
use crate::rules::Rule;
use crate::vocabulary::TableName;
use curves::{each_row_place, join_curves, rows_of_curves, settle_curves};
use ears::settle_ears;

/// Who is right where a row of the delivery and one of the cohort say different things under the same key.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Precedence {
    /// The delivery: it is later, and corrections win.
    Delivery,
    /// The cohort: the row was delivered before and only now found its parent.
    Cohort,
}

/// What is left of rows with keys.
pub(crate) struct Settled<T> {
    pub(crate) kept: Vec<T>,
    pub(crate) repeats: u64,
    pub(crate) contradictions: Vec<T>,
}

/// Settles rows sorted by key and place, the cohort's own rows last under each key.
pub(crate) fn settle<T>(
    rows: Vec<T>,
    precedence: Precedence,
    same_key: impl Fn(&T, &T) -> bool,
    says_the_same: impl Fn(&T, &T) -> bool,
    place: impl Fn(&T) -> Place,
) -> Settled<T> {
    let mut out = Settled {
        kept: Vec::with_capacity(rows.len()),
        repeats: 0,
        contradictions: Vec::new(),
    };
    let mut group: Vec<T> = Vec::new();
    let mut close = |group: &mut Vec<T>| {
        let stored = group.pop_if(|row| place(row).is_store());
        let against_store = precedence == Precedence::Cohort
            && stored
                .as_ref()
                .is_some_and(|old| group.iter().any(|new| !says_the_same(new, old)));
        let agree = group
            .iter()
            .zip(group.iter().skip(1))
            .all(|(a, b)| says_the_same(a, b));
        if !agree || against_store {
            out.contradictions.append(group);
            out.kept.extend(stored);
            return;
        }
        let delivered = group.len() as u64;
        let first = group.drain(..).next();
        match (first, stored) {
            (Some(new), Some(old)) if says_the_same(&new, &old) => {
                out.repeats += delivered;
                out.kept.push(old);
            }
            (Some(new), _) => {
                out.repeats += delivered - 1;
                out.kept.push(new);
            }
            (None, old) => out.kept.extend(old),
        }
    };
    for row in rows {
        if group.last().is_some_and(|last| !same_key(last, &row)) {
            close(&mut group);
        }
        group.push(row);
    }
    close(&mut group);
    out
}

/// The account of one table: rows read = rows stored + rows set aside + exact repeats.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Account {
    /// Rows read.
    pub rows_read: u64,
    /// Rows stored.
    pub rows_stored: u64,
    /// Rows set aside.
    pub rows_set_aside: u64,
    /// Rows that say again what another row said.
    pub exact_repeats: u64,
}

impl Account {
    /// Whether the account closes to the row.
    #[must_use]
    pub fn closes(&self) -> bool {
        self.rows_read == self.rows_stored + self.rows_set_aside + self.exact_repeats
    }
}

/// Records ready to be stored, and what became of every row.
#[derive(Debug)]
pub struct Outcome {
    /// The records, sorted.
    pub records: Records,
    /// Rows set aside, by table and place.
    pub issues: Vec<RowIssue>,
    /// Accounts in the order of the tables.
    pub accounts: Vec<(TableName, Account)>,
}

/// Settles a delivery; `old` holds the cohort's records of the quarters that the delivery touches.
///
/// Fittings of `old` that the delivery brings again are superseded whole.
#[must_use]
pub fn settle_delivery(unsettled: Unsettled, old: Records, precedence: Precedence) -> Outcome {
    let Unsettled {
        fittings,
        mut ears,
        mut curves,
        mut answers,
        strangers,
        mut label_names,
        mut items,
        mut issues,
        repeated_fittings,
        refused,
        files,
        ..
    } = unsettled;
    let delivered = fittings.len();
    let mut merged = merge_fittings(fittings, &old, &strangers, &mut label_names);
    for (number, id) in merged.of_stranger.iter_mut().zip(&strangers) {
        if refused.contains(id) {
            *number = None;
        }
    }
    let mut repeats = [repeated_fittings, 0, 0, 0];

    // From here on `fitting` is the position among the merged fittings; orphans have none.
    let orphan = |table, place: Place| RowIssue {
        table,
        place,
        column: None,
        rule: Rule::Orphan,
    };
    let number = |fitting: u32| -> Option<u32> {
        if fitting & STRANGER == 0 {
            merged.of_delivered.get(fitting as usize).copied()
        } else {
            *merged.of_stranger.get((fitting & !STRANGER) as usize)?
        }
    };
    ears.retain_mut(|record| match number(record.fitting) {
        Some(found) => {
            record.fitting = found;
            true
        }
        None => {
            ears::each_row_place(record, record.tested, |place| {
                issues.push(orphan(TableName::Ears, place));
            });
            false
        }
    });
    curves.retain_mut(|curve| match number(curve.key.fitting) {
        Some(found) => {
            curve.key.fitting = found;
            true
        }
        None => {
            each_row_place(curve, curve.filled(), |place| {
                issues.push(orphan(TableName::Responses, place));
            });
            false
        }
    });
    answers.retain_mut(|answer| match number(answer.fitting) {
        Some(found) => {
            answer.fitting = found;
            true
        }
        None => {
            issues.push(orphan(TableName::Outcomes, answer.place));
            false
        }
    });
    let item_numbers: Vec<u16> = old
        .items
        .values()
        .iter()
        .map(|item| u16::try_from(items.number(item)).unwrap_or(u16::MAX))
        .collect();
    let kept_old = |fitting: u32| merged.of_old.get(fitting as usize).copied().flatten();
    ears.extend(old.ears.into_iter().filter_map(|mut record| {
        record.fitting = kept_old(record.fitting)?;
        Some(record)
    }));
    curves.extend(old.curves.into_iter().filter_map(|mut curve| {
        curve.key.fitting = kept_old(curve.key.fitting)?;
        Some(curve)
    }));
    answers.extend(old.answers.into_iter().filter_map(|mut answer| {
        answer.fitting = kept_old(answer.fitting)?;
        answer.item = *item_numbers.get(usize::from(answer.item))?;
        Some(answer)
    }));

    let contradiction = |table, place| RowIssue {
        table,
        place,
        column: None,
        rule: Rule::Contradiction,
    };
    let settled = settle_ears(ears, precedence, &mut issues);
    repeats[1] = settled.repeats;
    let (ears, ear_rows) = (settled.ears, settled.rows_stored);

    answers.par_sort_unstable_by_key(|answer| {
        (
            answer.fitting,
            answer.item,
            answer.weeks_after,
            answer.place,
        )
    });
    let settled = settle(
        answers,
        precedence,
        |a, b| (a.fitting, a.item, a.weeks_after) == (b.fitting, b.item, b.weeks_after),
        |a, b| a.score == b.score,
        |answer| answer.place,
    );
    repeats[3] = settled.repeats;
    issues.extend(
        settled
            .contradictions
            .iter()
            .map(|answer| contradiction(TableName::Outcomes, answer.place)),
    );
    let answers = settled.kept;

    let curves = settle_curves(
        curves,
        precedence,
        &ears,
        &merged.fittings,
        &mut issues,
        &mut repeats[2],
    );

    issues.par_sort_unstable();
    let stored = [
        delivered as u64,
        ear_rows,
        rows_of_curves(&curves),
        count(&answers, |answer| answer.place),
    ];
    let accounts = TableName::ALL
        .iter()
        .zip(stored.into_iter().zip(repeats))
        .map(|(&table, (rows_stored, exact_repeats))| {
            let account = Account {
                rows_read: files
                    .iter()
                    .filter(|f| f.table == table)
                    .map(|f| f.rows)
                    .sum(),
                rows_stored,
                rows_set_aside: issues.iter().filter(|issue| issue.table == table).count() as u64,
                exact_repeats,
            };
            (table, account)
        })
        .collect();
    let curves = join_curves(curves);
    Outcome {
        records: Records {
            fittings: merged.fittings,
            fitting_places: merged.places,
            ears,
            curves,
            answers,
            label_names,
            items,
        },
        issues,
        accounts,
    }
}

fn count<T>(records: &[T], place: impl Fn(&T) -> Place) -> u64 {
    records
        .iter()
        .filter(|record| !place(record).is_store())
        .count() as u64
}

/// Fittings of delivery and cohort together, sorted by id, with the way from the old numbers to the new.
struct Merged {
    fittings: Vec<Fitting>,
    places: Vec<Place>,
    of_delivered: Vec<u32>,
    of_stranger: Vec<Option<u32>>,
    of_old: Vec<Option<u32>>,
}

fn merge_fittings(
    delivered: Vec<(Fitting, Place)>,
    old: &Records,
    strangers: &[Box<str>],
    label_names: &mut crate::records::Labels,
) -> Merged {
    let label_numbers: Vec<u16> = old
        .label_names
        .values()
        .iter()
        .map(|name| u16::try_from(label_names.number(name)).unwrap_or(u16::MAX))
        .collect();
    let mut merged = Merged {
        fittings: Vec::with_capacity(delivered.len() + old.fittings.len()),
        places: Vec::new(),
        of_delivered: Vec::with_capacity(delivered.len()),
        of_stranger: Vec::new(),
        of_old: Vec::with_capacity(old.fittings.len()),
    };
    let mut push = |fitting: Fitting, place: Place| {
        let number = u32::try_from(merged.fittings.len()).unwrap_or(u32::MAX);
        merged.fittings.push(fitting);
        merged.places.push(place);
        number
    };
    let store = Place {
        file: Place::STORE,
        line: 0,
    };
    let mut olds = old.fittings.iter().peekable();
    for (fitting, place) in delivered {
        while let Some(before) = olds.next_if(|candidate| candidate.id < fitting.id) {
            merged
                .of_old
                .push(Some(push(relabelled(before, &label_numbers), store)));
        }
        // The same id again: the delivery's record replaces the cohort's whole.
        if olds
            .next_if(|candidate| candidate.id == fitting.id)
            .is_some()
        {
            merged.of_old.push(None);
        }
        merged.of_delivered.push(push(fitting, place));
    }
    for rest in olds {
        merged
            .of_old
            .push(Some(push(relabelled(rest, &label_numbers), store)));
    }
    merged.of_stranger = strangers
        .iter()
        .map(|id| {
            let at = merged
                .fittings
                .binary_search_by(|fitting| fitting.id.as_ref().cmp(id))
                .ok()?;
            u32::try_from(at).ok()
        })
        .collect();
    merged
}

/// A fitting of the cohort with its labels renumbered.
fn relabelled(fitting: &Fitting, numbers: &[u16]) -> Fitting {
    let mut fitting = fitting.clone();
    for (number, _) in &mut fitting.labels {
        if let Some(&new) = numbers.get(usize::from(*number)) {
            *number = new;
        }
    }
    fitting
}
