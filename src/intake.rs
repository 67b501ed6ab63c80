//! The options that say how a delivery is taken in, the same for every command that reads one.

use std::path::PathBuf;

use clap::Args;
use fitcohort_pipeline::identity::{COLUMNS, Key, Pseudonyms};
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
    /// Turn these id columns into keyed pseudonyms on the way in: fitting_id, patient_id, clinic_id, clinician_id
    #[arg(long, value_name = "COLUMN,…", value_delimiter = ',', value_parser = COLUMNS, requires = "key_file")]
    pub(crate) pseudonymise: Vec<String>,
    /// Key of the pseudonyms: a file of at least 32 random bytes that stays with you; it is never stored
    #[arg(long, value_name = "FILE")]
    pub(crate) key_file: Option<PathBuf>,
    /// Keep the year of each fitting only, instead of its quarter
    #[arg(long)]
    pub(crate) year_only: bool,
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
#[derive(Debug)]
pub(crate) struct IntakeFiles {
    map: Option<ColumnMap>,
    pseudonyms: Option<Pseudonyms>,
    year_only: bool,
    most_set_aside: Option<f64>,
}

impl IntakeOptions {
    /// Reads the files that the options name.
    pub(crate) fn read(&self) -> Result<IntakeFiles, Failure> {
        let map = self.map.as_deref().map(ColumnMap::read).transpose()?;
        Ok(IntakeFiles {
            pseudonyms: self.pseudonyms(map.as_ref())?,
            map,
            year_only: self.year_only,
            most_set_aside: self.fail_on_set_aside,
        })
    }

    /// The pseudonyms that options and map ask for, with the key read.
    fn pseudonyms(&self, map: Option<&ColumnMap>) -> Result<Option<Pseudonyms>, Failure> {
        let mut columns = self.pseudonymise.clone();
        columns.extend(map.iter().flat_map(|map| map.identity.pseudonymise.clone()));
        match (&self.key_file, columns.is_empty()) {
            (None, true) => Ok(None),
            (None, false) => Err(Failure::usage(
                "the column map turns ids into pseudonyms, and there is no key for them",
                "give the key with --key-file",
            )),
            (Some(_), true) => Err(Failure::usage(
                "there is a key, and no column that becomes pseudonyms",
                "name the columns with --pseudonymise, or leave --key-file away",
            )),
            (Some(path), false) => Ok(Some(Pseudonyms::new(&columns, Key::read(path)?)?)),
        }
    }
}

impl IntakeFiles {
    /// How a delivery is taken in under a plan.
    pub(crate) fn under<'a>(&'a self, plan: &'a Plan) -> Intake<'a> {
        Intake {
            map: self.map.as_ref(),
            pseudonyms: self.pseudonyms.as_ref(),
            year_only: self.year_only,
            most_set_aside: self.most_set_aside,
            ..Intake::plain(plan)
        }
    }
}
