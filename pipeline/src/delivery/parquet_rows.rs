//! Reads a Parquet table as rows of text fields, so that it is judged by the same rules as CSV.
//!
//! What a file claims is judged before it is read (`parquet_pages`), and rows are handed on a few megabytes at a time:
//! a short file may hold a long text that thousands of rows name.

use std::fmt::Display;
use std::fs::File;
use std::io::{Read, Seek, SeekFrom};
use std::ops::Range;
use std::path::{Path, PathBuf};

use arrow::array::{Array, ArrowPrimitiveType, AsArray, PrimitiveArray, RecordBatch, StringArray};
use arrow::compute::{CastOptions, cast_with_options};
use arrow::datatypes::{DataType, Float32Type, Float64Type};
use csv::ByteRecord;
use parquet::arrow::arrow_reader::{
    ArrowReaderMetadata, ArrowReaderOptions, ParquetRecordBatchReader,
    ParquetRecordBatchReaderBuilder,
};

use super::batch::RowBatch;
use super::blocks::LONGEST_RECORD;
use super::header::{MOST_COLUMNS, printable};
use super::parquet_pages::rows_at_a_time;
use crate::error::PipelineError;
use crate::rules::Rule;

/// Bytes of text in a batch that is handed on.
const BATCH_BYTES: usize = 4 << 20;
/// Bytes of a footer; one of 1,000 row groups of 30 columns has about 4 MiB.
const LONGEST_FOOTER: u64 = 4 << 20;

/// The decoder of some damaged files gives up by panicking instead of returning an error; to whoever sent the file that
/// is the same.
fn guarded<T>(decode: impl FnOnce() -> T) -> Option<T> {
    std::panic::catch_unwind(std::panic::AssertUnwindSafe(decode)).ok()
}

pub(crate) struct ParquetRows {
    path: PathBuf,
    reader: ParquetRecordBatchReader,
    names: Vec<String>,
    typed: Vec<bool>,
    /// Positions of columns of lists or groups, which have no text that a row could hold.
    nested: Vec<usize>,
    /// Positions of columns that are not read: blank in every row.
    pub(crate) left_out: Vec<usize>,
    next_row: u32,
    /// Rows that were read and not handed on yet.
    waiting: Option<Texts>,
    /// Bytes of text that may still come.
    left: u64,
}

impl ParquetRows {
    /// Opens a file that may grow to `allowed` bytes of text. Columns of lists or groups are refused at once, unless some
    /// `may_be_left_out`.
    pub(crate) fn open(
        path: &Path,
        allowed: u64,
        may_be_left_out: bool,
    ) -> Result<Self, PipelineError> {
        let mut file = File::open(path).map_err(|source| PipelineError::read(path, source))?;
        let refuse = |rule| PipelineError::refused(rule, path, None, "");
        let damaged = || refuse(Rule::DamagedFile);
        footer(&mut file).map_err(refuse)?;
        let metadata = guarded(|| ArrowReaderMetadata::load(&file, ArrowReaderOptions::new()).ok())
            .flatten()
            .ok_or_else(damaged)?;
        let fields = metadata.schema().fields();
        if fields.len() > MOST_COLUMNS {
            return Err(refuse(Rule::TooManyColumns));
        }
        let names: Vec<String> = fields.iter().map(|field| field.name().clone()).collect();
        let is_typed = |kind: &DataType| kind.is_numeric() || kind.is_temporal();
        let typed = fields.iter().map(|field| is_typed(field.data_type()));
        let typed = typed.collect();
        let nested: Vec<usize> = (0..fields.len())
            .filter(|at| fields.get(*at).is_some_and(|f| f.data_type().is_nested()))
            .collect();
        if !may_be_left_out {
            Self::refuse_nested(path, &names, &nested, &[])?;
        }
        let rows = guarded(|| rows_at_a_time(&file, metadata.metadata(), allowed))
            .unwrap_or(Err(Rule::DamagedFile))
            .map_err(refuse)?;
        let reader = guarded(|| {
            ParquetRecordBatchReaderBuilder::new_with_metadata(file, metadata)
                .with_batch_size(rows)
                .build()
                .ok()
        })
        .flatten()
        .ok_or_else(damaged)?;
        Ok(Self {
            path: path.to_path_buf(),
            reader,
            names,
            typed,
            nested,
            left_out: Vec::new(),
            next_row: 1,
            waiting: None,
            left: allowed,
        })
    }

    pub(crate) fn header(&self) -> Vec<String> {
        self.names.clone()
    }

    /// For each column, whether it holds numbers or dates by type.
    pub(crate) fn typed(&self) -> Vec<bool> {
        self.typed.clone()
    }

    fn refuse_nested(
        path: &Path,
        names: &[String],
        nested: &[usize],
        left_out: &[usize],
    ) -> Result<(), PipelineError> {
        let asked_for = nested.iter().find(|at| !left_out.contains(at));
        match asked_for.and_then(|at| names.get(*at)) {
            Some(name) => Err(PipelineError::refused(
                Rule::NestedColumn,
                path,
                None,
                &printable(name),
            )),
            None => Ok(()),
        }
    }

    pub(crate) fn next_batch(&mut self) -> Result<Option<RowBatch>, PipelineError> {
        let first_row = self.next_row;
        let refuse = |rule| PipelineError::refused(rule, &self.path, Some(first_row.into()), "");
        let mut texts = match self.waiting.take() {
            Some(texts) => texts,
            None => {
                Self::refuse_nested(&self.path, &self.names, &self.nested, &self.left_out)?;
                let (reader, left_out) = (&mut self.reader, &self.left_out);
                let read = guarded(|| match reader.next() {
                    None => Some(None),
                    Some(batch) => Texts::new(&batch.ok()?, left_out).map(Some),
                });
                match read.flatten().ok_or_else(|| refuse(Rule::DamagedFile))? {
                    Some(texts) => texts,
                    None => return Ok(None),
                }
            }
        };
        let (records, bytes) = texts.take();
        self.left = self
            .left
            .checked_sub(bytes)
            .ok_or_else(|| refuse(Rule::OutOfProportion))?;
        if !texts.rows.is_empty() {
            self.waiting = Some(texts);
        }
        self.next_row = first_row.saturating_add(u32::try_from(records.len()).unwrap_or(u32::MAX));
        Ok(Some(RowBatch::Fields {
            records,
            first_row,
            faults: Vec::new(),
        }))
    }
}

/// Looks at the length of the footer, which is read whole.
fn footer(file: &mut File) -> Result<(), Rule> {
    let mut tail = [0; 8];
    let read = file
        .seek(SeekFrom::End(-8))
        .and_then(|at| file.read_exact(&mut tail).map(|()| at));
    let before = read.map_err(|_| Rule::DamagedFile)?;
    let [a, b, c, d, ..] = tail;
    match u64::from(u32::from_le_bytes([a, b, c, d])) {
        length if length > before => Err(Rule::DamagedFile),
        length if length > LONGEST_FOOTER => Err(Rule::OutOfProportion),
        _ => Ok(()),
    }
}

/// Rows that were read, a column of texts each.
struct Texts {
    columns: Vec<Column>,
    /// Rows not handed on yet.
    rows: Range<usize>,
}

enum Column {
    LeftOut,
    Text(StringArray),
    Double(PrimitiveArray<Float64Type>),
    Single(PrimitiveArray<Float32Type>),
}

impl Texts {
    /// None where a column that is asked for is of a kind that has no text.
    fn new(batch: &RecordBatch, left_out: &[usize]) -> Option<Self> {
        let columns = batch
            .columns()
            .iter()
            .enumerate()
            .map(|(position, column)| match column.data_type() {
                _ if left_out.contains(&position) => Some(Column::LeftOut),
                DataType::Float64 => column.as_primitive_opt().cloned().map(Column::Double),
                DataType::Float32 => column.as_primitive_opt().cloned().map(Column::Single),
                _ => as_texts(column).map(Column::Text),
            });
        Some(Self {
            columns: columns.collect::<Option<_>>()?,
            rows: 0..batch.num_rows(),
        })
    }

    /// The next rows as records, and how many bytes they are, separators counted.
    fn take(&mut self) -> (Vec<ByteRecord>, u64) {
        let mut records = Vec::new();
        let mut bytes = 0;
        while bytes < BATCH_BYTES
            && let Some(row) = self.rows.next()
        {
            let mut record = ByteRecord::new();
            for column in &self.columns {
                match column {
                    Column::LeftOut => record.push_field(b""),
                    Column::Text(texts) => {
                        let text = if texts.is_null(row) {
                            ""
                        } else {
                            texts.value(row)
                        };
                        // A record that is longer is refused; all of it need not be copied for that.
                        let most = text.len().min(LONGEST_RECORD + 1);
                        record.push_field(text.as_bytes().get(..most).unwrap_or_default());
                    }
                    Column::Double(values) => push_real(values, row, &mut record),
                    Column::Single(values) => push_real(values, row, &mut record),
                }
            }
            bytes += record.as_slice().len() + record.len();
            records.push(record);
        }
        (records, bytes as u64)
    }
}

/// A real number as a plain decimal without an exponent, a whole one without a point: where a whole number is due, that
/// is what `65.0` means.
fn push_real<T: ArrowPrimitiveType>(values: &PrimitiveArray<T>, row: usize, record: &mut ByteRecord)
where
    T::Native: Display,
{
    let text = match values.is_null(row) {
        true => String::new(),
        false => values.value(row).to_string(),
    };
    record.push_field(text.as_bytes());
}

/// Anything else as its text, null as blank; none where it has no text.
fn as_texts(column: &dyn Array) -> Option<StringArray> {
    // Not `safe`, which would turn bytes that are no text into nulls in silence.
    let options = CastOptions {
        safe: false,
        ..CastOptions::default()
    };
    let column = cast_with_options(column, &DataType::Utf8, &options).ok()?;
    column.as_string_opt::<i32>().cloned()
}
