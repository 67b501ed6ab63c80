//! Tables as text, CSV, JSON or Parquet. Nothing is rounded except in text.

use std::fmt::Write as _;
use std::fs::File;
use std::io::Write;
use std::path::Path;
use std::sync::Arc;

use arrow::array::{ArrayRef, BooleanArray, Float64Array, Int64Array, RecordBatch, StringArray};
use arrow::datatypes::{Field, Schema};
use parquet::arrow::ArrowWriter;
use parquet::basic::{Compression, ZstdLevel};
use parquet::file::properties::WriterProperties;

use crate::error::QueryError;
use crate::table::{Table, Values};

/// A value as CSV and text hold it; null is empty.
fn plain(values: &Values, row: usize) -> String {
    match values {
        Values::Text(v) => v.get(row).cloned().flatten().unwrap_or_default(),
        Values::Integer(v) => optional(v.get(row)),
        Values::Real(v) => optional(v.get(row)),
        Values::Flag(v) => optional(v.get(row)),
    }
}

fn optional<T: ToString + Copy>(value: Option<&Option<T>>) -> String {
    value
        .copied()
        .flatten()
        .map(|x| x.to_string())
        .unwrap_or_default()
}

/// The table as CSV text with a header row.
#[must_use]
pub fn to_csv(table: &Table) -> String {
    let mut writer = csv::Writer::from_writer(Vec::new());
    // Writing to memory, every row as long as the header: there is no way to fail.
    let _ = writer.write_record(table.columns.iter().map(|column| &column.name));
    for row in 0..table.rows() {
        let _ = writer.write_record(
            table
                .columns
                .iter()
                .map(|column| plain(&column.values, row)),
        );
    }
    let bytes = writer.into_inner().unwrap_or_default();
    String::from_utf8(bytes).unwrap_or_default()
}

/// The table as JSON: an array of objects in the order of rows and columns.
#[must_use]
pub fn to_json(table: &Table) -> serde_json::Value {
    let rows = (0..table.rows()).map(|row| {
        let fields = table
            .columns
            .iter()
            .map(|column| (column.name.clone(), json_value(&column.values, row)));
        serde_json::Value::Object(fields.collect())
    });
    serde_json::Value::Array(rows.collect())
}

fn json_value(values: &Values, row: usize) -> serde_json::Value {
    match values {
        Values::Text(v) => v.get(row).cloned().flatten().into(),
        Values::Integer(v) => v.get(row).copied().flatten().into(),
        Values::Real(v) => v.get(row).copied().flatten().into(),
        Values::Flag(v) => v.get(row).copied().flatten().into(),
    }
}

/// The table as aligned text, numbers rounded to four significant digits after the point where they have any.
#[must_use]
pub fn to_text(table: &Table) -> String {
    let rounded = |values: &Values, row: usize| match values {
        Values::Real(v) => v
            .get(row)
            .copied()
            .flatten()
            .map(|x| format!("{x:.4}"))
            .unwrap_or_default(),
        other => plain(other, row),
    };
    let columns: Vec<(bool, Vec<String>)> = table
        .columns
        .iter()
        .map(|column| {
            let is_text = matches!(column.values, Values::Text(_));
            let cells = (0..table.rows()).map(|row| rounded(&column.values, row));
            (
                is_text,
                std::iter::once(column.name.clone()).chain(cells).collect(),
            )
        })
        .collect();
    let widths: Vec<usize> = columns
        .iter()
        .map(|(_, cells)| {
            cells
                .iter()
                .map(|cell| cell.chars().count())
                .max()
                .unwrap_or(0)
        })
        .collect();
    let mut out = String::new();
    for line in 0..=table.rows() {
        let mut text = String::new();
        for ((is_text, cells), width) in columns.iter().zip(&widths) {
            let cell = cells.get(line).map_or("", String::as_str);
            // Writing to a String does not fail.
            let _ = if *is_text {
                write!(text, "{cell:<width$}  ")
            } else {
                write!(text, "{cell:>width$}  ")
            };
        }
        out.push_str(text.trim_end());
        out.push('\n');
    }
    out
}

/// Writes the table as Parquet.
///
/// # Errors
/// [`QueryError::Write`].
pub fn write_parquet(table: &Table, path: &Path) -> Result<(), QueryError> {
    let failed = |error: &dyn std::fmt::Display| QueryError::Write {
        path: path.to_path_buf(),
        source: std::io::Error::other(error.to_string()),
    };
    let arrays: Vec<(String, ArrayRef)> = table
        .columns
        .iter()
        .map(|column| {
            let array: ArrayRef = match &column.values {
                Values::Text(v) => Arc::new(StringArray::from(v.clone())),
                Values::Integer(v) => Arc::new(Int64Array::from(v.clone())),
                Values::Real(v) => Arc::new(Float64Array::from(v.clone())),
                Values::Flag(v) => Arc::new(BooleanArray::from(v.clone())),
            };
            (column.name.clone(), array)
        })
        .collect();
    let fields: Vec<Field> = arrays
        .iter()
        .map(|(name, array)| Field::new(name, array.data_type().clone(), true))
        .collect();
    let schema = Arc::new(Schema::new(fields));
    let columns = arrays.into_iter().map(|(_, array)| array).collect();
    let batch = RecordBatch::try_new(Arc::clone(&schema), columns).map_err(|e| failed(&e))?;
    let file = File::create(path).map_err(|source| QueryError::Write {
        path: path.to_path_buf(),
        source,
    })?;
    let properties = WriterProperties::builder()
        .set_created_by("fitcohort".to_owned())
        .set_compression(Compression::ZSTD(
            ZstdLevel::try_new(3).map_err(|e| failed(&e))?,
        ))
        .build();
    let mut writer =
        ArrowWriter::try_new(file, schema, Some(properties)).map_err(|e| failed(&e))?;
    writer.write(&batch).map_err(|e| failed(&e))?;
    let mut file = writer.into_inner().map_err(|e| failed(&e))?;
    file.flush().map_err(|source| QueryError::Write {
        path: path.to_path_buf(),
        source,
    })
}
