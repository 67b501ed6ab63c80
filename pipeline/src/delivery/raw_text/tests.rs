use std::io::Write;
use std::path::Path;
use std::sync::Arc;

use arrow::array::{ArrayRef, Int32Array, RecordBatch, StringArray};
use parquet::arrow::ArrowWriter;

use super::*;
use crate::delivery::read;
use crate::intake::Intake;
use crate::plan::Plan;
use crate::records::Records;
use crate::rules::Rule;
use crate::settle::settle_delivery;

/// The rows of a delivery that are set aside, fetched with blocks as small as can be.
fn set_aside(folder: &Path) -> Vec<(RowIssue, RawRow)> {
    let (delivery, files, issues) = judged(folder);
    fetch(&delivery, &files, &issues, false).expect("the same files")
}

fn judged(folder: &Path) -> (Delivery, Vec<FileRead>, Vec<RowIssue>) {
    let delivery = Delivery::open(folder, None).expect("a delivery");
    let plan = Plan::default();
    let unsettled = read(&delivery, &Intake::plain(&plan), &|_| {}).expect("a readable delivery");
    let files = unsettled.files.clone();
    let issues = settle_delivery(unsettled, Vec::new(), Records::default()).issues;
    (delivery, files, issues)
}

fn fetch(
    delivery: &Delivery,
    files: &[FileRead],
    issues: &[RowIssue],
    year_only: bool,
) -> Result<Vec<(RowIssue, RawRow)>, PipelineError> {
    let mut rows = RawRows::new(delivery, files, issues, None, year_only);
    rows.block_size = 1;
    let mut out = Vec::new();
    for some in rows {
        out.extend(some?);
    }
    Ok(out)
}

fn gzip(text: &[u8]) -> Vec<u8> {
    let mut writer = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
    writer.write_all(text).expect("memory");
    writer.finish().expect("memory")
}

/// Every row is an orphan, but for some that are blank lines; one has line breaks in quotes, and each is known.
fn rows(line_end: &str) -> (Vec<String>, String) {
    let mut rows = Vec::new();
    let mut text = format!("fitting_id,ear,fitted,style{line_end}");
    for number in 0..9000 {
        let row = match number % 5 {
            0 => format!("F{number},left,true,behind"),
            // Not a label, for its line breaks: set aside by another rule.
            1 => format!("F{number},left,true,\"two{line_end}lines, \"\"quoted\"\"\""),
            2 => format!("\"F{number}\",right,false,"),
            3 => format!("F{number},left,true,\"bêhind, the ear\""),
            _ => format!("F{number},left"),
        };
        text.push_str(&row);
        text.push_str(line_end);
        if number % 3 == 0 {
            text.push_str(line_end);
        }
        rows.push(row);
    }
    let kept = text.trim_end_matches(['\r', '\n']).len();
    text.truncate(kept);
    (rows, text)
}

/// What is fetched is what stands in the file at that byte and on that line, over line ends, marks, packings and blocks.
#[test]
fn texts_are_those_of_the_file() {
    for (line_end, mark) in [
        ("\n", ""),
        ("\r\n", ""),
        ("\n", "\u{feff}"),
        ("\r\n", "\u{feff}"),
    ] {
        let (expected, text) = rows(line_end);
        let text = format!("{mark}{text}");
        assert!(text.len() > 3 << 16, "more blocks than one");
        let packed: [(&str, Vec<u8>); 3] = [
            ("ears.csv", text.clone().into_bytes()),
            ("ears.csv.gz", gzip(text.as_bytes())),
            (
                "ears.csv.zst",
                zstd::encode_all(text.as_bytes(), 1).expect("memory"),
            ),
        ];
        for (name, bytes) in packed {
            let folder = tempfile::tempdir().expect("a folder");
            std::fs::write(folder.path().join(name), bytes).expect("a file");
            let found = set_aside(folder.path());
            assert_eq!(found.len(), expected.len());
            let (mut passed, mut line) = (0, 1);
            for ((issue, row), expected) in found.iter().zip(&expected) {
                let at = usize::try_from(row.byte.expect("text")).expect("small");
                line += text[passed..at].matches('\n').count();
                passed = at;
                assert_eq!(issue.place.line as usize, line, "{name} {expected}");
                let length = expected.len();
                assert_eq!(&text[at..at + length], expected, "{name}");
                match issue.rule {
                    Rule::Orphan => assert_eq!((&row.text, row.exact), (expected, true)),
                    // A label of any kind and fields of unknown columns are not written.
                    Rule::LabelShape => {
                        assert!(!row.exact);
                        assert!(row.text.ends_with(",left,true,(text)"), "{}", row.text);
                    }
                    Rule::FieldCount => assert_eq!((&row.text, row.exact), (expected, true)),
                    rule => panic!("{rule:?}"),
                }
                assert_eq!(row.record.is_some(), issue.rule == Rule::Orphan);
            }
        }
    }
}

/// The cells of a row that waits, by name, whatever the order of the columns.
#[test]
fn a_row_that_waits_keeps_its_cells_by_column() {
    let folder = tempfile::tempdir().expect("a folder");
    let text = "ear,style,fitting_id,fitted,threshold_500\nleft,,F1,true,>110\n";
    std::fs::write(folder.path().join("ears.csv"), text).expect("a file");
    let record = set_aside(folder.path())
        .remove(0)
        .1
        .record
        .expect("it waits");
    let cells: Vec<(&str, &str)> = record.iter().map(|(a, b)| (&**a, &**b)).collect();
    assert_eq!(
        cells,
        [
            ("ear", "left"),
            ("fitted", "true"),
            ("fitting_id", "F1"),
            ("threshold_500", ">110")
        ]
    );
}

#[test]
fn rows_of_parquet_are_joined_and_have_no_byte() {
    let folder = tempfile::tempdir().expect("a folder");
    let columns: Vec<(&str, ArrayRef)> = vec![
        ("fitting_id", Arc::new(StringArray::from(vec!["F1", "F2"]))),
        ("ear", Arc::new(StringArray::from(vec!["left", "right"]))),
        (
            "fitted",
            Arc::new(StringArray::from(vec!["true", "yes, it was"])),
        ),
        (
            "threshold_500",
            Arc::new(Int32Array::from(vec![Some(40), None])),
        ),
    ];
    let batch = RecordBatch::try_from_iter(columns).expect("columns");
    let file = std::fs::File::create(folder.path().join("ears.parquet")).expect("a file");
    let mut writer = ArrowWriter::try_new(file, batch.schema(), None).expect("a writer");
    writer.write(&batch).expect("rows");
    writer.close().expect("a file");
    let found = set_aside(folder.path());
    let seen: Vec<(u32, Option<u64>, &str, bool)> = found
        .iter()
        .map(|(issue, row)| (issue.place.line, row.byte, &*row.text, row.exact))
        .collect();
    assert_eq!(
        seen,
        [
            (1, None, "F1,left,true,40", true),
            (2, None, "F2,right,\"yes, it was\",", true)
        ]
    );
}

/// A file that is longer, shorter or other than when it was judged.
#[test]
fn a_file_that_changed_meanwhile_is_refused() {
    let text = "fitting_id,ear,fitted\nF1,left,true\nF2,left,true\n";
    for later in [
        format!("{text}F3,left,true\n"),
        text.replace("F2", "F4"),
        "fitting_id,ear,fitted\n".to_owned(),
    ] {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("ears.csv");
        std::fs::write(&path, text).expect("a file");
        let (delivery, files, issues) = judged(folder.path());
        assert!(fetch(&delivery, &files, &issues, false).is_ok());
        std::fs::write(&path, later).expect("a file");
        let refused = fetch(&delivery, &files, &issues, false);
        assert!(
            matches!(&refused, Err(PipelineError::Changed { path: at }) if *at == path),
            "{refused:?}"
        );
    }
}

/// Rows of fittings that break a rule at `returned`, and what is written of them.
#[test]
fn dates_ages_and_unknown_texts_are_not_written() {
    let head = "fitting_id,patient_id,clinic_id,clinician_id,fitted_on,age_years,returned,x_note";
    let cases = [
        (
            "F1,P1,c,a,2026-08-17,71,x,",
            "F1,P1,c,a,2026-Q3,71,x,",
            "2026",
        ),
        ("F1,P1,c,a,2026-Q3,90,x,", "F1,P1,c,a,2026-Q3,90,x,", "2026"),
        (
            "F1,P1,c,a,17.08.2026,93,x,",
            "F1,P1,c,a,(a date),90,x,",
            "(a date)",
        ),
        (
            "F1,P1,c,a,46251,1935,x,",
            "F1,P1,c,a,(a date),90,x,",
            "(a date)",
        ),
        ("F1,P1,c,a,2026,90.5,x,", "F1,P1,c,a,2026,90,x,", "2026"),
        (
            "F1,P1,c,a,soon,93 years,x,",
            "F1,P1,c,a,(a date),(text),x,",
            "(a date)",
        ),
        (
            "F1,\"4 11, a\",c,a,soon,9,x,",
            "F1,(text),c,a,(a date),9,x,",
            "(a date)",
        ),
        (
            "F1,P1,c,a,2026-Q3,9,x,\"a\nb\"",
            "F1,P1,c,a,2026-Q3,9,x,(text)",
            "2026",
        ),
        // A field too few or too many: nobody knows what is what.
        (
            "F1,Jane,1935-03-02,new,>110,none,x,1234567,-12.5,",
            "F1,(text),1935-Q1,new,>110,none,(text),(text),-12.5,",
            "1935",
        ),
    ];
    for (row, expected, year) in cases {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("fittings.csv");
        std::fs::write(&path, format!("{head}\n{row}\n")).expect("a file");
        let (delivery, files, issues) = judged(folder.path());
        assert_eq!(issues.len(), 1, "{row}");
        let rows = fetch(&delivery, &files, &issues, false).expect("the same file");
        assert_eq!(rows[0].1.text, expected);
        assert_eq!(rows[0].1.exact, row == expected);
        let rows = fetch(&delivery, &files, &issues, true).expect("the same file");
        assert!(rows[0].1.text.contains(year), "{}", rows[0].1.text);
        assert!(!rows[0].1.text.contains("-Q"), "{}", rows[0].1.text);
    }
}

/// Hidden columns are blank, and a row whose columns are unknown shows nothing that may be theirs.
#[test]
fn hidden_columns_are_not_written() {
    let names: Vec<String> = ["fitting_id", "ear", "fitted", "style"]
        .map(str::to_owned)
        .to_vec();
    let mut header = Header::new(
        crate::vocabulary::TableName::Ears,
        names,
        Path::new("ears.csv"),
        &mut Labels::default(),
        &Intake::plain(&Plan::default()),
    )
    .expect("our columns");
    let text = |header: &Header, row: &[&str]| {
        let row = ByteRecord::from(row.to_vec());
        let row = raw_row(header, b';', &row, Some(&row), None);
        (row.text, row.exact)
    };
    let row = ["4711", "left", "maybe", "in; the ear"];
    assert_eq!(
        text(&header, &row),
        ("4711;left;maybe;\"in; the ear\"".to_owned(), true)
    );
    header.hidden = vec![0];
    assert_eq!(
        text(&header, &row),
        (";left;maybe;\"in; the ear\"".to_owned(), false)
    );
    assert_eq!(
        text(&header, &["4711", "left", "P4711"]),
        ("(text);(text);(text)".to_owned(), false)
    );
}
