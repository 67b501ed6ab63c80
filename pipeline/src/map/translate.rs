//! Applies a source of a map to the rows of a file: their fields in, our fields out, judged by the rules like any other.

use std::collections::{BTreeMap, BTreeSet};

use csv::ByteRecord;

use super::check::{frequency_of, means};
use super::exact::Exact;
use super::files::Mapped;
use super::header::Meeting;
use super::{DateForm, DecimalMark, FrequencyUnit, SourceMap, ThresholdUnit, TimeUnit};
use crate::decimal;
use crate::delivery::DeliveryFile;
use crate::delivery::columns::{ColumnSpec, Kind, columns_for};
use crate::error::PipelineError;
use crate::rules::Rule;
use crate::vocabulary::FREQUENCIES;

/// Stands for a value that is not written as the map says: no column of numbers or dates takes it.
pub(crate) const NOT_AS_MAPPED: &[u8] = b"?";

/// Position among our columns, and the rule: why a row cannot be translated.
pub(crate) type Untranslated = (Option<u16>, Rule);

/// How the rows of one file become ours.
#[derive(Debug)]
pub(crate) struct Translation {
    /// Our columns, in the order in which their values come.
    columns: Vec<Column>,
    /// Fields in a row of theirs.
    width: usize,
    /// Position in the file, and the values of the rows that are read.
    only: Vec<(usize, BTreeSet<Vec<u8>>)>,
    /// Positions in the file that must not be blank in a row that is read.
    unless_blank: Vec<usize>,
    /// Positions in the file of columns that are left out.
    pub(crate) hidden: Vec<usize>,
}

/// A column of ours.
#[derive(Debug)]
struct Column {
    name: String,
    origin: Origin,
    /// What their values mean.
    values: BTreeMap<Vec<u8>, Vec<u8>>,
    mark: DecimalMark,
    change: Change,
}

#[derive(Debug)]
enum Origin {
    /// A column of theirs.
    Field { position: usize, name: String },
    /// The same in every row.
    Constant(Vec<u8>),
}

/// What becomes of a value that the map does not list.
#[derive(Debug)]
enum Change {
    /// It stays.
    None,
    /// A number, perhaps with a decimal comma.
    Number,
    /// A date of another form.
    Date(DateForm),
    /// A threshold in dB SPL; the level of 0 dB HL in hundredths of dB SPL.
    Threshold(i64),
    /// The same where the frequency is in another column of ours, and the levels by frequency.
    ThresholdAt {
        frequency: usize,
        reference: BTreeMap<u16, i64>,
    },
    /// Kilohertz.
    Kilohertz,
    /// Days that become weeks.
    Days,
}

impl Translation {
    /// Fields in a row of the file.
    pub(crate) fn width(&self) -> usize {
        self.width
    }

    /// Matches a source with the header row of a file. `typed` tells for each column of the file whether its values have
    /// a type of their own, as numbers and dates of Parquet have: such are written as here, whatever the map says.
    ///
    /// # Errors
    /// A refusal by `repeated-column`, `mapped-column-missing` or `unmapped-column`.
    pub(crate) fn new(
        mapped: &Mapped,
        file: &DeliveryFile,
        header: &[String],
        typed: &[bool],
    ) -> Result<Self, PipelineError> {
        let source = &*mapped.source;
        let meeting = Meeting {
            source,
            file,
            header,
        };
        let columns = meeting.columns()?;
        let read = columns
            .iter()
            .map(|(_, theirs)| theirs)
            .chain(source.only.keys());
        let read: BTreeSet<&str> = read
            .chain(&source.unless_blank)
            .map(String::as_str)
            .collect();
        meeting.all_there(&read)?;
        let left_out: BTreeSet<&str> = mapped
            .beside
            .iter()
            .flat_map(|other| &other.leave_out)
            .map(String::as_str)
            .filter(|name| !read.contains(name))
            .collect();
        meeting.all_named(mapped, &read, &left_out)?;
        meeting.none_twice(&read)?;
        let at = |name: &str| header.iter().position(|theirs| theirs == name);
        let names: Vec<String> = columns
            .iter()
            .map(|(ours, _)| ours)
            .chain(source.constants.keys())
            .cloned()
            .collect();
        let mut out = Vec::with_capacity(names.len());
        for (ours, theirs) in columns {
            // Every column that is read was found above.
            let position = at(&theirs).unwrap_or(usize::MAX);
            let is_typed = typed.get(position).copied().unwrap_or(false);
            out.push(Column {
                values: values(source, &ours),
                mark: if is_typed {
                    DecimalMark::Point
                } else {
                    source.decimal
                },
                change: change(source, &ours, &names, is_typed),
                name: ours,
                origin: Origin::Field {
                    position,
                    name: theirs,
                },
            });
        }
        out.extend(source.constants.iter().map(|(name, value)| Column {
            name: name.clone(),
            origin: Origin::Constant(value.0.clone().into_bytes()),
            values: BTreeMap::new(),
            mark: DecimalMark::Point,
            change: Change::None,
        }));
        let only = source.only.iter().filter_map(|(name, values)| {
            let values = values.iter().map(|value| value.0.clone().into_bytes());
            Some((at(name)?, values.collect()))
        });
        Ok(Self {
            columns: out,
            width: header.len(),
            only: only.collect(),
            unless_blank: source
                .unless_blank
                .iter()
                .filter_map(|name| at(name))
                .collect(),
            hidden: (0..header.len())
                .filter(|&position| {
                    header
                        .get(position)
                        .is_some_and(|name| left_out.contains(name.as_str()))
                })
                .collect(),
        })
    }

    /// Our names, in the order of the translated fields.
    pub(crate) fn ours(&self) -> Vec<String> {
        self.columns
            .iter()
            .map(|column| column.name.clone())
            .collect()
    }

    /// What the sender calls each of them; none for a constant.
    pub(crate) fn theirs(&self) -> Vec<Option<String>> {
        self.columns
            .iter()
            .map(|column| match &column.origin {
                Origin::Field { name, .. } => Some(name.clone()),
                Origin::Constant(_) => None,
            })
            .collect()
    }

    /// The position in the file of one of our columns; none for a constant.
    pub(crate) fn in_file(&self, position: usize) -> Option<usize> {
        match self.columns.get(position)?.origin {
            Origin::Field { position, .. } => Some(position),
            Origin::Constant(_) => None,
        }
    }

    /// Ready for rows.
    pub(crate) fn rows(&self) -> Rows<'_> {
        Rows {
            translation: self,
            row: ByteRecord::new(),
            value: Vec::new(),
        }
    }

    fn is_passed_over(&self, row: &ByteRecord) -> bool {
        let field = |position: usize| row.get(position).unwrap_or_default();
        self.only
            .iter()
            .any(|(position, values)| !values.contains(field(*position)))
            || self
                .unless_blank
                .iter()
                .any(|position| field(*position).is_empty())
    }
}

/// Translates one row after the other into the same record.
pub(crate) struct Rows<'a> {
    translation: &'a Translation,
    row: ByteRecord,
    value: Vec<u8>,
}

impl Rows<'_> {
    /// A row of theirs as one of ours; none where it is passed over.
    pub(crate) fn row(&mut self, theirs: &ByteRecord) -> Result<Option<&ByteRecord>, Untranslated> {
        let Translation { columns, width, .. } = self.translation;
        if theirs.len() != *width {
            return Err((None, Rule::FieldCount));
        }
        if self.translation.is_passed_over(theirs) {
            return Ok(None);
        }
        self.row.clear();
        for (column, position) in columns.iter().zip(0..) {
            self.value.clear();
            column
                .write(theirs, columns, &mut self.value)
                .map_err(|rule| (Some(position), rule))?;
            self.row.push_field(&self.value);
        }
        Ok(Some(&self.row))
    }
}

impl Column {
    /// The value of a row, written to `out`.
    fn write(&self, row: &ByteRecord, all: &[Self], out: &mut Vec<u8>) -> Result<(), Rule> {
        let text = match &self.origin {
            Origin::Constant(value) => {
                out.extend_from_slice(value);
                return Ok(());
            }
            Origin::Field { position, .. } => row.get(*position).unwrap_or_default(),
        };
        if let Some(meaning) = self.values.get(text) {
            out.extend_from_slice(meaning);
            return Ok(());
        }
        if text.is_empty() {
            return Ok(());
        }
        match &self.change {
            Change::None => out.extend_from_slice(text),
            Change::Date(form) => {
                if !form.write(text, out) {
                    out.clear();
                    out.extend_from_slice(NOT_AS_MAPPED);
                }
            }
            Change::Number => self.number(text, out, |number| number),
            Change::Kilohertz => self.number(text, out, Exact::thousandfold),
            Change::Days => self.number(text, out, Exact::seventh),
            Change::Threshold(level) => {
                self.number(text, out, |number| number.less_hundredths(*level));
            }
            Change::ThresholdAt {
                frequency,
                reference,
            } => {
                let mut hertz = Vec::new();
                if let Some(column) = all.get(*frequency) {
                    column.write(row, &[], &mut hertz)?;
                }
                let hertz = decimal::parse(&hertz)
                    .and_then(decimal::Decimal::as_integer)
                    .and_then(|hertz| u16::try_from(hertz).ok());
                match hertz.and_then(|hertz| reference.get(&hertz)) {
                    Some(level) => self.number(text, out, |number| number.less_hundredths(*level)),
                    None if hertz.is_some_and(|hertz| FREQUENCIES.contains(&hertz)) => {
                        return Err(Rule::NoReferenceLevel);
                    }
                    // The frequency breaks a rule of its own.
                    None => out.extend_from_slice(NOT_AS_MAPPED),
                }
            }
        }
        Ok(())
    }

    /// Writes a number with a decimal point, changed where its unit asks for it; a leading `>`, no response at that
    /// limit, stays. What is no number stays as it is, for the rules to judge.
    fn number(&self, text: &[u8], out: &mut Vec<u8>, change: impl Fn(Exact) -> Exact) {
        let (sign, digits) = match text.strip_prefix(b">") {
            Some(rest) => (&b">"[..], rest),
            None => (&b""[..], text),
        };
        out.extend_from_slice(sign);
        let start = out.len();
        match self.mark {
            DecimalMark::Point => out.extend_from_slice(digits),
            // A point where commas are said to stand would be something else, such as a separator of thousands.
            DecimalMark::Comma if digits.contains(&b'.') => {
                out.extend_from_slice(NOT_AS_MAPPED);
                return;
            }
            DecimalMark::Comma => out.extend(
                digits
                    .iter()
                    .map(|byte| if *byte == b',' { b'.' } else { *byte }),
            ),
        }
        if matches!(self.change, Change::Number) {
            return;
        }
        if let Some(number) = Exact::read(out.get(start..).unwrap_or_default()) {
            out.truncate(start);
            change(number).write(out);
        }
    }
}

/// What the map lists for a column: by its own name before its family's.
fn values(source: &SourceMap, name: &str) -> BTreeMap<Vec<u8>, Vec<u8>> {
    let of_family = source
        .values
        .iter()
        .filter(|(key, _)| *key != name && means(key, name));
    let own = source.values.get_key_value(name);
    of_family
        .chain(own)
        .flat_map(|(_, values)| values)
        .map(|(theirs, ours)| (theirs.clone().into_bytes(), ours.0.clone().into_bytes()))
        .collect()
}

/// What becomes of the values of a column that the map does not list.
fn change(source: &SourceMap, name: &str, names: &[String], is_typed: bool) -> Change {
    let specs = columns_for(source.table, names);
    let Some(spec) = specs.iter().find(|spec| spec.name == name) else {
        return Change::None;
    };
    let number = || match source.decimal {
        DecimalMark::Comma if !is_typed => Change::Number,
        _ => Change::None,
    };
    match (spec.kind, &source.units.thresholds) {
        (Kind::Date, _) => match &source.dates {
            Some(form) if !is_typed => Change::Date(form.clone()),
            _ => Change::None,
        },
        (Kind::Frequency, _) if source.units.frequency_hz == FrequencyUnit::Kilohertz => {
            Change::Kilohertz
        }
        (Kind::Threshold, ThresholdUnit::SoundPressureLevel(reference)) => {
            match frequency_of(name) {
                Some(frequency) => match reference.get(&frequency) {
                    Some(level) => Change::Threshold(*level),
                    // A source without `columns` may have thresholds that its map does not know of.
                    None => Change::ThresholdAt {
                        frequency: usize::MAX,
                        reference: BTreeMap::new(),
                    },
                },
                None => Change::ThresholdAt {
                    frequency: names
                        .iter()
                        .position(|other| is_frequency(&specs, other))
                        .unwrap_or(usize::MAX),
                    reference: reference.clone(),
                },
            }
        }
        (Kind::Hundredths(..), _)
            if name == "weeks_after" && source.units.weeks_after == TimeUnit::Days =>
        {
            Change::Days
        }
        (
            Kind::Whole(..)
            | Kind::Hundredths(..)
            | Kind::Threshold
            | Kind::Frequency
            | Kind::Score,
            _,
        ) => number(),
        (Kind::Identifier | Kind::Words(_) | Kind::Label, _) => Change::None,
    }
}

fn is_frequency(specs: &[ColumnSpec], name: &str) -> bool {
    specs
        .iter()
        .any(|spec| spec.name == name && spec.kind == Kind::Frequency)
}

#[cfg(test)]
mod tests;
