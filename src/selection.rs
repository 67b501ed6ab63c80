//! The options that say which rows a command is about, the same for every command that selects.

use clap::Args;
use fitcohort_pipeline::quarter::Quarter;
use fitcohort_queries::selection::Selection;

use crate::failure::Failure;

/// Options of `query` and `export`.
#[derive(Args, Debug)]
pub(crate) struct SelectionOptions {
    /// Only rows where the column has the value; may be given several times
    #[arg(long = "where", value_name = "COLUMN=VALUE")]
    pub(crate) filters: Vec<String>,
    /// Only this quarter
    #[arg(long, value_name = "2026-Q3", conflicts_with_all = ["from", "to"])]
    pub(crate) quarter: Option<Quarter>,
    /// From this quarter on
    #[arg(long, value_name = "2026-Q1")]
    pub(crate) from: Option<Quarter>,
    /// Up to this quarter
    #[arg(long, value_name = "2026-Q3")]
    pub(crate) to: Option<Quarter>,
}

impl SelectionOptions {
    /// The rows asked for, grouped by some columns.
    pub(crate) fn grouped_by(&self, by: &[String]) -> Result<Selection, Failure> {
        let filters = self.filters.iter();
        let filters = filters.map(|filter| Selection::parse_filter(filter));
        Ok(Selection {
            by: by.to_vec(),
            filters: filters.collect::<Result<_, _>>()?,
            from: self.quarter.or(self.from),
            to: self.quarter.or(self.to),
        })
    }
}
