//! Which bad rows are planted, and where.
//!
//! Bad rows are always extra: no good row changes, and none that another row hangs on is spoiled. Most
//! of them stand right after the rows of a fitting (the *host*) whose id they carry. Three kinds
//! need a fitting of another shape than the invented ones have; those hang on *extra* fittings, valid but
//! for the planted row, at the end of the tables. The only good rows that are lost are the one outcome or
//! loud response that each contradiction takes with it.

use std::collections::BTreeSet;

use crate::draws::{Draws, Purpose};
use crate::fitting::{Fitting, Model};
use crate::real_ear::{AVERAGE, LEVELS_DB_SPL, Stage};
use crate::rows::Table;

/// A rule that a planted row breaks, or an exact repeat, which breaks none.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Fault {
    FieldCount,
    Required,
    IdentifierShape,
    NotADate,
    NotANumber,
    NotWhole,
    OutOfRange,
    UnknownWord,
    LabelShape,
    FrequencyNotKept,
    UnknownInstrument,
    UnknownItem,
    Orphan,
    OrphanEar,
    TargetWithoutPrescription,
    Contradiction,
    ExactRepeat,
}

impl Fault {
    /// Code of the rule in the delivery format; none for an exact repeat.
    pub(crate) fn code(self) -> Option<&'static str> {
        Some(match self {
            Self::FieldCount => "field-count",
            Self::Required => "required",
            Self::IdentifierShape => "identifier-shape",
            Self::NotADate => "not-a-date",
            Self::NotANumber => "not-a-number",
            Self::NotWhole => "not-whole",
            Self::OutOfRange => "out-of-range",
            Self::UnknownWord => "unknown-word",
            Self::LabelShape => "label-shape",
            Self::FrequencyNotKept => "frequency-not-kept",
            Self::UnknownInstrument => "unknown-instrument",
            Self::UnknownItem => "unknown-item",
            Self::Orphan => "orphan",
            Self::OrphanEar => "orphan-ear",
            Self::TargetWithoutPrescription => "target-without-prescription",
            Self::Contradiction => "contradiction",
            Self::ExactRepeat => return None,
        })
    }
}

/// What each table gets.
fn faults(table: Table) -> &'static [Fault] {
    use Fault::*;
    match table {
        Table::Fittings => &[
            FieldCount,
            Required,
            IdentifierShape,
            NotADate,
            NotANumber,
            NotWhole,
            OutOfRange,
            UnknownWord,
            LabelShape,
            ExactRepeat,
        ],
        Table::Ears => &[
            FieldCount,
            Required,
            NotANumber,
            OutOfRange,
            UnknownWord,
            LabelShape,
            Orphan,
            ExactRepeat,
        ],
        Table::Responses => &[
            FieldCount,
            Required,
            NotANumber,
            OutOfRange,
            UnknownWord,
            FrequencyNotKept,
            Orphan,
            OrphanEar,
            TargetWithoutPrescription,
            Contradiction,
            ExactRepeat,
        ],
        Table::Outcomes => &[
            FieldCount,
            Required,
            NotANumber,
            NotWhole,
            OutOfRange,
            UnknownInstrument,
            UnknownItem,
            Orphan,
            Contradiction,
            ExactRepeat,
        ],
    }
}

/// One planted row.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Planting {
    /// Number of the fitting after whose rows it stands.
    pub(crate) host: u64,
    pub(crate) table: Table,
    pub(crate) fault: Fault,
    /// Number among all plantings of the table: makes each bad row differ from every other.
    pub(crate) serial: u64,
}

/// All plantings, by host; and the extra fittings.
pub(crate) struct Plan {
    /// Sorted.
    plantings: Vec<Planting>,
    /// Extra fittings with an ears row for the right ear only; their numbers follow the scenario's.
    pub(crate) one_ear: u64,
    /// Extra fittings without a prescription; their numbers follow those.
    pub(crate) no_prescription: u64,
}

/// Good rows for each fitting, roughly: for the number of planted rows only.
fn rows_for_each_fitting(table: Table) -> f64 {
    match table {
        Table::Fittings => 1.0,
        Table::Ears => 2.0,
        Table::Responses => 80.0,
        Table::Outcomes => 5.0,
    }
}

/// Tries at finding a host for a planting that does not depend on one.
const TRIES: u64 = 50;
/// Tries where a contradiction or repeat needs a good row to stand against.
const TRIES_FOR_A_ROW: u64 = 2_000;

impl Plan {
    pub(crate) fn new(model: &Model) -> Self {
        let rate = model.scenario.planted_errors;
        let fittings = model.scenario.fittings;
        let mut plan = Self {
            plantings: Vec::new(),
            one_ear: 0,
            no_prescription: 0,
        };
        if rate <= 0.0 {
            return plan;
        }
        // Few extra fittings, so that they hardly show in the cohort.
        plan.one_ear = 1 + (rate * fittings as f64 / 4.0) as u64;
        plan.no_prescription = plan.one_ear;
        let mut draws = Draws::new(model.scenario.seed, Purpose::Planting, 0);
        let mut taken = BTreeSet::new();
        for table in Table::ALL {
            let rows = rate * fittings as f64 * rows_for_each_fitting(table);
            let each = (rows / faults(table).len() as f64).round().max(1.0) as u64;
            let mut serial = 0;
            for &fault in faults(table) {
                for _ in 0..each {
                    let host = plan.host(model, table, fault, serial, &mut draws, &mut taken);
                    if let Some(host) = host {
                        plan.plantings.push(Planting {
                            host,
                            table,
                            fault,
                            serial,
                        });
                        serial += 1;
                    }
                }
            }
        }
        plan.plantings.sort_unstable();
        plan
    }

    /// A fitting to plant on. None where a contradiction or repeat finds no good row that is still free.
    fn host(
        &self,
        model: &Model,
        table: Table,
        fault: Fault,
        serial: u64,
        draws: &mut Draws,
        taken: &mut BTreeSet<(Table, Fault, u64)>,
    ) -> Option<u64> {
        let fittings = model.scenario.fittings;
        match (table, fault) {
            (_, Fault::OrphanEar) => return Some(fittings + serial % self.one_ear),
            (_, Fault::TargetWithoutPrescription) => {
                return Some(fittings + self.one_ear + serial % self.no_prescription);
            }
            // A bad row for an ear that has a good one would break two rules.
            (Table::Ears, fault) if !matches!(fault, Fault::Orphan | Fault::ExactRepeat) => {
                return Some(fittings + serial % self.one_ear);
            }
            _ => {}
        }
        let needs_a_row = matches!(fault, Fault::Contradiction | Fault::ExactRepeat);
        let start = draws.below(fittings);
        let tries = if needs_a_row { TRIES_FOR_A_ROW } else { TRIES };
        let found = (0..tries.min(fittings))
            .map(|step| (start + step) % fittings)
            .find(|&host| match (table, fault) {
                (_, Fault::Contradiction | Fault::ExactRepeat) => {
                    !taken.contains(&(table, fault, host))
                        && has_row(&model.fitting(host), table, fault)
                }
                // Better where nothing was answered, so that nothing else has its key.
                (Table::Outcomes, _) => !model.fitting(host).answers.answered,
                _ => true,
            });
        if needs_a_row {
            taken.insert((table, fault, found?));
            return found;
        }
        Some(found.unwrap_or(start))
    }

    /// Plantings on one fitting, in the order of tables.
    pub(crate) fn on(&self, host: u64) -> &[Planting] {
        let from = self.plantings.partition_point(|p| p.host < host);
        let rest = self.plantings.get(from..).unwrap_or_default();
        let until = rest.partition_point(|p| p.host == host);
        rest.get(..until).unwrap_or_default()
    }
}

/// Whether a fitting has a good row that a contradiction or repeat can stand against.
fn has_row(fitting: &Fitting, table: Table, fault: Fault) -> bool {
    match table {
        Table::Fittings | Table::Ears => true,
        Table::Responses => response_to_use(fitting, fault, 0).is_some(),
        Table::Outcomes => answer_to_use(fitting, fault).is_some(),
    }
}

/// Place among the fitting's points of the response to contradict (a loud one, so that no headline
/// measure loses a point) or to repeat (an average one).
pub(crate) fn response_to_use(fitting: &Fitting, fault: Fault, serial: u64) -> Option<usize> {
    let level = match fault {
        Fault::Contradiction => LEVELS_DB_SPL[2],
        _ => LEVELS_DB_SPL[AVERAGE],
    };
    let usable: Vec<usize> = fitting
        .points
        .iter()
        .enumerate()
        .filter(|(_, point)| point.level_db == level && point.stage == Stage::Final)
        .map(|(place, _)| place)
        .collect();
    let nth = serial.checked_rem(usable.len() as u64)?;
    usable.get(nth as usize).copied()
}

/// Item and score to contradict (6, never satisfaction) or to repeat (1).
pub(crate) fn answer_to_use(fitting: &Fitting, fault: Fault) -> Option<(usize, u8)> {
    let item = match fault {
        Fault::Contradiction => 6,
        _ => 1,
    };
    let score = fitting.answers.items[item - 1];
    (score > 0).then_some((item, score))
}
