//! Reads a Parquet table as rows of text fields, so that it is judged by the same rules as CSV.

use std::fmt::Display;
use std::fs::File;
use std::path::{Path, PathBuf};

use arrow::array::{Array, ArrowPrimitiveType, AsArray, PrimitiveArray, RecordBatch};
use arrow::compute::{CastOptions, cast_with_options};
use arrow::datatypes::{DataType, Float32Type, Float64Type};
use csv::ByteRecord;
use parquet::arrow::arrow_reader::{ParquetRecordBatchReader, ParquetRecordBatchReaderBuilder};

use super::source::RowBatch;
use crate::error::PipelineError;
use crate::rules::Rule;

/// Rows in a batch.
const BATCH_ROWS: usize = 4096;

/// The decoder of some damaged files gives up by panicking instead of returning an error; to whoever sent the file that
/// is the same.
fn guarded<T>(decode: impl FnOnce() -> T) -> Option<T> {
    std::panic::catch_unwind(std::panic::AssertUnwindSafe(decode)).ok()
}

pub(crate) struct ParquetRows {
    path: PathBuf,
    reader: ParquetRecordBatchReader,
    names: Vec<String>,
    next_row: u32,
}

impl ParquetRows {
    pub(crate) fn open(path: &Path) -> Result<Self, PipelineError> {
        let file = File::open(path).map_err(|source| PipelineError::read(path, source))?;
        let opened = guarded(|| {
            let builder = ParquetRecordBatchReaderBuilder::try_new(file).ok()?;
            let fields = builder.schema().fields().iter();
            let names = fields.map(|field| field.name().clone()).collect();
            Some((names, builder.with_batch_size(BATCH_ROWS).build().ok()?))
        });
        let (names, reader) = opened
            .flatten()
            .ok_or_else(|| PipelineError::refused(Rule::DamagedFile, path, None, ""))?;
        Ok(Self {
            path: path.to_path_buf(),
            reader,
            names,
            next_row: 1,
        })
    }

    pub(crate) fn header(&self) -> Vec<String> {
        self.names.clone()
    }

    pub(crate) fn next_batch(&mut self) -> Result<Option<RowBatch>, PipelineError> {
        let first_row = self.next_row;
        let damaged =
            || PipelineError::refused(Rule::DamagedFile, &self.path, Some(first_row.into()), "");
        let reader = &mut self.reader;
        let records = guarded(|| match reader.next() {
            None => Some(None),
            Some(batch) => as_records(&batch.ok()?).map(Some),
        });
        let Some(records) = records.flatten().ok_or_else(damaged)? else {
            return Ok(None);
        };
        self.next_row = first_row.saturating_add(u32::try_from(records.len()).unwrap_or(u32::MAX));
        Ok(Some(RowBatch::Fields {
            records,
            first_row,
            faults: Vec::new(),
        }))
    }
}

/// Every value as text; null is blank. None where a column is of a kind that has no text, such as a list.
fn as_records(batch: &RecordBatch) -> Option<Vec<ByteRecord>> {
    let mut records = vec![ByteRecord::new(); batch.num_rows()];
    for column in batch.columns() {
        match column.data_type() {
            DataType::Float64 => {
                push_reals(column.as_primitive_opt::<Float64Type>()?, &mut records)
            }
            DataType::Float32 => {
                push_reals(column.as_primitive_opt::<Float32Type>()?, &mut records)
            }
            _ => push_texts(column, &mut records)?,
        }
    }
    Some(records)
}

/// Real numbers as plain decimals without an exponent, whole ones without a point: where a whole number is due, that
/// is what `65.0` means.
fn push_reals<T: ArrowPrimitiveType>(values: &PrimitiveArray<T>, records: &mut [ByteRecord])
where
    T::Native: Display,
{
    for (value, record) in values.iter().zip(records) {
        let text = value.map(|value| value.to_string()).unwrap_or_default();
        record.push_field(text.as_bytes());
    }
}

/// Anything else as its text; none where it has no text.
fn push_texts(column: &dyn Array, records: &mut [ByteRecord]) -> Option<()> {
    // A list has a way of being printed, which is nobody's value.
    if column.data_type().is_nested() {
        return None;
    }
    // Not `safe`, which would turn bytes that are no text into nulls in silence.
    let options = CastOptions {
        safe: false,
        ..CastOptions::default()
    };
    let column = cast_with_options(column, &DataType::Utf8, &options).ok()?;
    for (text, record) in column.as_string_opt::<i32>()?.iter().zip(records) {
        record.push_field(text.unwrap_or_default().as_bytes());
    }
    Some(())
}
