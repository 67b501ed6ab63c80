//! `check`: reads and judges a delivery, stores nothing.

use std::fmt::Write;
use std::path::PathBuf;

use clap::Args;
use fitcohort_pipeline::PipelineError;
use fitcohort_pipeline::ingest::{self, Judgement};
use fitcohort_pipeline::map::suggest::suggest;
use fitcohort_pipeline::rule_counts::RuleCount;
use fitcohort_pipeline::vocabulary::TableName;

use crate::cli::Common;
use crate::console::{Console, IngestBars};
use crate::failure::Failure;
use crate::intake::IntakeOptions;

/// Options of `check`.
#[derive(Args, Debug)]
#[command(after_help = "\
Examples:
  fitcohort check exports/2026-Q3
  fitcohort check exports/2026-Q3 --set-aside-csv set-aside.csv
  fitcohort check exports/2026-Q3 --fail-on-set-aside 0.02
  fitcohort check exports/2026-Q3 --suggest-map > map.toml      then read it, mend it, and
  fitcohort check exports/2026-Q3 --map map.toml
  fitcohort check exports/2026-Q3 --pseudonymise patient_id,fitting_id --key-file ../practice.key

A delivery is a folder with fittings, ears, responses and outcomes as .csv, .csv.gz, .csv.zst or .parquet, each in one
file or several (responses-1.csv, responses-2.csv). With a column map, files and columns may be called anything. A
datapackage.json beside them describes them to others; it is not read.")]
pub(crate) struct Arguments {
    /// Folder of the delivery
    #[arg(value_name = "DELIVERY")]
    pub(crate) delivery: PathBuf,
    /// Write the rows set aside to a CSV file: place, rule, sentence and the row's text
    #[arg(long, value_name = "FILE")]
    pub(crate) set_aside_csv: Option<PathBuf>,
    /// Print a proposal for a column map, for you to confirm, instead of judging the delivery
    #[arg(long, conflicts_with_all = ["map", "set_aside_csv", "fail_on_set_aside"])]
    pub(crate) suggest_map: bool,
    /// How the delivery is taken in
    #[command(flatten)]
    pub(crate) intake: IntakeOptions,
}

pub(crate) fn run(
    arguments: &Arguments,
    common: &Common,
    console: &Console,
) -> Result<(), Failure> {
    let plan = common.plan()?;
    plan.validate()?;
    if arguments.suggest_map {
        let map = suggest(&arguments.delivery)?;
        return console.result(&if console.json() {
            format!("{:#}\n", serde_json::json!({ "map": map }))
        } else {
            map
        });
    }
    let files = arguments.intake.read()?;
    let bars = IngestBars::new(console);
    let intake = files.under(&plan);
    let (judgement, failure) = match ingest::check(&arguments.delivery, &intake, &|progress| {
        bars.update(progress)
    }) {
        Ok(judgement) => (judgement, None),
        Err(error) => with_judgement(error)?,
    };
    bars.finish();
    if let Some(path) = &arguments.set_aside_csv {
        judgement.write_set_aside_csv(path)?;
    }
    console.summary(&in_words(&judgement), &in_json(&judgement))?;
    failure.map_or(Ok(()), Err)
}

/// The judgement behind a failure that the caller asked for, which is shown all the same.
pub(crate) fn with_judgement(
    error: PipelineError,
) -> Result<(Judgement, Option<Failure>), Failure> {
    let judgement = match &error {
        PipelineError::TooManySetAside { judgement, .. } => Some(judgement.as_ref().clone()),
        _ => None,
    };
    let failure = Failure::from(error);
    match judgement {
        Some(judgement) => Ok((judgement, Some(failure))),
        None => Err(failure),
    }
}

/// The account of each table, and the first places of each rule broken.
pub(crate) fn in_words(judgement: &Judgement) -> String {
    let mut out = String::new();
    // Writing to a String does not fail.
    let _ = writeln!(
        out,
        "{:<10} {:>12} {:>12} {:>12} {:>14}",
        "table", "rows read", "stored", "set aside", "exact repeats"
    );
    for (table, account) in &judgement.accounts {
        let _ = writeln!(
            out,
            "{:<10} {:>12} {:>12} {:>12} {:>14}",
            table.word(),
            account.rows_read,
            account.rows_stored,
            account.rows_set_aside,
            account.exact_repeats
        );
    }
    out.push_str(&rules_in_words(&judgement.by_rule));
    for (rule, about) in &judgement.notes {
        let _ = writeln!(
            out,
            "note: {} ({about})",
            rule.text().sentence.replace("{column}", about)
        );
    }
    if !judgement.not_read.is_empty() {
        let _ = writeln!(out, "not read: {}", judgement.not_read.join(", "));
    }
    out
}

/// Rows set aside by table and rule, the largest count of a table first, each with its first places.
fn rules_in_words(by_rule: &[RuleCount]) -> String {
    let mut out = String::new();
    if !by_rule.is_empty() {
        out.push_str("\nSet aside, by table and rule, with the first places:\n");
    }
    for table in TableName::ALL {
        let mut counts: Vec<&RuleCount> = by_rule
            .iter()
            .filter(|count| count.table == *table)
            .collect();
        counts.sort_by_key(|count| std::cmp::Reverse(count.rows));
        if !counts.is_empty() {
            let _ = writeln!(out, "{}", table.word());
        }
        for count in counts {
            let mut head = format!("{:>8}  {:<28}", count.rows, count.rule);
            for example in &count.examples {
                let _ = writeln!(
                    out,
                    "{head} {}, line {}: {}",
                    example.file, example.line, example.sentence
                );
                head = " ".repeat(head.chars().count());
            }
            if count.examples.is_empty() {
                let _ = writeln!(out, "{}", head.trim_end());
            }
        }
    }
    out
}

/// The same for a program.
pub(crate) fn in_json(judgement: &Judgement) -> serde_json::Value {
    let tables: serde_json::Map<String, serde_json::Value> = judgement
        .accounts
        .iter()
        .map(|(table, account)| {
            let value = serde_json::json!({
                "rows_read": account.rows_read,
                "rows_stored": account.rows_stored,
                "rows_set_aside": account.rows_set_aside,
                "exact_repeats": account.exact_repeats,
            });
            (table.word().to_owned(), value)
        })
        .collect();
    let rules: Vec<serde_json::Value> = judgement
        .by_rule
        .iter()
        .map(|count| {
            serde_json::json!({
                "table": count.table.word(), "rule": count.rule, "rows": count.rows
            })
        })
        .collect();
    let examples: Vec<serde_json::Value> = judgement
        .by_rule
        .iter()
        .flat_map(|count| {
            count.examples.iter().map(|example| {
                serde_json::json!({
                    "table": count.table.word(),
                    "rule": count.rule,
                    "file": example.file,
                    "line": example.line,
                    "sentence": example.sentence,
                })
            })
        })
        .collect();
    serde_json::json!({
        "hash": judgement.hash,
        "tables": tables,
        "set_aside": rules,
        "examples": examples,
        "not_read": judgement.not_read,
        "notes": judgement
            .notes
            .iter()
            .map(|(rule, about)| serde_json::json!({ "rule": rule.code(), "about": about }))
            .collect::<Vec<_>>(),
    })
}
