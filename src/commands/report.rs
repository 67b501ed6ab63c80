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
  fitcohort report cohort --out reports --clinician c-07       the page of one clinician
  fitcohort report cohort --out lettered --letters             letters in place of clinicians' ids
  fitcohort report cohort --out lettered --letters --clinician c-07
  fitcohort report cohort --out reports --quarters 8

Each reader gets a folder with index.html, figures, tables, results.json and provenance.json: reports/owner for the one
quarter under review. With several quarters each gets a folder of its own, reports/2026-Q3/owner, and pages link to the
quarter before and after; the reports for researcher and trainer, which hold everything up to a quarter, are made for the
last one. What is withheld is withheld over all reports of one run. Reports of several runs, held against each other,
can give it away: keep them in the practice. reports/index.html lists whatever reports stand there, of earlier runs too.
The same cohort, plan and seed give the same bytes. `fitcohort query clinicians cohort` lists the ids of clinicians.

Letters are dealt by chance, the same for one cohort and seed, anew with every delivery; which is whom is written nowhere.
With --clinician the terminal, and nothing else, says the letter of that one. Lists of single fittings leave clinicians
out, since a fitting can be looked up. Reports with letters and reports with ids do not go into one folder.")]
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
    /// Only the page of this clinician, for a conversation, in a folder of its own below trainer
    #[arg(long, value_name = "ID")]
    pub(crate) clinician: Option<String>,
    /// Letters A, B, … in place of clinicians' ids, in everything that is written
    #[arg(long)]
    pub(crate) letters: bool,
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

/// The quarters to report on; none stands for the last one.
fn asked(arguments: &Arguments, cohort: &Cohort) -> Result<Vec<Quarter>, Failure> {
    let Some(wanted) = arguments.quarters else {
        return Ok(arguments.quarter.clone());
    };
    let stored = review::quarters(cohort);
    let kept = match wanted {
        Quarters::All => stored.len(),
        Quarters::Last(number) => number.min(stored.len()),
    };
    let quarters: Vec<Quarter> = stored.into_iter().rev().take(kept).collect();
    if quarters.is_empty() {
        return Err(Failure::usage(
            "the cohort holds no fitting, so there is no quarter to report on",
            "leave --quarters away for pages that say so, or ingest a delivery",
        ));
    }
    Ok(quarters)
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
        quarters: asked(arguments, &cohort)?,
        out: arguments.out.clone(),
        // Several named are several folders, even where they are the same one.
        folder_each: arguments.quarters.is_some() || arguments.quarter.len() > 1,
        clinician: arguments.clinician.as_deref(),
        letters: arguments.letters,
    };
    fitcohort_reports::admits(&arguments.out, arguments.letters)?;
    let reviews = write(&cohort, &plan, &wanted, console)?;
    let pages: Vec<String> = reviews
        .iter()
        .map(|(folder, review)| page(folder, review).display().to_string())
        .collect();
    let mut words = pages
        .iter()
        .map(|page| format!("wrote {page}\n"))
        .collect::<String>();
    let shelf = fitcohort_reports::arrange(&arguments.out)?;
    if wanted.folder_each && readers.iter().any(|reader| *reader != Reader::Owner) {
        words.push_str(
            "of several quarters, study report and comparison of clinicians are made for the last: they hold everything \
             up to it, and two of them held against each other would give single people away\n",
        );
    }
    let index = shelf.index.map(|path| path.display().to_string());
    words.push_str(&match &index {
        Some(index) => format!("wrote {index}, which lists them\n"),
        None => format!(
            "no list of reports: {} was not made by fitcohort, so it is left as it is\n",
            arguments.out.join("index.html").display()
        ),
    });
    let mut json = serde_json::json!({ "pages": pages, "index": index });
    // The one place that says whom a letter stands for: to the one who asked, on the terminal.
    let letter = reviews
        .iter()
        .find_map(|(_, review)| review.context.clinician.as_deref())
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
    /// The quarters under review, the last one where none is named.
    pub(crate) quarters: Vec<Quarter>,
    /// Where the reports go.
    pub(crate) out: PathBuf,
    /// Whether each quarter gets a folder of its own.
    pub(crate) folder_each: bool,
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

/// Gathers and writes the reports of some quarters, with a bar. Nothing is written before all are gathered: what is
/// withheld in one hangs on the others, and a quarter that is not there leaves no half of a set.
pub(crate) fn write(
    cohort: &Cohort,
    plan: &Plan,
    wanted: &Wanted<'_>,
    console: &Console,
) -> Result<Vec<(PathBuf, Review)>, Failure> {
    let bar = console.bar("reporting", wanted.quarters.len() as u64 + 1);
    let reviews = review::gather(&ReviewRequest {
        cohort,
        plan,
        readers: wanted.readers,
        quarters: &wanted.quarters,
        clinician: wanted.clinician,
        letters: wanted.letters,
        version: env!("CARGO_PKG_VERSION"),
        progress: &|| bar.inc(1),
    })?;
    let mut all = Vec::new();
    for review in reviews {
        let folder = match &review.context.quarter {
            Some(quarter) if wanted.folder_each => wanted.out.join(quarter),
            _ => wanted.out.clone(),
        };
        let home = folder.join(fitcohort_reports::folder(&review));
        fitcohort_reports::write_report(&review, &home)?;
        all.push((folder, review));
    }
    bar.finish_and_clear();
    Ok(all)
}
