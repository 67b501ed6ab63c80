//! Column maps: how a sender's files, columns, words and units become ours. Nothing is guessed.
//!
//! A map is a TOML file that a person has written or confirmed. Each `[[source]]` says which files of the delivery feed
//! which table, and how: what their columns are called here, what their words and dates mean, in which units their
//! numbers are. [`ColumnMap::read`] checks it against the columns of the tables before any file is opened; what it says
//! is applied row by row while a delivery is read (`translate`), so that every rule judges what the map has made of a
//! row. [`suggest`](suggest::suggest) proposes a map for a person to confirm.

mod check;
mod dates;
mod exact;
pub(crate) mod files;
pub(crate) mod header;
mod parse;
pub mod suggest;
pub(crate) mod translate;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

pub use dates::DateForm;

use crate::fhir::FhirSource;
use crate::vocabulary::TableName;

/// An error in a column map.
#[derive(Debug, thiserror::Error)]
pub enum MapError {
    /// The file could not be read.
    #[error("cannot read the column map {}: {source}", path.display())]
    Read {
        /// The map.
        path: PathBuf,
        /// The system's reason.
        source: std::io::Error,
    },
    /// The text is no TOML of the map's form; the message names line and key, and the nearest known key.
    #[error("the column map {} is not understood: {message}", path.display())]
    Syntax {
        /// The map.
        path: PathBuf,
        /// The line, from 1, where known.
        line: Option<usize>,
        /// What the parser says.
        message: String,
    },
    /// A key that does not fit the tables or the rest of the map.
    #[error("the column map {}{}: {key} {what}", path.display(), line.map(|line| format!(", line {line}")).unwrap_or_default())]
    Value {
        /// The map.
        path: PathBuf,
        /// The line, from 1, where known.
        line: Option<usize>,
        /// The key, such as `source 2, columns.eer`.
        key: String,
        /// What is wrong with it, and what would be right.
        what: String,
    },
}

/// A column map.
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct ColumnMap {
    /// Which files feed which tables, and how; in the order of the map.
    #[serde(rename = "source")]
    pub sources: Vec<SourceMap>,
    /// What becomes a keyed pseudonym on the way in.
    pub identity: IdentityMap,
    /// Files of FHIR resources, and what their codes mean.
    pub fhir: Vec<FhirSource>,
}

/// What a map says of identities.
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct IdentityMap {
    /// Our names of the columns whose values become keyed pseudonyms.
    pub pseudonymise: Vec<String>,
}

/// How some files of a delivery feed one table.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct SourceMap {
    /// Its place among the sources of the map, from 1.
    #[serde(skip)]
    pub number: usize,
    /// Names in the delivery; `*` stands for any run of characters. How a file is called is not part of what it says.
    #[serde(skip_serializing)]
    pub files: Vec<String>,
    /// The table.
    #[serde(
        deserialize_with = "parse::table",
        serialize_with = "parse::table_word"
    )]
    pub table: TableName,
    /// What stands between the fields of a row; of no meaning for Parquet.
    #[serde(default = "parse::comma", deserialize_with = "parse::separator")]
    pub separator: u8,
    /// What stands before the decimals of a number; of no meaning for number columns of Parquet.
    #[serde(default)]
    pub decimal: DecimalMark,
    /// How `fitted_on` is written; as here where none; of no meaning for date columns of Parquet.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub dates: Option<DateForm>,
    /// Our columns, and what the sender calls them. Empty: they are called as here.
    #[serde(default)]
    pub columns: BTreeMap<String, String>,
    /// Our columns that the sender does not have, and their value in every row.
    #[serde(default)]
    pub constants: BTreeMap<String, Text>,
    /// Columns of theirs that are never read and never written anywhere.
    #[serde(default)]
    pub leave_out: Vec<String>,
    /// Columns of theirs with the values of the rows to be read; other rows are passed over, and counted.
    #[serde(default, rename = "where")]
    pub only: BTreeMap<String, Vec<Text>>,
    /// Columns of theirs: rows in which one of them is empty are passed over, and counted.
    #[serde(default)]
    pub unless_blank: Vec<String>,
    /// For a column of ours, or a family of columns such as `threshold_*`: what their values mean here. What is not
    /// listed stays as it is, and the rules judge it.
    #[serde(default)]
    pub values: BTreeMap<String, BTreeMap<String, Text>>,
    /// Units that are not ours.
    #[serde(default)]
    pub units: Units,
}

/// A value in a map: text, or a whole number or truth value that stands for its text.
#[derive(Clone, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(transparent)]
pub struct Text(pub String);

/// What stands before the decimals of a number.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Deserialize, Serialize)]
pub enum DecimalMark {
    /// 25.3
    #[default]
    #[serde(rename = ".")]
    Point,
    /// 25,3
    #[serde(rename = ",")]
    Comma,
}

/// Units that are not ours.
#[derive(Clone, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Deserialize, Serialize)]
#[serde(deny_unknown_fields, default)]
pub struct Units {
    /// Of `frequency_hz`.
    pub frequency_hz: FrequencyUnit,
    /// Of `weeks_after`.
    pub weeks_after: TimeUnit,
    /// Of the thresholds.
    pub thresholds: ThresholdUnit,
}

/// Units of frequency.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Deserialize, Serialize)]
pub enum FrequencyUnit {
    /// Hertz.
    #[default]
    Hz,
    /// Kilohertz.
    #[serde(rename = "kHz")]
    Kilohertz,
}

/// Units of time.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Deserialize, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum TimeUnit {
    /// Weeks.
    #[default]
    Weeks,
    /// Days; seven are a week.
    Days,
}

/// Units of hearing thresholds.
#[derive(Clone, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Serialize)]
pub enum ThresholdUnit {
    /// dB HL.
    #[default]
    HearingLevel,
    /// dB SPL, with the level that is 0 dB HL by frequency in Hz, hundredths of dB SPL: the reference equivalent
    /// threshold sound pressure levels of the transducer and coupler in use (ISO 389 series). They differ between
    /// transducers, so the map has to give them; none are built in.
    SoundPressureLevel(BTreeMap<u16, i64>),
}

impl ColumnMap {
    /// Reads a map file and checks it against the columns of the tables.
    ///
    /// # Errors
    /// [`MapError`] where the file cannot be read, is no TOML, has an unknown key, or says what no table can follow.
    pub fn read(path: &Path) -> Result<Self, MapError> {
        let text = std::fs::read_to_string(path).map_err(|source| MapError::Read {
            path: path.to_path_buf(),
            source,
        })?;
        Self::parse(&text, path)
    }

    /// The map in a text; `path` is what errors call it.
    ///
    /// # Errors
    /// As [`ColumnMap::read`].
    pub fn parse(text: &str, path: &Path) -> Result<Self, MapError> {
        let map = parse::parsed(text, path)?;
        check::check(&map).map_err(|fault| MapError::Value {
            path: path.to_path_buf(),
            line: parse::line_of(text, &fault.at),
            key: parse::in_words(&fault.at),
            what: fault.what,
        })?;
        Ok(map)
    }
}

impl SourceMap {
    /// Hash of all that the source says but of the files' names: the same bytes read otherwise are another delivery.
    #[must_use]
    pub(crate) fn hash(&self) -> String {
        // Serialising plain structs of words does not fail; were it to, all maps would be one and a re-ingest a repeat.
        let text = serde_json::to_string(self).unwrap_or_default();
        blake3::hash(text.as_bytes()).to_hex().to_string()
    }

    /// What the sender calls the columns that are read.
    fn theirs(&self) -> impl Iterator<Item = &String> {
        self.columns
            .values()
            .chain(self.only.keys())
            .chain(&self.unless_blank)
    }
}

#[cfg(test)]
mod tests;
