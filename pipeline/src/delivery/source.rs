//! Opens the files of a delivery as batches of rows: CSV text (plain, gzip or zstd) or Parquet.

use std::fs::File;
use std::io::{BufReader, Read};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};

use csv::ByteRecord;

use super::batch::RowBatch;
use super::blocks::{Block, BlockFault, BlockReader};
use super::fhir_rows::FhirRows;
use super::parquet_rows::ParquetRows;
use crate::error::PipelineError;
use crate::fhir::files::FhirFile;
use crate::map::files::Mapped;
use crate::rules::Rule;
use crate::vocabulary::TableName;

/// Bytes of text in a block; large enough to keep workers busy, small enough to bound memory.
pub(super) const BLOCK_SIZE: usize = 4 << 20;

/// A compressed file may grow this many times, plus [`GROWTH_FLOOR`]; beyond, it is taken for a bomb.
const GROWTH_LIMIT: u64 = 250;
const GROWTH_FLOOR: u64 = 16 << 20;

/// A file of a delivery.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct DeliveryFile {
    /// The table it belongs to.
    pub table: TableName,
    /// Name within the folder.
    pub name: String,
    /// Where it is.
    pub path: PathBuf,
    /// How it is packed.
    pub packing: Packing,
    /// What stands between the fields of a row; a comma, unless a column map says otherwise.
    pub separator: u8,
    /// Size on disk.
    pub bytes: u64,
    /// How a column map reads it; none where it is ours as it stands.
    pub mapped: Option<Mapped>,
    /// How it is read where it holds FHIR resources.
    pub fhir: Option<FhirFile>,
}

/// How a file is packed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Packing {
    /// CSV text.
    Csv,
    /// CSV text, gzip.
    CsvGzip,
    /// CSV text, zstd.
    CsvZstd,
    /// Parquet.
    Parquet,
    /// JSON text.
    Json,
    /// JSON text, gzip.
    JsonGzip,
    /// JSON text, zstd.
    JsonZstd,
}

impl Packing {
    /// Whether the text has to be unpacked.
    pub(crate) fn is_packed(self) -> bool {
        !matches!(self, Self::Csv | Self::Json)
    }
}

impl DeliveryFile {
    /// A file in the published format, of which the size is not known yet.
    pub(crate) fn plain(table: TableName, name: &str, path: &Path, packing: Packing) -> Self {
        Self {
            table,
            name: name.to_owned(),
            path: path.to_path_buf(),
            packing,
            separator: b',',
            bytes: 0,
            mapped: None,
            fhir: None,
        }
    }

    /// The file with its size; none where it is no file.
    ///
    /// # Errors
    /// [`PipelineError::Read`] where that cannot be told.
    pub(crate) fn sized(self) -> Result<Option<Self>, PipelineError> {
        let metadata = std::fs::metadata(&self.path)
            .map_err(|source| PipelineError::read(&self.path, source))?;
        Ok(metadata.is_file().then_some(Self {
            bytes: metadata.len(),
            ..self
        }))
    }

    /// Recognises a file by name: a table's name, optionally followed by `-…`, and a known ending.
    #[must_use]
    pub fn recognise(path: &Path) -> Option<Self> {
        let name = path.file_name()?.to_str()?;
        let (stem, packing) = [
            (".csv", Packing::Csv),
            (".csv.gz", Packing::CsvGzip),
            (".csv.zst", Packing::CsvZstd),
            (".parquet", Packing::Parquet),
        ]
        .into_iter()
        .find_map(|(ending, packing)| Some((name.strip_suffix(ending)?, packing)))?;
        let table = TableName::ALL.iter().copied().find(|table| {
            stem.strip_prefix(table.word())
                .is_some_and(|rest| rest.is_empty() || rest.starts_with('-'))
        })?;
        Some(Self::plain(table, name, path, packing))
    }
}

/// An open file: its header row, and batches of rows.
pub(crate) struct Source {
    file: DeliveryFile,
    /// The header row.
    pub(crate) header: Vec<String>,
    /// For each column, whether its values have a type of their own, as numbers and dates of Parquet do; text has not.
    pub(crate) typed: Vec<bool>,
    body: Body,
    hash: Arc<Mutex<blake3::Hasher>>,
}

enum Body {
    Text {
        blocks: BlockReader<Box<dyn Read + Send>>,
        first: Option<Block>,
    },
    Parquet(Box<ParquetRows>),
    Fhir(Box<FhirRows>),
}

/// Hashes what passes through.
struct Hashing {
    inner: File,
    hash: Arc<Mutex<blake3::Hasher>>,
}

impl Read for Hashing {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        let read = self.inner.read(buffer)?;
        if let (Ok(mut hash), Some(bytes)) = (self.hash.lock(), buffer.get(..read)) {
            hash.update(bytes);
        }
        Ok(read)
    }
}

/// Says that a stream was stopped because it grows out of proportion.
#[derive(Debug, thiserror::Error)]
#[error("the file grows out of all proportion when unpacked")]
struct OutOfProportion;

/// Stops a stream that grows out of proportion.
struct Bounded<R> {
    inner: R,
    left: u64,
}

impl<R: Read> Read for Bounded<R> {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        let read = self.inner.read(buffer)?;
        self.left = self
            .left
            .checked_sub(read as u64)
            .ok_or_else(|| std::io::Error::new(std::io::ErrorKind::InvalidData, OutOfProportion))?;
        Ok(read)
    }
}

impl Source {
    /// Opens a file and reads its header row.
    pub(crate) fn open(file: &DeliveryFile) -> Result<Self, PipelineError> {
        Self::open_in_blocks(file, BLOCK_SIZE)
    }

    /// The same, cutting text into blocks of about `block_size` bytes.
    pub(crate) fn open_in_blocks(
        file: &DeliveryFile,
        block_size: usize,
    ) -> Result<Self, PipelineError> {
        if file.bytes == 0 {
            return Err(PipelineError::refused(
                Rule::EmptyFile,
                &file.path,
                None,
                "",
            ));
        }
        let hash = Arc::new(Mutex::new(blake3::Hasher::new()));
        let opened =
            File::open(&file.path).map_err(|source| PipelineError::read(&file.path, source))?;
        let hashing = Hashing {
            inner: opened,
            hash: Arc::clone(&hash),
        };
        let bound = file
            .bytes
            .saturating_mul(GROWTH_LIMIT)
            .saturating_add(GROWTH_FLOOR);
        let reader: Box<dyn Read + Send> = match file.packing {
            Packing::Csv | Packing::Json => Box::new(hashing),
            Packing::CsvGzip | Packing::JsonGzip => Box::new(Bounded {
                inner: flate2::bufread::MultiGzDecoder::new(BufReader::with_capacity(
                    1 << 16,
                    hashing,
                )),
                left: bound,
            }),
            Packing::CsvZstd | Packing::JsonZstd => Box::new(Bounded {
                inner: zstd::Decoder::new(hashing)
                    .map_err(|_| PipelineError::refused(Rule::DamagedFile, &file.path, None, ""))?,
                left: bound,
            }),
            Packing::Parquet => return Self::open_parquet(file, hashing, hash, bound),
        };
        if let Some(fhir) = &file.fhir {
            let rows = FhirRows::new(reader, file.table, fhir);
            let header = rows.header();
            return Ok(Self {
                file: file.clone(),
                typed: vec![false; header.len()],
                header,
                body: Body::Fhir(Box::new(rows)),
                hash,
            });
        }
        let mut blocks = BlockReader::new(reader, block_size, file.separator);
        let first = next_block(&mut blocks, file)?;
        let Some(mut first) = first else {
            return Err(PipelineError::refused(
                Rule::EmptyFile,
                &file.path,
                None,
                "",
            ));
        };
        if first.bytes.starts_with(b"\xEF\xBB\xBF") {
            first.bytes.drain(..3);
            first.first_byte += 3;
        }
        let header = take_header(&mut first, file)?;
        Ok(Self {
            file: file.clone(),
            typed: vec![false; header.len()],
            header,
            body: Body::Text {
                blocks,
                first: Some(first),
            },
            hash,
        })
    }

    fn open_parquet(
        file: &DeliveryFile,
        mut hashing: Hashing,
        hash: Arc<Mutex<blake3::Hasher>>,
        bound: u64,
    ) -> Result<Self, PipelineError> {
        std::io::copy(&mut hashing, &mut std::io::sink())
            .map_err(|source| PipelineError::read(&file.path, source))?;
        let rows = ParquetRows::open(&file.path, bound, file.mapped.is_some())?;
        Ok(Self {
            file: file.clone(),
            header: rows.header(),
            typed: rows.typed(),
            body: Body::Parquet(Box::new(rows)),
            hash,
        })
    }

    /// Columns that a column map leaves out need not have a text: what Parquet holds there is not looked at.
    pub(crate) fn leave_out(&mut self, positions: &[usize]) {
        if let Body::Parquet(rows) = &mut self.body {
            rows.left_out = positions.to_vec();
        }
    }

    /// The next rows, or none at the end.
    pub(crate) fn next_batch(&mut self) -> Result<Option<RowBatch>, PipelineError> {
        match &mut self.body {
            Body::Text { blocks, first } => {
                let block = match first.take() {
                    Some(block) => Some(block),
                    None => next_block(blocks, &self.file)?,
                };
                let separator = self.file.separator;
                Ok(block.map(|block| RowBatch::Text { block, separator }))
            }
            Body::Parquet(rows) => rows.next_batch(),
            Body::Fhir(rows) => rows.next_batch(&self.file),
        }
    }

    /// What was passed over, once all is read.
    pub(crate) fn notes(&self) -> Vec<(Rule, String)> {
        match &self.body {
            Body::Text { .. } | Body::Parquet(_) => Vec::new(),
            Body::Fhir(rows) => rows.notes(&self.file.name),
        }
    }

    /// Hash of the bytes read so far: of the whole file once [`Source::next_batch`] has returned none.
    pub(crate) fn hash(&self) -> blake3::Hash {
        self.hash.lock().map_or_else(
            |poisoned| poisoned.into_inner().finalize(),
            |hash| hash.finalize(),
        )
    }
}

fn next_block(
    blocks: &mut BlockReader<Box<dyn Read + Send>>,
    file: &DeliveryFile,
) -> Result<Option<Block>, PipelineError> {
    let line = blocks.next_line();
    blocks.next_block().map_err(|fault| match fault {
        BlockFault::LineEnds(line) => {
            PipelineError::refused(Rule::LineEnds, &file.path, Some(line.into()), "")
        }
        BlockFault::UnclosedQuote(line) => {
            PipelineError::refused(Rule::UnclosedQuote, &file.path, Some(line.into()), "")
        }
        BlockFault::Io(source) if file.packing == Packing::Csv => {
            PipelineError::read(&file.path, source)
        }
        // Where a stream is stopped says nothing of where it is wrong.
        BlockFault::Io(source)
            if source
                .get_ref()
                .is_some_and(|inner| inner.is::<OutOfProportion>()) =>
        {
            PipelineError::refused(Rule::OutOfProportion, &file.path, None, "")
        }
        BlockFault::Io(_) => {
            PipelineError::refused(Rule::DamagedFile, &file.path, Some(line.into()), "")
        }
    })
}

/// Takes the header row off the first block.
fn take_header(first: &mut Block, file: &DeliveryFile) -> Result<Vec<String>, PipelineError> {
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .delimiter(file.separator)
        .flexible(true)
        .from_reader(first.bytes.as_slice());
    let mut record = ByteRecord::new();
    if !matches!(reader.read_byte_record(&mut record), Ok(true)) {
        return Err(PipelineError::refused(
            Rule::EmptyFile,
            &file.path,
            None,
            "",
        ));
    }
    let names: Result<Vec<String>, _> = record
        .iter()
        .map(|name| std::str::from_utf8(name).map(str::to_owned))
        .collect();
    let names =
        names.map_err(|_| PipelineError::refused(Rule::NotUtf8, &file.path, Some(1), ""))?;
    let end = usize::try_from(reader.position().byte()).unwrap_or(usize::MAX);
    let rest = first.bytes.split_off(end.min(first.bytes.len()));
    let header = std::mem::replace(&mut first.bytes, rest);
    first.first_line += super::blocks::count_lines(&header);
    first.first_byte += header.len() as u64;
    // A bare line feed may stay in front of the second row after a CRLF; the reader passes over blank lines.
    Ok(names)
}
