//! Invented deliveries, drawn at random: few fittings and few keys, so that rows meet often.

use std::collections::BTreeSet;

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::ears::{self, EarRow};

/// Random draws of one case.
pub(super) struct Draws(ChaCha8Rng);

impl Draws {
    pub(super) fn new(seed: u64) -> Self {
        Self(ChaCha8Rng::seed_from_u64(seed))
    }

    /// A number below `n`; 0 where `n` is 0.
    pub(super) fn below(&mut self, n: usize) -> usize {
        // The slight favour of small numbers does no harm here.
        usize::try_from(self.0.next_u64() % (n.max(1) as u64)).expect("below n")
    }

    pub(super) fn chance(&mut self, per_cent: usize) -> bool {
        self.below(100) < per_cent
    }

    pub(super) fn shuffle<T>(&mut self, items: &mut [T]) {
        for at in (1..items.len()).rev() {
            items.swap(at, self.below(at + 1));
        }
    }
}

/// A row of any table; numbers stand for values.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Row {
    /// `legible`: it breaks no rule.
    Fitting {
        id: usize,
        legible: bool,
        value: usize,
    },
    Ear(EarRow),
    /// `target`: the row has one.
    Point {
        id: usize,
        ear: usize,
        curve: usize,
        frequency: usize,
        target: bool,
        value: usize,
    },
    /// Item 3 is of an instrument that only one plan knows.
    Answer {
        id: usize,
        item: usize,
        value: usize,
    },
}

/// What tells rows apart: two with the same key speak of the same thing.
pub(super) type Key = (usize, usize, [usize; 3]);

impl Row {
    pub(super) fn fitting(&self) -> usize {
        match self {
            Self::Fitting { id, .. } | Self::Point { id, .. } | Self::Answer { id, .. } => *id,
            Self::Ear(row) => row.id,
        }
    }

    pub(super) fn key(&self) -> Key {
        match self {
            Self::Fitting { id, .. } => (0, *id, [0; 3]),
            Self::Ear(row) => (1, row.id, [row.ear, 0, 0]),
            Self::Point {
                id,
                ear,
                curve,
                frequency,
                ..
            } => (2, *id, [*ear, *curve, *frequency]),
            Self::Answer { id, item, .. } => (3, *id, [*item, 0, 0]),
        }
    }
}

/// A delivery: rows, and how they are written.
#[derive(Clone, Debug, Default)]
pub(super) struct Delivery {
    pub(super) rows: Vec<Row>,
    /// Responses in the wide form.
    pub(super) wide: bool,
    /// Read through a column map, which makes rows of the long form of the ears.
    pub(super) mapped: bool,
    /// A row that no other delivery has, so that no two are the same; it stays set aside for good.
    pub(super) mark: Option<usize>,
}

/// Draws a case: deliveries in their base order.
pub(super) fn deliveries(draws: &mut Draws) -> Vec<Delivery> {
    let mut out = vec![Delivery::default(); 2 + draws.below(4)];
    for delivery in &mut out {
        delivery.wide = draws.chance(30);
        delivery.mapped = draws.chance(25);
    }
    for id in 0..1 + draws.below(4) {
        draw_fitting(id, &mut out, draws);
    }
    // Exported anew, in another order of rows, and perhaps in another form.
    for _ in 0..draws.below(3) {
        let mut anew = out[draws.below(out.len())].clone();
        anew.wide = anew.wide || draws.chance(30);
        anew.mapped = draws.chance(25);
        out.insert(draws.below(out.len() + 1), anew);
    }
    for (number, delivery) in out.iter_mut().enumerate() {
        delivery.mark = Some(number);
        if delivery.wide {
            delivery.one_point_a_key();
        }
    }
    out
}

fn draw_fitting(id: usize, out: &mut [Delivery], draws: &mut Draws) {
    let any = |draws: &mut Draws, n: usize| draws.below(n);
    let mut refused = vec![false; out.len()];
    let always = any(draws, out.len());
    for (number, delivery) in out.iter_mut().enumerate() {
        let fitting = |value, legible| Row::Fitting { id, legible, value };
        let value = draws.below(6);
        if number == always || draws.chance(12) {
            delivery.rows.push(fitting(value, true));
        } else if draws.chance(6) {
            refused[number] = true;
            delivery.rows.push(fitting(value, false));
        } else if draws.chance(4) {
            refused[number] = true;
            delivery.rows.push(fitting(value, true));
            delivery.rows.push(fitting(value + 6, true));
        }
    }
    ears::draw(id, out, draws);
    let target = draws.chance(50);
    for _ in 0..draws.below(11) {
        let at = any(draws, out.len());
        let value = draws.below(3);
        let row = match draws.below(2) {
            0 => Row::Point {
                id,
                ear: draws.below(2),
                curve: draws.below(2),
                frequency: draws.below(3),
                target,
                value,
            },
            // What a refused fitting's answers wait for first is the fitting, and a correction of it is theirs; where
            // it is the instrument, the correction ends their wait. They are left out.
            _ => Row::Answer {
                id,
                item: draws.below(if refused[at] { 3 } else { 4 }),
                value,
            },
        };
        if draws.chance(30) {
            let copy = any(draws, out.len());
            if !(refused[copy] && matches!(row, Row::Answer { item: 3, .. })) {
                out[copy].rows.push(row.clone());
            }
        }
        out[at].rows.push(row);
    }
}

/// What every cohort begins with.
pub(super) fn opening() -> Delivery {
    Delivery {
        rows: vec![
            Row::Fitting {
                id: 99,
                legible: true,
                value: 0,
            },
            Row::Ear(EarRow::plain(99)),
        ],
        ..Delivery::default()
    }
}

impl Delivery {
    /// Rows of ears, as they are read: a row of the long form is one, however it is written.
    pub(super) fn ears(&self) -> u64 {
        let is_ear = |row: &&Row| matches!(row, Row::Ear(_));
        self.rows.iter().filter(is_ear).count() as u64
    }

    /// In the wide form a row with one point in dispute is set aside whole, which is another matter.
    fn one_point_a_key(&mut self) {
        let mut seen = BTreeSet::new();
        self.rows
            .retain(|row| !matches!(row, Row::Point { .. }) || seen.insert(row.key()));
    }
}
