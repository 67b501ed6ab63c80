use std::path::Path;

use super::*;
use crate::map::ColumnMap;

fn proposed(files: &[(&str, &str)]) -> String {
    let folder = tempfile::tempdir().expect("a folder");
    for (name, text) in files {
        std::fs::write(folder.path().join(name), text).expect("a file");
    }
    suggest(folder.path()).expect("a proposal")
}

fn parsed(text: &str) -> ColumnMap {
    ColumnMap::parse(text, Path::new("proposed.toml"))
        .unwrap_or_else(|error| panic!("{error}\n{text}"))
}

/// Invented names and values. The proposal repeats names of columns and words of the closed list, and nothing else.
#[test]
fn a_proposal_repeats_no_value() {
    let text = proposed(&[(
        "besuche.csv",
        "Besuch;Kunde;Filiale;Akustiker;Datum;Alter;Vorname;Bemerkung;Versorgungsart;Farbe\n\
         B-77123;K-88123;Nordwest;Akustikerin-9;17.08.2026;83;Zenobia;ruft an;neu;mauve\n\
         B-77124;K-88124;Nordwest;Akustikerin-9;18.08.2026;68;Zenobia;;erfahren;mauve\n\
         B-77125;K-88125;Nordwest;Akustikerin-9;19.08.2026;68;Zenobia;;gelegentlich;mauve\n",
    )]);
    for value in [
        "77123",
        "88123",
        "Nordwest",
        "Akustikerin-9",
        "17.08",
        "83",
        "68",
        "Zenobia",
        "ruft",
        "gelegentlich",
        "mauve",
    ] {
        assert!(!text.contains(value), "{value} in\n{text}");
    }
    let map = parsed(&text);
    assert_eq!(map.sources.len(), 1);
    let source = &map.sources[0];
    assert_eq!(source.separator, b';');
    assert_eq!(source.leave_out, ["Vorname", "Bemerkung", "Farbe"]);
    assert_eq!(source.columns["fitting_id"], "Besuch");
    assert_eq!(source.values["experience"]["neu"].0, "new");
    assert_eq!(source.values["experience"].len(), 2);
    assert!(
        text.contains("numbers between 60 and 90; never blank"),
        "{text}"
    );
    assert!(text.contains("other words, not understood: 1"), "{text}");
}

/// A first row that is no header row is not shown.
#[test]
fn a_file_without_a_header_row_is_not_shown() {
    let text = proposed(&[(
        "export.csv",
        "B-77123,K-88123,Zenobia\nB-77124,K-88124,Zenobia\n",
    )]);
    assert!(text.contains("Not proposed"), "{text}");
    for value in ["77123", "Zenobia"] {
        assert!(!text.contains(value), "{text}");
    }
}

/// One row holds both ears, another all answers: each becomes a source of its own.
#[test]
fn ears_and_items_in_columns_become_sources() {
    let text = proposed(&[
        (
            "audiogram.csv",
            "Visit,Aided,R500,R1000,L500,L1k\nF1,yes,30,40,35,45\n",
        ),
        (
            "questionnaire.csv",
            "Visit;IOI-HA 1;IOI-HA 4;Days\nF1;4;;42\n",
        ),
    ]);
    let map = parsed(&text);
    let ears: Vec<_> = map
        .sources
        .iter()
        .filter(|s| s.table == TableName::Ears)
        .collect();
    assert_eq!(ears.len(), 2);
    assert_eq!(ears[0].constants["ear"].0, "left");
    assert_eq!(ears[0].columns["threshold_1000"], "L1k");
    assert_eq!(ears[1].columns["threshold_1000"], "R1000");
    let answers: Vec<_> = map
        .sources
        .iter()
        .filter(|s| s.table == TableName::Outcomes)
        .collect();
    assert_eq!(answers.len(), 2);
    assert_eq!(answers[1].constants["item"].0, "4");
    assert_eq!(answers[1].unless_blank, ["IOI-HA 4"]);
    assert!(text.contains("weeks_after = \"days\""), "{text}");
}

/// What cannot be told is left to the person, and a map without it does not pass.
#[test]
fn what_is_missing_is_asked_for() {
    let text = proposed(&[("audiogram.csv", "Visit,Side,AC 500\nF1,R,30\nF2,L,30\n")]);
    assert!(text.contains("# MISSING: fitted is required"), "{text}");
    let error = ColumnMap::parse(&text, Path::new("p.toml")).expect_err("fitted is missing");
    assert!(error.to_string().contains("`fitted`"), "{error}");
    let dates = proposed(&[(
        "fittings.csv",
        "fitting_id,patient_id,clinic_id,clinician_id,date\nF1,P1,C1,D1,01/02/2026\n",
    )]);
    assert!(
        dates.contains("# dates = \"DD/MM/YYYY\"\n# dates = \"MM/DD/YYYY\""),
        "{dates}"
    );
}

/// One file that is no table takes nothing away from the others.
#[test]
fn a_file_that_cannot_be_read_is_named_with_its_rule() {
    let text = proposed(&[
        ("ears.csv", "fitting_id,ear,fitted\nF1,left,true\n"),
        ("letter.txt", "\"an open quote\nand no other\n"),
    ]);
    assert!(
        text.contains("# Not read whole: \"letter.txt\", line 1:")
            && text.contains("[unclosed-quote]"),
        "{text}"
    );
    assert_eq!(parsed(&text).sources.len(), 1);
}

#[test]
fn an_empty_folder_has_nothing_to_propose() {
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::write(folder.path().join("letter.pdf"), "x").expect("a file");
    assert!(suggest(folder.path()).is_err());
}
