//! The options that every command takes, and the list of commands.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand};
use fitcohort_pipeline::plan::Plan;

use crate::commands::{
    check, compact, completions, demo, export, ingest, man, query, report, synthesize, verify,
};
use crate::failure::Failure;

/// Turn de-identified hearing-aid fitting records into figures and pages: match to target, two-ear uptake,
/// satisfaction, and variance between clinicians.
#[derive(Debug, Parser)]
#[command(name = "fitcohort", version, propagate_version = true, max_term_width = 100, after_help = EXAMPLES)]
pub(crate) struct Cli {
    /// Options of every command.
    #[command(flatten)]
    pub(crate) common: Common,
    /// What to do.
    #[command(subcommand)]
    pub(crate) command: Command,
}

const EXAMPLES: &str = "\
Examples:
  fitcohort demo                                       an invented practice, from records to reports
  fitcohort check exports/2026-Q3                      what would be stored, what set aside, and why
  fitcohort ingest exports/2026-Q3 --into cohort       add a delivery to the cohort
  fitcohort report cohort --out reports                pages for owner, researcher and trainer
  fitcohort query match cohort --by clinician_id --format csv
  fitcohort verify cohort                              is every file as it was written?

Exit codes: 0 done, 1 a finding the caller asked to fail on, 2 usage, 65 bad data, 70 our fault, 73 and 74 cannot write.";

/// Options of every command.
#[derive(Args, Clone, Debug, Default)]
pub(crate) struct Common {
    /// Plan file (TOML): criteria, outcome, minimum cell, resamples; every key has a default
    #[arg(long, global = true, value_name = "FILE")]
    pub(crate) plan: Option<PathBuf>,
    /// Use at most N threads; results are the same for any number
    #[arg(long, global = true, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    pub(crate) threads: Option<u16>,
    /// Root of every random stream [default: the plan's, which is 1]
    #[arg(long, global = true, value_name = "N")]
    pub(crate) seed: Option<u64>,
    /// Say nothing but results and errors
    #[arg(long, short, global = true)]
    pub(crate) quiet: bool,
    /// Say results as JSON
    #[arg(long, global = true)]
    pub(crate) json: bool,
}

impl Common {
    /// The plan in force: the file's, or the default, with the seed of the command line.
    pub(crate) fn plan(&self) -> Result<Plan, Failure> {
        let mut plan = match &self.plan {
            Some(path) => Plan::read(path)?,
            None => Plan::default(),
        };
        if let Some(seed) = self.seed {
            // The plan's text is TOML, whose integers have a sign.
            plan.seed = i64::try_from(seed).map(|_| seed).map_err(|_| {
                Failure::usage("the seed must be below 2^63", "take a smaller --seed")
            })?;
        }
        Ok(plan)
    }
}

/// The commands.
#[derive(Debug, Subcommand)]
pub(crate) enum Command {
    /// Synthesize, ingest and report in one go, into demo-output
    Demo(demo::Arguments),
    /// Write an invented delivery whose truth is known
    Synthesize(synthesize::Arguments),
    /// Read and judge a delivery; store nothing
    Check(check::Arguments),
    /// Add a delivery to a cohort
    Ingest(ingest::Arguments),
    /// Pages, figures, tables and numbers for each reader
    Report(report::Arguments),
    /// One analysis as a table
    Query(query::Arguments),
    /// One row a fitting with small cells protected, to be given to others
    Export(export::Arguments),
    /// Check every file of a cohort
    Verify(verify::Arguments),
    /// Drop superseded history of a cohort
    Compact(compact::Arguments),
    /// Completions for a shell
    Completions(completions::Arguments),
    /// The manual page, in roff
    Man(man::Arguments),
}
