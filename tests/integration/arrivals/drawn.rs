//! Invented deliveries, drawn at random: few fittings and few keys, so that rows meet often.

use std::collections::BTreeMap;
use std::io::Write;

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::workspace::Workspace;

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
    Ear {
        id: usize,
        ear: usize,
        value: usize,
    },
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
            Self::Fitting { id, .. }
            | Self::Ear { id, .. }
            | Self::Point { id, .. }
            | Self::Answer { id, .. } => *id,
        }
    }

    pub(super) fn key(&self) -> Key {
        match self {
            Self::Fitting { id, .. } => (0, *id, [0; 3]),
            Self::Ear { id, ear, .. } => (1, *id, [*ear, 0, 0]),
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
    /// A row that no other delivery has, so that no two are the same; it stays set aside for good.
    pub(super) mark: Option<usize>,
}

const EARS: [&str; 2] = ["left", "right"];
const CURVES: [&str; 2] = ["final,REIG,65", "first,REAR,50"];
const FREQUENCIES: [u16; 3] = [250, 1000, 4000];
const QUARTERS: [&str; 3] = ["2026-Q1", "2026-05-04", "2027-02"];
const ANSWERS: [&str; 4] = [
    "ioi-ha,4",
    "ioi-ha,7",
    "use-log,hours_per_day",
    "comfort,overall",
];

/// Draws a case: deliveries in their base order.
pub(super) fn deliveries(draws: &mut Draws) -> Vec<Delivery> {
    let mut out = vec![Delivery::default(); 2 + draws.below(4)];
    for delivery in &mut out {
        delivery.wide = draws.chance(30);
    }
    for id in 0..1 + draws.below(4) {
        draw_fitting(id, &mut out, draws);
    }
    // Exported anew, in another order of rows, and perhaps in another form.
    for _ in 0..draws.below(3) {
        let mut anew = out[draws.below(out.len())].clone();
        anew.wide = anew.wide || draws.chance(30);
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
    let target = draws.chance(50);
    for _ in 0..draws.below(14) {
        let at = any(draws, out.len());
        let value = draws.below(3);
        let row = match draws.below(5) {
            0 => Row::Ear {
                id,
                ear: draws.below(2),
                value,
            },
            1 | 2 => Row::Point {
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
            Row::Ear {
                id: 99,
                ear: 0,
                value: 0,
            },
        ],
        ..Delivery::default()
    }
}

impl Delivery {
    /// In the wide form a row with one point in dispute is set aside whole, which is another matter.
    fn one_point_a_key(&mut self) {
        let mut seen = std::collections::BTreeSet::new();
        self.rows
            .retain(|row| !matches!(row, Row::Point { .. }) || seen.insert(row.key()));
    }

    /// Writes the delivery: tables that have rows, each in one file or two, plain or packed, rows in any order.
    pub(super) fn write(&self, workspace: &Workspace, name: &str, draws: &mut Draws) {
        let mut tables: BTreeMap<&str, (String, Vec<String>)> = BTreeMap::new();
        let mut add = |table, header: &str, row: String| {
            let (_, rows) = tables
                .entry(table)
                .or_insert_with(|| (header.to_owned(), Vec::new()));
            rows.push(row);
        };
        for row in &self.rows {
            match row {
                Row::Fitting { .. } => add("fittings", FITTINGS, fitting_text(row)),
                Row::Ear { id, ear, value } => add(
                    "ears",
                    "fitting_id,ear,fitted,threshold_1000,style",
                    format!("F{id},{},true,{},style-{value}", EARS[*ear], 40 + value),
                ),
                Row::Point {
                    id,
                    ear,
                    curve,
                    frequency,
                    target,
                    value,
                } if !self.wide => {
                    let target = if *target {
                        (20 + value).to_string()
                    } else {
                        String::new()
                    };
                    add(
                        "responses",
                        "fitting_id,ear,stage,quantity,input_level_db,frequency_hz,target_db,measured_db",
                        format!(
                            "F{id},{},{},{},{target},{}",
                            EARS[*ear],
                            CURVES[*curve],
                            FREQUENCIES[*frequency],
                            25 + 3 * value
                        ),
                    );
                }
                Row::Point { .. } => {}
                Row::Answer { id, item, value } => add(
                    "outcomes",
                    "fitting_id,instrument,item,score",
                    format!("F{id},{},{}", ANSWERS[*item], 1 + value),
                ),
            }
        }
        for row in self.wide_rows() {
            add("responses", WIDE, row);
        }
        if let Some(mark) = self.mark {
            let row = match mark % 2 {
                0 => format!("X{mark},ioi-ha,4,3"),
                _ => format!("X{mark},ioi-ha,4,{}", 10 + mark),
            };
            add("outcomes", "fitting_id,instrument,item,score", row);
        }
        for (table, (header, mut rows)) in tables {
            draws.shuffle(&mut rows);
            let cut = if draws.chance(30) {
                draws.below(rows.len())
            } else {
                0
            };
            let (first, second) = rows.split_at(cut);
            for (part, rows) in [("-1", first), ("", second)] {
                if rows.is_empty() {
                    continue;
                }
                let text = format!("{header}\n{}\n", rows.join("\n"));
                if draws.chance(20) {
                    let mut packed =
                        flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
                    packed.write_all(text.as_bytes()).expect("memory");
                    let bytes = packed.finish().expect("memory");
                    workspace.write(&format!("{name}/{table}{part}.csv.gz"), bytes);
                } else {
                    workspace.write(&format!("{name}/{table}{part}.csv"), text);
                }
            }
        }
    }

    /// A row a curve.
    fn wide_rows(&self) -> Vec<String> {
        let mut curves: BTreeMap<(usize, usize, usize), [[String; 3]; 2]> = BTreeMap::new();
        for row in self.rows.iter().filter(|_| self.wide) {
            if let Row::Point {
                id,
                ear,
                curve,
                frequency,
                target,
                value,
            } = row
            {
                let [targets, measured] = curves.entry((*id, *ear, *curve)).or_default();
                if *target {
                    targets[*frequency] = (20 + value).to_string();
                }
                measured[*frequency] = (25 + 3 * value).to_string();
            }
        }
        curves
            .into_iter()
            .map(|((id, ear, curve), [targets, measured])| {
                format!(
                    "F{id},{},{},{},{}",
                    EARS[ear],
                    CURVES[curve],
                    targets.join(","),
                    measured.join(",")
                )
            })
            .collect()
    }
}

const FITTINGS: &str =
    "fitting_id,patient_id,clinic_id,clinician_id,fitted_on,age_years,prescription,x_region";
const WIDE: &str = "fitting_id,ear,stage,quantity,input_level_db,target_250,target_1000,target_4000,measured_250,measured_1000,measured_4000";

fn fitting_text(row: &Row) -> String {
    let Row::Fitting { id, legible, value } = row else {
        return String::new();
    };
    let date = if *legible {
        QUARTERS[value % 3]
    } else {
        "one day"
    };
    // Most have a prescription, without which targets are set aside.
    let prescription = if value % 6 == 5 { "" } else { "NAL-R" };
    let region = ["", "coast"][value % 2];
    format!(
        "F{id},P{id},north,anna-1,{date},{},{prescription},{region}",
        60 + value
    )
}
