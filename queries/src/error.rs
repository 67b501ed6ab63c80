//! What can go wrong between a cohort and its numbers.

use std::path::PathBuf;

use fitcohort_pipeline::PipelineError;
use fitcohort_pipeline::plan::PlanError;

/// An error of a query.
#[derive(Debug, thiserror::Error)]
pub enum QueryError {
    /// The cohort could not be opened or read.
    #[error(transparent)]
    Cohort(#[from] PipelineError),
    /// The plan does not make sense.
    #[error(transparent)]
    Plan(#[from] PlanError),
    /// No query has that name.
    #[error("there is no query named {name}; there are {known}")]
    UnknownQuery {
        /// The name asked for.
        name: String,
        /// The names there are.
        known: String,
    },
    /// The cohort has no such grouping column, or the query cannot be grouped by it.
    #[error("{query} cannot be grouped or filtered by {column}; it can by {known}")]
    UnknownColumn {
        /// The query.
        query: String,
        /// The column asked for.
        column: String,
        /// The columns there are.
        known: String,
    },
    /// A filter that is not of the form COLUMN=VALUE, or a span that ends before it begins.
    #[error("{what}")]
    Selection {
        /// What is wrong, and what would be right.
        what: String,
    },
    /// No fitting of that clinician is stored, up to the quarter under review.
    #[error("--clinician {clinician}: no fitting of a clinician with that id is stored{}", up_to.as_ref().map_or_else(String::new, |quarter| format!(" up to {quarter}")))]
    UnknownClinician {
        /// The id asked for.
        clinician: String,
        /// The quarter under review, where there is one.
        up_to: Option<String>,
    },
    /// The query engine failed: a fault of ours, not of the data.
    #[error("the query {query} failed: {message}")]
    Engine {
        /// The query.
        query: String,
        /// What the engine says.
        message: String,
    },
    /// A result could not be written.
    #[error("cannot write {}: {source}", path.display())]
    Write {
        /// Where to.
        path: PathBuf,
        /// The system's reason.
        source: std::io::Error,
    },
}
