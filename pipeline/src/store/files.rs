//! Files of a snapshot: Parquet parts and small texts, written to a staging folder, flushed, hashed.

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

use super::disk::{self, Output, WritePoint};
use crate::error::PipelineError;

/// Rows in a row group.
pub(crate) const ROW_GROUP: usize = 131_072;

/// Size, hash and rows of a file as written.
pub(crate) struct Written {
    pub(crate) bytes: u64,
    pub(crate) hash: String,
    pub(crate) rows: u64,
}

/// The points at which a file is made, written and flushed.
#[derive(Clone, Copy)]
pub(crate) struct FilePoints {
    pub(crate) create: WritePoint,
    pub(crate) write: WritePoint,
    pub(crate) sync: WritePoint,
}

/// Those of a part.
pub(crate) const PART: FilePoints = FilePoints {
    create: WritePoint::PartCreate,
    write: WritePoint::PartWrite,
    sync: WritePoint::PartSync,
};
/// Those of a file of rows set aside.
pub(crate) const SET_ASIDE: FilePoints = FilePoints {
    create: WritePoint::SetAsideCreate,
    write: WritePoint::SetAsideWrite,
    sync: WritePoint::SetAsideSync,
};
/// Those of a manifest.
pub(crate) const MANIFEST: FilePoints = FilePoints {
    create: WritePoint::ManifestCreate,
    write: WritePoint::ManifestWrite,
    sync: WritePoint::ManifestSync,
};
/// Those of the pointer's successor.
pub(crate) const POINTER: FilePoints = FilePoints {
    create: WritePoint::PointerCreate,
    write: WritePoint::PointerWrite,
    sync: WritePoint::PointerSync,
};

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

/// The system's reason, where one is behind an error of the Parquet writer.
fn system_error(error: ParquetError) -> std::io::Error {
    match error {
        ParquetError::External(inner) => match inner.downcast::<std::io::Error>() {
            Ok(error) => *error,
            Err(inner) => std::io::Error::other(inner.to_string()),
        },
        other => std::io::Error::other(other.to_string()),
    }
}

/// Writes a Parquet file batch by batch and flushes it to the disk. Its folder is there.
pub(crate) fn write_parquet(
    path: &Path,
    points: FilePoints,
    schema: SchemaRef,
    sorted_by: &[&str],
    unique: &[&str],
    batches: impl Iterator<Item = Result<RecordBatch, arrow::error::ArrowError>>,
) -> Result<Written, PipelineError> {
    let write = |source| PipelineError::write(path, source);
    let failed = |error: ParquetError| write(system_error(error));
    let file = Output::create(path, points.create, points.write).map_err(write)?;
    let hashed = Hashed {
        inner: BufWriter::with_capacity(1 << 16, file),
        hasher: blake3::Hasher::new(),
        bytes: 0,
    };
    let options = ArrowWriterOptions::new()
        .with_skip_arrow_metadata(true)
        .with_properties(properties(&schema, sorted_by, unique).map_err(failed)?);
    let mut writer = ArrowWriter::try_new_with_options(hashed, schema, options).map_err(failed)?;
    let mut rows = 0;
    for batch in batches {
        let batch = batch.map_err(|error| write(std::io::Error::other(error.to_string())))?;
        rows += batch.num_rows() as u64;
        writer.write(&batch).map_err(failed)?;
    }
    let hashed = writer.into_inner().map_err(failed)?;
    let file = hashed
        .inner
        .into_inner()
        .map_err(|error| write(error.into_error()))?;
    file.sync(points.sync).map_err(write)?;
    Ok(Written {
        bytes: hashed.bytes,
        hash: hashed.hasher.finalize().to_hex().to_string(),
        rows,
    })
}

/// Writes a small file and flushes it to the disk; returns the hash of the text.
pub(crate) fn write_text(
    path: &Path,
    points: FilePoints,
    text: &str,
) -> Result<String, PipelineError> {
    let write = |source| PipelineError::write(path, source);
    // Never through a link that somebody left there.
    disk::remove_file(path, WritePoint::Leftovers)?;
    let mut file = Output::create(path, points.create, points.write).map_err(write)?;
    file.write_all(text.as_bytes()).map_err(write)?;
    file.sync(points.sync).map_err(write)?;
    Ok(blake3::hash(text.as_bytes()).to_hex().to_string())
}
