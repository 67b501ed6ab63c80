//! Settles rows against each other: exact repeats are counted once, contradictions are set aside, rows without a
//! parent are orphans, and a later delivery's row replaces the cohort's under the same key.

mod arrival;
mod curves;
mod ears;
mod order;

use crate::delivery::{STRANGER, Unsettled, WaitingRows};
use crate::records::{Fitting, Labels, Place, Records, RowIssue};
use crate::vocabulary::TableName;
use arrival::{Arrival, Standing};

/// What is left of rows with keys.
pub(crate) struct Settled<T> {
    pub(crate) kept: Vec<T>,
    pub(crate) repeats: u64,
    pub(crate) contradictions: Vec<T>,
}

/// Settles rows sorted by key and place, the cohort's own rows last under each key.
pub(crate) fn settle<T>(
    rows: Vec<T>,
    same_key: impl Fn(&T, &T) -> bool,
    says_the_same: impl Fn(&T, &T) -> bool,
    place: impl Fn(&T) -> Place,
) -> Settled<T> {
    // Mostly no key stands twice, and the rows are what they are.
    if !rows
        .windows(2)
        .any(|pair| matches!(pair, [a, b] if same_key(a, b)))
    {
        return Settled {
            kept: rows,
            repeats: 0,
            contradictions: Vec::new(),
        };
    }
    let mut out = Settled {
        kept: Vec::with_capacity(rows.len()),
        repeats: 0,
        contradictions: Vec::new(),
    };
    let mut group: Vec<T> = Vec::new();
    let mut close = |group: &mut Vec<T>| {
        let stored = group.pop_if(|row| place(row).is_store());
        let agree = group
            .iter()
            .zip(group.iter().skip(1))
            .all(|(a, b)| says_the_same(a, b));
        if !agree {
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
    /// What became of the waiting rows of each earlier delivery, in the same order as they were given.
    pub waited: Vec<Waited>,
}

/// What became of the rows of an earlier delivery that had waited.
#[derive(Debug, Default)]
pub struct Waited {
    /// Rows that are set aside again.
    pub issues: Vec<RowIssue>,
    /// Rows that say again what another row said, by table.
    pub exact_repeats: [u64; TableName::ALL.len()],
}

/// Settles a delivery; `old` holds the cohort's records of the quarters that the delivery touches, and `waiting` rows of
/// earlier deliveries whose parents may be there now, the earliest first.
///
/// Fittings of `old` that the delivery brings again are superseded whole. Rows that waited are settled as if their
/// parents had been there when they came: after the cohort's own, each delivery after the one before it, the delivery of
/// the day last; a later row wins.
#[must_use]
pub fn settle_delivery(unsettled: Unsettled, waiting: Vec<WaitingRows>, old: Records) -> Outcome {
    let Unsettled {
        fittings,
        ears,
        curves,
        answers,
        strangers,
        mut label_names,
        mut items,
        issues,
        repeated_fittings,
        files,
        ..
    } = unsettled;
    let delivered = fittings.len() as u64;
    let merged = merge_fittings(fittings, &old, &mut label_names);
    let mut standing = standing_rows(old, &merged, &mut items);
    let mut arrivals: Vec<Arrival> = waiting
        .into_iter()
        .map(|rows| {
            let strangers = merged.numbers(&rows.strangers);
            Arrival::new(
                rows.ears,
                rows.curves,
                rows.answers,
                rows.issues,
                |fitting| *strangers.get((fitting & !STRANGER) as usize)?,
            )
        })
        .collect();
    let strangers = merged.numbers(&strangers);
    arrivals.push(Arrival::new(ears, curves, answers, issues, |fitting| {
        if fitting & STRANGER == 0 {
            merged.of_delivered.get(fitting as usize).copied()
        } else {
            *strangers.get((fitting & !STRANGER) as usize)?
        }
    }));
    // Table by table, since a row may have come before the ear that it belongs to.
    for now in 0..arrivals.len() {
        let (before, after) = arrivals.split_at_mut(now);
        let Some(arrival) = after.first_mut() else {
            continue;
        };
        arrival.settle_ears(&mut standing);
        // What this arrival says of ears ends the wait of parts that came before it. They add and replace nothing, so
        // the latest goes first.
        arrival.join_ears_left(&mut standing);
        for earlier in before.iter_mut().rev() {
            earlier.join_ears_left(&mut standing);
        }
    }
    for arrival in &mut arrivals {
        arrival.set_ears_left_aside();
    }
    for arrival in &mut arrivals {
        arrival.settle_curves(&mut standing, &merged.fittings);
        arrival.settle_answers(&mut standing);
    }
    let mut waited: Vec<Waited> = arrivals.into_iter().map(Arrival::finish).collect();
    // The delivery of the day was the last to arrive.
    let Waited {
        issues,
        mut exact_repeats,
    } = waited.pop().unwrap_or_default();
    exact_repeats[TableName::Fittings as usize] += repeated_fittings;
    let mut stored = standing.rows;
    stored[TableName::Fittings as usize] = delivered;
    let accounts = TableName::ALL
        .iter()
        .zip(stored.into_iter().zip(exact_repeats))
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
    Outcome {
        records: Records {
            fittings: merged.fittings,
            fitting_places: merged.places,
            ears: standing.ears,
            curves: standing.curves,
            answers: standing.answers,
            label_names,
            items,
        },
        issues,
        accounts,
        waited,
    }
}

fn count<T>(records: &[T], place: impl Fn(&T) -> Place) -> u64 {
    records
        .iter()
        .filter(|record| !place(record).is_store())
        .count() as u64
}

/// The cohort's rows, but for those of fittings that are superseded.
fn standing_rows(old: Records, merged: &Merged, items: &mut Labels) -> Standing {
    let item_numbers: Vec<u16> = old
        .items
        .values()
        .iter()
        .map(|item| u16::try_from(items.number(item)).unwrap_or(u16::MAX))
        .collect();
    let kept = |fitting: u32| merged.of_old.get(fitting as usize).copied().flatten();
    Standing {
        ears: old
            .ears
            .into_iter()
            .filter_map(|mut record| {
                record.fitting = kept(record.fitting)?;
                Some(record)
            })
            .collect(),
        curves: old
            .curves
            .into_iter()
            .filter_map(|mut curve| {
                curve.key.fitting = kept(curve.key.fitting)?;
                Some(curve)
            })
            .collect(),
        answers: old
            .answers
            .into_iter()
            .filter_map(|mut answer| {
                answer.fitting = kept(answer.fitting)?;
                answer.item = *item_numbers.get(usize::from(answer.item))?;
                Some(answer)
            })
            .collect(),
        rows: [0; TableName::ALL.len()],
    }
}

/// Fittings of delivery and cohort together, sorted by id, with the way from the old numbers to the new.
struct Merged {
    fittings: Vec<Fitting>,
    places: Vec<Place>,
    of_delivered: Vec<u32>,
    of_old: Vec<Option<u32>>,
}

impl Merged {
    /// The numbers of fittings known by their ids.
    fn numbers(&self, ids: &[Box<str>]) -> Vec<Option<u32>> {
        ids.iter()
            .map(|id| {
                let at = self
                    .fittings
                    .binary_search_by(|fitting| fitting.id.as_ref().cmp(id))
                    .ok()?;
                u32::try_from(at).ok()
            })
            .collect()
    }
}

fn merge_fittings(
    delivered: Vec<(Fitting, Place)>,
    old: &Records,
    label_names: &mut Labels,
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
