//! Files of a snapshot: Parquet parts and small texts, written to a staging folder, flushed, hashed.

use std::fs::{self, File};
use std::io::{BufWriter, Write};
use std::path::Path;

use arrow::array::RecordBatch;
use arrow::datatypes::SchemaRef;
use parquet::arrow::ArrowWriter;
use parquet::arrow::arrow_writer::ArrowWriterOptions;
use parquet::basic::{Compression, ZstdLevel};
use parquet::errors::ParquetError;
use parquet::file::metadata::SortingColumn;
use parquet::file::properties::WriterProperties;
use parquet::schema::types::ColumnPath;

use crate::error::PipelineError;

/// Rows in a row group.
pub(crate) const ROW_GROUP: usize = 131_072;

/// Size and hash of a file as written.
pub(crate) struct Written {
    pub(crate) bytes: u64,
    pub(crate) hash: String,
}

/// Hashes and counts what it passes on.
struct Hashed<W> {
    inner: W,
    hasher: blake3::Hasher,
    bytes: u64,
}

impl<W: Write> Write for Hashed<W> {
    fn write(&mut self, buffer: &[u8]) -> std::io::Result<usize> {
        let written = self.inner.write(buffer)?;
        self.hasher
            .update(buffer.get(..written).unwrap_or_default());
        self.bytes += written as u64;
        Ok(written)
    }

    fn flush(&mut self) -> std::io::Result<()> {
        self.inner.flush()
    }
}

/// Same input, same bytes: a fixed writer name, no time of day, and no Arrow types beside the Parquet ones, so that
/// every reader sees plain text where labels are coded.
fn properties(
    schema: &SchemaRef,
    sorted_by: &[&str],
    unique: &[&str],
) -> Result<WriterProperties, ParquetError> {
    let sorting = sorted_by
        .iter()
        .filter_map(|name| {
            let (index, _) = schema.column_with_name(name)?;
            Some(SortingColumn {
                column_idx: i32::try_from(index).ok()?,
                descending: false,
                nulls_first: false,
            })
        })
        .collect();
    let mut builder = WriterProperties::builder()
        .set_created_by("fitcohort".to_owned())
        .set_compression(Compression::ZSTD(ZstdLevel::try_new(3)?))
        .set_max_row_group_row_count(Some(ROW_GROUP))
        .set_sorting_columns(Some(sorting));
    for name in unique {
        builder = builder.set_column_dictionary_enabled(ColumnPath::from(*name), false);
    }
    Ok(builder.build())
}

/// Writes a Parquet file batch by batch and flushes it to the disk.
pub(crate) fn write_parquet(
    path: &Path,
    schema: SchemaRef,
    sorted_by: &[&str],
    unique: &[&str],
    batches: impl Iterator<Item = Result<RecordBatch, arrow::error::ArrowError>>,
) -> Result<Written, PipelineError> {
    let other = |error: &dyn std::fmt::Display| {
        PipelineError::write(path, std::io::Error::other(error.to_string()))
    };
    if let Some(folder) = path.parent() {
        fs::create_dir_all(folder).map_err(|source| PipelineError::write(folder, source))?;
    }
    let file = File::create(path).map_err(|source| PipelineError::write(path, source))?;
    let hashed = Hashed {
        inner: BufWriter::with_capacity(1 << 16, file),
        hasher: blake3::Hasher::new(),
        bytes: 0,
    };
    let options = ArrowWriterOptions::new()
        .with_skip_arrow_metadata(true)
        .with_properties(properties(&schema, sorted_by, unique).map_err(|error| other(&error))?);
    let mut writer = ArrowWriter::try_new_with_options(hashed, schema, options)
        .map_err(|error| other(&error))?;
    for batch in batches {
        let batch = batch.map_err(|error| other(&error))?;
        writer.write(&batch).map_err(|error| other(&error))?;
    }
    let hashed = writer.into_inner().map_err(|error| other(&error))?;
    let file = hashed
        .inner
        .into_inner()
        .map_err(|error| PipelineError::write(path, error.into_error()))?;
    file.sync_all()
        .map_err(|source| PipelineError::write(path, source))?;
    Ok(Written {
        bytes: hashed.bytes,
        hash: hashed.hasher.finalize().to_hex().to_string(),
    })
}

/// Writes a small file and flushes it to the disk.
pub(crate) fn write_text(path: &Path, text: &str) -> Result<(), PipelineError> {
    let write = |source| PipelineError::write(path, source);
    let mut file = File::create(path).map_err(write)?;
    file.write_all(text.as_bytes()).map_err(write)?;
    file.sync_all().map_err(write)
}

/// Flushes a folder and the folders in it to the disk, the innermost first.
pub(crate) fn sync_tree(path: &Path) -> Result<(), PipelineError> {
    let read = |source| PipelineError::read(path, source);
    for entry in fs::read_dir(path).map_err(read)? {
        let entry = entry.map_err(read)?;
        if entry.file_type().map_err(read)?.is_dir() {
            sync_tree(&entry.path())?;
        }
    }
    sync_folder(path)
}

/// Flushes a folder's entries to the disk, where the system can.
pub(crate) fn sync_folder(path: &Path) -> Result<(), PipelineError> {
    #[cfg(unix)]
    {
        let write = |source| PipelineError::write(path, source);
        File::open(path).map_err(write)?.sync_all().map_err(write)?;
    }
    #[cfg(not(unix))]
    let _ = path;
    Ok(())
}
