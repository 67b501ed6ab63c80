//! The rows set aside of one delivery: a Parquet file in the cohort, and CSV on request.

use std::fs::File;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use arrow::array::{
    Array, ArrayRef, AsArray, BooleanArray, RecordBatch, StringArray, UInt32Array, UInt64Array,
};
use arrow::datatypes::{DataType, Field, Schema, SchemaRef, UInt32Type, UInt64Type};
use arrow::error::ArrowError;
use parquet::arrow::ProjectionMask;
use parquet::arrow::arrow_reader::{ParquetRecordBatchReader, ParquetRecordBatchReaderBuilder};

use super::files::{self, Written, write_parquet};
use crate::delivery::{FileRead, RawRow, headers, sentence};
use crate::error::PipelineError;
use crate::records::RowIssue;

/// Columns of the file of rows set aside.
pub const SET_ASIDE_COLUMNS: [&str; 10] = [
    "table_name",
    "file",
    "line",
    "column_name",
    "rule",
    "sentence",
    "byte",
    "text",
    "exact",
    "record",
];

/// How many of these columns every version has written.
pub(super) const COLUMNS_OF_OLD: usize = 6;

/// One row set aside, in words.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct SetAsideRow {
    /// The table.
    pub table: String,
    /// The file.
    pub file: String,
    /// Line (CSV, the header being line 1) or row (Parquet, from 1).
    pub line: u32,
    /// The column, where one is to blame.
    pub column: Option<String>,
    /// The rule's code.
    pub rule: String,
    /// What is wrong, in a sentence. It never repeats the value.
    pub sentence: String,
    /// Where the row begins in the file's text, in bytes from 0, packed text being unpacked; none in Parquet.
    pub byte: Option<u64>,
    /// The row as it stood; none where an earlier version stored it without.
    pub text: Option<String>,
    /// Whether the text is the row to the byte, nothing being left out of it.
    pub exact: Option<bool>,
    /// For a row that waits for something: a JSON object of its cells that are not blank, by the published columns.
    pub record: Option<String>,
}

/// Rows set aside, some at a time.
pub(crate) type SetAsideRows<'a> =
    Box<dyn Iterator<Item = Result<Vec<SetAsideRow>, PipelineError>> + 'a>;

/// The rows set aside without their texts, in the order of table, file and line.
pub fn in_words<'a>(
    issues: &'a [RowIssue],
    files: &'a [FileRead],
) -> impl Iterator<Item = SetAsideRow> + 'a {
    let headers = headers(files);
    issues.iter().map(move |issue| {
        let file = headers.get(&(issue.table, issue.place.file));
        let header = file.map_or(&[][..], |file| file.header.as_slice());
        SetAsideRow {
            table: issue.table.word().to_owned(),
            file: file.map(|file| file.name.clone()).unwrap_or_default(),
            line: issue.place.line,
            column: issue
                .column
                .and_then(|column| header.get(usize::from(column)))
                .cloned(),
            rule: issue.rule.code().to_owned(),
            sentence: sentence(issue, file.copied()),
            ..SetAsideRow::default()
        }
    })
}

/// Rows set aside with their texts.
pub(crate) fn with_texts<'a>(
    rows: impl Iterator<Item = Result<Vec<(RowIssue, RawRow)>, PipelineError>> + 'a,
    files: &'a [FileRead],
) -> SetAsideRows<'a> {
    Box::new(rows.map(move |rows| {
        let (issues, texts): (Vec<RowIssue>, Vec<RawRow>) = rows?.into_iter().unzip();
        let rows = in_words(&issues, files).zip(texts);
        Ok(rows.map(|(row, raw)| with_text(row, raw)).collect())
    }))
}

fn with_text(row: SetAsideRow, raw: RawRow) -> SetAsideRow {
    SetAsideRow {
        byte: raw.byte,
        text: Some(raw.text),
        exact: Some(raw.exact),
        // A map of texts always has a JSON form.
        record: raw
            .record
            .and_then(|record| serde_json::to_string(&record).ok()),
        ..row
    }
}

fn schema() -> SchemaRef {
    let text = |name: &str, nullable| Field::new(name, DataType::Utf8, nullable);
    Arc::new(Schema::new(vec![
        text("table_name", false),
        text("file", false),
        Field::new("line", DataType::UInt32, false),
        text("column_name", true),
        text("rule", false),
        text("sentence", false),
        Field::new("byte", DataType::UInt64, true),
        text("text", true),
        Field::new("exact", DataType::Boolean, true),
        text("record", true),
    ]))
}

fn as_batch(schema: &SchemaRef, rows: &[SetAsideRow]) -> Result<RecordBatch, ArrowError> {
    let texts = |text: &dyn Fn(&SetAsideRow) -> Option<&str>| -> ArrayRef {
        Arc::new(rows.iter().map(text).collect::<StringArray>())
    };
    let lines: UInt32Array = rows.iter().map(|row| Some(row.line)).collect();
    let bytes: UInt64Array = rows.iter().map(|row| row.byte).collect();
    let exact: BooleanArray = rows.iter().map(|row| row.exact).collect();
    RecordBatch::try_new(
        Arc::clone(schema),
        vec![
            texts(&|row| Some(&row.table)),
            texts(&|row| Some(&row.file)),
            Arc::new(lines),
            texts(&|row| row.column.as_deref()),
            texts(&|row| Some(&row.rule)),
            texts(&|row| Some(&row.sentence)),
            Arc::new(bytes),
            texts(&|row| row.text.as_deref()),
            Arc::new(exact),
            texts(&|row| row.record.as_deref()),
        ],
    )
}

/// Writes rows set aside as Parquet, some at a time.
pub(crate) fn write(path: &Path, rows: SetAsideRows<'_>) -> Result<Written, PipelineError> {
    let schema = schema();
    // An error of the rows themselves is not one of writing.
    let mut failed = None;
    let batches = rows.map(|rows| match rows {
        Ok(rows) => as_batch(&schema, &rows),
        Err(error) => {
            failed = Some(error);
            Err(ArrowError::ExternalError("the rows ended early".into()))
        }
    });
    let sorted_by = ["table_name", "file", "line"];
    let written = write_parquet(
        path,
        files::SET_ASIDE,
        Arc::clone(&schema),
        &sorted_by,
        &[],
        batches,
    );
    match failed {
        Some(error) => Err(error),
        None => written,
    }
}

/// A file of rows set aside, open for reading.
struct Stored {
    path: PathBuf,
    reader: ParquetRecordBatchReader,
}

impl Stored {
    /// Opens a file for some of its columns, or for all.
    fn open(path: &Path, columns: Option<&[&str]>) -> Result<Self, PipelineError> {
        let damaged = |error| PipelineError::damaged(path, error);
        let file = File::open(path).map_err(|source| PipelineError::read(path, source))?;
        let mut builder = ParquetRecordBatchReaderBuilder::try_new(file).map_err(damaged)?;
        if let Some(columns) = columns {
            let mask = ProjectionMask::columns(builder.parquet_schema(), columns.iter().copied());
            builder = builder.with_projection(mask);
        }
        Ok(Self {
            path: path.to_path_buf(),
            reader: builder.with_batch_size(1 << 14).build().map_err(damaged)?,
        })
    }

    fn next_batch(&mut self) -> Result<Option<RecordBatch>, PipelineError> {
        let batch = self.reader.next().transpose();
        batch.map_err(|error| PipelineError::damaged(&self.path, error))
    }

    fn missing(&self, name: &str) -> PipelineError {
        PipelineError::damaged(&self.path, format!("it has no column {name}"))
    }

    fn texts<'b>(
        &self,
        batch: &'b RecordBatch,
        name: &str,
    ) -> Result<&'b StringArray, PipelineError> {
        batch
            .column_by_name(name)
            .and_then(|column| column.as_string_opt::<i32>())
            .ok_or_else(|| self.missing(name))
    }

    fn rows(&self, batch: &RecordBatch) -> Result<Vec<SetAsideRow>, PipelineError> {
        let texts = |name| self.texts(batch, name);
        let (tables, files, rules) = (texts("table_name")?, texts("file")?, texts("rule")?);
        let (columns, sentences) = (texts("column_name")?, texts("sentence")?);
        let lines = batch
            .column_by_name("line")
            .and_then(|column| column.as_primitive_opt::<UInt32Type>())
            .ok_or_else(|| self.missing("line"))?;
        // An earlier version stored neither texts nor places in bytes.
        let bytes = batch
            .column_by_name("byte")
            .and_then(|column| column.as_primitive_opt::<UInt64Type>());
        let exact = batch
            .column_by_name("exact")
            .and_then(|column| column.as_boolean_opt());
        let (raw, records) = (texts("text").ok(), texts("record").ok());
        let text =
            |array: &StringArray, row| (!array.is_null(row)).then(|| array.value(row).to_owned());
        Ok((0..batch.num_rows())
            .map(|row| SetAsideRow {
                table: text(tables, row).unwrap_or_default(),
                file: text(files, row).unwrap_or_default(),
                line: lines.value(row),
                column: text(columns, row),
                rule: text(rules, row).unwrap_or_default(),
                sentence: text(sentences, row).unwrap_or_default(),
                byte: bytes.and_then(|array| (!array.is_null(row)).then(|| array.value(row))),
                text: raw.and_then(|array| text(array, row)),
                exact: exact.and_then(|array| (!array.is_null(row)).then(|| array.value(row))),
                record: records.and_then(|array| text(array, row)),
            })
            .collect())
    }
}

/// Reads rows set aside back, some at a time.
pub(crate) fn read(path: &Path) -> Result<SetAsideRows<'static>, PipelineError> {
    let mut stored = Stored::open(path, None)?;
    Ok(Box::new(std::iter::from_fn(move || {
        let rows = stored
            .next_batch()
            .and_then(|batch| batch.map(|batch| stored.rows(&batch)).transpose());
        rows.transpose()
    })))
}

/// Calls back with the rows that wait: number within the file from 0, table, rule and record.
pub(crate) fn each_waiting(
    path: &Path,
    mut row: impl FnMut(u32, &str, &str, &str),
) -> Result<(), PipelineError> {
    let mut stored = Stored::open(path, Some(&["table_name", "rule", "record"]))?;
    let mut number = 0_u32;
    while let Some(batch) = stored.next_batch()? {
        let texts = |name| stored.texts(&batch, name);
        let (tables, rules, records) = (texts("table_name")?, texts("rule")?, texts("record")?);
        for ((table, rule), record) in tables.iter().zip(rules).zip(records) {
            if let (Some(table), Some(rule), Some(record)) = (table, rule, record) {
                row(number, table, rule, record);
            }
            number = number.saturating_add(1);
        }
    }
    Ok(())
}

/// Writes rows set aside as CSV, some at a time.
pub(crate) fn write_csv(path: &Path, rows: SetAsideRows<'_>) -> Result<(), PipelineError> {
    let failed =
        |error: csv::Error| PipelineError::write(path, std::io::Error::other(error.to_string()));
    let mut writer = csv::Writer::from_path(path).map_err(failed)?;
    writer.write_record(SET_ASIDE_COLUMNS).map_err(failed)?;
    for rows in rows {
        for row in rows? {
            let number = |n: Option<u64>| n.map(|n| n.to_string()).unwrap_or_default();
            let flag = |flag: Option<bool>| flag.map(|f| f.to_string()).unwrap_or_default();
            writer
                .write_record([
                    &row.table,
                    &row.file,
                    &row.line.to_string(),
                    row.column.as_deref().unwrap_or_default(),
                    &row.rule,
                    &row.sentence,
                    &number(row.byte),
                    row.text.as_deref().unwrap_or_default(),
                    &flag(row.exact),
                    row.record.as_deref().unwrap_or_default(),
                ])
                .map_err(failed)?;
        }
    }
    writer
        .flush()
        .map_err(|source| PipelineError::write(path, source))?;
    let mut file = writer
        .into_inner()
        .map_err(|error| PipelineError::write(path, std::io::Error::other(error.to_string())))?;
    file.flush()
        .map_err(|source| PipelineError::write(path, source))
}
