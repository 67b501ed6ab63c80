//! Parquet files as any reader sees them: read and written with the `parquet` crate alone.

use std::fs::File;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use arrow::array::{Array, ArrayRef, AsArray, RecordBatch, StringArray};
use arrow::compute::cast;
use arrow::datatypes::DataType;
use parquet::arrow::ArrowWriter;
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;

use crate::workspace::{Rows, Workspace};

/// The rows of a file as text; null is blank.
pub(crate) fn rows(path: &Path) -> Rows {
    let builder = ParquetRecordBatchReaderBuilder::try_new(File::open(path).unwrap()).unwrap();
    let names = builder
        .schema()
        .fields()
        .iter()
        .map(|field| field.name().clone());
    let mut out = Rows {
        columns: names.collect(),
        rows: Vec::new(),
    };
    for batch in builder.build().unwrap() {
        let batch = batch.unwrap();
        let texts: Vec<StringArray> = batch
            .columns()
            .iter()
            .map(|column| {
                cast(column, &DataType::Utf8)
                    .unwrap()
                    .as_string::<i32>()
                    .clone()
            })
            .collect();
        let text = |column: &StringArray, row: usize| match column.is_null(row) {
            true => String::new(),
            false => column.value(row).to_owned(),
        };
        for row in 0..batch.num_rows() {
            out.rows
                .push(texts.iter().map(|column| text(column, row)).collect());
        }
    }
    out
}

/// The files of a table of a cohort, as the manifest in force names them.
pub(crate) fn parts(workspace: &Workspace, cohort: &str, table: &str) -> Vec<PathBuf> {
    let manifest = workspace.manifest(cohort);
    let parts = manifest["parts"].as_array().unwrap().iter();
    parts
        .filter(|part| part["table"] == table)
        .map(|part| workspace.path(&format!("{cohort}/{}", part["path"].as_str().unwrap())))
        .collect()
}

/// A table of named columns as the bytes of a Parquet file.
pub(crate) fn bytes(columns: Vec<(String, ArrayRef)>) -> Vec<u8> {
    let batch = RecordBatch::try_from_iter(columns).unwrap();
    let mut out = Vec::new();
    let mut writer = ArrowWriter::try_new(&mut out, batch.schema(), None).unwrap();
    writer.write(&batch).unwrap();
    writer.close().unwrap();
    out
}

/// CSV rows as a Parquet file of text columns, a blank being null.
pub(crate) fn from_csv(text: &str) -> Vec<u8> {
    let rows = Rows::parse(text);
    let columns = rows.columns.iter().enumerate().map(|(position, name)| {
        let values = rows
            .rows
            .iter()
            .map(|row| Some(row[position].as_str()).filter(|text| !text.is_empty()));
        let array: ArrayRef = Arc::new(values.collect::<StringArray>());
        (name.clone(), array)
    });
    bytes(columns.collect())
}
