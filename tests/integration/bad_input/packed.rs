//! Packed files that break off or are something else than their names say.

use std::io::Write;
use std::sync::Arc;

use arrow::array::{ArrayRef, Int32Builder, ListBuilder};

use super::files::{Refused, case};
use crate::parquet_files;
use crate::workspace::{OUTCOMES, RESPONSES};

pub(crate) fn gzip(text: &[u8]) -> Vec<u8> {
    let mut encoder = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::default());
    encoder.write_all(text).unwrap();
    encoder.finish().unwrap()
}

pub(super) fn cases() -> Vec<Refused> {
    let says = "The file is damaged or cut off";
    let gz = gzip(RESPONSES.as_bytes());
    let zst = zstd::encode_all(RESPONSES.as_bytes(), 3).unwrap();
    let parquet = parquet_files::from_csv(RESPONSES);
    let half = |bytes: &[u8]| bytes[..bytes.len() / 2].to_vec();
    let without_end = |bytes: &[u8]| bytes[..bytes.len() - 1].to_vec();
    let mut checksum = gz.clone();
    let at = checksum.len() - 6;
    checksum[at] ^= 0xFF;
    let mut footer = parquet.clone();
    let at = footer.len() - 30;
    footer[at..at + 12].fill(0xFF);
    // The length of the footer, in the four bytes before the last four, larger than the file.
    let mut long_footer = parquet.clone();
    let at = long_footer.len() - 8;
    long_footer[at..at + 4].copy_from_slice(&0x7FFF_FFF0_u32.to_le_bytes());
    // The first data page destroyed and the footer whole.
    let mut pages = parquet.clone();
    pages[4..40].fill(0xAA);
    // 96 MiB of blank lines in about a hundred kB: more than 250 times its size and 16 MiB.
    let bomb = gzip(&[OUTCOMES.as_bytes(), &vec![b'\n'; 96 << 20]].concat());
    let mut list = ListBuilder::new(Int32Builder::new());
    list.values().append_value(4);
    list.append(true);
    let score: ArrayRef = Arc::new(list.finish());
    let lists = parquet_files::bytes(vec![("score".to_owned(), score)]);
    vec![
        case(
            "nested-column",
            "outcomes.parquet",
            lists,
            None,
            "The column score holds lists or groups",
        ),
        case("damaged-file", "responses.csv.gz", half(&gz), 1, says),
        case(
            "damaged-file",
            "responses.csv.gz",
            without_end(&gz),
            1,
            says,
        ),
        case("damaged-file", "responses.csv.gz", checksum, 1, says),
        case("damaged-file", "responses.csv.gz", RESPONSES, 1, says),
        case("damaged-file", "responses.csv.zst", half(&zst), 1, says),
        case(
            "damaged-file",
            "responses.csv.zst",
            without_end(&zst),
            1,
            says,
        ),
        case(
            "damaged-file",
            "responses.csv.zst",
            "garbage that is no frame",
            1,
            says,
        ),
        case(
            "damaged-file",
            "responses.parquet",
            half(&parquet),
            None,
            says,
        ),
        case(
            "damaged-file",
            "responses.parquet",
            without_end(&parquet),
            None,
            says,
        ),
        case("damaged-file", "responses.parquet", footer, None, says),
        case("damaged-file", "responses.parquet", long_footer, None, says),
        case("damaged-file", "responses.parquet", pages, None, says),
        case("damaged-file", "responses.parquet", RESPONSES, None, says),
        case("damaged-file", "responses.parquet", "PAR1", None, says),
        case(
            "out-of-proportion",
            "outcomes.csv.gz",
            bomb,
            None,
            "holds far more than its size on disk allows",
        ),
    ]
}
