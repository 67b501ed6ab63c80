//! `check`: reads and judges a delivery, stores nothing.

use std::collections::BTreeMap;
use std::fmt::Write;
use std::path::PathBuf;

use clap::Args;
use fitcohort_pipeline::delivery::{headers, sentence};
use fitcohort_pipeline::ingest::{self, Judgement};
use fitcohort_pipeline::intake::Intake;
use fitcohort_pipeline::store::write_set_aside_csv;

use super::identity::Identity;
use crate::cli::Common;
use crate::console::{Console, IngestBars};
use crate::failure::Failure;

/// Options of `check`.
#[derive(Args, Debug)]
#[command(after_help = "\
Examples:
  fitcohort check exports/2026-Q3
  fitcohort check exports/2026-Q3 --set-aside-csv set-aside.csv
  fitcohort check exports/2026-Q3 --pseudonymise patient_id,fitting_id --key-file ../practice.key

A delivery is a folder with fittings, ears, responses and outcomes as .csv, .csv.gz, .csv.zst or .parquet, each in one
file or several (responses-1.csv, responses-2.csv).")]
pub(crate) struct Arguments {
    /// Folder of the delivery
    #[arg(value_name = "DELIVERY")]
    pub(crate) delivery: PathBuf,
    /// Write the rows set aside to a CSV file: file, line, column, rule and sentence
    #[arg(long, value_name = "FILE")]
    pub(crate) set_aside_csv: Option<PathBuf>,
    /// Identities
    #[command(flatten)]
    pub(crate) identity: Identity,
}

pub(crate) fn run(
    arguments: &Arguments,
    common: &Common,
    console: &Console,
) -> Result<(), Failure> {
    let plan = common.plan()?;
    plan.validate()?;
    let pseudonyms = arguments.identity.pseudonyms()?;
    let intake = Intake {
        pseudonyms: pseudonyms.as_ref(),
        year_only: arguments.identity.year_only,
        ..Intake::plain(&plan)
    };
    let bars = IngestBars::new(console);
    let judgement = ingest::check(&arguments.delivery, &intake, &|progress| {
        bars.update(progress)
    })?;
    bars.finish();
    if let Some(path) = &arguments.set_aside_csv {
        write_set_aside_csv(path, &judgement.issues, &judgement.files)?;
    }
    console.summary(&in_words(&judgement), &in_json(&judgement))
}

/// The account of each table, and one example of each rule broken.
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
    let by_rule = judgement.by_rule();
    if !by_rule.is_empty() {
        out.push_str("\nSet aside, by rule, with the first place:\n");
    }
    let files = headers(&judgement.files);
    let mut firsts = BTreeMap::new();
    for issue in &judgement.issues {
        firsts.entry((issue.table, issue.rule)).or_insert(issue);
    }
    for (key, rows) in by_rule {
        let Some(issue) = firsts.get(&key) else {
            continue;
        };
        let file = files.get(&(issue.table, issue.place.file));
        let header = file.map_or(&[][..], |file| file.header.as_slice());
        let _ = writeln!(
            out,
            "{rows:>8}  {:<28} {}, line {}: {}",
            issue.rule.code(),
            file.map_or("", |file| file.name.as_str()),
            issue.place.line,
            sentence(issue, header)
        );
    }
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
        .by_rule()
        .into_iter()
        .map(|((table, rule), rows)| {
            serde_json::json!({ "table": table.word(), "rule": rule.code(), "rows": rows })
        })
        .collect();
    serde_json::json!({
        "hash": judgement.hash,
        "tables": tables,
        "set_aside": rules,
        "not_read": judgement.not_read,
        "notes": judgement
            .notes
            .iter()
            .map(|(rule, about)| serde_json::json!({ "rule": rule.code(), "about": about }))
            .collect::<Vec<_>>(),
    })
}
