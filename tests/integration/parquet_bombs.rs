//! Parquet files that claim or hold more than their size allows: each is refused by rule, and reading them all stays
//! within the memory that hostile input may take. They are written with the `parquet` crate and spoiled by hand.

use std::io::Write;
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};

use arrow::array::{
    Array, ArrayRef, DictionaryArray, Int32Array, ListArray, RecordBatch, StringArray,
};
use arrow::datatypes::Int32Type;
use fitcohort_pipeline::PipelineError;
use fitcohort_pipeline::ingest;
use fitcohort_pipeline::intake::Intake;
use fitcohort_pipeline::plan::Plan;
use parquet::arrow::ArrowWriter;
use parquet::basic::{Compression, Encoding, GzipLevel, ZstdLevel};
use parquet::file::metadata::{ParquetMetaDataReader, ParquetMetaDataWriter};
use parquet::file::properties::{WriterProperties, WriterPropertiesBuilder};

use crate::own_child;
use crate::parquet_files;
use crate::workspace::{FITTINGS, Workspace, small_practice};

/// Fittings with a column of labels.
fn fittings(labels: ArrayRef) -> RecordBatch {
    let rows = labels.len();
    let texts = |text: &dyn Fn(usize) -> String| -> ArrayRef {
        Arc::new(
            (0..rows)
                .map(|row| Some(text(row)))
                .collect::<StringArray>(),
        )
    };
    let same = |text: &str| {
        let text = text.to_owned();
        texts(&move |_| text.clone())
    };
    RecordBatch::try_from_iter([
        ("x_region", labels),
        ("fitting_id", texts(&|row| format!("F{row}"))),
        ("patient_id", texts(&|row| format!("P{row}"))),
        ("clinic_id", same("north")),
        ("clinician_id", same("anna-1")),
        ("fitted_on", same("2026-Q3")),
    ])
    .unwrap()
}

fn written(batch: &RecordBatch, properties: WriterPropertiesBuilder) -> Vec<u8> {
    let mut out = Vec::new();
    let mut writer =
        ArrowWriter::try_new(&mut out, batch.schema(), Some(properties.build())).unwrap();
    writer.write(batch).unwrap();
    writer.close().unwrap();
    out
}

fn zstd() -> WriterPropertiesBuilder {
    WriterProperties::builder().set_compression(Compression::ZSTD(ZstdLevel::try_new(1).unwrap()))
}

/// The same long label in every row, as text that stands once.
fn long_label(rows: usize, length: usize, properties: WriterPropertiesBuilder) -> Vec<u8> {
    let label: StringArray = std::iter::once(Some("y".repeat(length))).collect();
    let keys = Int32Array::from(vec![0; rows]);
    let labels = DictionaryArray::try_new(keys, Arc::new(label)).unwrap();
    written(&fittings(Arc::new(labels)), properties)
}

fn varint(bytes: &[u8]) -> (u64, usize) {
    let length = bytes.iter().position(|byte| byte & 0x80 == 0).unwrap() + 1;
    let value = bytes[..length]
        .iter()
        .rev()
        .fold(0, |value, byte| value << 7 | u64::from(byte & 0x7F));
    (value, length)
}

/// Makes the first page of a file claim another size when unpacked. The page's header grows by some bytes, which are
/// taken off its body, so that everything else stays where it was.
fn claim(mut file: Vec<u8>, unpacked: u64) -> Vec<u8> {
    // After the four letters: field 1 (kind, one byte), field 2 (unpacked), field 3 (packed), each in zigzag form.
    assert_eq!((file[4], file[6]), (0x15, 0x15));
    let (_, old) = varint(&file[7..]);
    let at = 7 + old;
    assert_eq!(file[at], 0x15);
    let (packed, length) = varint(&file[at + 1..]);
    let mut header: Vec<u8> = Vec::new();
    let mut put = |mut value: u64, width: usize| {
        header.push(0x15);
        for _ in 1..width {
            header.push(value as u8 & 0x7F | 0x80);
            value >>= 7;
        }
        assert!(value < 0x80);
        header.push(value as u8);
    };
    put(unpacked * 2, 5);
    let grown = 5 - old;
    put(packed - 2 * grown as u64, length);
    let rest = at + 1 + length;
    // Other fields end with two zeros, of the inner struct and of the outer; then comes the body, whose last bytes make
    // room.
    let zeros = file[rest..]
        .windows(2)
        .position(|pair| pair == [0, 0])
        .unwrap();
    let end = rest + zeros + 2 + usize::try_from(packed / 2).unwrap();
    file.drain(end - grown..end);
    file.splice(6..rest, header);
    file
}

/// A file whose footer says that it has so many rows.
fn claim_rows(file: &[u8], rows: i64) -> Vec<u8> {
    let mut on_disk = tempfile::tempfile().unwrap();
    on_disk.write_all(file).unwrap();
    let metadata = ParquetMetaDataReader::new()
        .parse_and_finish(&on_disk)
        .unwrap();
    let length = u32::from_le_bytes(file[file.len() - 8..file.len() - 4].try_into().unwrap());
    let mut out = file[..file.len() - 8 - length as usize].to_vec();
    let mut builder = metadata.into_builder();
    let groups = builder.take_row_groups().into_iter();
    let groups = groups.map(|group| group.into_builder().set_num_rows(rows).build().unwrap());
    let metadata = builder.set_row_groups(groups.collect()).build();
    ParquetMetaDataWriter::new(&mut out, &metadata)
        .finish()
        .unwrap();
    out
}

struct Bomb {
    name: &'static str,
    file: Vec<u8>,
    rule: &'static str,
    /// Row that has to be named.
    row: Option<u64>,
}

fn bombs() -> Vec<Bomb> {
    let bomb = |name, file, rule, row: Option<u64>| Bomb {
        name,
        file,
        rule,
        row,
    };
    let plain = || WriterProperties::builder().set_dictionary_enabled(false);
    let delta = || plain().set_column_encoding("x_region".into(), Encoding::DELTA_BYTE_ARRAY);
    let gzip = || plain().set_compression(Compression::GZIP(GzipLevel::try_new(6).unwrap()));
    let snappy = || plain().set_compression(Compression::SNAPPY);
    let labels: StringArray = (0..500).map(|row| Some(format!("coast-{row}"))).collect();
    let small = fittings(Arc::new(labels));
    let wide = RecordBatch::try_from_iter((0..5000).map(|column| {
        let values: ArrayRef = Arc::new(StringArray::from(vec!["coast"]));
        (format!("x_{column}"), values)
    }))
    .unwrap();
    let list: ArrayRef = Arc::new(ListArray::from_iter_primitive::<Int32Type, _, _>(vec![
        Some(vec![Some(1); 1000]),
    ]));
    let mut nested = vec![("x_list".to_owned(), list)];
    for name in [
        "fitting_id",
        "patient_id",
        "clinic_id",
        "clinician_id",
        "fitted_on",
    ] {
        let values: ArrayRef = Arc::new(StringArray::from(vec!["F1"]));
        nested.push((name.to_owned(), values));
    }
    let mut long_footer = vec![0; 6 << 20];
    long_footer[..4].copy_from_slice(b"PAR1");
    long_footer.extend(u32::try_from(5 << 20).unwrap().to_le_bytes());
    long_footer.extend(b"PAR1");
    vec![
        // 400 MiB of text in a few kB.
        bomb(
            "dictionary-1-mib",
            long_label(400, 1 << 20, zstd().set_dictionary_page_size_limit(4 << 20)),
            "unclosed-quote",
            Some(1),
        ),
        // Each row short enough, and 120 MB of them.
        bomb(
            "dictionary-60-kib",
            long_label(2000, 60_000, zstd()),
            "out-of-proportion",
            None,
        ),
        // Each value repeats the one before it.
        bomb(
            "delta-300-kib",
            long_label(300, 300 << 10, delta()),
            "unclosed-quote",
            Some(1),
        ),
        bomb(
            "delta-60-kib",
            long_label(1500, 60_000, delta()),
            "out-of-proportion",
            None,
        ),
        // 120 MB in one page, and a row group of many.
        bomb(
            "one-page",
            long_label(
                1000,
                120_000,
                zstd()
                    .set_dictionary_enabled(false)
                    .set_data_page_size_limit(1 << 30),
            ),
            "out-of-proportion",
            None,
        ),
        bomb(
            "one-group",
            long_label(1500, 60_000, zstd().set_dictionary_enabled(false)),
            "out-of-proportion",
            None,
        ),
        bomb(
            "page-claims-gigabytes",
            claim(written(&small, snappy()), 0x7FFF_FFFF),
            "out-of-proportion",
            None,
        ),
        // 24 MB that say they are 1000 bytes: this decoder goes by what comes out.
        bomb(
            "gzip-page-claims-little",
            claim(
                long_label(400, 60_000, gzip().set_data_page_size_limit(1 << 30)),
                1000,
            ),
            "damaged-file",
            None,
        ),
        bomb(
            "rows-without-end",
            claim_rows(&written(&small, plain()), i64::MAX),
            "out-of-proportion",
            None,
        ),
        bomb(
            "rows-in-the-millions",
            claim_rows(&written(&small, plain()), 100_000_000),
            "out-of-proportion",
            None,
        ),
        bomb(
            "rows-below-zero",
            claim_rows(&written(&small, plain()), -5),
            "damaged-file",
            None,
        ),
        bomb(
            "rows-fewer-than-there-are",
            claim_rows(&written(&small, plain()), 5),
            "damaged-file",
            None,
        ),
        bomb(
            "columns-in-the-thousands",
            written(&wide, plain()),
            "too-many-columns",
            None,
        ),
        bomb("lists", parquet_files::bytes(nested), "nested-column", None),
        bomb(
            "footer-of-megabytes",
            long_footer,
            "out-of-proportion",
            None,
        ),
    ]
}

#[test]
fn parquet_files_out_of_proportion_are_refused_within_bounded_memory() {
    if let Some(folder) = own_child::task() {
        return in_the_child(Path::new(&folder));
    }
    let workspace = Workspace::new();
    let bombs = bombs();
    for bomb in &bombs {
        workspace.write(&format!("{}/fittings.parquet", bomb.name), &bomb.file);
        assert!(
            bomb.file.len() < 7 << 20,
            "{} has {} bytes",
            bomb.name,
            bomb.file.len()
        );
    }
    // One that is as it should be, so that not everything is refused.
    workspace.write("good/fittings.parquet", parquet_files::from_csv(FITTINGS));
    let folder = workspace.path(".");
    let printed = own_child::run(
        "parquet_bombs::parquet_files_out_of_proportion_are_refused_within_bounded_memory",
        folder.to_str().unwrap(),
    );
    for bomb in &bombs {
        let line = printed
            .lines()
            .find_map(|line| line.strip_prefix(&format!("{}: ", bomb.name)))
            .unwrap_or_else(|| panic!("{}: {printed}", bomb.name));
        let (rule, row) = line.split_once(' ').unwrap();
        assert_eq!(rule, bomb.rule, "{}: {line}", bomb.name);
        if let Some(expected) = bomb.row {
            assert_eq!(row, expected.to_string(), "{}: {line}", bomb.name);
        }
    }
    assert!(printed.contains("good: taken"), "{printed}");
    own_child::assert_bounded(&printed);
}

fn in_the_child(folder: &Path) {
    std::panic::set_hook(Box::new(|_| {}));
    let plan = Plan::default();
    let entries = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap());
    for entry in entries {
        let name = entry.file_name().to_string_lossy().into_owned();
        let begin = Instant::now();
        let outcome = ingest::check(&entry.path(), &Intake::plain(&plan), &|_| {});
        let took = begin.elapsed();
        let said = match outcome {
            Ok(_) => "taken".to_owned(),
            Err(PipelineError::Refused { rule, line, .. }) => {
                format!("{} {}", rule.code(), line.unwrap_or(0))
            }
            Err(error) => error.to_string(),
        };
        own_child::say(&format!("{name}: {said}"));
        let peak = own_child::peak_memory();
        own_child::say(&format!("  took {took:?}, peak {peak:?} KiB"));
        assert!(took < Duration::from_secs(10), "{name} took {took:?}");
    }
    own_child::say_peak_memory();
}

/// The command line says it like any refusal: one sentence, the place, what to do.
#[test]
fn a_column_of_lists_is_named() {
    let workspace = Workspace::new();
    workspace.delivery("d", &small_practice()[1..]);
    let bomb = bombs()
        .into_iter()
        .find(|bomb| bomb.name == "lists")
        .unwrap();
    workspace.write("d/fittings.parquet", bomb.file);
    let run = workspace.run(&["ingest", "d", "--into", "c"]);
    assert_eq!(run.code, 65, "{}", run.shown());
    let sentence = "fittings.parquet: The column x_list holds lists or groups, where each row has one plain value.";
    assert!(run.stderr.contains(sentence), "{}", run.shown());
    assert!(!workspace.path("c").exists());
}
