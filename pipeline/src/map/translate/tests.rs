use std::path::Path;
use std::sync::Arc;

use super::*;
use crate::delivery::Packing;
use crate::map::ColumnMap;

/// A translation of the only source of a map, for a file with a header row.
fn translation(map: &str, header: &str) -> Result<Translation, String> {
    let map =
        ColumnMap::parse(map, Path::new("map.toml")).unwrap_or_else(|error| panic!("{error}"));
    let beside: Vec<_> = map.sources.into_iter().map(Arc::new).collect();
    let file = DeliveryFile {
        table: beside[0].table,
        name: "a.csv".to_owned(),
        path: "a.csv".into(),
        packing: Packing::Csv,
        separator: b',',
        bytes: 1,
        mapped: None,
        fhir: None,
    };
    let header: Vec<String> = header.split(',').map(str::to_owned).collect();
    let mapped = Mapped {
        source: Arc::clone(&beside[0]),
        beside,
    };
    Translation::new(&mapped, &file, &header, &vec![false; header.len()])
        .map_err(|error| error.to_string())
}

fn row(translation: &Translation, fields: &[&str]) -> Result<Option<Vec<String>>, Untranslated> {
    let mut rows = translation.rows();
    let row = rows.row(&ByteRecord::from(fields.to_vec()))?;
    Ok(row.map(|row| {
        row.iter()
            .map(|field| String::from_utf8_lossy(field).into_owned())
            .collect()
    }))
}

const EARS: &str = "\
[[source]]
files = [\"a.csv\"]
table = \"ears\"
decimal = \",\"
columns = { fitting_id = \"Visit\", ear = \"Side\", threshold_500 = \"T5\", threshold_1000 = \"T1\" }
constants = { fitted = true }
leave_out = [\"Remarks\"]
where = { Kind = [\"A\"] }
unless_blank = [\"Visit\"]
values = { ear = { \"\" = \"left\", R = \"right\" }, \"threshold_*\" = { NR = \">110\", NT = \"\" }, threshold_1000 = { NT = \"0\" } }
";
const HEADER: &str = "Remarks,T5,Kind,Side,T1,Visit";

#[test]
fn a_row_of_theirs_becomes_one_of_ours() {
    let translation = translation(EARS, HEADER).expect("it fits");
    assert_eq!(
        translation.ours(),
        [
            "ear",
            "fitting_id",
            "threshold_1000",
            "threshold_500",
            "fitted"
        ]
    );
    let theirs = ["Side", "Visit", "T1", "T5"].map(|name| Some(name.to_owned()));
    assert_eq!(translation.theirs(), [&theirs[..], &[None]].concat());
    assert_eq!(translation.hidden, [0]);
    assert_eq!(
        [0, 1, 4].map(|at| translation.in_file(at)),
        [Some(3), Some(5), None]
    );
    let ours = |fields: &[&str]| row(&translation, fields).expect("a row");
    let read = |fields: &[&str]| ours(fields).expect("not passed over").join("|");
    assert_eq!(
        read(&["x", "12,5", "A", "R", "30", "F1"]),
        "right|F1|30|12.5|true"
    );
    // A blank has a meaning, what is not listed stays, and a column's own list comes before its family's.
    assert_eq!(
        read(&["x", "NR", "A", "", "NT", "F1"]),
        "left|F1|0|>110|true"
    );
    assert_eq!(
        read(&["x", "NT", "A", "right", ">110,0", "F1"]),
        "right|F1|>110.0||true"
    );
    // A point is not the comma that the map speaks of: the rules are given what no column of numbers takes.
    assert_eq!(
        read(&["x", "1.250", "A", "L", "1.250,5", "F1"]),
        "L|F1|?|?|true"
    );
    assert_eq!(ours(&["x", "10", "B", "R", "10", "F1"]), None);
    assert_eq!(ours(&["x", "10", "A", "R", "10", ""]), None);
    assert_eq!(
        row(&translation, &["x", "10"]),
        Err((None, Rule::FieldCount))
    );
}

/// Levels of 0 dB HL at 500 and 1000 Hz for a supra-aural earphone after ISO 389-1, from memory: 11.5 and 7.0 dB SPL.
#[test]
fn sound_pressure_levels_lose_the_level_of_0_db_hl() {
    let spl = EARS.to_owned()
        + "units = { thresholds = { unit = \"dB SPL\", reference = { 500 = 11.5, 1000 = 7.0 } } }\n";
    let translation = translation(&spl, HEADER).expect("it fits");
    let read = |t5: &str, t1: &str| {
        let fields = row(&translation, &["", t5, "A", "R", t1, "F1"])
            .expect("a row")
            .expect("read");
        (fields[3].clone(), fields[2].clone())
    };
    let pair = |a: &str, b: &str| (a.to_owned(), b.to_owned());
    assert_eq!(read("51,5", "47"), pair("40", "40"));
    assert_eq!(read("11,5", "2"), pair("0", "-5"));
    // A limit loses the level too, and what the map lists is in dB HL already.
    assert_eq!(read(">121,5", "NR"), pair(">110", ">110"));
    assert_eq!(read(">120", "no"), pair(">108.5", "no"));
}

/// One row a threshold: the level is that of the row's frequency. The form itself is tried where it is read.
#[test]
fn the_level_of_a_row_is_that_of_its_frequency() {
    let column = |name: &str, position, change| Column {
        name: name.to_owned(),
        origin: Origin::Field {
            position,
            name: name.to_owned(),
        },
        values: BTreeMap::new(),
        mark: DecimalMark::Point,
        change,
    };
    let reference = [(500, 1150)].into_iter().collect();
    let translation = Translation {
        columns: vec![
            column(
                "threshold",
                0,
                Change::ThresholdAt {
                    frequency: 1,
                    reference,
                },
            ),
            column("frequency_hz", 1, Change::Kilohertz),
        ],
        width: 2,
        only: Vec::new(),
        unless_blank: Vec::new(),
        hidden: Vec::new(),
    };
    let read = |level: &str, frequency: &str| {
        row(&translation, &[level, frequency]).map(|row| row.expect("read").join("|"))
    };
    assert_eq!(read("51.5", "0.5"), Ok("40|500".to_owned()));
    assert_eq!(read("", "1"), Ok("|1000".to_owned()));
    assert_eq!(read("51.5", "1"), Err((Some(0), Rule::NoReferenceLevel)));
    // 125 Hz is not kept, and breaks the rule of its own column.
    assert_eq!(read("51.5", "0.125"), Ok("?|125".to_owned()));
}

/// Without `columns` the file's columns are called as here.
#[test]
fn a_source_without_columns_reads_ours() {
    let map = "[[source]]\nfiles = [\"a.csv\"]\ntable = \"fittings\"\nleave_out = [\"x_secret\"]\n\
               values = { experience = { first = \"new\" } }\nconstants = { prescription = \"NAL-R\" }\n";
    let header = "fitting_id,x_secret,experience,x_region";
    let fits = translation(map, header).expect("it fits");
    assert_eq!(
        fits.ours(),
        ["fitting_id", "experience", "x_region", "prescription"]
    );
    assert_eq!(fits.hidden, [1]);
    let fields = row(&fits, &["F1", "s", "first", "coast"])
        .expect("a row")
        .expect("read");
    assert_eq!(fields, ["F1", "new", "coast", "NAL-R"]);
    // What a source beside it reads need not be named again, and the other way round.
    let ears = "[[source]]\nfiles = [\"a.csv\"]\ntable = \"ears\"\nconstants = { ear = \"left\", fitted = true }\n\
                columns = { fitting_id = \"fitting_id\", threshold_500 = \"L5\" }\n";
    for map in [format!("{map}{ears}"), format!("{ears}{map}")] {
        translation(&map, "fitting_id,x_secret,experience,L5")
            .expect("each column is named by one of them");
    }
    let error = translation(map, "fitting_id,x_secret,colour").expect_err("a stranger");
    assert!(error.contains("\"colour\""), "{error}");
}
