//! Reads a Parquet table as rows of text fields, so that it is judged by the same rules as CSV.

use std::fs::File;
use std::path::{Path, PathBuf};

use arrow::array::{Array, AsArray, RecordBatch};
use arrow::compute::cast;
use arrow::datatypes::DataType;
use csv::ByteRecord;
use parquet::arrow::arrow_reader::{ParquetRecordBatchReader, ParquetRecordBatchReaderBuilder};

use super::source::RowBatch;
use crate::error::PipelineError;
use crate::rules::Rule;

/// Rows in a batch.
const BATCH_ROWS: usize = 16_384;

pub(crate) struct ParquetRows {
    path: PathBuf,
    reader: ParquetRecordBatchReader,
    names: Vec<String>,
    next_row: u32,
}

impl ParquetRows {
    pub(crate) fn open(path: &Path) -> Result<Self, PipelineError> {
        let file = File::open(path).map_err(|source| PipelineError::read(path, source))?;
        let damaged = |_| PipelineError::refused(Rule::DamagedFile, path, None, "");
        let builder = ParquetRecordBatchReaderBuilder::try_new(file).map_err(damaged)?;
        let names = builder
            .schema()
            .fields()
            .iter()
            .map(|field| field.name().clone())
            .collect();
        let reader = builder
            .with_batch_size(BATCH_ROWS)
            .build()
            .map_err(damaged)?;
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
        let damaged = || {
            PipelineError::refused(Rule::DamagedFile, &self.path, Some(first_row.into()), "")
        };
        let batch = match self.reader.next() {
            None => return Ok(None),
            Some(batch) => batch.map_err(|_| damaged())?,
        };
        let records = as_records(&batch).ok_or_else(damaged)?;
        self.next_row = first_row.saturating_add(u32::try_from(records.len()).unwrap_or(u32::MAX));
        Ok(Some(RowBatch::Fields { records, first_row }))
    }
}

/// Every value as text; null is blank. None where a column is of a kind that has no text, such as a list.
fn as_records(batch: &RecordBatch) -> Option<Vec<ByteRecord>> {
    let mut records = vec![ByteRecord::new(); batch.num_rows()];
    for column in batch.columns() {
        let is_real = column.data_type().is_floating();
        let column = cast(column, &DataType::Utf8).ok()?;
        let texts = column.as_string_opt::<i32>()?;
        for (row, record) in records.iter_mut().enumerate() {
            let text = if texts.is_null(row) {
                ""
            } else {
                texts.value(row)
            };
            // Arrow prints a whole real number as `65.0`; where a whole number is due, that is what it means.
            let text = match text.strip_suffix(".0") {
                Some(whole) if is_real => whole,
                _ => text,
            };
            record.push_field(text.as_bytes());
        }
    }
    Some(records)
}
