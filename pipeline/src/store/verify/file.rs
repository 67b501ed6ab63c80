//! One file of a snapshot: its bytes, then what a reader of Parquet sees in it.

use std::fs::File;
use std::io::Read;
use std::path::Path;

use arrow::array::{Array, AsArray, RecordBatch};
use arrow::compute::cast;
use arrow::datatypes::{DataType, Schema};
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;

use crate::error::PipelineError;
use crate::store::manifest::Manifest;
use crate::store::schema::{StoreTable, schema};
use crate::store::{Inside, set_aside};

/// Rows in a batch.
const BATCH_ROWS: usize = 8192;
/// Bytes in a piece, for hashing.
const PIECE: usize = 1 << 18;

/// A file as a manifest names it. What format 1 did not say is none.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub(super) struct Named {
    pub(super) path: String,
    pub(super) bytes: Option<u64>,
    hash: Option<String>,
    rows: u64,
    kind: Kind,
}

#[derive(Clone, Debug, PartialEq, Eq, Hash)]
enum Kind {
    Part {
        table: StoreTable,
        quarter: String,
        labels: Vec<String>,
    },
    SetAside,
}

/// What was found.
#[derive(Debug, Default)]
pub(super) struct Checked {
    pub(super) findings: Vec<String>,
    pub(super) rows: u64,
    pub(super) bytes: u64,
}

/// The files that a manifest names.
pub(super) fn named(manifest: &Manifest) -> Vec<Named> {
    let parts = manifest.parts.iter().filter_map(|part| {
        let table = StoreTable::ALL
            .into_iter()
            .find(|table| table.name() == part.table)?;
        Some(Named {
            path: part.path.clone(),
            bytes: Some(part.bytes),
            hash: Some(part.hash.clone()),
            rows: part.rows,
            kind: Kind::Part {
                table,
                quarter: part.quarter.clone(),
                labels: part.label_columns.clone(),
            },
        })
    });
    let set_aside = manifest.deliveries.iter().filter_map(|delivery| {
        let file = delivery.set_aside_file.as_ref();
        Some(Named {
            path: delivery.set_aside.clone()?,
            bytes: file.map(|file| file.bytes),
            hash: file.map(|file| file.hash.clone()),
            rows: delivery
                .accounts
                .iter()
                .map(|account| account.rows_set_aside)
                .sum(),
            kind: Kind::SetAside,
        })
    });
    parts.chain(set_aside).collect()
}

/// Checks a file.
pub(super) fn check(inside: &Inside<'_>, named: &Named) -> Checked {
    let mut checked = Checked::default();
    match check_bytes(inside, named) {
        Ok(bytes) => checked.bytes = bytes,
        Err(error) => {
            checked.findings.push(match error {
                PipelineError::DamagedStore { detail, .. } => detail,
                PipelineError::Read { source, .. } => format!("it cannot be read: {source}"),
                _ => "it cannot be read".to_owned(),
            });
            // What is in bytes that nobody wrote tells nothing.
            return checked;
        }
    }
    let path = inside.folder.join(&named.path);
    // The decoder of some files that are not Parquet gives up by panicking.
    let read = std::panic::catch_unwind(|| check_rows(&path, named));
    match read {
        Ok((rows, outcome)) => {
            checked.rows = rows;
            checked.findings.extend(outcome.err());
        }
        Err(_) => checked.findings.push("it is no Parquet file".to_owned()),
    }
    checked
}

/// Checks that a file is there, inside, of its size, and has its hash; returns its size.
pub(super) fn check_bytes(inside: &Inside<'_>, named: &Named) -> Result<u64, PipelineError> {
    let size = inside.check_size(&named.path, named.bytes)?;
    let Some(expected) = &named.hash else {
        return Ok(size);
    };
    let path = inside.folder.join(&named.path);
    let read = |source| PipelineError::read(&path, source);
    let mut file = File::open(&path).map_err(read)?;
    let mut hasher = blake3::Hasher::new();
    let mut piece = vec![0; PIECE];
    loop {
        let n = file.read(&mut piece).map_err(read)?;
        if n == 0 {
            break;
        }
        hasher.update(piece.get(..n).unwrap_or_default());
    }
    if hasher.finalize().to_hex().as_str() == expected {
        Ok(size)
    } else {
        Err(PipelineError::damaged(
            &path,
            "its bytes are not those that the manifest has the hash of",
        ))
    }
}

/// Reads every row; returns how many there were, and what is wrong.
fn check_rows(path: &Path, named: &Named) -> (u64, Result<(), String>) {
    let mut rows = 0;
    let outcome = read_rows(path, named, &mut rows);
    (rows, outcome)
}

fn read_rows(path: &Path, named: &Named, rows: &mut u64) -> Result<(), String> {
    // The reader's own words may repeat what is in the file.
    let no_parquet = || "it cannot be read as Parquet".to_owned();
    let file = File::open(path).map_err(|error| format!("it cannot be read: {error}"))?;
    let builder = ParquetRecordBatchReaderBuilder::try_new(file).map_err(|_| no_parquet())?;
    match &named.kind {
        Kind::Part { table, labels, .. } => {
            let labels: Vec<&str> = labels.iter().map(String::as_str).collect();
            check_columns(builder.schema(), &schema(*table, &labels))?;
        }
        Kind::SetAside => {
            for name in &set_aside::SET_ASIDE_COLUMNS[..set_aside::COLUMNS_OF_OLD] {
                if builder.schema().column_with_name(name).is_none() {
                    return Err(format!("it has no column {name}"));
                }
            }
        }
    }
    let footer = u64::try_from(builder.metadata().file_metadata().num_rows()).unwrap_or(0);
    if footer != named.rows {
        return Err(format!(
            "it has {footer} rows by its footer, where the manifest says {}",
            named.rows
        ));
    }
    let reader = builder
        .with_batch_size(BATCH_ROWS)
        .build()
        .map_err(|_| no_parquet())?;
    for batch in reader {
        let batch =
            batch.map_err(|_| format!("its rows cannot be read beyond the first {rows}"))?;
        if let Kind::Part { quarter, .. } = &named.kind
            && let Some(row) = first_of_another_quarter(&batch, quarter)
        {
            return Err(format!(
                "its row {} is of another quarter than its folder",
                *rows + row + 1
            ));
        }
        *rows += batch.num_rows() as u64;
    }
    if *rows != named.rows {
        return Err(format!(
            "{rows} rows were read, where the manifest says {}",
            named.rows
        ));
    }
    Ok(())
}

/// Columns in their order, with their types; labels are text outside.
fn check_columns(found: &Schema, expected: &Schema) -> Result<(), String> {
    let outside = |kind: &DataType| match kind {
        DataType::Dictionary(_, values) => values.as_ref().clone(),
        other => other.clone(),
    };
    if found.fields().len() != expected.fields().len() {
        return Err(format!(
            "it has {} columns, where the schema has {}",
            found.fields().len(),
            expected.fields().len()
        ));
    }
    for (found, expected) in found.fields().iter().zip(expected.fields()) {
        if found.name() != expected.name()
            || outside(found.data_type()) != outside(expected.data_type())
            || found.is_nullable() != expected.is_nullable()
        {
            return Err(format!(
                "its columns are not those of the schema, from {} on",
                expected.name()
            ));
        }
    }
    Ok(())
}

fn first_of_another_quarter(batch: &RecordBatch, quarter: &str) -> Option<u64> {
    let Some(column) = batch
        .column_by_name("quarter")
        .and_then(|column| cast(column, &DataType::Utf8).ok())
    else {
        return Some(0);
    };
    let texts = column.as_string_opt::<i32>()?;
    let row = (0..texts.len()).find(|&row| texts.is_null(row) || texts.value(row) != quarter)?;
    Some(row as u64)
}
