//! Options about identities that `check` and `ingest` share.

use std::path::PathBuf;

use clap::Args;
use fitcohort_pipeline::identity::{COLUMNS, Key, Pseudonyms};

use crate::failure::Failure;

/// How identifiers and dates are taken in.
#[derive(Args, Clone, Debug, Default)]
pub(crate) struct Identity {
    /// Turn these id columns into keyed pseudonyms on the way in: fitting_id, patient_id, clinic_id, clinician_id
    #[arg(long, value_name = "COLUMN,…", value_delimiter = ',', value_parser = COLUMNS, requires = "key_file")]
    pub(crate) pseudonymise: Vec<String>,
    /// Key of the pseudonyms: a file of at least 32 random bytes that stays with you; it is never stored
    #[arg(long, value_name = "FILE", requires = "pseudonymise")]
    pub(crate) key_file: Option<PathBuf>,
    /// Keep the year of each fitting only, instead of its quarter
    #[arg(long)]
    pub(crate) year_only: bool,
}

impl Identity {
    /// The pseudonyms asked for, with the key read.
    pub(crate) fn pseudonyms(&self) -> Result<Option<Pseudonyms>, Failure> {
        let Some(path) = &self.key_file else {
            return Ok(None);
        };
        Ok(Some(Pseudonyms::new(&self.pseudonymise, Key::read(path)?)?))
    }
}
