//! What is left of deliveries in their base order, by a short model, and which other orders end in the same set.

use std::collections::{BTreeMap, BTreeSet};

use super::drawn::{Delivery, Draws, Key, Row, opening};

/// What a case comes to.
pub(super) struct Model {
    /// Rows of the last record of each fitting, the last of each key.
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
    let ids: BTreeSet<usize> = deliveries
        .iter()
        .flat_map(|delivery| delivery.rows.iter().map(Row::fitting))
        .collect();
    for id in ids {
        model.add(id, deliveries);
    }
    model
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
        let records: Vec<usize> = (0..said.len())
            .filter(|&d| said[d] == Said::Record)
            .collect();
        let Some(&last) = records.last() else {
            return;
        };
        let corrected = records.len() > 1;
        // The last record, and the rows that belong to it.
        let mut of_last: BTreeMap<Key, Vec<(usize, Row)>> = BTreeMap::new();
        for (number, delivery) in deliveries.iter().enumerate() {
            let mut by_key: BTreeMap<Key, BTreeSet<&Row>> = BTreeMap::new();
            for row in delivery.rows.iter().filter(|row| row.fitting() == id) {
                by_key.entry(row.key()).or_default().insert(row);
            }
            // Rows of one delivery that contradict each other are never stored.
            let mut rows = by_key
                .into_values()
                .filter(|rows| rows.len() == 1)
                .flatten();
            let kids = |row: &&Row| !matches!(row, Row::Fitting { .. });
            let belongs = match said[number] {
                Said::Refused => {
                    // They wait for the next record.
                    records.iter().find(|&&record| record > number) == Some(&last)
                }
                _ => number >= last || !corrected,
            };
            if number == last {
                for row in rows {
                    of_last
                        .entry(row.key())
                        .or_default()
                        .push((number, row.clone()));
                }
            } else if belongs {
                let rows: Vec<&Row> = rows.filter(kids).collect();
                if corrected && number > last && !rows.is_empty() {
                    self.before.insert((last, number));
                }
                for row in rows {
                    of_last
                        .entry(row.key())
                        .or_default()
                        .push((number, row.clone()));
                }
            } else if number < last && rows.any(|row| kids(&row)) {
                self.before.insert((number, last));
            }
        }
        for rows in of_last.into_values() {
            for (at, (first, one)) in rows.iter().enumerate() {
                for (second, other) in &rows[at + 1..] {
                    if one != other {
                        self.before.insert((*first, *second));
                    }
                }
            }
            self.rows.extend(rows.last().map(|(_, row)| row.clone()));
        }
    }

    /// What is left, as one delivery.
    pub(super) fn left(&self) -> Delivery {
        let mut left = opening();
        left.rows.extend(self.rows.iter().cloned());
        left
    }
}

/// Another order that ends in the same set: at each step any delivery whose predecessors are there.
pub(super) fn another_order(model: &Model, draws: &mut Draws) -> Vec<usize> {
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
