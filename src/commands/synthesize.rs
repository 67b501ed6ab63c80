//! `synthesize`: an invented delivery whose truth is known.

use std::path::{Path, PathBuf};

use clap::Args;
use fitcohort_synthetic_data::{Scenario, Truth, write_delivery};

use crate::cli::Common;
use crate::console::Console;
use crate::failure::Failure;

/// Options of `synthesize`.
#[derive(Args, Debug)]
#[command(after_help = "\
Examples:
  fitcohort synthesize --fittings 5000 --seed 7 --out delivery
  fitcohort synthesize --fittings 5000 --no-match-effect --out null-delivery

The data is invented: a group of practices that does not exist. What was planted stands in truth.json beside it;
datapackage.json describes the tables for any reader of Frictionless Data Packages.")]
pub(crate) struct Arguments {
    /// How many fittings
    #[arg(long, value_name = "N", default_value_t = 5000)]
    pub(crate) fittings: u64,
    /// Folder to write to; it must not hold anything yet
    #[arg(long, value_name = "DELIVERY")]
    pub(crate) out: PathBuf,
    /// Plant no effect of match on satisfaction, to see what is found where there is nothing
    #[arg(long)]
    pub(crate) no_match_effect: bool,
    /// Share of extra rows that break a rule, 0 for none
    #[arg(long, value_name = "SHARE", default_value_t = 0.001)]
    pub(crate) planted_errors: f64,
}

/// Seed of the invented practices where none is given.
pub(crate) const DEFAULT_SEED: u64 = 1;

pub(crate) fn run(
    arguments: &Arguments,
    common: &Common,
    console: &Console,
) -> Result<(), Failure> {
    let mut scenario = Scenario::demo(arguments.fittings, common.seed.unwrap_or(DEFAULT_SEED));
    scenario.planted_errors = arguments.planted_errors;
    if arguments.no_match_effect {
        scenario.effects.match_per_db = 0.0;
    }
    write(&scenario, &arguments.out, console)?;
    let words = format!(
        "Wrote an invented delivery of {} fittings to {}. What was planted stands in truth.json.\n",
        scenario.fittings,
        arguments.out.display()
    );
    let json = serde_json::json!({
        "delivery": arguments.out,
        "fittings": scenario.fittings,
        "seed": scenario.seed,
    });
    console.summary(&words, &json)
}

/// Writes a scenario, with a bar.
pub(crate) fn write(
    scenario: &Scenario,
    folder: &Path,
    console: &Console,
) -> Result<Truth, Failure> {
    let bar = console.bar("inventing", scenario.fittings);
    let truth = write_delivery(scenario, folder, &|done| bar.set_position(done))?;
    bar.finish_and_clear();
    Ok(truth)
}
