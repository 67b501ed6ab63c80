//! Looks at the rows of a file as they are read, and stops at what tells who a person is.
//!
//! Of a row that breaks no rule, the pseudonyms and labels are looked at; everything else in it is a number or a word of
//! a closed list. Of a row that is set aside every field is, since its text may be kept.

use std::path::Path;

use csv::ByteRecord;

use super::classes::Class;
use super::numbers::Number;
use super::shapes::{Role, Sign, signs};
use super::tallies::Tallies;
use crate::delivery::columns::Kind;
use crate::delivery::header::Header;
use crate::error::PipelineError;
use crate::rules::Rule;
use crate::vocabulary::TableName;

/// A value that tells who a person is. The value itself is nowhere in it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Found {
    /// Line or row.
    pub(crate) line: u32,
    /// Position of the column in the file; none in a row that cannot be laid under its header.
    pub(crate) column: Option<u16>,
    /// What it looks like.
    pub(crate) class: Class,
}

impl Found {
    /// The refusal of the delivery.
    pub(crate) fn refusal(self, file: &Path, names: &[String]) -> PipelineError {
        let column = self
            .column
            .and_then(|column| names.get(usize::from(column)))
            .map_or("A field of this row", String::as_str);
        PipelineError::identifying(
            Rule::IdentifyingValue,
            file,
            Some(self.line.into()),
            column,
            self.class,
        )
    }
}

/// A column of pseudonyms or labels, with its value in the row before.
struct Guarded {
    position: usize,
    role: Role,
    last: Vec<u8>,
}

/// Looks at the rows of one batch.
pub(crate) struct Gate {
    guarded: Vec<Guarded>,
    /// The other columns that may be looked at, by position.
    others: Vec<(usize, Role)>,
    /// Whether any column's values are never to be written.
    hides: bool,
    /// Dates that a row may hold wherever they stand: that of the fitting.
    dates: usize,
    fields: usize,
    found: Option<Found>,
    tallies: Tallies,
}

impl Gate {
    pub(crate) fn new(table: TableName, header: &Header) -> Self {
        let mut guarded = Vec::new();
        let mut others = Vec::new();
        let mut add = |position: usize, role: Role| match role {
            Role::Person | Role::Clinic | Role::Label => guarded.push(Guarded {
                position,
                role,
                last: Vec::new(),
            }),
            Role::FittedOn | Role::Closed | Role::Astray => others.push((position, role)),
        };
        let columns = header.specs.iter().zip(&header.positions);
        for ((spec, position), pseudonyms) in columns.zip(&header.pseudonyms) {
            // What becomes a pseudonym is never written.
            if let (Some(position), None) = (*position, pseudonyms) {
                let role = match spec.kind {
                    Kind::Identifier if spec.name == "clinic_id" => Role::Clinic,
                    Kind::Identifier => Role::Person,
                    // Instruments and items are words of closed lists.
                    Kind::Label if table != TableName::Outcomes => Role::Label,
                    Kind::Date => Role::FittedOn,
                    _ => Role::Closed,
                };
                add(position, role);
            }
        }
        for (position, _) in &header.labels {
            add(*position, Role::Label);
        }
        Self {
            guarded,
            others,
            hides: !header.hidden.is_empty(),
            dates: usize::from(table == TableName::Fittings),
            fields: header.names.len(),
            found: None,
            tallies: Tallies::default(),
        }
    }

    /// Whether something was found: the delivery is refused, and nothing more of the batch need be read.
    pub(crate) fn is_shut(&self) -> bool {
        self.found.is_some()
    }

    /// What was found, and what the columns show together.
    pub(crate) fn into_parts(self) -> (Option<Found>, Tallies) {
        (self.found, self.tallies)
    }

    /// Looks at pseudonyms and labels of a row, each only where it differs from the row before.
    #[inline]
    pub(crate) fn row(&mut self, line: u32, record: &ByteRecord) {
        for at in 0..self.guarded.len() {
            let Some(guarded) = self.guarded.get_mut(at) else {
                continue;
            };
            let value = record.get(guarded.position).unwrap_or_default();
            if value == guarded.last.as_slice() {
                continue;
            }
            guarded.last.clear();
            guarded.last.extend_from_slice(value);
            let (position, role) = (guarded.position, guarded.role);
            if !value.is_empty() {
                self.guarded_value(line, position, role, value);
            }
        }
    }

    fn guarded_value(&mut self, line: u32, position: usize, role: Role, value: &[u8]) {
        // A header has at most 256 columns.
        let column = u16::try_from(position).unwrap_or(u16::MAX);
        let (found, tallies) = (&mut self.found, &mut self.tallies);
        tallies.value(column, value);
        signs(value, role, |sign| {
            let class = match sign {
                Sign::Certain(class) | Sign::Number(Number::Certain(class)) => class,
                Sign::Date => Class::Date,
                sign => return tallies.sign(column, value.len(), line, sign),
            };
            found.get_or_insert(Found {
                line,
                column: Some(column),
                class,
            });
        });
    }

    /// Looks at the other fields of a row that is set aside.
    pub(crate) fn set_aside(&mut self, line: u32, record: &ByteRecord) {
        if record.len() != self.fields {
            return;
        }
        for (position, role) in &self.others {
            let value = record.get(*position).unwrap_or_default();
            let found = &mut self.found;
            signs(value, *role, |sign| {
                if let Some(class) = alone(sign) {
                    found.get_or_insert(Found {
                        line,
                        column: u16::try_from(*position).ok(),
                        class,
                    });
                }
            });
        }
    }

    /// Looks at every field of a row with another number of fields than the header. Where a column is hidden nothing is
    /// kept of such a row, since nobody can tell which of its fields is the hidden one; so nothing is looked at either.
    pub(crate) fn astray(&mut self, line: u32, record: &ByteRecord) {
        if self.hides {
            return;
        }
        let is_long = record.len() > self.fields;
        let mut dates = self.dates;
        for (position, value) in record.iter().enumerate() {
            // A clinic or a label may have capitals, where it stands as in other rows; a label also where a field too
            // many (it held a comma itself) or too few has moved it by one.
            let may_be_label = self.guarded.iter().any(|guarded| {
                let moved = match is_long {
                    true => guarded.position + 1 == position,
                    false => guarded.position == position + 1,
                };
                match guarded.role {
                    Role::Label => guarded.position == position || moved,
                    role => role == Role::Clinic && guarded.position == position,
                }
            });
            let found = &mut self.found;
            signs(value, Role::Astray, |sign| {
                let class = match sign {
                    Sign::Name if may_be_label => None,
                    Sign::Date if dates > 0 => {
                        dates -= 1;
                        None
                    }
                    sign => alone(sign),
                };
                if let Some(class) = class {
                    found.get_or_insert(Found {
                        line,
                        column: None,
                        class,
                    });
                }
            });
        }
    }
}

/// What a sign says by itself, where there is no column to see it with.
fn alone(sign: Sign) -> Option<Class> {
    match sign {
        Sign::Certain(class) | Sign::Number(Number::Certain(class)) => Some(class),
        Sign::Date => Some(Class::Date),
        Sign::Name => Some(Class::Name),
        Sign::Number(Number::Bare(_)) => Some(Class::OtherCode),
        Sign::Number(Number::Dated(true)) => Some(Class::NationalNumber),
        Sign::Number(Number::Dated(false) | Number::Checked(..)) | Sign::EightDigits(_) => None,
    }
}
