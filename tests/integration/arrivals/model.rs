//! What is left of deliveries in their base order, by a short model, and which other orders end in the same set.

use std::collections::{BTreeMap, BTreeSet};

use super::drawn::{Delivery, Draws, Key, Row, opening};
use super::ear_model::{self, Aside};
use super::ears::EarRow;

/// What a case comes to.
pub(super) struct Model {
    /// Rows of the last record of each fitting, the last of each key; of ears, what is known of them in the end.
    rows: Vec<Row>,
    /// Deliveries of which the first has to come before the second.
    before: BTreeSet<(usize, usize)>,
    deliveries: usize,
}

/// What a delivery says of a fitting itself.
#[derive(Clone, Copy, PartialEq)]
enum Said {
    Nothing,
    Record,
    /// In a row that is set aside, or in two that contradict each other.
    Refused,
}

pub(super) fn of(deliveries: &[Delivery]) -> Model {
    let mut model = Model {
        rows: Vec::new(),
        before: BTreeSet::new(),
        deliveries: deliveries.len(),
    };
    for id in ids(deliveries.iter()) {
        model.add(id, deliveries);
    }
    model
}

fn ids<'a>(deliveries: impl Iterator<Item = &'a Delivery>) -> BTreeSet<usize> {
    deliveries
        .flat_map(|delivery| delivery.rows.iter().map(Row::fitting))
        .collect()
}

/// Which rows of ears are set aside once deliveries have come in this order, by delivery.
pub(super) fn ears_set_aside(deliveries: &[&Delivery]) -> Vec<Aside> {
    let mut out = vec![Aside::new(); deliveries.len()];
    for id in ids(deliveries.iter().copied()) {
        let said: Vec<Said> = deliveries.iter().map(|d| said(d, id)).collect();
        let last = said.iter().rposition(|said| *said == Said::Record);
        ear_model::set_aside(id, deliveries, &records_of(&said), last, &mut out);
    }
    out
}

fn said(delivery: &Delivery, id: usize) -> Said {
    let records: BTreeSet<&Row> = delivery
        .rows
        .iter()
        .filter(|row| row.fitting() == id && matches!(row, Row::Fitting { .. }))
        .collect();
    let all_legible = records
        .iter()
        .all(|row| matches!(row, Row::Fitting { legible: true, .. }));
    match records.len() {
        0 => Said::Nothing,
        1 if all_legible => Said::Record,
        _ => Said::Refused,
    }
}

/// To which record of the fitting the other rows of each delivery belong: by the number of the delivery that brings it.
fn records_of(said: &[Said]) -> Vec<Option<usize>> {
    let records: Vec<usize> = (0..said.len())
        .filter(|&number| said[number] == Said::Record)
        .collect();
    let next = |number| records.iter().copied().find(|&record| record > number);
    let there = |number| records.iter().copied().rfind(|&record| record <= number);
    (0..said.len())
        .map(|number| match said[number] {
            // They wait for the next record.
            Said::Refused => next(number),
            _ => there(number).or(next(number)),
        })
        .collect()
}

impl Model {
    fn add(&mut self, id: usize, deliveries: &[Delivery]) {
        let said: Vec<Said> = deliveries.iter().map(|d| said(d, id)).collect();
        let speak: Vec<usize> = (0..said.len())
            .filter(|&d| said[d] != Said::Nothing)
            .collect();
        for (at, first) in speak.iter().enumerate() {
            self.before
                .extend(speak[at + 1..].iter().map(|second| (*first, *second)));
        }
        let record_of = records_of(&said);
        let Some(last) = said.iter().rposition(|said| *said == Said::Record) else {
            return;
        };
        let corrected = said.iter().filter(|said| **said == Said::Record).count() > 1;
        for (number, delivery) in deliveries.iter().enumerate() {
            let mut rows = delivery.rows.iter().filter(|row| row.fitting() == id);
            if number == last || !rows.any(|row| !matches!(row, Row::Fitting { .. })) {
                continue;
            }
            // Other rows stay with their record.
            if record_of[number] == Some(last) {
                if corrected && number > last {
                    self.before.insert((last, number));
                }
            } else if number < last {
                self.before.insert((number, last));
            }
        }
        let of_last = || {
            let numbered = deliveries.iter().enumerate();
            numbered.filter(|(number, _)| record_of[*number] == Some(last))
        };
        self.add_ears(id, of_last());
        self.add_others(id, last, of_last());
    }

    fn add_ears<'a>(&mut self, id: usize, of_last: impl Iterator<Item = (usize, &'a Delivery)>) {
        for (ear, told) in ear_model::told(id, of_last) {
            for (at, (first, one)) in told.iter().enumerate() {
                let later = told[at + 1..].iter();
                let later = later.filter(|(_, other)| one.order_matters(other));
                self.before
                    .extend(later.map(|(second, _)| (*first, *second)));
            }
            self.rows.extend(ear_model::known(&told).map(|said| {
                Row::Ear(EarRow {
                    id,
                    ear,
                    long: false,
                    said,
                })
            }));
        }
    }

    /// Rows that have a key: the later one stands.
    fn add_others<'a>(
        &mut self,
        id: usize,
        last: usize,
        of_last: impl Iterator<Item = (usize, &'a Delivery)>,
    ) {
        let mut by_key: BTreeMap<Key, Vec<(usize, &Row)>> = BTreeMap::new();
        for (number, delivery) in of_last {
            let mut said: BTreeMap<Key, BTreeSet<&Row>> = BTreeMap::new();
            for row in delivery.rows.iter().filter(|row| row.fitting() == id) {
                let has_key = match row {
                    Row::Fitting { .. } => number == last,
                    Row::Ear(_) => false,
                    Row::Point { .. } | Row::Answer { .. } => true,
                };
                if has_key {
                    said.entry(row.key()).or_default().insert(row);
                }
            }
            // Rows of one delivery that contradict each other are never stored.
            for (key, rows) in said {
                if let (1, Some(row)) = (rows.len(), rows.first()) {
                    by_key.entry(key).or_default().push((number, row));
                }
            }
        }
        for rows in by_key.into_values() {
            for (at, (first, one)) in rows.iter().enumerate() {
                for (second, other) in &rows[at + 1..] {
                    if one != other {
                        self.before.insert((*first, *second));
                    }
                }
            }
            self.rows.extend(rows.last().map(|(_, row)| (*row).clone()));
        }
    }

    /// What is left, as one delivery.
    pub(super) fn left(&self) -> Delivery {
        let mut left = opening();
        left.rows.extend(self.rows.iter().cloned());
        left
    }
}

/// Another order that ends in the same set; the base order where a few draws find no other.
pub(super) fn another_order(model: &Model, draws: &mut Draws) -> Vec<usize> {
    (0..8)
        .map(|_| an_order(model, draws))
        .find(|order| !order.is_sorted())
        .unwrap_or_else(|| (0..model.deliveries).collect())
}

/// At each step any delivery whose predecessors are there.
fn an_order(model: &Model, draws: &mut Draws) -> Vec<usize> {
    let mut left: Vec<usize> = (0..model.deliveries).collect();
    let mut order = Vec::new();
    while !left.is_empty() {
        let free: Vec<usize> = left
            .iter()
            .copied()
            .filter(|&later| !left.iter().any(|&d| model.before.contains(&(d, later))))
            .collect();
        let next = free[draws.below(free.len())];
        left.retain(|&delivery| delivery != next);
        order.push(next);
    }
    order
}
