//! `report`: pages, figures, tables and numbers for each reader.

use std::path::{Path, PathBuf};

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
  fitcohort report cohort --out reports --clinician c-07       the page of one clinician
  fitcohort report cohort --out reports --letters              letters in place of clinicians' ids
  fitcohort report cohort --out reports --letters --clinician c-07

Each reader gets a folder with index.html, figures, tables, results.json and provenance.json. The same cohort, plan and
seed give the same bytes. `fitcohort query clinicians cohort` lists the ids of clinicians.

Letters are dealt by chance, the same for one cohort and seed, anew with every delivery; which is whom is written nowhere.
With --clinician the terminal, and nothing else, says the letter of that one.")]
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
    /// Only the page of this clinician, for a conversation, in trainer/clinician-ID
    #[arg(long, value_name = "ID")]
    pub(crate) clinician: Option<String>,
    /// Letters A, B, … in place of clinicians' ids, in everything that is written
    #[arg(long)]
    pub(crate) letters: bool,
    /// The quarter under review [default: the last one]
    #[arg(long, value_name = "2026-Q3")]
    pub(crate) quarter: Option<Quarter>,
}

pub(crate) fn run(
    arguments: &Arguments,
    common: &Common,
    console: &Console,
) -> Result<(), Failure> {
    let plan = common.plan()?;
    let readers: Vec<Reader> = match (arguments.reader, &arguments.clinician) {
        (None | Some(ReaderName::Trainer), Some(_)) => vec![Reader::Trainer],
        (Some(_), Some(_)) => {
            return Err(Failure::usage(
                "--clinician goes with the trainer's report alone",
                "leave --reader away, or give --reader trainer",
            ));
        }
        (Some(reader), None) => vec![reader.into()],
        (None, None) => Reader::ALL.to_vec(),
    };
    let cohort = Cohort::open(&arguments.cohort)?;
    let wanted = Wanted {
        readers: &readers,
        quarter: arguments.quarter,
        clinician: arguments.clinician.as_deref(),
        letters: arguments.letters,
    };
    let reviews = write(&cohort, &plan, &wanted, &arguments.out, console)?;
    let pages: Vec<String> = reviews
        .iter()
        .map(|review| page(&arguments.out, review).display().to_string())
        .collect();
    let mut words = pages
        .iter()
        .map(|page| format!("wrote {page}\n"))
        .collect::<String>();
    let mut json = serde_json::json!({ "pages": pages });
    // The one place that says whom a letter stands for: to the one who asked, on the terminal.
    let letter = reviews
        .iter()
        .find_map(|review| review.context.clinician.as_deref())
        .filter(|_| arguments.letters);
    if let (Some(letter), Some(id)) = (letter, &arguments.clinician) {
        words.push_str(&format!("{id} is clinician {letter}\n"));
        if let Some(object) = json.as_object_mut() {
            object.insert("letter".to_owned(), letter.into());
        }
    }
    console.summary(&words, &json)
}

/// What is to be written.
pub(crate) struct Wanted<'a> {
    /// For whom.
    pub(crate) readers: &'a [Reader],
    /// The quarter under review; the last one where none is given.
    pub(crate) quarter: Option<Quarter>,
    /// The clinician whose page it is to be.
    pub(crate) clinician: Option<&'a str>,
    /// Letters in place of clinicians' ids.
    pub(crate) letters: bool,
}

/// Where the page of a review stands.
pub(crate) fn page(out: &Path, review: &Review) -> PathBuf {
    out.join(fitcohort_reports::folder(review))
        .join("index.html")
}

/// Gathers and writes reports, with a bar.
pub(crate) fn write(
    cohort: &Cohort,
    plan: &Plan,
    wanted: &Wanted<'_>,
    out: &Path,
    console: &Console,
) -> Result<Vec<Review>, Failure> {
    let bar = console.bar("reporting", wanted.readers.len() as u64 + 1);
    let reviews = review::gather(&ReviewRequest {
        cohort,
        plan,
        readers: wanted.readers,
        quarter: wanted.quarter,
        clinician: wanted.clinician,
        letters: wanted.letters,
        version: env!("CARGO_PKG_VERSION"),
    })?;
    bar.inc(1);
    for review in &reviews {
        fitcohort_reports::write_report(review, &out.join(fitcohort_reports::folder(review)))?;
        bar.inc(1);
    }
    bar.finish_and_clear();
    Ok(reviews)
}
