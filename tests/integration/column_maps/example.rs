//! `docs/column-map.example.toml` reads an invented export of the small practice.

use std::path::Path;

use super::{assert_mapped_is_plain, plain_practice};
use crate::workspace::RESPONSES;

const VISITS: &str = "\
Visit;First name;Patient;Site;Audiologist;Date;Age;User type;Referral;Sent back;Region;Remarks
F1;Anybody;P1;north;anna-1;17.08.2026;71;first;-;N;coast;likes the sea
F2;Nobody;P2;north;anna-1;30.9.2026;93;again;;;;
";
const AUDIOGRAMS: &str = "\
Visit;Kind;Style;L fitted;L coupling;L 250;L 500;L 1k;L 2k;L 3k;L 4k;L 6k;L 8k;R fitted;R coupling;R 250;R 500;R 1k;R 2k;R 3k;R 4k;R 6k;R 8k
F1;air;behind;yes;open;20;25;35;50;55;60;65;70;yes;vented;20;25;35;50;55;60;65;NR
F1;bone;;;;;20;30;45;;50;;;;;;20;30;45;;50;;
F2;air;behind;yes;closed;40;40;40;40;40;40;40;40;;;;;;;;;;
F2;air;;;;;;;;;;;;no;;10;10;10;10;10;10;10;10
";
const QUESTIONNAIRES: &str = "\
Visit;Days;Question 4;Hours
F1;42;3;7,5
F1;182;5;
F2;;4;
";

/// The real-ear points as the export writes them.
fn real_ear() -> String {
    let mut out = "Visit\tSide\tInput\tFrequency\tTarget\tResult\n".to_owned();
    for line in RESPONSES.lines().skip(1) {
        let [id, ear, _, _, level, hertz, target, measured] = line
            .split(',')
            .collect::<Vec<_>>()
            .try_into()
            .expect("eight fields");
        let side = if ear == "left" { "L" } else { "R" };
        let kilohertz = match hertz {
            "250" => "0,25".to_owned(),
            "500" => "0,5".to_owned(),
            whole => whole.trim_end_matches("000").to_owned(),
        };
        out.push_str(&format!(
            "{id}\t{side}\t{level},0\t{kilohertz}\t{target},00\t{measured}\n"
        ));
    }
    out
}

#[test]
fn the_example_map_reads_the_export_as_the_plain_tables() {
    let workspace = plain_practice();
    let example = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/column-map.example.toml");
    workspace.write("map.toml", std::fs::read(example).expect("the example"));
    for (name, text) in [
        ("visits-2026.csv", VISITS),
        ("audiograms.csv", AUDIOGRAMS),
        ("real-ear.tsv", &real_ear()),
        ("questionnaires.csv", QUESTIONNAIRES),
        ("letter.pdf", "not a table"),
    ] {
        workspace.write(&format!("export/{name}"), text);
    }
    let said = assert_mapped_is_plain(&workspace, "export", "map.toml", "the example");
    assert_eq!(said["not_read"], serde_json::json!(["letter.pdf"]));
    let notes: Vec<(&str, &str)> = said["notes"]
        .as_array()
        .unwrap()
        .iter()
        .map(|note| {
            (
                note["rule"].as_str().unwrap(),
                note["about"].as_str().unwrap(),
            )
        })
        .collect();
    let passed_over = [
        "audiograms.csv (source 2): 2 of 4",
        "audiograms.csv (source 3): 2 of 4",
        "questionnaires.csv (source 6): 2 of 3",
    ];
    assert_eq!(notes, passed_over.map(|about| ("passed-over", about)));
    assert_eq!(said["tables"]["ears"]["rows_read"], 4);
    // What was left out is nowhere.
    for (path, bytes) in crate::workspace::files_below(&workspace.path("c-export")) {
        for value in ["Anybody", "Nobody", "likes the sea"] {
            let found = bytes
                .windows(value.len())
                .any(|window| window == value.as_bytes());
            assert!(!found, "{value} in {}", path.display());
        }
    }
}
