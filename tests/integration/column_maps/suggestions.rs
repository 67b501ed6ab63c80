//! `check --suggest-map`: what it proposes reads, and reads right once a person has confirmed it.

use super::{assert_mapped_is_plain, plain_practice};
use crate::parquet_files;
use crate::workspace::{Rows, Workspace, files_below};

/// The program's own delivery is in our words already: its map says so, and reads the same cohort.
#[test]
fn the_map_proposed_for_an_invented_delivery_is_the_identity() {
    let workspace = Workspace::invented(300, 11);
    let text = workspace.ok(&["check", "d", "--suggest-map"]).stdout;
    for line in text.lines().filter(|line| !line.starts_with('#')) {
        if let Some((ours, rest)) = line.split_once(" = \"") {
            let theirs = rest.split('"').next().unwrap();
            assert!(ours == theirs || ours == "table", "{line}");
        }
        assert!(
            !line.starts_with("[source.values") && !line.starts_with("leave_out"),
            "{text}"
        );
    }
    workspace.write("map.toml", &text);
    workspace.ok(&["ingest", "d", "--into", "mapped", "--map", "map.toml"]);
    let parquet = |cohort: &str| {
        let mut files = files_below(&workspace.path(cohort));
        files.retain(|(path, _)| {
            let is_parquet = path.extension().is_some_and(|ending| ending == "parquet");
            is_parquet && !path.ends_with("set-aside.parquet")
        });
        files
    };
    let (plain, mapped) = (parquet("c"), parquet("mapped"));
    assert!(plain.len() > 4);
    assert!(plain == mapped);
    // The same rows are set aside for the same reasons; their texts are those that the map has read.
    let aside = |cohort: &str| {
        let path = workspace.path(&format!("{cohort}/snapshots/000001/set-aside.parquet"));
        let mut rows = parquet_files::rows(&path);
        let kept = |name: &String| !["text", "exact"].contains(&name.as_str());
        let columns: Vec<bool> = rows.columns.iter().map(kept).collect();
        for row in rows.rows.iter_mut().chain([&mut rows.columns]) {
            let mut at = columns.iter();
            row.retain(|_| *at.next().unwrap());
        }
        rows
    };
    assert_eq!(aside("c"), aside("mapped"));
}

/// A table of the small practice under other names, with semicolons, decimal commas and other words.
fn renamed(text: &str, names: &[(&str, &str)], words: &[(&str, &str)]) -> String {
    let rows = Rows::parse(text);
    let theirs = |name: &String| {
        let found = names.iter().find(|(ours, _)| ours == name);
        found.map_or_else(
            || panic!("{name} has no other name"),
            |(_, theirs)| (*theirs).to_owned(),
        )
    };
    let header: Vec<String> = rows.columns.iter().map(theirs).collect();
    let mut out = header.join(";") + "\n";
    for row in &rows.rows {
        let fields: Vec<String> = row
            .iter()
            .zip(&rows.columns)
            .map(|(value, column)| {
                if let Some((_, theirs)) = words.iter().find(|(ours, _)| ours == value) {
                    return (*theirs).to_owned();
                }
                match (
                    column.as_str(),
                    value.split('-').collect::<Vec<_>>().as_slice(),
                ) {
                    ("fitted_on", [year, month, day]) => format!("{day}.{month}.{year}"),
                    ("measured_db" | "score", _) => format!("{value},0").replace(".5,0", ",5"),
                    _ => value.clone(),
                }
            })
            .collect();
        out.push_str(&(fields.join(";") + "\n"));
    }
    out
}

#[test]
fn the_map_proposed_for_a_renamed_export_reads_the_plain_tables() {
    let workspace = plain_practice();
    let frequencies = [250, 500, 750, 1000, 1500, 2000, 3000, 4000, 6000, 8000];
    let thresholds: Vec<(String, String)> = frequencies
        .iter()
        .map(|hertz| {
            (
                format!("threshold_{hertz}"),
                format!("Luftleitung {hertz} Hz"),
            )
        })
        .collect();
    let mut ears = vec![
        ("fitting_id", "Besuch-Nr"),
        ("ear", "Seite"),
        ("fitted", "Versorgt"),
        ("coupling", "Ankopplung"),
        ("style", "Bauform"),
    ];
    ears.extend(
        thresholds
            .iter()
            .map(|(ours, theirs)| (ours.as_str(), theirs.as_str())),
    );
    let words = [
        ("left", "L"),
        ("right", "R"),
        ("true", "ja"),
        ("false", "nein"),
        ("new", "neu"),
        ("experienced", "erfahren"),
        ("none", "keine"),
        ("open", "offen"),
        ("closed", "geschlossen"),
    ];
    for (table, text) in super::practice_with_days() {
        let (file, names): (&str, &[(&str, &str)]) = match table {
            "fittings" => (
                "Besuche.csv",
                &[
                    ("fitting_id", "Besuch-Nr"),
                    ("patient_id", "Kunde"),
                    ("clinic_id", "Filiale"),
                    ("clinician_id", "Akustiker"),
                    ("fitted_on", "Datum"),
                    ("age_years", "Alter"),
                    ("experience", "Versorgungsart"),
                    ("prescription", "Anpassformel"),
                    ("medical_referral", "Überweisung"),
                    ("returned", "Rückgabe"),
                    ("x_region", "Region"),
                ],
            ),
            "ears" => ("Tonaudiogramm.csv", &ears),
            "responses" => (
                "Messungen.csv",
                &[
                    ("fitting_id", "Besuch-Nr"),
                    ("ear", "Seite"),
                    ("stage", "Messphase"),
                    ("quantity", "Messgröße"),
                    ("input_level_db", "Eingangspegel"),
                    ("frequency_hz", "Frequenz"),
                    ("target_db", "Zielwert"),
                    ("measured_db", "Messwert"),
                ],
            ),
            _ => (
                "Antworten.csv",
                &[
                    ("fitting_id", "Besuch-Nr"),
                    ("instrument", "Fragebogen"),
                    ("item", "Frage"),
                    ("score", "Punkte"),
                    ("weeks_after", "Wochen"),
                ],
            ),
        };
        workspace.write(&format!("export/{file}"), renamed(&text, names, &words));
    }
    let proposed = workspace.ok(&["check", "export", "--suggest-map"]).stdout;
    assert!(
        !proposed.contains("MISSING") && !proposed.contains("NOT SURE"),
        "{proposed}"
    );
    for value in [
        "F1",
        "P1",
        "north",
        "anna-1",
        "coast",
        "17.08",
        "NAL-R",
        "behind",
        "vented\" =",
    ] {
        assert!(!proposed.contains(value), "{value} in\n{proposed}");
    }
    // It reads as it is; the one thing left to the person is the label to group by.
    workspace.write("map.toml", &proposed);
    workspace.ok(&["check", "export", "--map", "map.toml"]);
    let label = "# x_region = \"Region\"";
    let left_out = "  \"Region\",";
    assert!(
        proposed.contains(label) && proposed.contains(left_out),
        "{proposed}"
    );
    let confirmed = proposed.replace(label, &label[2..]).replace(left_out, "");
    workspace.write("map.toml", &confirmed);
    assert_mapped_is_plain(&workspace, "export", "map.toml", "the confirmed map");
    // As JSON the text is the same.
    let json = workspace
        .ok(&["check", "export", "--suggest-map", "--json"])
        .json();
    assert_eq!(json["map"], proposed);
}
