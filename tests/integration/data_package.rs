//! The published schema against the judge, and the descriptor that comes with an invented delivery.
//!
//! `tests/frictionless` holds both against the public validator.

use serde_json::Value;

use crate::workspace::{EARS, FITTINGS, Workspace};

fn published() -> Value {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/pipeline/datapackage.json");
    serde_json::from_str(&std::fs::read_to_string(path).expect("the schema")).expect("JSON")
}

fn fields(resource: &Value) -> &Vec<Value> {
    resource["schema"]["fields"].as_array().expect("fields")
}

#[test]
fn an_invented_delivery_is_described_as_it_is() {
    let workspace = Workspace::new();
    workspace.ok(&["synthesize", "--fittings", "30", "--out", "d"]);
    let text = std::fs::read_to_string(workspace.path("d/datapackage.json")).expect("a descriptor");
    let package: Value = serde_json::from_str(&text).expect("JSON");
    assert_eq!(package["profile"], "tabular-data-package");
    assert!(
        package["description"]
            .as_str()
            .expect("words")
            .contains("INVENTED")
    );
    let resources = package["resources"].as_array().expect("resources");
    assert_eq!(resources.len(), 4);
    for resource in resources {
        let path = format!("d/{}", resource["path"].as_str().expect("a path"));
        let csv = std::fs::read_to_string(workspace.path(&path)).expect("a table");
        let names: Vec<&str> = fields(resource)
            .iter()
            .map(|field| field["name"].as_str().expect("a name"))
            .collect();
        assert_eq!(csv.lines().next(), Some(names.join(",").as_str()));
    }
    // It belongs to the delivery, so nobody is told that it was not read.
    let judged = workspace.ok(&["check", "d", "--json"]).json();
    assert_eq!(
        judged["not_read"],
        serde_json::json!(["README.txt", "truth.json"])
    );
}

/// Values that a field of the schema takes and values that it does not, as far as words and ranges say.
fn examples(field: &Value) -> (Vec<String>, Vec<String>) {
    let constraints = &field["constraints"];
    let mut good = Vec::new();
    let mut bad = Vec::new();
    if let Some(words) = constraints["enum"].as_array() {
        good.extend(words.iter().map(|word| match word {
            Value::String(word) => word.clone(),
            other => other.to_string(),
        }));
        bad.push("999".to_owned());
    }
    for word in ["trueValues", "falseValues"] {
        if let Some(words) = field[word].as_array() {
            good.extend(words.iter().map(|w| w.as_str().expect("a word").to_owned()));
            bad.push("yes".to_owned());
        }
    }
    if let (Some(low), Some(high)) = (
        constraints["minimum"].as_i64(),
        constraints["maximum"].as_i64(),
    ) {
        good.extend([low, high].map(|limit| limit.to_string()));
        bad.extend([low - 1, high + 1].map(|limit| limit.to_string()));
    }
    let required = constraints["required"].as_bool().unwrap_or(false);
    if required {
        bad.push(String::new());
    } else {
        good.push(String::new());
    }
    (good, bad)
}

/// One delivery in which each row tries one value of one field; the judge takes exactly those that the schema takes.
#[test]
fn words_ranges_and_required_columns_are_those_of_the_judge() {
    let package = published();
    let base: [(&str, &[(&str, &str)]); 3] = [
        (
            "fittings",
            &[
                ("patient_id", "P"),
                ("clinic_id", "C"),
                ("clinician_id", "K"),
                ("fitted_on", "2026-Q3"),
                ("prescription", "rule"),
            ],
        ),
        (
            "responses",
            &[
                ("ear", "left"),
                ("quantity", "REAR"),
                ("input_level_db", "65"),
                ("frequency_hz", "1000"),
                ("measured_db", "70"),
            ],
        ),
        (
            "outcomes",
            &[
                ("instrument", "use-log"),
                ("item", "hours_per_day"),
                ("score", "8"),
            ],
        ),
    ];
    let mut seen = 0;
    for (table, defaults) in base {
        let resource = package["resources"]
            .as_array()
            .expect("resources")
            .iter()
            .find(|resource| resource["name"] == table)
            .expect("a resource");
        let names: Vec<&str> = fields(resource)
            .iter()
            .map(|field| field["name"].as_str().expect("a name"))
            .collect();
        let header = names.join(",") + "\n";
        let mut good_rows = header.clone();
        let mut bad_rows = header;
        let mut counts = [0_u64; 2];
        let mut parents =
            String::from("fitting_id,patient_id,clinic_id,clinician_id,fitted_on,prescription\n");
        let mut ears = String::from("fitting_id,ear,fitted\n");
        for (at, field) in fields(resource).iter().enumerate() {
            // A score's range is its instrument's, an id's shape a pattern; both are tried elsewhere.
            if names[at] == "score" || names[at] == "fitting_id" {
                continue;
            }
            let (good, bad) = examples(field);
            for (kind, value) in good
                .iter()
                .map(|v| (0, v))
                .chain(bad.iter().map(|v| (1, v)))
            {
                seen += 1;
                let id = format!("T{seen}");
                parents += &format!("{id},P,C,K,2026-Q3,rule\n");
                ears += &format!("{id},left,true\n{id},right,true\n");
                let row: Vec<&str> = names
                    .iter()
                    .enumerate()
                    .map(|(column, name)| match *name {
                        _ if column == at => value.as_str(),
                        "fitting_id" => &id,
                        name => defaults
                            .iter()
                            .find(|(known, _)| *known == name)
                            .map_or("", |(_, value)| value),
                    })
                    .collect();
                let rows = if kind == 0 {
                    &mut good_rows
                } else {
                    &mut bad_rows
                };
                *rows += &(row.join(",") + "\n");
                counts[kind] += 1;
            }
        }
        for (kind, rows) in [(0, &good_rows), (1, &bad_rows)] {
            let workspace = Workspace::new();
            workspace.delivery(
                "d",
                &[("fittings", &parents), ("ears", &ears), (table, rows)],
            );
            let judged = workspace.ok(&["check", "d", "--json"]).json();
            let account = &judged["tables"][table];
            let wanted = if kind == 0 { 0 } else { counts[kind] };
            assert_eq!(account["rows_read"], counts[kind], "{table}");
            assert_eq!(
                account["rows_set_aside"], wanted,
                "{table}: {judged:#}\n{rows}"
            );
        }
    }
    assert!(seen > 40, "{seen} values tried");
}

/// The examples of the tests' own practice have the columns of the schema and labels beside.
#[test]
fn column_names_are_those_of_deliveries() {
    let package = published();
    for (place, csv) in [(0, FITTINGS), (1, EARS)] {
        let header = csv.lines().next().expect("a header");
        let names: Vec<&str> = fields(&package["resources"][place])
            .iter()
            .map(|field| field["name"].as_str().expect("a name"))
            .collect();
        let plain: Vec<&str> = header
            .split(',')
            .filter(|name| !name.starts_with("x_"))
            .collect();
        assert_eq!(plain, names);
    }
}
