//! The options that say how a delivery is taken in, the same for every command that reads one.

use std::path::PathBuf;

use clap::Args;
use fitcohort_pipeline::intake::Intake;
use fitcohort_pipeline::map::ColumnMap;
use fitcohort_pipeline::plan::Plan;

use crate::failure::Failure;

/// Options of `check` and `ingest`.
#[derive(Args, Debug, Default)]
pub(crate) struct IntakeOptions {
    /// Column map (TOML): how the sender's files, columns, words and units become those of the tables
    #[arg(long, value_name = "FILE")]
    pub(crate) map: Option<PathBuf>,
    /// Fail, with exit code 1, where a larger share of any table's rows is set aside (0 to 1); nothing is stored then
    #[arg(long, value_name = "SHARE", value_parser = share)]
    pub(crate) fail_on_set_aside: Option<f64>,
}

/// A share, 0 to 1.
fn share(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(share) if (0.0..=1.0).contains(&share) => Ok(share),
        _ => Err("a share is a number from 0 to 1, such as 0.02 for two in a hundred".to_owned()),
    }
}

/// What the options name, read.
#[derive(Debug, Default)]
pub(crate) struct IntakeFiles {
    map: Option<ColumnMap>,
    most_set_aside: Option<f64>,
}

impl IntakeOptions {
    /// Reads the files that the options name.
    pub(crate) fn read(&self) -> Result<IntakeFiles, Failure> {
        Ok(IntakeFiles {
            map: self.map.as_deref().map(ColumnMap::read).transpose()?,
            most_set_aside: self.fail_on_set_aside,
        })
    }
}

impl IntakeFiles {
    /// How a delivery is taken in under a plan.
    pub(crate) fn under<'a>(&'a self, plan: &'a Plan) -> Intake<'a> {
        Intake {
            map: self.map.as_ref(),
            most_set_aside: self.most_set_aside,
            ..Intake::plain(plan)
        }
    }
}
