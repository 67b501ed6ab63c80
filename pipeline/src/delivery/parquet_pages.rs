//! Looks through the headers of a Parquet file's pages before any page is unpacked: what they claim decides how much
//! memory reading will take, and a file of a few hundred bytes may claim gigabytes.
//!
//! Page headers are structs of Thrift's compact protocol, as laid down in `parquet.thrift` of the Parquet format: a page
//! names its size packed and unpacked, its number of values and their encoding. The reader behind us takes them at
//! their word, so that they are judged here.

use std::fs::File;
use std::io::{BufReader, Read, Seek, SeekFrom};
use std::sync::Arc;

use parquet::basic::{Compression, Type as PhysicalType};
use parquet::column::page::{Page, PageReader};
use parquet::file::metadata::{ColumnChunkMetaData, ParquetMetaData, RowGroupMetaData};
use parquet::file::serialized_reader::SerializedPageReader;

use super::blocks::LONGEST_RECORD;
use super::thrift::{PageHeader, PageKind, page_header};
use crate::rules::Rule;

/// Bytes of the pages of all columns that reading holds at one time, packed and unpacked. Writers make pages of about
/// 1 MiB.
const PAGES_AT_ONCE: u64 = 96 << 20;
/// Bytes of text that one batch of rows may come to.
const BATCH: u64 = 64 << 20;
/// Rows in a batch at most.
const BATCH_ROWS: u64 = 4096;
/// A page packed with the older LZ4, which does not hold its reader to a size; 255 times as much at most comes out.
const LARGEST_LZ4_PAGE: u64 = 1 << 20;

/// `DELTA_BYTE_ARRAY`: each value gives how much of the one before it begins with.
const DELTA_BYTE_ARRAY: i64 = 7;
/// `DELTA_BINARY_PACKED` and `DELTA_LENGTH_BYTE_ARRAY`: numbers are decoded a page at a time.
const DELTA: [i64; 3] = [5, 6, DELTA_BYTE_ARRAY];

/// Judges what the pages claim, and gives the number of rows to read at a time. `allowed` is how far the file may grow,
/// in bytes, a cell counting as one.
///
/// # Errors
/// [`Rule::DamagedFile`] where headers contradict each other or the file, [`Rule::OutOfProportion`] where they claim
/// more than the file may hold.
pub(super) fn rows_at_a_time(
    file: &File,
    metadata: &ParquetMetaData,
    allowed: u64,
) -> Result<usize, Rule> {
    let size = file.metadata().map_err(|_| Rule::DamagedFile)?.len();
    let mut measure = Measure {
        file,
        on_disk_left: size,
        grow_left: allowed,
        cells_left: allowed,
        rows: BATCH_ROWS,
    };
    for group in metadata.row_groups() {
        measure.group(group)?;
    }
    Ok(usize::try_from(measure.rows).unwrap_or(1))
}

/// What may still come.
struct Measure<'a> {
    file: &'a File,
    /// Bytes of the file that no column has claimed yet.
    on_disk_left: u64,
    /// Bytes that pages may still unpack to.
    grow_left: u64,
    cells_left: u64,
    /// Rows to read at a time.
    rows: u64,
}

/// What a column's pages come to within a row group.
#[derive(Default)]
struct Pages {
    /// The largest page of data, unpacked.
    largest: u64,
    /// The largest page as packed.
    packed: u64,
    dictionary: u64,
    /// What decoding a page of differences takes beside it.
    decoded: u64,
    /// Bytes that a row may come to.
    a_row: u64,
    values: u64,
}

impl Measure<'_> {
    fn group(&mut self, group: &RowGroupMetaData) -> Result<(), Rule> {
        let rows = u64::try_from(group.num_rows()).map_err(|_| Rule::DamagedFile)?;
        let columns = group.columns().len() as u64;
        self.cells_left = rows
            .checked_mul(columns)
            .and_then(|cells| self.cells_left.checked_sub(cells))
            .ok_or(Rule::OutOfProportion)?;
        let mut at_once = 0_u64;
        let mut a_row = 0_u64;
        for chunk in group.columns() {
            let pages = self.chunk(chunk)?;
            // No list is taken, so that a value is a row.
            if pages.values > rows {
                return Err(Rule::DamagedFile);
            }
            // A dictionary is held as a page and as its values.
            at_once += pages.largest + pages.packed + 2 * pages.dictionary + pages.decoded;
            a_row += pages.a_row;
        }
        if at_once > PAGES_AT_ONCE {
            return Err(Rule::OutOfProportion);
        }
        self.rows = self.rows.min((BATCH / a_row.max(1)).max(1));
        Ok(())
    }

    fn chunk(&mut self, chunk: &ColumnChunkMetaData) -> Result<Pages, Rule> {
        let damaged = Rule::DamagedFile;
        let start = chunk
            .dictionary_page_offset()
            .unwrap_or(chunk.data_page_offset());
        let start = u64::try_from(start).map_err(|_| damaged)?;
        let mut left = u64::try_from(chunk.compressed_size()).map_err(|_| damaged)?;
        // Columns that share their bytes would be read again and again.
        self.on_disk_left = self.on_disk_left.checked_sub(left).ok_or(damaged)?;
        let mut reader = BufReader::new(self.file);
        reader.seek(SeekFrom::Start(start)).map_err(|_| damaged)?;
        let text = chunk.column_type() == PhysicalType::BYTE_ARRAY;
        let mut pages = Pages {
            a_row: 16,
            ..Pages::default()
        };
        if chunk.column_type() == PhysicalType::FIXED_LEN_BYTE_ARRAY {
            pages.a_row = u64::try_from(chunk.column_descr().type_length()).map_err(|_| damaged)?;
            if pages.a_row > LONGEST_RECORD as u64 {
                return Err(Rule::OutOfProportion);
            }
        }
        let mut first = true;
        while left > 0 {
            let (header, length) = page_header(&mut reader, left).ok_or(damaged)?;
            left = left
                .checked_sub(length)
                .and_then(|left| left.checked_sub(header.packed))
                .ok_or(damaged)?;
            self.grow_left = self
                .grow_left
                .checked_sub(header.unpacked)
                .ok_or(Rule::OutOfProportion)?;
            body(&mut reader, &header, chunk.compression())?;
            let size = header.unpacked.max(header.packed);
            match header.kind {
                PageKind::Index => {}
                PageKind::Dictionary if first => {
                    pages.dictionary = size;
                    // Judged before it is unpacked: it is held whole.
                    if pages.dictionary > PAGES_AT_ONCE {
                        return Err(Rule::OutOfProportion);
                    }
                    if text {
                        pages.a_row = pages.a_row.max(self.longest(chunk, header.values)?);
                    }
                }
                PageKind::Dictionary => return Err(damaged),
                PageKind::Data => {
                    pages.values += header.values;
                    pages.largest = pages.largest.max(size);
                    if DELTA.contains(&header.encoding) {
                        pages.decoded = pages.decoded.max(header.values.saturating_mul(16));
                    }
                    if text {
                        // A value is no longer than its page. Values beside each other are no longer than it together,
                        // unless each repeats the one before it.
                        let a_row = match header.encoding {
                            DELTA_BYTE_ARRAY => size,
                            _ => size.div_ceil(header.values.max(1)),
                        };
                        pages.a_row = pages.a_row.max(a_row);
                    }
                }
            }
            first = false;
        }
        Ok(pages)
    }

    /// The longest value of a dictionary of texts, each of which any number of rows may name.
    fn longest(&self, chunk: &ColumnChunkMetaData, values: u64) -> Result<u64, Rule> {
        let damaged = Rule::DamagedFile;
        let file = Arc::new(self.file.try_clone().map_err(|_| damaged)?);
        let mut reader = SerializedPageReader::new(file, chunk, 0, None).map_err(|_| damaged)?;
        let Ok(Some(Page::DictionaryPage { buf, .. })) = reader.get_next_page() else {
            return Err(damaged);
        };
        let mut rest = &buf[..];
        let mut longest = 0;
        for _ in 0..values {
            let (length, after) = rest.split_first_chunk::<4>().ok_or(damaged)?;
            let length = u32::from_le_bytes(*length);
            rest = usize::try_from(length)
                .ok()
                .and_then(|length| after.get(length..))
                .ok_or(damaged)?;
            longest = longest.max(u64::from(length));
        }
        Ok(longest)
    }
}

/// Passes over the body of a page. Where its packing does not hold the reader to a size, it is held to it here.
fn body(
    reader: &mut BufReader<&File>,
    header: &PageHeader,
    compression: Compression,
) -> Result<(), Rule> {
    match compression {
        Compression::LZ4 if header.packed > LARGEST_LZ4_PAGE => return Err(Rule::OutOfProportion),
        Compression::GZIP(_) if header.is_packed => {
            let mut page = reader.by_ref().take(header.packed);
            let plain = header.levels.min(header.packed);
            let pass = |page: &mut dyn Read, most: u64| {
                std::io::copy(&mut page.take(most), &mut std::io::sink())
            };
            pass(&mut page, plain).map_err(|_| Rule::DamagedFile)?;
            let most = header.unpacked.saturating_sub(plain);
            let unpacked = if page.limit() == 0 {
                0
            } else {
                let mut decoder = flate2::read::MultiGzDecoder::new(&mut page);
                pass(&mut decoder, most.saturating_add(1)).map_err(|_| Rule::DamagedFile)?
            };
            if unpacked > most {
                return Err(Rule::DamagedFile);
            }
            let rest = page.limit();
            pass(&mut page, rest).map_err(|_| Rule::DamagedFile)?;
            return Ok(());
        }
        _ => {}
    }
    let packed = i64::try_from(header.packed).map_err(|_| Rule::DamagedFile)?;
    reader.seek_relative(packed).map_err(|_| Rule::DamagedFile)
}
