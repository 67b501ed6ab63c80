//! FHIR R4 resources as rows of our tables: observations become rows of `ears` in its long form, questionnaire responses
//! rows of `outcomes`. The column map says which codes mean what ([`FhirSource`]).
//!
//! A resource becomes text fields under our own column names, and the same rules judge them as judge a row of CSV. What
//! cannot become a row, such as a threshold in another unit, is a row too, with the rule that it breaks. Resources of
//! other types are passed over and counted; of any resource only the parts of `resources` are read.

pub(crate) mod cut;
pub mod files;
mod map;
mod questionnaires;
mod references;
mod resources;
mod thresholds;

use std::collections::BTreeMap;

use csv::{ByteRecord, Position};
use serde::de::DeserializeOwned;

pub use map::{
    AnswerCode, FhirMapError, FhirSource, FittingPlace, HEARING_LEVEL, Score, Side, ThresholdCode,
};

use crate::rules::Rule;
use crate::vocabulary::TableName;
use cut::{Form, Piece};
use files::FhirFile;
use resources::{Entry, Kind, Observation, QuestionnaireResponse};

/// A row of one of our tables, made of a resource.
#[derive(Debug)]
pub(crate) struct Row {
    /// Its fields; where the resource begins is its position.
    pub(crate) fields: ByteRecord,
    /// The rule that it breaks already, and the position of the column; else the rules of the table decide.
    pub(crate) fault: Option<(Option<u16>, Rule)>,
}

/// What was passed over.
#[derive(Debug, Default, PartialEq, Eq)]
pub(crate) struct Tally {
    /// Resources of other types, by type.
    other_types: BTreeMap<&'static str, u64>,
    /// Values whose code the map does not name.
    not_mapped: u64,
    /// Values that are said to be absent.
    absent: u64,
}

impl Tally {
    /// Adds another.
    pub(crate) fn add(&mut self, other: Self) {
        for (name, count) in other.other_types {
            *self.other_types.entry(name).or_default() += count;
        }
        self.not_mapped += other.not_mapped;
        self.absent += other.absent;
    }

    /// What there is to say of a file: rule and what it is about.
    pub(crate) fn notes(&self, file: &str) -> Vec<(Rule, String)> {
        let mut notes = Vec::new();
        if !self.other_types.is_empty() {
            let types = self.other_types.iter();
            let words: Vec<String> = types
                .map(|(name, count)| format!("{count} {name}"))
                .collect();
            notes.push((
                Rule::ResourceIgnored,
                format!("{file}: {}", words.join(", ")),
            ));
        }
        for (rule, count) in [
            (Rule::CodeNotMapped, self.not_mapped),
            (Rule::ValueAbsent, self.absent),
        ] {
            if count > 0 {
                notes.push((rule, format!("{file}: {count}")));
            }
        }
        notes
    }
}

/// The rows of one entry or line.
#[derive(Debug, Default)]
pub(crate) struct Extracted {
    pub(crate) rows: Vec<Row>,
    pub(crate) tally: Tally,
}

/// Why a whole file has to be refused at a piece, and the byte.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum PieceFault {
    /// The text is not UTF-8 here.
    NotUtf8(u64),
    /// The file is cut off here.
    CutOff(u64),
}

/// Types of resources that often stand beside those that are read; others are not named, as their names come from the
/// delivery.
const OTHER_TYPES: [&str; 27] = [
    "AllergyIntolerance",
    "Appointment",
    "Binary",
    "Bundle",
    "CarePlan",
    "Condition",
    "Consent",
    "Device",
    "DeviceRequest",
    "DeviceUseStatement",
    "DiagnosticReport",
    "DocumentReference",
    "Encounter",
    "EpisodeOfCare",
    "Location",
    "Media",
    "Medication",
    "Observation",
    "OperationOutcome",
    "Organization",
    "Patient",
    "Practitioner",
    "PractitionerRole",
    "Procedure",
    "Provenance",
    "Questionnaire",
    "QuestionnaireResponse",
];

/// Makes rows of one table out of resources.
#[derive(Clone, Copy)]
pub(crate) struct Extractor<'a> {
    pub(crate) table: TableName,
    pub(crate) file: &'a FhirFile,
}

impl Extractor<'_> {
    /// The columns of the rows.
    pub(crate) fn header(&self) -> Vec<String> {
        let source = &self.file.source;
        let names = if self.table == TableName::Ears {
            thresholds::columns(source)
        } else {
            questionnaires::columns(source)
        };
        names.into_iter().map(str::to_owned).collect()
    }

    /// The rows of a piece.
    pub(crate) fn extract(&self, piece: &Piece) -> Result<Extracted, PieceFault> {
        let mut out = Extracted::default();
        if piece.too_long {
            self.not_read(self.file.leads, &mut out);
        } else {
            std::str::from_utf8(&piece.text).map_err(|fault| {
                PieceFault::NotUtf8(piece.first_byte + fault.valid_up_to() as u64)
            })?;
            self.of_text(piece, &mut out)?;
        }
        let mut position = Position::new();
        position.set_byte(piece.first_byte);
        for row in &mut out.rows {
            row.fields.set_position(Some(position.clone()));
        }
        Ok(out)
    }

    fn of_text(&self, piece: &Piece, out: &mut Extracted) -> Result<(), PieceFault> {
        let source = &self.file.source;
        let kind = match self.resource::<Kind>(piece) {
            Ok(kind) => kind,
            Err(error) if error.is_eof() && piece.at_end => {
                return Err(PieceFault::CutOff(
                    piece.first_byte + piece.text.len() as u64,
                ));
            }
            Err(_) => {
                self.not_read(self.file.leads, out);
                return Ok(());
            }
        };
        let reads = |table: TableName| match table {
            TableName::Ears => !source.thresholds.is_empty(),
            _ => !source.answers.is_empty(),
        };
        let name = kind.as_ref().map_or("", |kind| &kind.resource_type);
        let table = match name {
            "Observation" => Some(TableName::Ears),
            "QuestionnaireResponse" => Some(TableName::Outcomes),
            _ => None,
        };
        match table {
            Some(table) if table == self.table => {
                let made = if table == TableName::Ears {
                    self.resource::<Observation>(piece).map(|resource| {
                        thresholds::rows(source, &resource.unwrap_or_default(), out);
                    })
                } else {
                    self.resource::<QuestionnaireResponse>(piece)
                        .map(|resource| {
                            questionnaires::rows(source, &resource.unwrap_or_default(), out);
                        })
                };
                if made.is_err() {
                    self.not_read(true, out);
                }
            }
            // The other table of the file reads it.
            Some(table) if reads(table) => {}
            _ if self.file.leads => {
                let known = OTHER_TYPES.into_iter().find(|known| *known == name);
                let word = match kind {
                    Some(_) => known.unwrap_or("of another type"),
                    None => "entry without a resource",
                };
                *out.tally.other_types.entry(word).or_default() += 1;
            }
            _ => {}
        }
        Ok(())
    }

    /// The resource of a piece; none where an entry of a Bundle has none.
    fn resource<T: DeserializeOwned>(&self, piece: &Piece) -> Result<Option<T>, serde_json::Error> {
        match self.file.form {
            Form::Lines => serde_json::from_slice(&piece.text).map(Some),
            Form::Bundle => {
                serde_json::from_slice(&piece.text).map(|entry: Entry<T>| entry.resource)
            }
        }
    }

    /// A resource that cannot be read is a row without a value, in one of the tables that the file feeds.
    fn not_read(&self, here: bool, out: &mut Extracted) {
        if here {
            let blanks = vec![""; self.header().len()];
            out.rows.push(Row {
                fields: ByteRecord::from(blanks),
                fault: Some((None, Rule::ResourceNotRead)),
            });
        }
    }
}

#[cfg(test)]
mod tests;
