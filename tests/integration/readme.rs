//! The written documentation against the code: what `README.md`, `plan.example.toml` and `docs/cookbook.md` promise is so.
//!
//! `FITCOHORT_WRITE_README=1 cargo test --test integration readme` writes the rule list of the README anew.

use std::path::{Path, PathBuf};

use fitcohort_pipeline::delivery::columns::{FITTINGS, OUTCOMES, ears, responses_long};
use fitcohort_pipeline::plan::{BUILT_IN_CRITERIA, Plan, REFERRAL_RULES};
use fitcohort_pipeline::rules::rules_as_markdown;
use fitcohort_queries::tables::QUERIES;

use crate::workspace::{Workspace, small_practice};

const RULES_BEGIN: &str = "<!-- rules:begin -->\n";
const RULES_END: &str = "<!-- rules:end -->";

fn of_repository(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(name)
}

fn text(name: &str) -> String {
    std::fs::read_to_string(of_repository(name)).unwrap_or_else(|error| panic!("{name}: {error}"))
}

fn readme() -> String {
    text("README.md")
}

#[test]
fn the_rule_list_is_that_of_the_code() {
    let readme = readme();
    let (before, rest) = readme
        .split_once(RULES_BEGIN)
        .expect("a marker where the rules begin");
    let (rules, after) = rest
        .split_once(RULES_END)
        .expect("a marker where the rules end");
    let wanted = rules_as_markdown();
    if std::env::var_os("FITCOHORT_WRITE_README").is_some_and(|value| value == "1") {
        let anew = format!("{before}{RULES_BEGIN}{wanted}{RULES_END}{after}");
        std::fs::write(of_repository("README.md"), anew).expect("README.md can be written");
        return;
    }
    assert_eq!(rules, wanted, "write it anew with FITCOHORT_WRITE_README=1");
}

/// Keys of the default plan with their values as TOML, in dotted form.
fn default_keys() -> Vec<(String, String)> {
    let mut section = String::new();
    let mut keys = Vec::new();
    for line in Plan::default().to_toml().lines() {
        if let Some(name) = line.strip_prefix('[') {
            section = format!("{}.", name.trim_end_matches(']'));
        } else if let Some((key, value)) = line.split_once(" = ") {
            keys.push((format!("{section}{key}"), value.to_owned()));
        }
    }
    assert!(keys.len() >= 12, "{keys:?}");
    keys
}

#[test]
fn the_readme_states_every_key_of_the_plan_with_its_default() {
    let readme = readme();
    for (key, value) in default_keys() {
        let row = format!("| `{key}` | `{value}` |");
        assert!(readme.contains(&row), "no row {row}");
    }
    for name in BUILT_IN_CRITERIA.iter().chain(&REFERRAL_RULES) {
        assert!(readme.contains(&format!("`{name}`")), "{name} is not named");
    }
}

#[test]
fn the_readme_names_every_input_column() {
    let readme = readme();
    let specs = [
        FITTINGS.to_vec(),
        ears(),
        responses_long(),
        OUTCOMES.to_vec(),
    ]
    .concat();
    assert!(specs.len() > 30);
    for spec in specs {
        // Of the thresholds only the first and the last are written out.
        let between = spec.name.starts_with("threshold_")
            && !matches!(spec.name, "threshold_250" | "threshold_8000");
        assert!(
            between || readme.contains(&format!("`{}`", spec.name)),
            "{} is not named",
            spec.name
        );
    }
}

#[test]
fn the_examples_of_the_readme_are_taken_without_a_fault() {
    let readme = readme();
    let workspace = Workspace::new();
    for table in ["fittings", "ears", "responses", "outcomes"] {
        let (_, rest) = readme
            .split_once(&format!("```csv {table}\n"))
            .unwrap_or_else(|| panic!("no example of {table}"));
        let (example, _) = rest.split_once("```").expect("an end of the example");
        workspace.write(&format!("delivery/{table}.csv"), example);
    }
    let judged = workspace.ok(&["check", "delivery", "--json"]).json();
    for table in ["fittings", "ears", "responses", "outcomes"] {
        let account = &judged["tables"][table];
        assert_eq!(account["rows_read"], account["rows_stored"], "{judged:#}");
        assert!(
            account["rows_read"].as_u64().is_some_and(|rows| rows > 0),
            "{judged:#}"
        );
    }
}

#[test]
fn the_readme_states_the_columns_of_every_query() {
    let readme = readme();
    let workspace = Workspace::new();
    workspace.delivery("d", &small_practice());
    workspace.ok(&["ingest", "d", "--into", "c"]);
    for query in QUERIES {
        let start = format!("| `{}` |", query.name);
        let row = readme
            .lines()
            .find(|line| line.starts_with(&start))
            .unwrap_or_else(|| panic!("no row for {}", query.name));
        let columns = workspace.query(&[query.name, "c"]).columns.join(", ");
        assert!(
            row.contains(&format!("| {columns} |")),
            "{row}\ndoes not state {columns}"
        );
    }
}

#[test]
fn the_example_plan_shows_every_key_at_its_default() {
    let mut plan = Plan::read(&of_repository("plan.example.toml")).expect("a plan");
    plan.file_text = None;
    assert_eq!(plan, Plan::default());
    let example = text("plan.example.toml");
    for line in Plan::default().to_toml().lines() {
        assert!(example.lines().any(|shown| shown == line), "no line {line}");
    }
}

#[test]
fn the_commented_parts_of_the_example_plan_are_in_order() {
    let uncommented: String = text("plan.example.toml")
        .lines()
        .map(|line| match line.strip_prefix('#') {
            Some(rest) if !rest.is_empty() && !rest.starts_with(' ') => format!("{rest}\n"),
            _ => format!("{line}\n"),
        })
        .collect();
    let workspace = Workspace::new();
    let path = workspace.write(
        "plan.toml",
        uncommented.replace("\"uk-guidance\"", "\"our-practice\""),
    );
    let plan = Plan::read(&path).expect("a plan");
    assert_eq!(
        plan.criterion().expect("its own criterion").name,
        "our-practice"
    );
    assert!(plan.instruments.contains_key("our-scale"));
}

/// A command of the cookbook, the exit code it promises, and what it says is printed.
struct Recipe {
    command: String,
    code: i32,
    shown: Option<String>,
}

/// Every line of a `sh` block that begins with `fitcohort`, with the `text` block that follows it, if one does.
fn recipes(cookbook: &str) -> Vec<Recipe> {
    let mut found: Vec<Recipe> = Vec::new();
    let mut block: Option<(&str, Vec<&str>)> = None;
    for line in cookbook.lines() {
        match (&mut block, line.strip_prefix("```")) {
            (None, Some(kind)) => block = Some((kind, Vec::new())),
            (Some((kind, lines)), Some(_)) => {
                match *kind {
                    "sh" => found.extend(
                        lines
                            .iter()
                            .filter(|line| line.starts_with("fitcohort "))
                            .map(|line| {
                                let (command, code) =
                                    line.split_once("  # exit code ").unwrap_or((line, "0"));
                                Recipe {
                                    command: command.to_owned(),
                                    code: code.parse().expect("an exit code"),
                                    shown: None,
                                }
                            }),
                    ),
                    "text" => {
                        found
                            .last_mut()
                            .expect("a command before what it prints")
                            .shown = lines.first().map(|line| (*line).to_owned());
                    }
                    _ => {}
                }
                block = None;
            }
            (Some((_, lines)), None) => lines.push(line),
            (None, None) => {}
        }
    }
    assert!(block.is_none(), "a block does not end");
    found
}

/// The commands run in the order of the page, in one folder. Numbers are not compared: other tests hold them against
/// sources from outside; here the first line says that the page and the program speak of the same thing.
#[test]
fn the_cookbook_does_what_it_says() {
    let workspace = Workspace::new();
    workspace.write("plan.example.toml", text("plan.example.toml"));
    let recipes = recipes(&text("docs/cookbook.md"));
    assert!(recipes.len() >= 10, "{} commands", recipes.len());
    for recipe in recipes {
        let (command, redirect) = match recipe.command.split_once(" > ") {
            Some((command, file)) => (command, Some(file)),
            None => (recipe.command.as_str(), None),
        };
        let arguments: Vec<&str> = command.split_whitespace().skip(1).collect();
        let run = workspace.run(&arguments);
        assert_eq!(run.code, recipe.code, "{}", run.shown());
        if let Some(file) = redirect {
            workspace.write(file, &run.stdout);
        }
        if let Some(line) = recipe.shown {
            // Columns are as wide as their numbers, so words are compared and not the space between them.
            let words = |line: &str| {
                line.split_whitespace()
                    .map(str::to_owned)
                    .collect::<Vec<_>>()
            };
            let printed = run
                .stdout
                .lines()
                .chain(run.stderr.lines())
                .next()
                .unwrap_or_default();
            assert_eq!(words(printed), words(&line), "{}", run.shown());
        }
    }
}

/// Every picture and page of the repository that a document links to is there.
#[test]
fn links_within_the_repository_lead_somewhere() {
    for document in [
        "README.md",
        "DEVELOPERS.md",
        "docs/cookbook.md",
        "docs/calibration.md",
        "tests/reference/README.md",
        "CHANGELOG.md",
    ] {
        let folder = of_repository(document)
            .parent()
            .expect("a folder")
            .to_path_buf();
        let content = text(document);
        for target in content
            .split("](")
            .skip(1)
            .filter_map(|rest| rest.split_once(')'))
            .map(|(link, _)| link)
        {
            if target.starts_with("http") || target.starts_with('#') {
                continue;
            }
            let path = target.split_once('#').map_or(target, |(path, _)| path);
            assert!(
                folder.join(path).exists(),
                "{document} links to {target}, which is not there"
            );
        }
    }
}

#[test]
fn every_direct_dependency_is_accounted_for() {
    let developers = text("DEVELOPERS.md");
    let mut seen = 0;
    for manifest in [
        "",
        "pipeline/",
        "queries/",
        "reports/",
        "synthetic-data/",
        "tests/calibration/",
    ]
    .map(|folder| format!("{folder}Cargo.toml"))
    {
        let content = text(&manifest);
        for name in content
            .lines()
            .filter_map(|line| line.strip_suffix(".workspace = true"))
        {
            if matches!(
                name,
                "version" | "edition" | "rust-version" | "license" | "publish"
            ) {
                continue;
            }
            seen += 1;
            assert!(
                developers.contains(&format!("`{name}`")),
                "{manifest} has {name}"
            );
        }
    }
    assert!(seen > 30, "{seen} dependencies");
}

/// The code map names files and folders that are there.
#[test]
fn the_code_map_is_in_step_with_the_folders() {
    let developers = text("DEVELOPERS.md");
    let (_, rest) = developers.split_once("## Code map\n").expect("a code map");
    let (map, _) = rest.split_once("\n## ").expect("an end of it");
    let named: Vec<&str> = map
        .split('`')
        .skip(1)
        .step_by(2)
        .filter(|name| name.contains('/'))
        .collect();
    assert!(named.len() > 30, "{named:?}");
    for name in named {
        assert!(of_repository(name).exists(), "{name} is not there");
    }
    // And every method has its line.
    let methods = "queries/src/statistics";
    for entry in std::fs::read_dir(of_repository(methods)).expect("the methods") {
        let name = entry.expect("an entry").file_name();
        let path = format!("{methods}/{}", name.to_string_lossy());
        assert!(
            path.ends_with("/tests") || map.contains(&path),
            "{path} is not in the code map"
        );
    }
}
