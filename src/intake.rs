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
}

/// What the options name, read.
#[derive(Debug, Default)]
pub(crate) struct IntakeFiles {
    map: Option<ColumnMap>,
}

impl IntakeOptions {
    /// Reads the files that the options name.
    pub(crate) fn read(&self) -> Result<IntakeFiles, Failure> {
        Ok(IntakeFiles {
            map: self.map.as_deref().map(ColumnMap::read).transpose()?,
        })
    }
}

impl IntakeFiles {
    /// How a delivery is taken in under a plan.
    pub(crate) fn under<'a>(&'a self, plan: &'a Plan) -> Intake<'a> {
        Intake {
            map: self.map.as_ref(),
            ..Intake::plain(plan)
        }
    }
}
