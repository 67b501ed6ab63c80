//! Some rows of a file, and where each of them stands.

use std::ops::RangeInclusive;

use csv::ByteRecord;

use super::blocks::{Block, LONGEST_RECORD};
use super::cells::Fault;
use crate::rules::Rule;

/// Some rows of a file.
#[derive(Debug)]
pub(crate) enum RowBatch {
    /// Whole CSV records as text.
    Text {
        block: Block,
        /// What stands between the fields of a record.
        separator: u8,
    },
    /// Records as fields, the first being row `first_row` of the file.
    Fields {
        records: Vec<ByteRecord>,
        first_row: u32,
        /// Rows that break a rule by what they were made of, whatever their fields say.
        faults: Vec<(u32, Fault)>,
    },
}

impl RowBatch {
    /// The rule that a row breaks before its fields are looked at.
    pub(crate) fn fault(&self, line: u32) -> Option<Fault> {
        match self {
            Self::Text { .. } => None,
            Self::Fields { faults, .. } => {
                let at = faults.binary_search_by_key(&line, |(row, _)| *row).ok()?;
                faults.get(at).map(|(_, fault)| *fault)
            }
        }
    }

    /// The lines on which rows of the batch may begin.
    pub(crate) fn lines(&self) -> RangeInclusive<u32> {
        match self {
            Self::Fields {
                records, first_row, ..
            } => {
                let rows = u32::try_from(records.len()).unwrap_or(u32::MAX);
                *first_row..=first_row.saturating_add(rows)
            }
            Self::Text { block, .. } => {
                let lines = super::blocks::count_lines(&block.bytes);
                block.first_line..=block.first_line.saturating_add(lines)
            }
        }
    }

    /// Calls back with line and fields of each record; ends early, with the line, on a record that is too long.
    ///
    /// # Errors
    /// [`RowFault`] where the text is not UTF-8 or a record is longer than any record can be.
    pub(crate) fn for_each(&self, mut row: impl FnMut(u32, &ByteRecord)) -> Result<(), RowFault> {
        self.for_each_in_text(|line, record, _| row(line, record))
    }

    /// The same, with the place in the text; none where the records have no text.
    ///
    /// # Errors
    /// As [`RowBatch::for_each`].
    pub(crate) fn for_each_in_text(
        &self,
        mut row: impl FnMut(u32, &ByteRecord, Option<RowText<'_>>),
    ) -> Result<(), RowFault> {
        match self {
            Self::Fields {
                records, first_row, ..
            } => {
                for (record, line) in records.iter().zip(*first_row..) {
                    if record.as_slice().len() > LONGEST_RECORD {
                        return Err(RowFault {
                            rule: Rule::UnclosedQuote,
                            line,
                        });
                    }
                    row(line, record, None);
                }
                Ok(())
            }
            Self::Text { block, separator } => {
                if let Err(fault) = std::str::from_utf8(&block.bytes) {
                    let before = block.bytes.get(..fault.valid_up_to()).unwrap_or_default();
                    return Err(RowFault {
                        rule: Rule::NotUtf8,
                        line: block.first_line + super::blocks::count_lines(before),
                    });
                }
                let mut reader = csv::ReaderBuilder::new()
                    .has_headers(false)
                    .delimiter(*separator)
                    .flexible(true)
                    .buffer_capacity(1 << 16)
                    .from_reader(block.bytes.as_slice());
                let mut record = ByteRecord::new();
                // Reading bytes from memory into a flexible record has no way to fail.
                while matches!(reader.read_byte_record(&mut record), Ok(true)) {
                    let begin = begin_of(&block.bytes, record.position());
                    let line = block
                        .first_line
                        .saturating_add(lines_before(record.position(), begin.blank));
                    if record.as_slice().len() > LONGEST_RECORD {
                        return Err(RowFault {
                            rule: Rule::UnclosedQuote,
                            line,
                        });
                    }
                    let end = usize::try_from(reader.position().byte()).unwrap_or(usize::MAX);
                    let text = RowText {
                        byte: block.first_byte.saturating_add(begin.at as u64),
                        bytes: without_line_end(
                            block
                                .bytes
                                .get(begin.at..end.min(block.bytes.len()))
                                .unwrap_or_default(),
                        ),
                    };
                    row(line, &record, Some(text));
                }
                Ok(())
            }
        }
    }
}

/// A record as it stands in a text.
#[derive(Clone, Copy, Debug)]
pub(crate) struct RowText<'a> {
    /// Where it begins in the file's text, in bytes from 0; in a packed file, of the text unpacked.
    pub(crate) byte: u64,
    /// Its bytes, the line end left out.
    pub(crate) bytes: &'a [u8],
}

/// Where a record begins.
struct Begin<'a> {
    at: usize,
    /// What stands before it: blank lines, and the line feed of a CRLF whose carriage return ended the record before.
    blank: &'a [u8],
}

/// The reader gives the place at which it began to look for a record, line ends and all.
fn begin_of<'a>(text: &'a [u8], position: Option<&csv::Position>) -> Begin<'a> {
    let looked = position
        .and_then(|position| usize::try_from(position.byte()).ok())
        .unwrap_or(0);
    let rest = text.get(looked..).unwrap_or_default();
    let blank = rest
        .iter()
        .position(|byte| !matches!(byte, b'\r' | b'\n'))
        .unwrap_or(rest.len());
    Begin {
        at: looked + blank,
        blank: rest.get(..blank).unwrap_or_default(),
    }
}

/// Line feeds of a text before a record.
fn lines_before(position: Option<&csv::Position>, blank: &[u8]) -> u32 {
    let passed = position.map_or(0, |position| position.line().saturating_sub(1));
    u32::try_from(passed)
        .unwrap_or(u32::MAX)
        .saturating_add(super::blocks::count_lines(blank))
}

fn without_line_end(text: &[u8]) -> &[u8] {
    let kept = text
        .iter()
        .rposition(|byte| !matches!(byte, b'\r' | b'\n'))
        .map_or(0, |at| at + 1);
    text.get(..kept).unwrap_or_default()
}

/// A place at which a whole file has to be refused.
#[derive(Clone, Copy, Debug)]
pub(crate) struct RowFault {
    pub(crate) rule: Rule,
    pub(crate) line: u32,
}
