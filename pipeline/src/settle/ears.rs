//! Settles the rows of ears. In the wide form a row is an ear; in the long form a row is a threshold, and the rows of an
//! ear may stand apart in a file, come from several files, stand beside a row of the wide form, or belong to an ear of the
//! cohort. They are joined.

use super::order::sort_by_key;
use super::settle;
use crate::records::{EarRecord, Place, RowIssue};
use crate::rules::Rule;
use crate::vocabulary::{N_FREQUENCIES, TableName};

/// What became of the rows of ears.
pub(super) struct SettledEars {
    /// The ears, by fitting and side; each says whether it was fitted.
    pub(super) ears: Vec<EarRecord>,
    /// Rows of the delivery that are stored.
    pub(super) rows_stored: u64,
    /// Rows that say again what another said.
    pub(super) repeats: u64,
    /// Parts of ears of which nothing says whether they were fitted.
    pub(super) left: Vec<EarRecord>,
}

/// When rows came that are to be joined to an ear that stands already.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Came {
    /// After it: what they say replaces what it says.
    After,
    /// Before it: they say only what it leaves open.
    Before,
}

/// Calls back with the place of each row of a record that has a threshold in the mask; a row of the wide form is one,
/// whatever the mask.
pub(super) fn each_row_place(record: &EarRecord, mask: u16, mut place: impl FnMut(Place)) {
    if !record.long {
        place(record.place);
        return;
    }
    for position in positions(record.tested & mask) {
        place(record.place_of(position));
    }
}

/// Positions of a mask, in order.
fn positions(mask: u16) -> impl Iterator<Item = usize> {
    (0..N_FREQUENCIES).filter(move |position| mask & (1 << position) != 0)
}

/// Sorts records and joins those of one ear; takes out repeats, contradictions, and parts of ears of which nothing says
/// whether they were fitted.
pub(super) fn settle_ears(
    mut ears: Vec<EarRecord>,
    came: Came,
    issues: &mut Vec<RowIssue>,
) -> SettledEars {
    sort_by_key(&mut ears, |record| {
        (record.fitting, record.ear, record.place)
    });
    let mut out = SettledEars {
        ears: Vec::new(),
        rows_stored: 0,
        repeats: 0,
        left: Vec::new(),
    };
    if !ears.iter().any(|record| record.long) {
        settle_whole_rows(ears, issues, &mut out);
        return out;
    }
    let mut whole = Vec::with_capacity(ears.len());
    let mut joined = Vec::new();
    let mut group: Vec<EarRecord> = Vec::new();
    let mut close = |group: &mut Vec<EarRecord>| {
        if group.iter().any(|record| record.long) {
            let parts = Parts::new(std::mem::take(group), came);
            joined.extend(parts.settle(issues, &mut out));
        } else {
            whole.append(group);
        }
    };
    for record in ears {
        if group
            .last()
            .is_some_and(|last| (last.fitting, last.ear) != (record.fitting, record.ear))
        {
            close(&mut group);
        }
        group.push(record);
    }
    close(&mut group);
    settle_whole_rows(whole, issues, &mut out);
    out.ears.append(&mut joined);
    sort_by_key(&mut out.ears, |record| (record.fitting, record.ear));
    out
}

/// Settles ears of which every row is of the wide form.
fn settle_whole_rows(ears: Vec<EarRecord>, issues: &mut Vec<RowIssue>, out: &mut SettledEars) {
    let settled = settle(
        ears,
        |a, b| (a.fitting, a.ear) == (b.fitting, b.ear),
        EarRecord::says_the_same,
        |record| record.place,
    );
    out.repeats += settled.repeats;
    out.rows_stored += super::count(&settled.kept, |record| record.place);
    for record in &settled.contradictions {
        set_aside(record, Rule::Contradiction, issues);
    }
    out.ears = settled.kept;
}

pub(super) fn set_aside(record: &EarRecord, rule: Rule, issues: &mut Vec<RowIssue>) {
    set_aside_at(record, u16::MAX, rule, issues);
}

fn set_aside_at(record: &EarRecord, mask: u16, rule: Rule, issues: &mut Vec<RowIssue>) {
    each_row_place(record, mask, |place| {
        issues.push(RowIssue {
            table: TableName::Ears,
            place,
            column: None,
            rule,
        });
    });
}

/// What was said of one ear, some of it in the long form.
struct Parts {
    /// Of the delivery, by place.
    new: Vec<EarRecord>,
    /// Of the cohort.
    stored: Option<EarRecord>,
    came: Came,
}

/// What rows disagree about.
#[derive(Default)]
struct Disputed {
    thresholds: u16,
    fitted: bool,
    coupling: bool,
    style: bool,
    /// Rows of the wide form among each other: as ever, they have to say the same in all.
    whole_rows: bool,
}

impl Disputed {
    /// Positions whose rows are set aside.
    fn of(&self, part: &EarRecord) -> u16 {
        let all = self.fitted && part.fitted.is_some()
            || self.coupling && part.coupling.is_some()
            || self.style && part.style.is_some()
            || self.whole_rows && !part.long;
        if all {
            u16::MAX
        } else {
            self.thresholds & part.tested
        }
    }
}

/// Whether what is said is said differently somewhere.
fn differs<T: PartialEq>(said: impl Iterator<Item = Option<T>>) -> bool {
    let mut said = said.flatten();
    said.next()
        .is_some_and(|first| said.any(|other| other != first))
}

impl Parts {
    fn new(mut group: Vec<EarRecord>, came: Came) -> Self {
        let stored = group.pop_if(|record| record.place.is_store());
        Self {
            new: group,
            stored,
            came,
        }
    }

    fn settle(
        mut self,
        issues: &mut Vec<RowIssue>,
        account: &mut SettledEars,
    ) -> Option<EarRecord> {
        let disputed = self.disputed();
        self.new.retain_mut(|part| {
            let mask = disputed.of(part);
            if mask == 0 {
                return true;
            }
            set_aside_at(part, mask, Rule::Contradiction, issues);
            part.clear(mask);
            part.long && part.tested != 0
        });
        let known = |record: &EarRecord| record.fitted.is_some();
        if !self.new.iter().chain(&self.stored).any(known) {
            account.left.append(&mut self.new);
            return None;
        }
        self.join(account)
    }

    fn disputed(&self) -> Disputed {
        let all = || self.new.iter();
        let mut whole_rows = self.new.iter().filter(|part| !part.long);
        let first = whole_rows.next();
        Disputed {
            thresholds: (0..N_FREQUENCIES)
                .filter(|&position| differs(all().map(|part| part.point(position))))
                .fold(0, |mask, position| mask | (1 << position)),
            fitted: differs(all().map(|part| part.fitted)),
            coupling: differs(all().map(|part| part.coupling)),
            style: differs(all().map(|part| part.style.as_deref())),
            whole_rows: first
                .is_some_and(|first| whole_rows.any(|other| !first.says_the_same(other))),
        }
    }

    /// Joins parts that agree, and counts their rows.
    fn join(self, account: &mut SettledEars) -> Option<EarRecord> {
        let Some(first) = self.new.first() else {
            return self.stored;
        };
        let whole = self.new.iter().find(|part| !part.long);
        // A row of the wide form says all there is of an ear: where it is later, it replaces the cohort's.
        let base = self.stored.filter(|stored| {
            self.came == Came::Before || whole.is_none_or(|whole| whole.says_the_same(stored))
        });
        let mut ear = base.unwrap_or_else(|| EarRecord::new(first.fitting, first.ear, first.place));
        let mut add = |part: &EarRecord, mask: u16, place: Place| {
            if is_said(&ear, part, mask) {
                account.repeats += 1;
                return;
            }
            account.rows_stored += 1;
            if ear.place.is_store() {
                ear.place = place;
            }
            let before = self.came == Came::Before;
            for position in positions(mask) {
                if let Some((threshold, censored)) = part.point(position)
                    && !(before && ear.point(position).is_some())
                {
                    ear.set(position, threshold, censored);
                }
            }
            if before {
                ear.fitted = ear.fitted.or(part.fitted);
                ear.coupling = ear.coupling.or(part.coupling);
                ear.style = ear.style.take().or_else(|| part.style.clone());
                return;
            }
            ear.fitted = part.fitted.or(ear.fitted);
            ear.coupling = part.coupling.or(ear.coupling);
            if part.style.is_some() {
                ear.style.clone_from(&part.style);
            }
        };
        for part in &self.new {
            if !part.long {
                add(part, part.tested, part.place);
                continue;
            }
            let mut rows: Vec<usize> = positions(part.tested).collect();
            rows.sort_unstable_by_key(|&position| part.place_of(position));
            for position in rows {
                add(part, 1 << position, part.place_of(position));
            }
        }
        Some(ear)
    }
}

/// Whether an ear already says what the row of a part says: the thresholds of a mask, and what holds for the whole ear.
fn is_said(ear: &EarRecord, part: &EarRecord, mask: u16) -> bool {
    positions(mask).all(|position| part.point(position) == ear.point(position))
        && (part.fitted.is_none() || part.fitted == ear.fitted)
        && (part.coupling.is_none() || part.coupling == ear.coupling)
        && (part.style.is_none() || part.style == ear.style)
}
