use std::path::Path;

use super::*;

fn parse(text: &str) -> Result<ColumnMap, String> {
    ColumnMap::parse(text, Path::new("map.toml")).map_err(|error| error.to_string())
}

const EARS: &str = "\
[[source]]
files = [\"audio*.csv\"]
table = \"ears\"
separator = \";\"
decimal = \",\"
columns = { fitting_id = \"Visit\", ear = \"Side\", threshold_500 = \"AC 500\" }
constants = { fitted = true }
leave_out = [\"Remarks\"]
where = { Kind = [\"A\", 1] }
unless_blank = [\"AC 500\"]
values = { ear = { R = \"right\", L = \"left\" }, \"threshold_*\" = { NR = \">110\", NT = \"\" } }
";

#[test]
fn a_map_says_what_its_text_says() {
    let map = parse(EARS).expect("a map");
    let source = &map.sources[0];
    assert_eq!(source.number, 1);
    assert_eq!(source.table, TableName::Ears);
    assert_eq!(
        (source.separator, source.decimal),
        (b';', DecimalMark::Comma)
    );
    assert_eq!(source.columns["ear"], "Side");
    assert_eq!(source.constants["fitted"].0, "true");
    assert_eq!(
        source.only["Kind"],
        [Text("A".to_owned()), Text("1".to_owned())]
    );
    assert_eq!(source.values["threshold_*"]["NT"].0, "");
    let tab = EARS.replace("\";\"", "\"tab\"");
    assert_eq!(parse(&tab).expect("a map").sources[0].separator, b'\t');
    let plain = parse(
        "[[source]]\nfiles = [\"ears.csv\"]\ntable = \"ears\"\n[identity]\npseudonymise = [\"patient_id\"]\n",
    );
    assert_eq!(plain.expect("a map").identity.pseudonymise, ["patient_id"]);
}

/// Reference equivalent threshold sound pressure levels of a supra-aural earphone at 250 and 500 Hz after ISO 389-1,
/// from memory: 25.5 and 11.5 dB.
#[test]
fn levels_of_0_db_hl_are_exact() {
    let spl = EARS.replace("AC 500\" }\n", "AC 500\", threshold_250 = \"AC 250\" }\n")
        + "units = { thresholds = { unit = \"dB SPL\", reference = { 250 = 25.5, 500 = \"11.50\" } } }\n";
    let map = parse(&spl).expect("a map");
    let expected = [(250, 2550), (500, 1150)].into_iter().collect();
    assert_eq!(
        map.sources[0].units.thresholds,
        ThresholdUnit::SoundPressureLevel(expected)
    );
    let hl = format!("{EARS}units = {{ thresholds = \"dB HL\" }}\n");
    assert_eq!(
        parse(&hl).expect("a map").sources[0].units,
        Units::default()
    );
}

/// The text changed at one place, and what the error has to say.
#[test]
fn each_fault_is_named_with_line_and_key_and_what_to_do() {
    let changed = |from: &str, to: &str| {
        assert!(EARS.contains(from), "{from}");
        parse(&EARS.replacen(from, to, 1)).expect_err(to)
    };
    let add = |line: &str| parse(&format!("{EARS}{line}\n")).expect_err(line);
    for (error, parts) in [
        (changed("ear = \"Side\"", "eer = \"Side\""), &["line 6", "source 1, columns.eer", "did you mean `ear`?"][..]),
        (changed("threshold_500 = ", "threshold_5000 = "), &["columns.threshold_5000", "did you mean `threshold_500`?"]),
        (changed("separator", "seperator"), &["line 4", "did you mean `separator`?"]),
        (changed("\"ears\"", "\"eras\""), &["line 3", "did you mean `ears`?"]),
        (changed("\"right\"", "\"rihgt\""), &["line 11", "source 1, values.ear.R", "did you mean `right`?"]),
        (changed("fitted = true", "fitted = \"ja\""), &["line 7", "constants.fitted", "false, true"]),
        (changed("fitted = true", "ear = \"left\""), &["constants.ear", "is in `columns` too"]),
        (changed("constants = { fitted = true }\n", ""), &["line 1", "source 1 must say where `fitted` of ears comes from"]),
        (changed("[\"Remarks\"]", "[\"Side\"]"), &["line 8", "leave_out", "holds \"Side\", which the source reads"]),
        (changed("[\"A\", 1]", "[]"), &["line 9", "where.Kind"]),
        (changed("ear = { R", "coupling = { R"), &["values.coupling", "is not under `columns`"]),
        (changed("ear = { R", "era = { R"), &["values.era", "did you mean `ear`?"]),
        (changed("\">110\"", "\">100\""), &["values.threshold_*.NR", "-10 to 120 dB HL"]),
        (changed("audio*.csv", "sub/audio.csv"), &["line 2", "files", "without folders"]),
        (changed("\";\"", "\";;\""), &["line 4", "a separator is one character"]),
        (changed("decimal = \",\"", "decimal = \";\""), &["line 5"]),
        (add("dates = \"DD.MM.YYYY\""), &["line 12", "dates has no column of dates"]),
        (add("dates = \"DD.MM.YY\""), &["line 12", "such as DD.MM.YYYY"]),
        (add("units = { frequency_hz = \"kHz\" }"), &["units.frequency_hz"]),
        (add("units = { weeks_after = \"days\" }"), &["units.weeks_after"]),
        (add("units = { thresholds = \"dB SPL\" }"), &["line 12", "reference"]),
        (
            add("units = { thresholds = { unit = \"dB SPL\", reference = { 250 = 25.5 } } }"),
            &["units.thresholds", "it lacks 500 Hz"],
        ),
        (
            add("units = { thresholds = { unit = \"dB SPL\", reference = { 500 = 11.555 } } }"),
            &["line 12", "at most two decimals"],
        ),
        (
            add("units = { thresholds = { unit = \"dB SPL\", reference = { 125 = 45 } } }"),
            &["line 12", "the ten frequencies"],
        ),
        (
            add("[identity]\npseudonymise = [\"patientid\"]"),
            &["line 13", "identity.pseudonymise", "did you mean `patient_id`?"],
        ),
        (parse("").expect_err("nothing"), &["source is not there"]),
        (
            parse("[[source]]\nfiles = [\"r.csv\"]\ntable = \"responses\"\ncolumns = { frequency_hz = \"F\", measured_250 = \"M\" }\n")
                .expect_err("two forms"),
            &["line 4", "columns.frequency_hz", "another form"],
        ),
    ] {
        for part in parts {
            assert!(error.contains(part), "no {part:?} in:\n{error}");
        }
    }
}

/// What a source says makes its hash; how files are called and where it stands among the sources does not.
#[test]
fn the_hash_is_that_of_the_meaning() {
    let hash = |text: &str| parse(text).expect("a map").sources[0].hash();
    let first = hash(EARS);
    assert_eq!(hash(&EARS.replace("audio*.csv", "tone.csv")), first);
    assert_eq!(
        hash(&EARS.replace("R = \"right\", L = \"left\"", "L = \"left\", R = \"right\"")),
        first
    );
    assert_eq!(hash(&format!("# a remark\n{EARS}")), first);
    assert_ne!(hash(&EARS.replace("R = \"right\"", "R = \"left\"")), first);
    assert_ne!(hash(&EARS.replace("separator = \";\"\n", "")), first);
    assert_ne!(
        hash(&format!(
            "{EARS}units = {{ thresholds = {{ unit = \"dB SPL\", reference = {{ 500 = 11.5 }} }} }}\n"
        )),
        first
    );
}
