//! The rows of one delivery on their way into the cohort: numbered by fitting, then settled against what stands already,
//! table by table.

use rayon::prelude::*;

use super::curves::{each_row_place, join_curves, rows_of_curves, settle_curves};
use super::ears::{Came, SettledEars, set_aside, settle_ears};
use super::order::sort_by_key;
use super::{Waited, count, settle};
use crate::records::{Answer, Curve, EarRecord, Fitting, Place, RowIssue};
use crate::rules::Rule;
use crate::vocabulary::TableName;

/// What stands in the cohort so far; rows of the delivery that was settled last are marked by their places.
#[derive(Debug)]
pub(super) struct Standing {
    pub(super) ears: Vec<EarRecord>,
    pub(super) curves: Vec<Curve>,
    pub(super) answers: Vec<Answer>,
    /// Rows of the delivery that was settled last, by table: those that are stored.
    pub(super) rows: [u64; TableName::ALL.len()],
}

const STORE: Place = Place {
    file: Place::STORE,
    line: 0,
};

/// The rows of a delivery that have a parent, and what became of the others.
pub(super) struct Arrival {
    ears: Vec<EarRecord>,
    curves: Vec<Curve>,
    answers: Vec<Answer>,
    waited: Waited,
}

fn issue(table: TableName, place: Place, rule: Rule) -> RowIssue {
    RowIssue {
        table,
        place,
        column: None,
        rule,
    }
}

impl Arrival {
    /// Numbers rows by the fittings there are now; those without one are orphans.
    pub(super) fn new(
        mut ears: Vec<EarRecord>,
        mut curves: Vec<Curve>,
        mut answers: Vec<Answer>,
        mut issues: Vec<RowIssue>,
        number: impl Fn(u32) -> Option<u32>,
    ) -> Self {
        let renumber = |fitting: &mut u32| match number(*fitting) {
            Some(found) => {
                *fitting = found;
                true
            }
            None => false,
        };
        ears.retain_mut(|record| {
            let found = renumber(&mut record.fitting);
            if !found {
                set_aside(record, Rule::Orphan, &mut issues);
            }
            found
        });
        curves.retain_mut(|curve| {
            let found = renumber(&mut curve.key.fitting);
            if !found {
                each_row_place(curve, curve.filled(), |place| {
                    issues.push(issue(TableName::Responses, place, Rule::Orphan));
                });
            }
            found
        });
        answers.retain_mut(|answer| {
            let found = renumber(&mut answer.fitting);
            if !found {
                issues.push(issue(TableName::Outcomes, answer.place, Rule::Orphan));
            }
            found
        });
        Self {
            ears,
            curves,
            answers,
            waited: Waited {
                issues,
                exact_repeats: [0; TableName::ALL.len()],
            },
        }
    }

    /// Settles the ears. Parts of ears of which nothing says yet whether they were fitted are left.
    pub(super) fn settle_ears(&mut self, standing: &mut Standing) {
        let ears = std::mem::take(&mut self.ears);
        let settled = self.settled_ears(ears, standing, Came::After);
        standing.rows[TableName::Ears as usize] = settled.rows_stored;
        standing.ears = settled.ears;
        self.ears = settled.left;
    }

    /// Joins parts of ears that were left to what stands by now: what came before the row that says whether the ear was
    /// fitted adds to it, and replaces nothing.
    pub(super) fn join_ears_left(&mut self, standing: &mut Standing) {
        let left = std::mem::take(&mut self.ears);
        let has_ear = |part: &EarRecord| {
            let key = |record: &EarRecord| (record.fitting, record.ear);
            let found = standing.ears.binary_search_by_key(&key(part), key);
            found.is_ok()
        };
        // Mostly there is none, and the ears are not gone through again.
        let (joined, left): (Vec<_>, Vec<_>) = left.into_iter().partition(has_ear);
        self.ears = left;
        if !joined.is_empty() {
            let settled = self.settled_ears(joined, standing, Came::Before);
            standing.ears = settled.ears;
            self.ears.extend(settled.left);
        }
    }

    /// Sets aside the parts of ears of which nothing says whether they were fitted.
    pub(super) fn set_ears_left_aside(&mut self) {
        for part in std::mem::take(&mut self.ears) {
            set_aside(&part, Rule::OrphanEar, &mut self.waited.issues);
        }
    }

    fn settled_ears(
        &mut self,
        mut ears: Vec<EarRecord>,
        standing: &mut Standing,
        came: Came,
    ) -> SettledEars {
        ears.extend(std::mem::take(&mut standing.ears).into_iter().map(stored));
        let settled = settle_ears(ears, came, &mut self.waited.issues);
        self.waited.exact_repeats[TableName::Ears as usize] += settled.repeats;
        settled
    }

    /// Settles the curves, once every ear is there.
    pub(super) fn settle_curves(&mut self, standing: &mut Standing, fittings: &[Fitting]) {
        let mut curves = std::mem::take(&mut self.curves);
        curves.extend(std::mem::take(&mut standing.curves).into_iter().map(stored));
        let curves = settle_curves(
            curves,
            &standing.ears,
            fittings,
            &mut self.waited.issues,
            &mut self.waited.exact_repeats[TableName::Responses as usize],
        );
        standing.rows[TableName::Responses as usize] = rows_of_curves(&curves);
        standing.curves = join_curves(curves);
    }

    /// Settles the answers.
    pub(super) fn settle_answers(&mut self, standing: &mut Standing) {
        let mut answers = std::mem::take(&mut self.answers);
        answers.extend(
            std::mem::take(&mut standing.answers)
                .into_iter()
                .map(stored),
        );
        sort_by_key(&mut answers, |answer| {
            (
                answer.fitting,
                answer.item,
                answer.weeks_after,
                answer.place,
            )
        });
        let settled = settle(
            answers,
            |a, b| (a.fitting, a.item, a.weeks_after) == (b.fitting, b.item, b.weeks_after),
            |a, b| a.score == b.score,
            |answer| answer.place,
        );
        self.contradictions(
            TableName::Outcomes,
            settled.contradictions.iter().map(|a| a.place),
        );
        self.waited.exact_repeats[TableName::Outcomes as usize] += settled.repeats;
        standing.rows[TableName::Outcomes as usize] = count(&settled.kept, |answer| answer.place);
        standing.answers = settled.kept;
    }

    fn contradictions(&mut self, table: TableName, places: impl Iterator<Item = Place>) {
        self.waited
            .issues
            .extend(places.map(|place| issue(table, place, Rule::Contradiction)));
    }

    /// What became of the rows, by table and place.
    pub(super) fn finish(mut self) -> Waited {
        self.waited.issues.par_sort_unstable();
        self.waited
    }
}

/// A record with a place.
trait Placed {
    fn place(&mut self) -> &mut Place;
}

impl Placed for EarRecord {
    fn place(&mut self) -> &mut Place {
        &mut self.place
    }
}

impl Placed for Curve {
    fn place(&mut self) -> &mut Place {
        &mut self.place
    }
}

impl Placed for Answer {
    fn place(&mut self) -> &mut Place {
        &mut self.place
    }
}

/// The record as one of the cohort's own, whichever delivery brought it.
fn stored<T: Placed>(mut record: T) -> T {
    *record.place() = STORE;
    record
}
