//! Records as they are held between reading and storing: compact, fixed-point, by number instead of by name.

use std::collections::HashMap;

use crate::quarter::Quarter;
use crate::rules::Rule;
use crate::vocabulary::{
    Coupling, Ear, Experience, N_FREQUENCIES, Quantity, Referral, Stage, TableName,
};

/// Where a record was read: file number within its table, and line (CSV) or row (Parquet) from 1.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Place {
    /// Number of the file among those of its table; [`Place::STORE`] for a record of the cohort.
    pub file: u16,
    /// Line or row.
    pub line: u32,
}

impl Place {
    /// Marks a record that came from the cohort itself.
    pub const STORE: u16 = u16::MAX;

    /// Whether the record came from the cohort itself.
    #[must_use]
    pub fn is_store(self) -> bool {
        self.file == Self::STORE
    }
}

/// A row that broke a rule.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct RowIssue {
    /// The table.
    pub table: TableName,
    /// Where.
    pub place: Place,
    /// Position of the column in the file's header row; none where the whole row is meant.
    pub column: Option<u16>,
    /// The rule.
    pub rule: Rule,
}

/// Labels by number, in order of first appearance.
#[derive(Clone, Debug, Default)]
pub struct Labels {
    values: Vec<Box<str>>,
    numbers: HashMap<Box<str>, u32>,
}

impl Labels {
    /// The number of a label, new or known.
    pub fn number(&mut self, label: &str) -> u32 {
        if let Some(&number) = self.numbers.get(label) {
            return number;
        }
        // A delivery that fits in memory has fewer than 2^32 different labels.
        let number = u32::try_from(self.values.len()).unwrap_or(u32::MAX);
        self.values.push(label.into());
        self.numbers.insert(label.into(), number);
        number
    }

    /// The label of a number.
    #[must_use]
    pub fn label(&self, number: u32) -> &str {
        self.values.get(number as usize).map_or("", |label| label)
    }

    /// Every label, by number.
    #[must_use]
    pub fn values(&self) -> &[Box<str>] {
        &self.values
    }
}

/// A row of `fittings`.
#[derive(Clone, Debug, PartialEq)]
pub struct Fitting {
    /// Pseudonym of the fitting.
    pub id: Box<str>,
    /// Pseudonym of the person.
    pub patient: Box<str>,
    /// Pseudonym of the clinic.
    pub clinic: Box<str>,
    /// Pseudonym of the clinician.
    pub clinician: Box<str>,
    /// Quarter of the fitting.
    pub quarter: Quarter,
    /// Age in years, 90 for 90 and more.
    pub age: Option<i16>,
    /// New or experienced.
    pub experience: Option<Experience>,
    /// Label of the prescription.
    pub prescription: Option<Box<str>>,
    /// Medical referral as recorded.
    pub referral: Referral,
    /// Whether the hearing aids were returned.
    pub returned: Option<bool>,
    /// Further labels: number of the label column, and label.
    pub labels: Vec<(u16, Box<str>)>,
}

/// An ear: a row of `ears`, or rows of its long form that stood together in a file.
#[derive(Clone, Debug)]
pub struct EarRecord {
    /// Number of the fitting.
    pub fitting: u32,
    /// The ear.
    pub ear: Ear,
    /// Whether it was fitted. Always known of a settled ear; rows of the long form may leave it to others.
    pub fitted: Option<bool>,
    /// Whether it was rows of the long form, a row a threshold.
    pub long: bool,
    /// Thresholds, hundredths of dB HL, by position in the frequencies.
    pub thresholds: [i16; N_FREQUENCIES],
    /// Bit by position: tested.
    pub tested: u16,
    /// Bit by position: no response at the limit that stands as the threshold.
    pub censored: u16,
    /// Coupling.
    pub coupling: Option<Coupling>,
    /// Style.
    pub style: Option<Box<str>>,
    /// Where its first row was read.
    pub place: Place,
    /// Lines after the first, by position; zero but in the long form.
    pub line_offset: [u16; N_FREQUENCIES],
}

impl EarRecord {
    /// An ear of which nothing is known yet.
    #[must_use]
    pub fn new(fitting: u32, ear: Ear, place: Place) -> Self {
        Self {
            fitting,
            ear,
            fitted: None,
            long: false,
            thresholds: [0; N_FREQUENCIES],
            tested: 0,
            censored: 0,
            coupling: None,
            style: None,
            place,
            line_offset: [0; N_FREQUENCIES],
        }
    }

    /// Puts a threshold, hundredths of dB HL, at a position; `censored`: there was no response at that limit.
    pub fn set(&mut self, position: usize, threshold: i16, censored: bool) {
        if let Some(slot) = self.thresholds.get_mut(position) {
            let bit = 1_u16 << position;
            *slot = threshold;
            self.tested |= bit;
            self.censored = self.censored & !bit | u16::from(censored) << position;
        }
    }

    /// Takes the thresholds at the positions of a mask away.
    pub fn clear(&mut self, mask: u16) {
        self.tested &= !mask;
        self.censored &= !mask;
        for (position, slot) in self.thresholds.iter_mut().enumerate() {
            if mask & (1 << position) != 0 {
                *slot = 0;
            }
        }
    }

    /// Where the row of a position was read.
    #[must_use]
    pub fn place_of(&self, position: usize) -> Place {
        let offset = self.line_offset.get(position).copied().unwrap_or(0);
        Place {
            file: self.place.file,
            line: self.place.line.saturating_add(u32::from(offset)),
        }
    }

    /// Whether two parts say the same of the ear as a whole: whether it was fitted, and how.
    #[must_use]
    pub fn says_of_the_ear(&self, other: &Self) -> bool {
        self.fitted == other.fitted && self.coupling == other.coupling && self.style == other.style
    }

    /// The threshold at a position, hundredths of dB HL, and whether there was no response at it, where tested.
    #[must_use]
    pub fn point(&self, position: usize) -> Option<(i16, bool)> {
        let threshold = self.threshold(position)?;
        Some((threshold, self.censored & (1 << position) != 0))
    }

    /// Whether two rows say the same.
    #[must_use]
    pub fn says_the_same(&self, other: &Self) -> bool {
        self.says_of_the_ear(other)
            && self.thresholds == other.thresholds
            && self.tested == other.tested
            && self.censored == other.censored
    }

    /// The threshold at a position, hundredths of dB HL, where tested.
    #[must_use]
    pub fn threshold(&self, position: usize) -> Option<i16> {
        (self.tested & (1 << position) != 0)
            .then(|| self.thresholds.get(position).copied())
            .flatten()
    }
}

/// What tells curves apart.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct CurveKey {
    /// Number of the fitting.
    pub fitting: u32,
    /// The ear.
    pub ear: Ear,
    /// First or final.
    pub stage: Stage,
    /// Response or gain.
    pub quantity: Quantity,
    /// Input level, hundredths of dB SPL.
    pub input_level: i16,
}

/// A curve, or the part of one that stood together in a file.
#[derive(Clone, Debug)]
pub struct Curve {
    /// Which curve.
    pub key: CurveKey,
    /// Where its first row was read.
    pub place: Place,
    /// Whether it was one row of the wide form.
    pub wide: bool,
    /// Bit by position: a target is there.
    pub has_target: u16,
    /// Bit by position: a measured value is there.
    pub has_measured: u16,
    /// Lines after the first, by position.
    pub line_offset: [u16; N_FREQUENCIES],
    /// Targets, hundredths of a dB.
    pub target: [i16; N_FREQUENCIES],
    /// Measured values, hundredths of a dB.
    pub measured: [i16; N_FREQUENCIES],
}

impl Curve {
    /// An empty curve.
    #[must_use]
    pub fn new(key: CurveKey, place: Place, wide: bool) -> Self {
        Self {
            key,
            place,
            wide,
            has_target: 0,
            has_measured: 0,
            line_offset: [0; N_FREQUENCIES],
            target: [0; N_FREQUENCIES],
            measured: [0; N_FREQUENCIES],
        }
    }

    /// Bit by position: something is there.
    #[must_use]
    pub fn filled(&self) -> u16 {
        self.has_target | self.has_measured
    }

    /// Where the row of a position was read.
    #[must_use]
    pub fn place_of(&self, position: usize) -> Place {
        let offset = self.line_offset.get(position).copied().unwrap_or(0);
        Place {
            file: self.place.file,
            line: self.place.line.saturating_add(u32::from(offset)),
        }
    }

    /// Target and measured value at a position.
    #[must_use]
    pub fn point(&self, position: usize) -> (Option<i16>, Option<i16>) {
        let bit = 1_u16 << position;
        let pick = |mask: u16, values: &[i16; N_FREQUENCIES]| {
            (mask & bit != 0)
                .then(|| values.get(position).copied())
                .flatten()
        };
        (
            pick(self.has_target, &self.target),
            pick(self.has_measured, &self.measured),
        )
    }

    /// Puts a point at a position.
    pub fn set(&mut self, position: usize, target: Option<i16>, measured: Option<i16>) {
        let bit = 1_u16 << position;
        if let (Some(value), Some(slot)) = (target, self.target.get_mut(position)) {
            *slot = value;
            self.has_target |= bit;
        }
        if let (Some(value), Some(slot)) = (measured, self.measured.get_mut(position)) {
            *slot = value;
            self.has_measured |= bit;
        }
    }

    /// Takes the points at the positions of a mask away.
    pub fn clear(&mut self, mask: u16) {
        self.has_target &= !mask;
        self.has_measured &= !mask;
        for position in 0..N_FREQUENCIES {
            if mask & (1 << position) != 0 {
                if let Some(slot) = self.target.get_mut(position) {
                    *slot = 0;
                }
                if let Some(slot) = self.measured.get_mut(position) {
                    *slot = 0;
                }
            }
        }
    }

    /// Measured minus target at a position, hundredths of a dB, where both are there.
    #[must_use]
    pub fn deviation(&self, position: usize) -> Option<i16> {
        match self.point(position) {
            (Some(target), Some(measured)) => Some(measured - target),
            _ => None,
        }
    }
}

/// A row of `outcomes`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Answer {
    /// Number of the fitting.
    pub fitting: u32,
    /// Number of the instrument and item among [`Records::items`].
    pub item: u16,
    /// Weeks after the fitting, hundredths.
    pub weeks_after: Option<i32>,
    /// Score, hundredths.
    pub score: i32,
    /// Where it was read.
    pub place: Place,
}

/// The records of a delivery, or of a part of the cohort: fittings sorted by id, all else sorted by fitting and key.
#[derive(Clone, Debug, Default)]
pub struct Records {
    /// Fittings, sorted by id; a record's `fitting` is the position here.
    pub fittings: Vec<Fitting>,
    /// Where each fitting was read.
    pub fitting_places: Vec<Place>,
    /// Ears.
    pub ears: Vec<EarRecord>,
    /// Curves.
    pub curves: Vec<Curve>,
    /// Answers.
    pub answers: Vec<Answer>,
    /// Names of the label columns.
    pub label_names: Labels,
    /// Instruments and items, as `instrument\u{1f}item`.
    pub items: Labels,
}
