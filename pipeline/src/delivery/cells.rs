//! Reads single cells of a row by the kind of their column.

use std::borrow::Cow;

use csv::ByteRecord;

use super::columns::{Kind, NO_RESPONSE_LIMIT, THRESHOLD_RANGE};
use super::header::Header;
use crate::decimal::{self, Decimal};
use crate::identity::{ColumnPseudonyms, LONGEST_IDENTIFIER};
use crate::rules::Rule;
use crate::vocabulary::frequency_position;

/// The first rule that a row breaks, and the position in the file of the column that breaks it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Fault {
    pub(crate) column: Option<u16>,
    pub(crate) rule: Rule,
}

impl Fault {
    pub(crate) fn of_row(rule: Rule) -> Self {
        Self { column: None, rule }
    }
}

/// A row under its header.
#[derive(Clone, Copy)]
pub(crate) struct Cells<'a> {
    header: &'a Header,
    record: &'a ByteRecord,
}

/// Longest label, in characters.
const LONGEST_LABEL: usize = 64;

impl<'a> Cells<'a> {
    /// A row whose number of fields is that of the header.
    pub(crate) fn new(header: &'a Header, record: &'a ByteRecord) -> Result<Self, Fault> {
        if record.len() == header.names.len() {
            Ok(Self { header, record })
        } else {
            Err(Fault::of_row(Rule::FieldCount))
        }
    }

    /// The text of a column of the table; blank where the file does not have the column.
    #[inline]
    pub(crate) fn text(&self, column: usize) -> &'a [u8] {
        match self.header.positions.get(column) {
            Some(Some(position)) => self.record.get(*position).unwrap_or_default(),
            _ => b"",
        }
    }

    /// A broken rule at a column.
    pub(crate) fn fault(&self, column: usize, rule: Rule) -> Fault {
        let position = self.header.positions.get(column).copied().flatten();
        Fault {
            column: position.and_then(|at| u16::try_from(at).ok()),
            rule,
        }
    }

    fn kind(&self, column: usize) -> Kind {
        self.header
            .specs
            .get(column)
            .map_or(Kind::Label, |spec| spec.kind)
    }

    /// The text of a required column.
    pub(crate) fn required(&self, column: usize) -> Result<&'a [u8], Fault> {
        match self.text(column) {
            b"" => Err(self.fault(column, Rule::Required)),
            text => Ok(text),
        }
    }

    /// A pseudonym, as delivered or made here.
    pub(crate) fn identifier(&self, column: usize) -> Result<Cow<'a, str>, Fault> {
        let text = self.required(column)?;
        if let Some(Some(pseudonyms)) = self.header.pseudonyms.get(column) {
            return self.pseudonym(column, text, pseudonyms).map(Cow::Owned);
        }
        match std::str::from_utf8(text) {
            Ok(text) if is_pseudonym(text.as_bytes()) => Ok(Cow::Borrowed(text)),
            _ => Err(self.fault(column, Rule::IdentifierShape)),
        }
    }

    fn pseudonym(
        &self,
        column: usize,
        text: &[u8],
        pseudonyms: &ColumnPseudonyms,
    ) -> Result<String, Fault> {
        if text.len() > LONGEST_IDENTIFIER {
            return Err(self.fault(column, Rule::IdentifierLength));
        }
        let is_blank = std::str::from_utf8(text).is_ok_and(|text| text.trim().is_empty());
        if is_blank {
            return Err(self.fault(column, Rule::Required));
        }
        Ok(pseudonyms.of(text))
    }

    /// A word of a closed list, where not blank.
    pub(crate) fn word<T>(
        &self,
        column: usize,
        from_word: impl Fn(&[u8]) -> Option<T>,
    ) -> Result<Option<T>, Fault> {
        match self.text(column) {
            b"" => Ok(None),
            text => from_word(text)
                .map(Some)
                .ok_or_else(|| self.fault(column, Rule::UnknownWord)),
        }
    }

    /// A word of a closed list that has to be there.
    pub(crate) fn required_word<T>(
        &self,
        column: usize,
        from_word: impl Fn(&[u8]) -> Option<T>,
    ) -> Result<T, Fault> {
        self.word(column, from_word)?
            .ok_or_else(|| self.fault(column, Rule::Required))
    }

    /// A label, where not blank.
    pub(crate) fn label(&self, column: usize) -> Result<Option<&'a str>, Fault> {
        match self.text(column) {
            b"" => Ok(None),
            text => label(text)
                .map(Some)
                .ok_or_else(|| self.fault(column, Rule::LabelShape)),
        }
    }

    /// A further label by its position in the file, where not blank.
    pub(crate) fn label_at(&self, position: usize) -> Result<Option<&'a str>, Fault> {
        match self.record.get(position).unwrap_or_default() {
            b"" => Ok(None),
            text => label(text).map(Some).ok_or(Fault {
                column: u16::try_from(position).ok(),
                rule: Rule::LabelShape,
            }),
        }
    }

    /// A plain number, where not blank.
    pub(crate) fn decimal(&self, column: usize) -> Result<Option<Decimal>, Fault> {
        match self.text(column) {
            b"" => Ok(None),
            text => decimal::parse(text)
                .map(Some)
                .ok_or_else(|| self.fault(column, Rule::NotANumber)),
        }
    }

    /// A number in hundredths within the column's limits, where not blank.
    pub(crate) fn hundredths(&self, column: usize) -> Result<Option<i64>, Fault> {
        let Some(decimal) = self.decimal(column)? else {
            return Ok(None);
        };
        match self.kind(column) {
            Kind::Hundredths(low, high) if !decimal.within(low, high) => {
                Err(self.fault(column, Rule::OutOfRange))
            }
            _ => Ok(Some(decimal.rounded)),
        }
    }

    /// A level in hundredths of a dB, where not blank.
    pub(crate) fn level(&self, column: usize) -> Result<Option<i16>, Fault> {
        self.hundredths(column)?
            .map(|value| i16::try_from(value).map_err(|_| self.fault(column, Rule::OutOfRange)))
            .transpose()
    }

    /// A whole number within the column's limits, where not blank.
    pub(crate) fn whole(&self, column: usize) -> Result<Option<i64>, Fault> {
        let Some(decimal) = self.decimal(column)? else {
            return Ok(None);
        };
        let value = decimal
            .as_integer()
            .ok_or_else(|| self.fault(column, Rule::NotWhole))?;
        match self.kind(column) {
            Kind::Whole(low, high) if !(low..=high).contains(&value) => {
                Err(self.fault(column, Rule::OutOfRange))
            }
            _ => Ok(Some(value)),
        }
    }

    /// A threshold in hundredths of dB HL and whether it is the limit without response, where not blank.
    pub(crate) fn threshold(&self, column: usize) -> Result<Option<(i16, bool)>, Fault> {
        let text = self.text(column);
        if text.is_empty() {
            return Ok(None);
        }
        let (digits, no_response) = match text.strip_prefix(b">") {
            Some(limit) => (limit, true),
            None => (text, false),
        };
        let decimal = decimal::parse(digits).ok_or_else(|| self.fault(column, Rule::NotANumber))?;
        let (low, high) = if no_response {
            (NO_RESPONSE_LIMIT, NO_RESPONSE_LIMIT)
        } else {
            THRESHOLD_RANGE
        };
        match i16::try_from(decimal.rounded) {
            Ok(value) if decimal.within(low, high) => Ok(Some((value, no_response))),
            _ => Err(self.fault(column, Rule::OutOfRange)),
        }
    }

    /// Position of a frequency among the ten.
    pub(crate) fn frequency(&self, column: usize) -> Result<usize, Fault> {
        let decimal = decimal::parse(self.required(column)?)
            .ok_or_else(|| self.fault(column, Rule::NotANumber))?;
        let value = decimal
            .as_integer()
            .ok_or_else(|| self.fault(column, Rule::NotWhole))?;
        u32::try_from(value)
            .ok()
            .and_then(frequency_position)
            .ok_or_else(|| self.fault(column, Rule::FrequencyNotKept))
    }
}

/// Whether a text has the shape of a pseudonym.
pub(super) fn is_pseudonym(text: &[u8]) -> bool {
    (1..=64).contains(&text.len())
        && text
            .iter()
            .all(|b| b.is_ascii_alphanumeric() || matches!(b, b'_' | b'-'))
}

/// Whether a text has the shape of a label.
pub(super) fn is_label(text: &[u8]) -> bool {
    label(text).is_some()
}

fn label(text: &[u8]) -> Option<&str> {
    let text = std::str::from_utf8(text).ok()?;
    let fits = text.chars().count() <= LONGEST_LABEL && !text.chars().any(char::is_control);
    fits.then_some(text)
}
