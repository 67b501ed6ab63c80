//! Every rule that a delivery is judged by, seen through the command line: what is set aside and where, what is
//! refused, that the account closes to the row, and that no value is echoed.

mod belonging;
mod files;
mod numbers;
pub(crate) mod packed;
mod repeats;
mod rows;
mod text;

use std::collections::{BTreeMap, BTreeSet};

use fitcohort_pipeline::rules::{Consequence, RULES};
use serde_json::Value;

use crate::column_maps::RULES_OF_MAPS;
use crate::workspace::{Rows, Workspace, small_practice};
use crate::{fhir, parquet_files};

/// A row that has to be set aside, and what has to be said about it.
#[derive(Clone, Debug)]
struct SetAside {
    file: String,
    line: usize,
    column: String,
    rule: &'static str,
    /// Words of the sentence.
    says: String,
    /// The value, which must not be echoed; empty where it is too short to be told from the words around it.
    secret: String,
}

impl SetAside {
    fn table(&self) -> &str {
        self.file.split(['-', '.']).next().unwrap()
    }

    /// Tables come in the order of the documentation.
    fn order(&self) -> (usize, &str, usize) {
        let table = TABLES.iter().position(|name| *name == self.table());
        (table.unwrap(), &self.file, self.line)
    }
}

const TABLES: [&str; 4] = ["fittings", "ears", "responses", "outcomes"];

/// The small practice with rows added that break rules.
struct Spoiled {
    files: BTreeMap<String, String>,
    expected: Vec<SetAside>,
}

impl Spoiled {
    fn new() -> Self {
        let files = small_practice()
            .into_iter()
            .map(|(table, text)| (format!("{table}.csv"), text.to_owned()))
            .collect();
        Self {
            files,
            expected: Vec::new(),
        }
    }

    /// Adds a file, with its header row.
    fn file(&mut self, name: &str, header: &str) {
        self.files.insert(name.to_owned(), format!("{header}\n"));
    }

    /// Adds a row that breaks no rule.
    fn good(&mut self, file: &str, row: &str) {
        let text = self.files.get_mut(file).unwrap();
        text.push_str(row);
        text.push('\n');
    }

    /// Adds a row that breaks a rule at a column (none: the whole row).
    fn bad(
        &mut self,
        file: &str,
        row: &str,
        column: &str,
        rule: &'static str,
        says: &str,
        secret: &str,
    ) {
        let line = self.files[file].matches('\n').count() + 1;
        self.good(file, row);
        self.expected.push(SetAside {
            file: file.to_owned(),
            line,
            column: column.to_owned(),
            rule,
            says: says.to_owned(),
            secret: secret.to_owned(),
        });
    }

    /// Runs `check` and `ingest`, and holds what they say and write against what was expected.
    fn judge(mut self) -> Workspace {
        self.expected.sort_by(|a, b| a.order().cmp(&b.order()));
        let workspace = Workspace::new();
        for (name, text) in &self.files {
            workspace.write(&format!("d/{name}"), text);
        }
        let checked = workspace.ok(&["check", "d", "--json", "--set-aside-csv", "aside.csv"]);
        self.counts(&checked.json());
        let aside = std::fs::read_to_string(workspace.path("aside.csv")).unwrap();
        self.rows(&Rows::parse(&aside));
        let words = workspace.ok(&["check", "d"]);
        let mut seen = BTreeSet::new();
        for row in &self.expected {
            assert!(
                row.secret.is_empty() || !words.stdout.contains(&row.secret),
                "{row:?} is echoed: {}",
                words.shown()
            );
            if seen.insert((row.table(), row.rule)) {
                let place = format!("{}, line {}: ", row.file, row.line);
                let said = words
                    .stdout
                    .lines()
                    .find(|line| line.contains(&place) && line.contains(row.rule));
                let said = said.unwrap_or_else(|| panic!("{row:?} is not in {}", words.shown()));
                assert!(said.contains(&row.says), "{row:?}: {said}");
            }
        }

        let ingested = workspace.ok(&[
            "ingest",
            "d",
            "--into",
            "c",
            "--json",
            "--set-aside-csv",
            "again.csv",
        ]);
        self.counts(&ingested.json());
        let again = std::fs::read_to_string(workspace.path("again.csv")).unwrap();
        assert_eq!(again, aside);
        let manifest = workspace.manifest("c");
        let entry = &manifest["deliveries"][0];
        assert_eq!(entry["rules"], ingested.json()["set_aside"]);
        let kept = workspace.path(&format!("c/{}", entry["set_aside"].as_str().unwrap()));
        assert_eq!(parquet_files::rows(&kept), Rows::parse(&aside));
        workspace
    }

    /// The account closes for each table, and rules are counted as expected.
    fn counts(&self, said: &Value) {
        for table in TABLES {
            let file = |name: &&String| name.split(['-', '.']).next() == Some(table);
            let names: Vec<&String> = self.files.keys().filter(file).collect();
            // Every row of these deliveries stands on one line.
            let rows: usize = names
                .iter()
                .map(|name| self.files[*name].matches('\n').count() - 1)
                .sum();
            let aside = self
                .expected
                .iter()
                .filter(|row| row.table() == table)
                .count();
            let account = &said["tables"][table];
            assert_closes(account);
            assert_eq!(account["rows_read"], rows, "{table}: {account}");
            assert_eq!(account["rows_set_aside"], aside, "{table}: {account}");
            assert_eq!(account["exact_repeats"], 0, "{table}: {account}");
        }
        let mut expected: BTreeMap<(&str, &str), u64> = BTreeMap::new();
        for row in &self.expected {
            *expected.entry((row.table(), row.rule)).or_default() += 1;
        }
        let seen: BTreeMap<(&str, &str), u64> = said["set_aside"]
            .as_array()
            .unwrap()
            .iter()
            .map(|row| {
                let word = |key: &str| row[key].as_str().unwrap();
                ((word("table"), word("rule")), row["rows"].as_u64().unwrap())
            })
            .collect();
        assert_eq!(seen, expected);
    }

    /// Each row set aside is named with file, line, column, rule and sentence, in order.
    fn rows(&self, rows: &Rows) {
        let columns = [
            "table_name",
            "file",
            "line",
            "column_name",
            "rule",
            "sentence",
            "byte",
            "text",
            "exact",
            "record",
        ];
        assert_eq!(rows.columns, columns);
        for (row, expected) in self.expected.iter().enumerate() {
            assert!(row < rows.rows.len(), "{expected:?} is not in {rows:#?}");
            let place = (
                rows.get(row, "file"),
                rows.get(row, "line"),
                rows.get(row, "rule"),
            );
            let line = expected.line.to_string();
            assert_eq!(
                place,
                (&*expected.file, &*line, expected.rule),
                "{expected:?}"
            );
            assert_eq!(rows.get(row, "table_name"), expected.table());
            assert_eq!(
                rows.get(row, "column_name"),
                expected.column,
                "{expected:?}"
            );
            let sentence = rows.get(row, "sentence");
            assert!(
                sentence.contains(&expected.says),
                "{expected:?}: {sentence}"
            );
            assert!(
                sentence.contains(&expected.column),
                "{expected:?}: {sentence}"
            );
            assert!(
                expected.secret.is_empty() || !sentence.contains(&expected.secret),
                "{expected:?} is echoed: {sentence}"
            );
            // Every row of these deliveries stands on one line.
            let text = &self.files[&expected.file];
            let delivered = text.lines().nth(expected.line - 1).unwrap();
            let byte: usize = rows.get(row, "byte").parse().unwrap();
            assert!(text[byte..].starts_with(delivered), "{expected:?}");
            let is_exact = rows.get(row, "text") == delivered;
            assert_eq!(rows.get(row, "exact"), is_exact.to_string());
        }
        assert_eq!(rows.rows.len(), self.expected.len(), "{rows:#?}");
    }
}

/// Rows read = rows stored + rows set aside + exact repeats.
fn assert_closes(account: &Value) {
    let count = |key: &str| account[key].as_u64().unwrap();
    assert_eq!(
        count("rows_read"),
        count("rows_stored") + count("rows_set_aside") + count("exact_repeats"),
        "{account}"
    );
}

/// Every rule of the rule table is broken by some case above or below, in each table that the rule table names; and no
/// case meets a rule that the rule table does not know there.
#[test]
fn every_rule_has_a_case() {
    let mut seen: BTreeSet<(&str, String)> = BTreeSet::new();
    for spoiled in [rows::spoiled(), numbers::spoiled()] {
        for row in spoiled.expected {
            seen.insert((row.rule, row.table().to_owned()));
        }
    }
    // Rules of FHIR resources need a map of codes, and have their cases there; so have rules of column maps, and those
    // that only arise where identifiers become pseudonyms.
    seen.extend(fhir::SET_ASIDE.map(|(rule, table)| (rule, table.to_owned())));
    for (rule, table) in crate::identity::SET_ASIDE {
        seen.insert((rule, table.to_owned()));
    }
    let rules = || {
        RULES
            .iter()
            .filter(|text| !RULES_OF_MAPS.contains(&text.code))
    };
    let promised: BTreeSet<(&str, String)> = rules()
        .filter(|text| text.consequence == Consequence::RowSetAside)
        .flat_map(|text| {
            text.tables
                .iter()
                .map(|table| (text.code, table.word().to_owned()))
        })
        .collect();
    assert_eq!(seen, promised);

    let of = |consequence| -> BTreeSet<&str> {
        let texts = rules().filter(|text| text.consequence == consequence);
        texts.map(|text| text.code).collect()
    };
    let mut refused: BTreeSet<&str> = files::refused().iter().map(|case| case.rule).collect();
    refused.extend(fhir::REFUSED);
    assert_eq!(refused, of(Consequence::DeliveryRefused));
    let mut noted: BTreeSet<&str> = files::NOTED.iter().map(|case| case.rule).collect();
    noted.extend(fhir::NOTED);
    assert_eq!(noted, of(Consequence::Noted));
}
