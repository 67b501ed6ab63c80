//! `report`: pages, figures, tables and numbers for each reader.

use std::path::{Path, PathBuf};
use std::str::FromStr;

use clap::{Args, ValueEnum};
use fitcohort_pipeline::plan::Plan;
use fitcohort_pipeline::quarter::Quarter;
use fitcohort_pipeline::store::Cohort;
use fitcohort_queries::review::{self, Reader, Review, ReviewRequest};

use crate::cli::Common;
use crate::console::Console;
use crate::failure::Failure;

/// A reader, as an option.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum ReaderName {
    /// Is this quarter's quality all right, and where is it not?
    Owner,
    /// Does closer match predict satisfaction?
    Researcher,
    /// Where do clinicians differ, and in what?
    Trainer,
}

impl From<ReaderName> for Reader {
    fn from(name: ReaderName) -> Self {
        match name {
            ReaderName::Owner => Self::Owner,
            ReaderName::Researcher => Self::Researcher,
            ReaderName::Trainer => Self::Trainer,
        }
    }
}

/// Options of `report`.
#[derive(Args, Debug)]
#[command(after_help = "\
Examples:
  fitcohort report cohort --out reports
  fitcohort report cohort --out reports --reader owner --quarter 2026-Q3
  fitcohort report cohort --out reports --quarters 8

Each reader gets a folder with index.html, figures, tables, results.json and provenance.json: reports/owner for the one
quarter under review. With several quarters each gets a folder of its own, reports/2026-Q3/owner, and pages link to the
quarter before and after. reports/index.html lists whatever reports stand there, of earlier runs too. The same cohort,
plan and seed give the same bytes.")]
pub(crate) struct Arguments {
    /// Folder of the cohort
    #[arg(value_name = "COHORT")]
    pub(crate) cohort: PathBuf,
    /// Folder to write to
    #[arg(long, value_name = "DIR")]
    pub(crate) out: PathBuf,
    /// Only for this reader
    #[arg(long, value_enum)]
    pub(crate) reader: Option<ReaderName>,
    /// The quarter under review [default: the last one]; given several times, each gets a folder of its own
    #[arg(long, value_name = "2026-Q3")]
    pub(crate) quarter: Vec<Quarter>,
    /// The last N quarters with fittings, or all of them, each in a folder of its own
    #[arg(long, value_name = "N|all", conflicts_with = "quarter")]
    pub(crate) quarters: Option<Quarters>,
}

/// How many of the cohort's quarters.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Quarters {
    /// Every one.
    All,
    /// So many of the last.
    Last(usize),
}

impl FromStr for Quarters {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        match (text, text.parse()) {
            ("all", _) => Ok(Self::All),
            (_, Ok(number)) if number > 0 => Ok(Self::Last(number)),
            _ => Err("a whole number from 1, or all".to_owned()),
        }
    }
}

/// The quarters to report on, each with the folder that its reports go to.
fn asked(
    arguments: &Arguments,
    cohort: &Cohort,
) -> Result<Vec<(Option<Quarter>, PathBuf)>, Failure> {
    let out = &arguments.out;
    let mut quarters = match arguments.quarters {
        None if arguments.quarter.len() < 2 => {
            return Ok(vec![(arguments.quarter.first().copied(), out.clone())]);
        }
        None => arguments.quarter.clone(),
        Some(wanted) => {
            let stored = review::quarters(cohort);
            let kept = match wanted {
                Quarters::All => stored.len(),
                Quarters::Last(number) => number.min(stored.len()),
            };
            stored.into_iter().rev().take(kept).collect()
        }
    };
    if quarters.is_empty() {
        return Err(Failure::usage(
            "the cohort holds no fitting, so there is no quarter to report on",
            "leave --quarters away for pages that say so, or ingest a delivery",
        ));
    }
    quarters.sort_unstable();
    quarters.dedup();
    let folder = |quarter: Quarter| (Some(quarter), out.join(quarter.to_string()));
    Ok(quarters.into_iter().map(folder).collect())
}

pub(crate) fn run(
    arguments: &Arguments,
    common: &Common,
    console: &Console,
) -> Result<(), Failure> {
    let plan = common.plan()?;
    let readers: Vec<Reader> = match arguments.reader {
        Some(reader) => vec![reader.into()],
        None => Reader::ALL.to_vec(),
    };
    let cohort = Cohort::open(&arguments.cohort)?;
    let asked = asked(arguments, &cohort)?;
    let reviews = write(&cohort, &plan, &readers, &asked, console)?;
    let pages: Vec<String> = reviews
        .iter()
        .map(|(folder, review)| page(folder, review.reader).display().to_string())
        .collect();
    let mut words = pages
        .iter()
        .map(|page| format!("wrote {page}\n"))
        .collect::<String>();
    let shelf = fitcohort_reports::arrange(&arguments.out)?;
    let index = shelf.index.map(|path| path.display().to_string());
    words.push_str(&match &index {
        Some(index) => format!("wrote {index}, which lists them\n"),
        None => format!(
            "no list of reports: {} was not made by fitcohort, so it is left as it is\n",
            arguments.out.join("index.html").display()
        ),
    });
    console.summary(
        &words,
        &serde_json::json!({ "pages": pages, "index": index }),
    )
}

/// Where a reader's page stands.
pub(crate) fn page(out: &Path, reader: Reader) -> PathBuf {
    out.join(reader.name()).join("index.html")
}

/// Gathers and writes the reports of some quarters, each with its folder, with a bar. Nothing is written before all are
/// gathered, so that a quarter that is not there leaves no half of a set.
pub(crate) fn write(
    cohort: &Cohort,
    plan: &Plan,
    readers: &[Reader],
    asked: &[(Option<Quarter>, PathBuf)],
    console: &Console,
) -> Result<Vec<(PathBuf, Review)>, Failure> {
    let bar = console.bar("reporting", asked.len() as u64 + 1);
    let mut all = Vec::new();
    for (quarter, folder) in asked {
        let reviews = review::gather(&ReviewRequest {
            cohort,
            plan,
            readers,
            quarter: *quarter,
            version: env!("CARGO_PKG_VERSION"),
        })?;
        all.extend(reviews.into_iter().map(|review| (folder.clone(), review)));
        bar.inc(1);
    }
    for (folder, review) in &all {
        fitcohort_reports::write_report(review, &folder.join(review.reader.name()))?;
    }
    bar.finish_and_clear();
    Ok(all)
}
