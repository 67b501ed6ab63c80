//! The rows set aside of one delivery: a Parquet file in the cohort, and CSV on request.

use std::fs::File;
use std::io::Write;
use std::path::Path;
use std::sync::Arc;

use arrow::array::{ArrayRef, AsArray, RecordBatch, StringArray, UInt32Array};
use arrow::datatypes::{DataType, Field, Schema, UInt32Type};
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;

use super::files::{self, Written, write_parquet};
use crate::delivery::{FileRead, headers, sentence};
use crate::error::PipelineError;
use crate::records::RowIssue;

/// Columns of the file of rows set aside.
pub const SET_ASIDE_COLUMNS: [&str; 6] = [
    "table_name",
    "file",
    "line",
    "column_name",
    "rule",
    "sentence",
];

/// One row set aside, in words.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SetAsideRow {
    /// The table.
    pub table: &'static str,
    /// The file.
    pub file: String,
    /// Line (CSV, the header being line 1) or row (Parquet, from 1).
    pub line: u32,
    /// The column, where one is to blame.
    pub column: Option<String>,
    /// The rule's code.
    pub rule: &'static str,
    /// What is wrong, in a sentence. It never repeats the value.
    pub sentence: String,
}

/// The rows set aside, in words, in the order of table, file and line.
pub fn in_words<'a>(
    issues: &'a [RowIssue],
    files: &'a [FileRead],
) -> impl Iterator<Item = SetAsideRow> + 'a {
    let headers = headers(files);
    issues.iter().map(move |issue| {
        let file = headers.get(&(issue.table, issue.place.file));
        let header = file.map_or(&[][..], |file| file.header.as_slice());
        SetAsideRow {
            table: issue.table.word(),
            file: file.map(|file| file.name.clone()).unwrap_or_default(),
            line: issue.place.line,
            column: issue
                .column
                .and_then(|column| header.get(usize::from(column)))
                .cloned(),
            rule: issue.rule.code(),
            sentence: sentence(issue, header),
        }
    })
}

/// Writes the rows set aside as Parquet.
pub(crate) fn write(
    path: &Path,
    issues: &[RowIssue],
    files: &[FileRead],
) -> Result<Written, PipelineError> {
    let text = |name: &str, nullable| Field::new(name, DataType::Utf8, nullable);
    let schema = Arc::new(Schema::new(vec![
        text("table_name", false),
        text("file", false),
        Field::new("line", DataType::UInt32, false),
        text("column_name", true),
        text("rule", false),
        text("sentence", false),
    ]));
    let batches = issues.chunks(super::files::ROW_GROUP).map(|chunk| {
        let rows: Vec<SetAsideRow> = in_words(chunk, files).collect();
        let texts = |text: &dyn Fn(&SetAsideRow) -> Option<String>| -> ArrayRef {
            Arc::new(rows.iter().map(text).collect::<StringArray>())
        };
        RecordBatch::try_new(
            Arc::clone(&schema),
            vec![
                texts(&|row| Some(row.table.to_owned())),
                texts(&|row| Some(row.file.clone())),
                Arc::new(
                    rows.iter()
                        .map(|row| Some(row.line))
                        .collect::<UInt32Array>(),
                ),
                texts(&|row| row.column.clone()),
                texts(&|row| Some(row.rule.to_owned())),
                texts(&|row| Some(row.sentence.clone())),
            ],
        )
    });
    write_parquet(
        path,
        files::SET_ASIDE,
        Arc::clone(&schema),
        &["table_name", "file", "line"],
        &[],
        batches,
    )
}

/// Reads back which rows were set aside: table, file and line.
pub(crate) fn read(path: &Path) -> Result<Vec<(String, String, u32)>, PipelineError> {
    let damaged = |error: &dyn std::fmt::Display| PipelineError::damaged(path, error);
    let file = File::open(path).map_err(|source| PipelineError::read(path, source))?;
    let reader = ParquetRecordBatchReaderBuilder::try_new(file)
        .and_then(ParquetRecordBatchReaderBuilder::build)
        .map_err(|e| damaged(&e))?;
    let mut rows = Vec::new();
    for batch in reader {
        let batch = batch.map_err(|e| damaged(&e))?;
        let text = |name: &str| {
            batch
                .column_by_name(name)
                .and_then(|column| column.as_string_opt::<i32>())
                .ok_or_else(|| damaged(&format!("it has no column {name}")))
        };
        let lines = batch
            .column_by_name("line")
            .and_then(|column| column.as_primitive_opt::<UInt32Type>())
            .ok_or_else(|| damaged(&"it has no column line"))?;
        for ((table, file), line) in text("table_name")?.iter().zip(text("file")?).zip(lines) {
            rows.push((
                table.unwrap_or_default().to_owned(),
                file.unwrap_or_default().to_owned(),
                line.unwrap_or_default(),
            ));
        }
    }
    Ok(rows)
}

/// Writes the rows set aside as CSV.
///
/// # Errors
/// [`PipelineError::Write`].
pub fn write_csv(
    path: &Path,
    issues: &[RowIssue],
    files: &[FileRead],
) -> Result<(), PipelineError> {
    let failed =
        |error: csv::Error| PipelineError::write(path, std::io::Error::other(error.to_string()));
    let mut writer = csv::Writer::from_path(path).map_err(failed)?;
    writer.write_record(SET_ASIDE_COLUMNS).map_err(failed)?;
    for row in in_words(issues, files) {
        writer
            .write_record([
                row.table,
                &row.file,
                &row.line.to_string(),
                row.column.as_deref().unwrap_or_default(),
                row.rule,
                &row.sentence,
            ])
            .map_err(failed)?;
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
