//! The broken deliveries of `tests/deliveries`, each through `check` and `ingest`: what is said, what is counted, what is
//! stored. `tests/deliveries/make.py` writes them with what is expected; README.md there says how to read it.

use std::collections::{BTreeMap, BTreeSet};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};

use fitcohort_pipeline::rules::RULES;
use serde_json::Value;

use crate::workspace::{Rows, Workspace, files_below, small_practice};
use crate::{column_maps, fhir};

/// Rules whose deliveries are built where they are tested: valid Parquet is beyond a script of the standard library, and a
/// column map, a key or a name of a file are no part of a delivery's tables.
const ELSEWHERE: [&str; 3] = [
    "nested-column",
    "identifier-length",
    "identifying-file-name",
];

/// Longer than any of them may take, a run.
const TOO_LONG: Duration = Duration::from_secs(1);

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/deliveries")
}

/// What expected.txt says.
#[derive(Debug, Default)]
struct Expected {
    exit: i32,
    /// File, line and rule; `-` where there is none to name.
    refused: Option<(String, String, String)>,
    accounts: BTreeMap<String, [u64; 4]>,
    /// File, line, column and rule, in the order of the set-aside file.
    aside: Vec<[String; 4]>,
    notes: Vec<(String, String)>,
    not_read: Vec<String>,
    says: Vec<String>,
    never: Vec<String>,
}

impl Expected {
    fn read(path: &Path) -> Self {
        let mut out = Self::default();
        for line in std::fs::read_to_string(path).unwrap().split('\n') {
            let (word, rest) = line.split_once(' ').unwrap_or((line, ""));
            let words: Vec<String> = rest.split(' ').map(str::to_owned).collect();
            match word {
                "" | "#" => {}
                "exit" => out.exit = rest.parse().unwrap(),
                "refused" => {
                    let [file, line, rule] = words.try_into().unwrap();
                    out.refused = Some((file, line, rule));
                }
                "account" => {
                    let numbers = words[1..].iter().map(|number| number.parse().unwrap());
                    let numbers: Vec<u64> = numbers.collect();
                    out.accounts
                        .insert(words[0].clone(), numbers.try_into().unwrap());
                }
                "aside" => out.aside.push(words.try_into().unwrap()),
                "note" => out.notes.push((words[0].clone(), words[1].clone())),
                "not-read" => out.not_read.push(rest.to_owned()),
                "says" => out.says.push(rest.to_owned()),
                "never" => out.never.push(rest.to_owned()),
                _ => panic!("{}: {line}", path.display()),
            }
        }
        out
    }
}

fn cases() -> Vec<(String, Expected)> {
    let entries = std::fs::read_dir(folder()).unwrap();
    let paths = entries.map(|entry| entry.unwrap().path());
    let mut cases: Vec<(String, Expected)> = paths
        .filter(|path| path.join("expected.txt").is_file())
        .map(|path| {
            let name = path.file_name().unwrap().to_string_lossy().into_owned();
            (name, Expected::read(&path.join("expected.txt")))
        })
        .collect();
    cases.sort_by(|a, b| a.0.cmp(&b.0));
    cases
}

#[test]
fn there_are_enough_and_every_rule_is_broken_by_one() {
    let cases = cases();
    assert!(cases.len() >= 80, "{}", cases.len());
    let mut broken: BTreeSet<&str> = BTreeSet::from(ELSEWHERE);
    broken.extend(column_maps::RULES_OF_MAPS);
    broken.extend(fhir::SET_ASIDE.map(|(rule, _)| rule));
    broken.extend(fhir::REFUSED.iter().chain(&fhir::NOTED));
    for (_, expected) in &cases {
        broken.extend(expected.refused.iter().map(|(_, _, rule)| rule.as_str()));
        broken.extend(expected.aside.iter().map(|[.., rule]| rule.as_str()));
        broken.extend(expected.notes.iter().map(|(rule, _)| rule.as_str()));
    }
    let rules: BTreeSet<&str> = RULES.iter().map(|text| text.code).collect();
    let missing: Vec<_> = rules.difference(&broken).collect();
    assert!(missing.is_empty(), "no delivery breaks {missing:?}");
    let unknown: Vec<_> = broken.difference(&rules).collect();
    assert!(unknown.is_empty(), "no rule is called {unknown:?}");
}

/// The script is the source: what is there is what it writes.
#[test]
fn the_script_would_write_the_same_again() {
    let output = match Command::new("python3")
        .arg(folder().join("make.py"))
        .arg("--check")
        .env("PYTHONDONTWRITEBYTECODE", "1")
        .output()
    {
        Ok(output) => output,
        Err(error) => {
            assert_eq!(error.kind(), std::io::ErrorKind::NotFound, "{error}");
            writeln!(std::io::stderr(), "NOT CHECKED: there is no python3").unwrap();
            return;
        }
    };
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
}

#[test]
fn each_is_judged_as_expected() {
    let with_cohort = Workspace::new();
    with_cohort.delivery("first", &small_practice());
    with_cohort.ingest("first", "c");
    let stored = files_below(&with_cohort.path("c"));
    let mut wrong = Vec::new();
    for (name, expected) in cases() {
        // A name beside each failure, and all failures at once.
        let outcome = std::panic::catch_unwind(|| judge(&name, &expected, &stored));
        if let Err(reason) = outcome {
            let text = reason.downcast_ref::<String>().cloned().unwrap_or_default();
            wrong.push(format!("=== {name}\n{text}"));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

type Files = Vec<(PathBuf, Vec<u8>)>;

fn judge(name: &str, expected: &Expected, stored: &Files) {
    let workspace = Workspace::new();
    let delivery = folder().join(name).join("delivery");
    let delivery = delivery.to_str().unwrap();
    let timed = |arguments: &[&str]| {
        let begin = Instant::now();
        let run = workspace.run(arguments);
        let mut took = begin.elapsed();
        assert_eq!(run.code, expected.exit, "{}", run.shown());
        if took > TOO_LONG {
            // Something else may have kept the machine busy: once more, into a cohort of its own.
            let into_another = |at: usize| at > 0 && arguments[at - 1] == "--into";
            let again: Vec<&str> = (0..arguments.len())
                .map(|at| {
                    if into_another(at) {
                        "again"
                    } else {
                        arguments[at]
                    }
                })
                .collect();
            let begin = Instant::now();
            workspace.run(&again);
            took = begin.elapsed();
        }
        assert!(took < TOO_LONG, "took {took:?}: {}", run.shown());
        run
    };
    let words = timed(&["check", delivery]);
    let said = format!("{}{}", words.stdout, words.stderr);
    for text in &expected.says {
        assert!(
            said.contains(text),
            "it does not say {text:?}: {}",
            words.shown()
        );
    }
    let said = said.replace(delivery, "");
    for text in &expected.never {
        assert!(!said.contains(text), "it says {text:?}: {}", words.shown());
    }
    match &expected.refused {
        Some((file, line, rule)) => {
            let mut path = Path::new(delivery).to_path_buf();
            if file != "-" {
                path.push(file);
            }
            let place = match line.as_str() {
                "-" => format!("{}: ", path.display()),
                line => format!("{}, line {line}: ", path.display()),
            };
            let first = words.stderr.lines().next().unwrap_or_default();
            assert!(first.contains(&place), "not at {place}: {}", words.shown());
            assert!(
                first.ends_with(&format!("[{rule}]")),
                "not {rule}: {}",
                words.shown()
            );
            timed(&["ingest", delivery, "--into", "new"]);
            assert!(!workspace.path("new").exists(), "it left a cohort");
            // A cohort has its fittings already.
            if rule != "missing-table" {
                for (name, bytes) in stored {
                    workspace.write(&format!("c/{}", name.display()), bytes);
                }
                timed(&["ingest", delivery, "--into", "c"]);
                assert!(
                    files_below(&workspace.path("c")) == *stored,
                    "it changed the cohort"
                );
            }
        }
        None => {
            let checked = timed(&["check", delivery, "--json", "--set-aside-csv", "aside.csv"]);
            counted(&checked.json(), expected);
            set_aside(
                &std::fs::read_to_string(workspace.path("aside.csv")).unwrap(),
                expected,
            );
            for [file, line, _, rule] in expected.aside.iter().take(1) {
                let place = format!("{file}, line {line}");
                assert!(
                    said.contains(&place) && said.contains(rule.as_str()),
                    "{}",
                    words.shown()
                );
            }
            let ingested = timed(&["ingest", delivery, "--into", "c", "--json"]);
            counted(&ingested.json(), expected);
            assert!(workspace.path("c/CURRENT").is_file());
        }
    }
}

fn counted(said: &Value, expected: &Expected) {
    for (table, [read, stored, aside, repeats]) in &expected.accounts {
        assert_eq!(
            *read,
            stored + aside + repeats,
            "the expectation itself does not close"
        );
        let account = &said["tables"][table];
        let words = [
            "rows_read",
            "rows_stored",
            "rows_set_aside",
            "exact_repeats",
        ];
        let seen = words.map(|word| account[word].as_u64().unwrap());
        assert_eq!(
            seen,
            [*read, *stored, *aside, *repeats],
            "{table}: {said:#}"
        );
    }
    let notes: Vec<(String, String)> = said["notes"]
        .as_array()
        .unwrap()
        .iter()
        .map(|note| {
            (
                note["rule"].as_str().unwrap().to_owned(),
                note["about"].as_str().unwrap().to_owned(),
            )
        })
        .collect();
    assert_eq!(notes, expected.notes);
    let not_read = said["not_read"].as_array().unwrap().iter();
    let not_read: Vec<&str> = not_read.map(|name| name.as_str().unwrap()).collect();
    assert_eq!(not_read, expected.not_read);
}

fn set_aside(csv: &str, expected: &Expected) {
    let rows = Rows::parse(csv);
    let seen: Vec<[String; 4]> = (0..rows.rows.len())
        .map(|row| {
            ["file", "line", "column_name", "rule"].map(|column| match rows.get(row, column) {
                "" => "-".to_owned(),
                text => text.to_owned(),
            })
        })
        .collect();
    assert_eq!(seen, expected.aside);
    for row in 0..rows.rows.len() {
        let sentence = rows.get(row, "sentence");
        assert!(!sentence.is_empty());
        for text in &expected.never {
            assert!(!sentence.contains(text), "it says {text:?}: {sentence}");
        }
    }
}
