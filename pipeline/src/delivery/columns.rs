//! The columns of the four tables of a delivery, in one place.

use crate::vocabulary::{
    Coupling, Ear, Experience, N_FREQUENCIES, Quantity, Referral, Stage, TableName, Truth,
};

/// What a column takes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// A pseudonym.
    Identifier,
    /// A date, month or quarter.
    Date,
    /// A whole number within limits.
    Whole(i64, i64),
    /// A decimal number within limits, given in hundredths.
    Hundredths(i64, i64),
    /// A hearing threshold in dB HL, or `>110` where there was no response at the limit.
    Threshold,
    /// One of a few words.
    Words(&'static [&'static str]),
    /// A free label of at most 64 printable characters.
    Label,
    /// One of the ten frequencies, in Hz.
    Frequency,
    /// A score; its range is its instrument's.
    Score,
}

impl Kind {
    /// What the column takes, in words, for a sentence.
    #[must_use]
    pub fn allowed(self) -> String {
        match self {
            Self::Whole(low, high) => format!("{low} to {high}"),
            Self::Hundredths(low, high) => format!("{} to {}", low / 100, high / 100),
            Self::Threshold => "-10 to 120 dB HL, or >110 for no response at 110".to_owned(),
            Self::Words(words) => words.join(", "),
            Self::Score => "the range of its instrument".to_owned(),
            Self::Identifier | Self::Date | Self::Label | Self::Frequency => String::new(),
        }
    }
}

/// A column of a table.
#[derive(Clone, Copy, Debug)]
pub struct ColumnSpec {
    /// Name in the header row.
    pub name: &'static str,
    /// What it takes.
    pub kind: Kind,
    /// Whether the header must name it.
    pub required: bool,
}

const fn column(name: &'static str, kind: Kind, required: bool) -> ColumnSpec {
    ColumnSpec {
        name,
        kind,
        required,
    }
}

/// Limits of a level in dB SPL or a gain in dB, hundredths.
const LEVEL: Kind = Kind::Hundredths(-4000, 14000);
/// Limits of an input level in dB SPL, hundredths.
const INPUT_LEVEL: Kind = Kind::Hundredths(4000, 9500);
/// Thresholds, hundredths of dB HL.
pub(crate) const THRESHOLD_RANGE: (i64, i64) = (-1000, 12000);
/// The limit at which `>110` says that there was no response, hundredths of dB HL.
pub(crate) const NO_RESPONSE_LIMIT: i64 = 11000;
/// An age beyond this is taken for a mistake, such as a year of birth (common practice, no source).
const OLDEST: i64 = 130;

/// The columns by which the long form is known.
const FREQUENCY: &str = "frequency_hz";
const THRESHOLD: &str = "threshold";
const THRESHOLDS: [&str; N_FREQUENCIES] = [
    "threshold_250",
    "threshold_500",
    "threshold_750",
    "threshold_1000",
    "threshold_1500",
    "threshold_2000",
    "threshold_3000",
    "threshold_4000",
    "threshold_6000",
    "threshold_8000",
];
const TARGETS: [&str; N_FREQUENCIES] = [
    "target_250",
    "target_500",
    "target_750",
    "target_1000",
    "target_1500",
    "target_2000",
    "target_3000",
    "target_4000",
    "target_6000",
    "target_8000",
];
const MEASURED: [&str; N_FREQUENCIES] = [
    "measured_250",
    "measured_500",
    "measured_750",
    "measured_1000",
    "measured_1500",
    "measured_2000",
    "measured_3000",
    "measured_4000",
    "measured_6000",
    "measured_8000",
];

/// Columns of `fittings`; any further `x_…` column is a label.
pub const FITTINGS: &[ColumnSpec] = &[
    column("fitting_id", Kind::Identifier, true),
    column("patient_id", Kind::Identifier, true),
    column("clinic_id", Kind::Identifier, true),
    column("clinician_id", Kind::Identifier, true),
    column("fitted_on", Kind::Date, true),
    column("age_years", Kind::Whole(0, OLDEST), false),
    column("experience", Kind::Words(Experience::WORDS), false),
    column("prescription", Kind::Label, false),
    column("medical_referral", Kind::Words(Referral::WORDS), false),
    column("returned", Kind::Words(Truth::WORDS), false),
];

/// Columns of `outcomes`.
pub const OUTCOMES: &[ColumnSpec] = &[
    column("fitting_id", Kind::Identifier, true),
    column("instrument", Kind::Label, true),
    column("item", Kind::Label, true),
    column("score", Kind::Score, true),
    column("weeks_after", Kind::Hundredths(0, 52_000), false),
];

const EARS_HEAD: [ColumnSpec; 3] = [
    column("fitting_id", Kind::Identifier, true),
    column("ear", Kind::Words(Ear::WORDS), true),
    column("fitted", Kind::Words(Truth::WORDS), true),
];
const EARS_TAIL: [ColumnSpec; 2] = [
    column("coupling", Kind::Words(Coupling::WORDS), false),
    column("style", Kind::Label, false),
];
const CURVE_HEAD: [ColumnSpec; 5] = [
    column("fitting_id", Kind::Identifier, true),
    column("ear", Kind::Words(Ear::WORDS), true),
    column("stage", Kind::Words(Stage::WORDS), false),
    column("quantity", Kind::Words(Quantity::WORDS), true),
    column("input_level_db", INPUT_LEVEL, true),
];
const POINT_TAIL: [ColumnSpec; 3] = [
    column(FREQUENCY, Kind::Frequency, true),
    column("target_db", LEVEL, false),
    column("measured_db", LEVEL, true),
];

/// Columns of `ears`.
#[must_use]
pub fn ears() -> Vec<ColumnSpec> {
    let thresholds = THRESHOLDS.map(|name| column(name, Kind::Threshold, false));
    [&EARS_HEAD[..], &thresholds[..], &EARS_TAIL[..]].concat()
}

/// Columns of `ears` in the long form: one row a threshold. What holds for the whole ear may stand in any of its rows.
#[must_use]
pub fn ears_long() -> Vec<ColumnSpec> {
    let [fitting, ear, fitted] = EARS_HEAD;
    let head = [
        fitting,
        ear,
        column(fitted.name, fitted.kind, false),
        column(FREQUENCY, Kind::Frequency, true),
        column(THRESHOLD, Kind::Threshold, true),
    ];
    [&head[..], &EARS_TAIL[..]].concat()
}

/// Columns of `responses` in the long form: one row a point.
#[must_use]
pub fn responses_long() -> Vec<ColumnSpec> {
    [&CURVE_HEAD[..], &POINT_TAIL[..]].concat()
}

/// Columns of `responses` in the wide form: one row a curve.
#[must_use]
pub fn responses_wide() -> Vec<ColumnSpec> {
    let targets = TARGETS.map(|name| column(name, LEVEL, false));
    let measured = MEASURED.map(|name| column(name, LEVEL, false));
    [&CURVE_HEAD[..], &targets[..], &measured[..]].concat()
}

/// The columns of a table, given its header row: the form of `ears` and of `responses` is known by its column names.
#[must_use]
pub fn columns_for(table: TableName, header: &[String]) -> Vec<ColumnSpec> {
    match table {
        TableName::Fittings => FITTINGS.to_vec(),
        TableName::Outcomes => OUTCOMES.to_vec(),
        TableName::Ears => match Form::of(table, header) {
            Form::Long => ears_long(),
            Form::Wide => ears(),
        },
        TableName::Responses => match Form::of(table, header) {
            Form::Long => responses_long(),
            Form::Wide => responses_wide(),
        },
    }
}

/// How the ten frequencies stand in a table that has them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Form {
    /// A row a frequency.
    Long,
    /// All frequencies side by side in one row; also a table without frequencies.
    Wide,
}

impl Form {
    /// The form of a table, given its header row. The forms of older deliveries stand where nothing speaks for the
    /// other: `responses` is long, `ears` is wide.
    #[must_use]
    pub fn of(table: TableName, header: &[String]) -> Self {
        let names = |wanted: &str| header.iter().any(|name| name == wanted);
        let long = match table {
            TableName::Fittings | TableName::Outcomes => false,
            TableName::Ears => names(FREQUENCY) && names(THRESHOLD),
            TableName::Responses => !TARGETS.iter().chain(&MEASURED).any(|name| names(name)),
        };
        if long { Self::Long } else { Self::Wide }
    }
}

/// Whether a name is that of a further grouping label: `x_` and 1-30 of a-z, 0-9 and `_`.
#[must_use]
pub fn is_label_column(name: &str) -> bool {
    name.strip_prefix("x_").is_some_and(|rest| {
        (1..=30).contains(&rest.len())
            && rest
                .bytes()
                .all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'_')
    })
}
