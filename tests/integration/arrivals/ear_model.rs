//! What is left of rows of ears, by a short model of README's rules: rows of one ear are joined, a later delivery's row of
//! the wide form replaces what stands, and what nothing says yet whether it was fitted waits.

use std::collections::{BTreeMap, BTreeSet};

use super::drawn::{Delivery, Row};
use super::ears::{EarRow, Said};

impl Said {
    /// One value for each thing that may be said.
    fn values(&self) -> [Option<usize>; 6] {
        let [low, middle, high] = self.thresholds;
        let fitted = self.fitted.map(usize::from);
        [fitted, self.coupling, self.style, low, middle, high]
    }

    fn of_values([fitted, coupling, style, low, middle, high]: [Option<usize>; 6]) -> Self {
        Self {
            fitted: fitted.map(|fitted| fitted == 1),
            coupling,
            style,
            thresholds: [low, middle, high],
        }
    }

    /// What this says, and what another says where this is silent.
    fn or(&self, other: &Self) -> Self {
        let mut values = self.values();
        for (value, otherwise) in values.iter_mut().zip(other.values()) {
            *value = value.or(otherwise);
        }
        Self::of_values(values)
    }

    fn contradicts(&self, other: &Self) -> bool {
        let mut both = self.values().into_iter().zip(other.values());
        both.any(|(one, other)| one.is_some() && other.is_some() && one != other)
    }
}

/// What one delivery says of one ear.
pub(super) struct Told {
    /// What its rows say that no other of its rows says otherwise; none where no such row is there.
    said: Option<Said>,
    /// A row of the wide form is among them.
    whole: bool,
    /// Only rows of the wide form are among them.
    only_whole: bool,
    /// Rows read.
    rows: u64,
    /// Rows that another row of the delivery contradicts.
    contradicted: u64,
}

impl Told {
    fn of(rows: &[&EarRow]) -> Self {
        let silent = Said::default();
        let mut told = Self {
            said: None,
            whole: false,
            only_whole: true,
            rows: rows.len() as u64,
            contradicted: 0,
        };
        for row in rows {
            // Rows of the wide form have to say the same in all; others may be silent about what another says.
            let contradicts = |other: &&EarRow| {
                row.said.contradicts(&other.said)
                    || !row.long && !other.long && row.said != other.said
            };
            if rows.iter().any(contradicts) {
                told.contradicted += 1;
                continue;
            }
            told.said = Some(told.said.as_ref().unwrap_or(&silent).or(&row.said));
            told.whole |= !row.long;
            told.only_whole &= !row.long;
        }
        told
    }

    /// Whether it matters which of two deliveries came first.
    pub(super) fn order_matters(&self, other: &Self) -> bool {
        let (Some(one), Some(two)) = (&self.said, &other.said) else {
            return false;
        };
        if self.whole || other.whole {
            return !(self.only_whole && other.only_whole && one == two);
        }
        one.contradicts(two)
    }
}

/// What deliveries say of each ear of a fitting, by number of the delivery.
pub(super) type ByEar = BTreeMap<usize, Vec<(usize, Told)>>;

/// Gathers what deliveries, each with its number, say of the ears of a fitting, in their order.
pub(super) fn told<'a>(id: usize, of: impl Iterator<Item = (usize, &'a Delivery)>) -> ByEar {
    let mut out = ByEar::new();
    for (number, delivery) in of {
        let mut by_ear: BTreeMap<usize, Vec<&EarRow>> = BTreeMap::new();
        for row in &delivery.rows {
            if let Row::Ear(row) = row
                && row.id == id
            {
                by_ear.entry(row.ear).or_default().push(row);
            }
        }
        for (ear, rows) in by_ear {
            let told = Told::of(&rows);
            out.entry(ear).or_default().push((number, told));
        }
    }
    out
}

/// What is known of an ear in the end; none where nothing says whether it was fitted.
pub(super) fn known(told: &[(usize, Told)]) -> Option<Said> {
    let mut ear: Option<Said> = None;
    let mut waiting = Said::default();
    for (_, told) in told {
        let Some(said) = &told.said else { continue };
        ear = match ear.take() {
            Some(_) if told.whole => Some(said.clone()),
            Some(before) => Some(said.or(&before)),
            // What waited says only what is left open.
            None if said.fitted.is_some() => Some(said.or(&waiting)),
            None => {
                waiting = said.or(&waiting);
                None
            }
        };
    }
    ear
}

/// Rows of ears set aside by rule, and those of them that wait.
pub(super) type Aside = BTreeMap<&'static str, (u64, u64)>;

/// Which rows of ears of one fitting are set aside in the end, by number of the delivery. `record_of` says for each
/// delivery to which record of the fitting its rows belong, if that came; the last record is `last`.
pub(super) fn set_aside(
    id: usize,
    deliveries: &[&Delivery],
    record_of: &[Option<usize>],
    last: Option<usize>,
    out: &mut [Aside],
) {
    let mut add = |number: usize, rule, rows: u64, waits: bool| {
        if rows > 0 {
            let entry: &mut (u64, u64) = out[number].entry(rule).or_default();
            entry.0 += rows;
            entry.1 += if waits { rows } else { 0 };
        }
    };
    let records: BTreeSet<Option<usize>> = record_of.iter().copied().collect();
    for record in records {
        let of_it = deliveries.iter().copied().enumerate();
        let of_it = of_it.filter(|(number, _)| record_of[*number] == record);
        for told in told(id, of_it).into_values() {
            let stands = known(&told).is_some();
            for (number, told) in told {
                if record.is_none() {
                    add(number, "orphan", told.rows, true);
                    continue;
                }
                add(number, "contradiction", told.contradicted, false);
                if !stands {
                    let rows = told.rows - told.contradicted;
                    // Rows of an earlier record wait no longer.
                    add(number, "orphan-ear", rows, record == last);
                }
            }
        }
    }
}
