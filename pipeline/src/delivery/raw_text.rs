//! The text of rows that were set aside. Rows are judged and settled without it; it is fetched from the files in a second
//! pass, block by block, of only those files that have such rows.

use std::iter::Peekable;
use std::slice::ChunkBy;

use csv::ByteRecord;

use super::batch::{RowBatch, RowText};
use super::cells::Cells;
use super::header::Header;
use super::source::{DeliveryFile, Source};
use super::waiting_rows::Record;
use super::withheld::withheld;
use super::{Delivery, FileRead, headers};
use crate::error::PipelineError;
use crate::identity::Pseudonyms;
use crate::intake::Intake;
use crate::map::translate::Translation;
use crate::plan::Plan;
use crate::records::{Labels, RowIssue};

/// A row as it stood in its file.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) struct RawRow {
    /// Where the row begins in the file's text, in bytes from 0, packed text being unpacked; none in Parquet.
    pub(crate) byte: Option<u64>,
    /// The row, without its line end.
    pub(crate) text: String,
    /// Whether the text is the row to the byte (in Parquet: its values); otherwise something was left out of it.
    pub(crate) exact: bool,
    /// The cells that are not blank by our columns, where the row waits for something.
    pub(crate) record: Option<Record>,
}

/// Rows of one file, which stand together where issues are sorted by table and place.
type ByFile<'a> = ChunkBy<'a, RowIssue, fn(&RowIssue, &RowIssue) -> bool>;

/// Gives the rows set aside in the order of their issues, some at a time.
pub(crate) struct RawRows<'a> {
    delivery: &'a Delivery,
    read: &'a [FileRead],
    pseudonyms: Option<&'a Pseudonyms>,
    year_only: bool,
    block_size: usize,
    files: ByFile<'a>,
    open: Option<OpenFile<'a>>,
}

struct OpenFile<'a> {
    file: &'a DeliveryFile,
    read: &'a FileRead,
    source: Source,
    header: Header,
    issues: Peekable<std::slice::Iter<'a, RowIssue>>,
}

impl<'a> RawRows<'a> {
    /// Rows of a delivery that was read; `issues` are sorted by table and place.
    pub(crate) fn new(
        delivery: &'a Delivery,
        read: &'a [FileRead],
        issues: &'a [RowIssue],
        pseudonyms: Option<&'a Pseudonyms>,
        year_only: bool,
    ) -> Self {
        Self {
            delivery,
            read,
            pseudonyms,
            year_only,
            block_size: super::source::BLOCK_SIZE,
            files: issues.chunk_by(|a, b| (a.table, a.place.file) == (b.table, b.place.file)),
            open: None,
        }
    }

    fn open(&self, issues: &'a [RowIssue]) -> Result<Option<OpenFile<'a>>, PipelineError> {
        let Some(first) = issues.first() else {
            return Ok(None);
        };
        let file = self
            .delivery
            .files
            .iter()
            .filter(|file| file.table == first.table)
            .nth(usize::from(first.place.file));
        let read = headers(self.read).remove(&(first.table, first.place.file));
        let (Some(file), Some(read)) = (file, read) else {
            return Ok(None);
        };
        let mut source = Source::open_in_blocks(file, self.block_size)?;
        let plan = Plan::default();
        let intake = Intake {
            pseudonyms: self.pseudonyms,
            year_only: self.year_only,
            ..Intake::plain(&plan)
        };
        let header = Header::of(file, &source, &mut Labels::default(), &intake)?;
        if let Some(translation) = &header.translation {
            source.leave_out(&translation.hidden);
        }
        Ok(Some(OpenFile {
            file,
            read,
            source,
            header,
            issues: issues.iter().peekable(),
        }))
    }

    fn advance(&mut self) -> Result<Option<Vec<(RowIssue, RawRow)>>, PipelineError> {
        loop {
            if self.open.is_none() {
                let Some(issues) = self.files.next() else {
                    return Ok(None);
                };
                self.open = self.open(issues)?;
            }
            let Some(open) = &mut self.open else {
                continue;
            };
            if let Some(batch) = open.source.next_batch()? {
                let rows = open.rows(&batch);
                if !rows.is_empty() {
                    return Ok(Some(rows));
                }
                continue;
            }
            // Read to its end, so that it is known to be the file that was judged.
            let same = open.source.hash().to_hex().as_str() == open.read.hash;
            if !same || open.issues.peek().is_some() {
                return Err(PipelineError::Changed {
                    path: open.file.path.clone(),
                });
            }
            self.open = None;
        }
    }
}

impl Iterator for RawRows<'_> {
    type Item = Result<Vec<(RowIssue, RawRow)>, PipelineError>;

    fn next(&mut self) -> Option<Self::Item> {
        self.advance().transpose()
    }
}

impl OpenFile<'_> {
    /// The rows of a batch that were set aside.
    fn rows(&mut self, batch: &RowBatch) -> Vec<(RowIssue, RawRow)> {
        let mut out: Vec<(RowIssue, RawRow)> = Vec::new();
        let lines = batch.lines();
        if !self
            .issues
            .peek()
            .is_some_and(|issue| lines.contains(&issue.place.line))
        {
            return out;
        }
        let Self {
            file,
            header,
            issues,
            ..
        } = self;
        let mut translated = header.translation.as_ref().map(Translation::rows);
        // A fault of the text is one of a file that has changed, which its hash shows.
        let _ = batch.for_each_in_text(|line, record, text| {
            let Some(issue) = issues.next_if(|issue| issue.place.line == line) else {
                return;
            };
            let ours = match &mut translated {
                None => Some(record),
                Some(rows) => rows.row(record).ok().flatten(),
            };
            let mut row = raw_row(header, file.separator, record, ours, text);
            if issue.rule.waits() {
                row.record = ours.and_then(|record| by_column(header, record));
            }
            out.push((*issue, row));
        });
        out
    }
}

fn raw_row(
    header: &Header,
    separator: u8,
    record: &ByteRecord,
    ours: Option<&ByteRecord>,
    text: Option<RowText<'_>>,
) -> RawRow {
    let shown = withheld(header, record, ours);
    let exact = shown.is_none();
    let bytes = match (&shown, text) {
        (None, Some(text)) => text.bytes.to_vec(),
        (None, None) => joined(separator, record),
        (Some(fields), _) => joined(separator, fields.iter().map(AsRef::<[u8]>::as_ref)),
    };
    RawRow {
        // A record that was made out of something longer knows where that begins.
        byte: text
            .map(|text| text.byte)
            .or_else(|| record.position().map(csv::Position::byte)),
        text: String::from_utf8_lossy(&bytes).into_owned(),
        exact,
        record: None,
    }
}

/// Fields as one CSV record, without a line end.
fn joined<'f>(separator: u8, fields: impl IntoIterator<Item = &'f [u8]>) -> Vec<u8> {
    let mut writer = csv::WriterBuilder::new()
        .delimiter(separator)
        .from_writer(Vec::new());
    // Writing to memory does not fail.
    let _ = writer.write_record(fields);
    let mut text = writer.into_inner().unwrap_or_default();
    text.pop_if(|byte| *byte == b'\n');
    text
}

/// The cells of a row that are not blank, by our columns, ids that become pseudonyms as such. None where that cannot be
/// said of the row.
fn by_column(header: &Header, record: &ByteRecord) -> Option<Record> {
    let cells = Cells::new(header, record).ok()?;
    let mut out = Record::new();
    for (column, (spec, pseudonyms)) in header.specs.iter().zip(&header.pseudonyms).enumerate() {
        let text = cells.text(column);
        if text.is_empty() {
            continue;
        }
        let text = match pseudonyms {
            Some(_) => cells.identifier(column).ok()?.into_owned(),
            None => std::str::from_utf8(text).ok()?.to_owned(),
        };
        out.insert(spec.name.to_owned(), text);
    }
    Some(out)
}

#[cfg(test)]
mod tests;
