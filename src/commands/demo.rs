//! `demo`: synthesize, ingest and report in one go.

use std::fmt::Write;
use std::fs;
use std::path::{Path, PathBuf};

use clap::Args;
use fitcohort_pipeline::intake::Intake;
use fitcohort_pipeline::store::{Cohort, WhenLocked};
use fitcohort_queries::review::{Reader, Review};
use fitcohort_synthetic_data::Scenario;

use super::{ingest, report, synthesize};
use crate::cli::Common;
use crate::console::Console;
use crate::failure::Failure;

/// Options of `demo`.
#[derive(Args, Debug)]
#[command(after_help = "\
Examples:
  fitcohort demo
  fitcohort demo --fittings 500 --out try

The practices, people and clinicians of the demo are invented.")]
pub(crate) struct Arguments {
    /// How many fittings to invent
    #[arg(long, value_name = "N", default_value_t = 5000)]
    pub(crate) fittings: u64,
    /// Folder to write to; an earlier demo in it is replaced
    #[arg(long, value_name = "DIR", default_value = "demo-output")]
    pub(crate) out: PathBuf,
}

/// Marks a folder as made by the demo, so that only such a folder is ever replaced.
const MARK: &str = "MADE-BY-FITCOHORT-DEMO.txt";
const FOLDERS: [&str; 3] = ["delivery", "cohort", "reports"];

pub(crate) fn run(
    arguments: &Arguments,
    common: &Common,
    console: &Console,
) -> Result<(), Failure> {
    let out = &arguments.out;
    // An earlier demo is cleared away only when nothing speaks against the new one.
    let plan = common.plan()?;
    plan.validate()?;
    prepare(out)?;
    let [delivery, cohort, reports] = FOLDERS.map(|folder| out.join(folder));
    let scenario = Scenario::demo(
        arguments.fittings,
        common.seed.unwrap_or(synthesize::DEFAULT_SEED),
    );
    synthesize::write(&scenario, &delivery, console)?;
    let intake = Intake::plain(&plan);
    let ingested = ingest::add(&delivery, &cohort, &intake, WhenLocked::Wait, console)?;
    let opened = Cohort::open(&cohort)?;
    let everything = report::Wanted {
        readers: &Reader::ALL,
        quarters: Vec::new(),
        out: reports.clone(),
        folder_each: false,
        clinician: None,
        letters: false,
    };
    let reviews: Vec<Review> = report::write(&opened, &plan, &everything, console)?
        .into_iter()
        .map(|(_, review)| review)
        .collect();
    fitcohort_reports::arrange(&reports)?;
    let accounts = ingested.judgement.accounts.iter();
    let set_aside: u64 = accounts.map(|(_, account)| account.rows_set_aside).sum();
    let mut words = format!(
        "Made in {}, all of it invented:\n  delivery   {} fittings of an invented group of practices, with truth.json\n  \
         cohort     snapshot {}, {set_aside} rows set aside\n  reports    one page each for owner, researcher and trainer\n\n",
        out.display(),
        scenario.fittings,
        ingested.manifest.snapshot,
    );
    words.push_str(&headline(&reviews));
    words.push_str("\nOpen:\n");
    for review in &reviews {
        // Writing to a String does not fail.
        let _ = writeln!(words, "  {}", report::page(&reports, review).display());
    }
    let json = serde_json::json!({
        "delivery": delivery,
        "cohort": cohort,
        "snapshot": ingested.manifest.snapshot,
        "rows_set_aside": set_aside,
        "pages": reviews
            .iter()
            .map(|review| report::page(&reports, review))
            .collect::<Vec<_>>(),
    });
    console.summary(&words, &json)
}

/// Makes the folder, or clears an earlier demo out of it.
fn prepare(out: &Path) -> Result<(), Failure> {
    let mark = out.join(MARK);
    let occupied = fs::read_dir(out).is_ok_and(|mut entries| entries.next().is_some());
    if occupied && !mark.exists() {
        return Err(Failure::usage(
            format!(
                "{} holds something that is not an earlier demo",
                out.display()
            ),
            "name another folder with --out",
        ));
    }
    for folder in FOLDERS {
        let path = out.join(folder);
        if path.exists() {
            fs::remove_dir_all(&path).map_err(|error| Failure::write(&path, &error))?;
        }
    }
    fs::create_dir_all(out).map_err(|error| Failure::write(out, &error))?;
    fs::write(
        &mark,
        "Everything in this folder was made by `fitcohort demo` and is replaced when it runs again.\n",
    )
    .map_err(|error| Failure::write(&mark, &error))
}

/// The headline numbers of the quarter under review, and the answer to the researcher's question.
fn headline(reviews: &[Review]) -> String {
    let mut out = String::new();
    let Some(owner) = reviews.iter().find(|review| review.reader == Reader::Owner) else {
        return out;
    };
    // Writing to a String does not fail.
    let _ = writeln!(
        out,
        "In {}:",
        owner.context.quarter.as_deref().unwrap_or("no quarter")
    );
    let table = owner.table("headline");
    let width = (0..table.rows())
        .filter_map(|row| table.text_at("label", row))
        .map(str::len)
        .max()
        .unwrap_or(0);
    for row in 0..table.rows() {
        let (Some(label), Some(value), Some(n)) = (
            table.text_at("label", row),
            table.real_at("value", row),
            table.integer_at("n", row),
        ) else {
            continue;
        };
        let shown = match table.text_at("unit", row) {
            Some("share") => format!("{:.0} %", value * 100.0),
            _ => format!("{value:.1} dB"),
        };
        let _ = writeln!(out, "  {label:<width$} {shown:>8}   n = {n}");
    }
    let Some(study) = reviews
        .iter()
        .find(|review| review.reader == Reader::Researcher)
    else {
        return out;
    };
    let table = study.table("association").where_text("method", "spearman");
    if let (Some(rho), Some(lo), Some(hi), Some(n)) = (
        table.real_at("estimate", 0),
        table.real_at("lo", 0),
        table.real_at("hi", 0),
        table.integer_at("n", 0),
    ) {
        let _ = writeln!(
            out,
            "Over all quarters, RMS deviation and satisfaction: rank correlation {rho:.2} (95 % limits {lo:.2} to {hi:.2}, n = {n})"
        );
    }
    out
}
