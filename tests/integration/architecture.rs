//! The shape of the project, kept by test: data flows one way, engines stay in their rooms, files stay small.

use std::fs;
use std::path::{Path, PathBuf};

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn dependencies(member: &str) -> Vec<String> {
    let text = fs::read_to_string(root().join(member).join("Cargo.toml")).expect("a manifest");
    let section = text.split("[dependencies]").nth(1).expect("dependencies");
    section
        .lines()
        .take_while(|line| !line.starts_with('['))
        .filter_map(|line| line.split(['.', ' ', '=']).next())
        .filter(|name| !name.is_empty() && !name.starts_with('#'))
        .map(str::to_owned)
        .collect()
}

fn rust_files(folder: &Path, out: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).expect("a folder") {
        let path = entry.expect("an entry").path();
        if path.is_dir() {
            rust_files(&path, out);
        } else if path.extension().is_some_and(|ending| ending == "rs") {
            out.push(path);
        }
    }
}

fn sources(member: &str) -> Vec<PathBuf> {
    let mut out = Vec::new();
    rust_files(&root().join(member).join("src"), &mut out);
    out
}

#[test]
fn data_flows_one_way() {
    let none_of = |member: &str, forbidden: &[&str]| {
        let found = dependencies(member);
        for name in forbidden {
            assert!(
                !found.iter().any(|dependency| dependency == name),
                "{member} depends on {name}"
            );
        }
    };
    let own = [
        "fitcohort-calibration",
        "fitcohort-synthetic-data",
        "fitcohort-pipeline",
        "fitcohort-queries",
        "fitcohort-reports",
    ];
    none_of("synthetic-data", &own);
    none_of("pipeline", &own);
    none_of(
        "queries",
        &[
            "fitcohort-calibration",
            "fitcohort-synthetic-data",
            "fitcohort-reports",
            "plotters",
            "maud",
        ],
    );
    none_of(
        "reports",
        &[
            "fitcohort-calibration",
            "fitcohort-synthetic-data",
            "fitcohort-pipeline",
            "polars",
            "arrow",
            "parquet",
            "statrs",
        ],
    );
    none_of("", &["fitcohort-calibration"]);
    // The studies see the statistics and nothing that reads a cohort, so that they build without the engine.
    none_of(
        "tests/calibration",
        &["fitcohort-pipeline", "fitcohort-reports", "polars", "arrow"],
    );
    let manifest =
        fs::read_to_string(root().join("tests/calibration/Cargo.toml")).expect("a manifest");
    assert!(!manifest.contains("\"tables\""), "{manifest}");
}

#[test]
fn the_query_engine_stays_in_one_module_and_statistics_know_no_files() {
    for path in sources("queries") {
        let text = fs::read_to_string(&path).expect("a source");
        let code = |word: &str| {
            text.lines()
                .any(|line| !line.trim_start().starts_with("//") && line.contains(word))
        };
        if !path.ends_with("engine.rs") {
            assert!(!code("polars"), "{} knows polars", path.display());
        }
        let in_statistics = path
            .components()
            .any(|part| part.as_os_str() == "statistics");
        if in_statistics && !path.components().any(|part| part.as_os_str() == "tests") {
            for word in [
                "std::fs",
                "std::io",
                "arrow",
                "parquet",
                "crate::table",
                "fitcohort_pipeline",
            ] {
                assert!(!code(word), "{} knows {word}", path.display());
            }
        }
    }
}

#[test]
fn sql_texts_state_their_grain_and_stay_portable() {
    for entry in fs::read_dir(root().join("queries/sql")).expect("the texts") {
        let path = entry.expect("an entry").path();
        let text = fs::read_to_string(&path).expect("a text");
        let name = path
            .file_stem()
            .expect("a name")
            .to_string_lossy()
            .into_owned();
        assert!(
            text.starts_with(&format!("-- {name}:")),
            "{name} begins with its name"
        );
        for heading in ["-- grain:", "-- input:", "-- output:"] {
            assert!(text.contains(heading), "{name} has no {heading}");
        }
        let code: String = text
            .lines()
            .filter(|line| !line.trim_start().starts_with("--"))
            .collect::<Vec<_>>()
            .join("\n");
        // What engines do differently is not used.
        for word in [
            "ROUND",
            "EXISTS",
            "DATE_TRUNC",
            "ROLLUP",
            "GROUPING SETS",
            "AVG(",
            " / ",
            "STDDEV",
        ] {
            assert!(!code.contains(word), "{name} uses {word}");
        }
    }
}

#[test]
fn files_stay_small_enough_to_find_things_in() {
    let mut all = Vec::new();
    for member in ["", "pipeline", "queries", "reports", "synthetic-data"] {
        all.extend(sources(member));
    }
    rust_files(&root().join("tests"), &mut all);
    for path in all {
        let lines = fs::read_to_string(&path).expect("a source").lines().count();
        assert!(
            lines <= 520,
            "{} has {lines} lines: it is asking to be two",
            path.display()
        );
    }
}
