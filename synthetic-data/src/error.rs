//! What can go wrong while a delivery is written.

use std::path::PathBuf;

/// Why no delivery, or only part of one, was written.
#[derive(Debug, thiserror::Error)]
pub enum SynthesisError {
    /// The folder is there and holds something. Nothing was written: a delivery never mixes with older files.
    #[error("{} is not empty; name a new or an empty folder", path.display())]
    FolderNotEmpty {
        /// The folder asked for.
        path: PathBuf,
    },
    /// A setting of the scenario has no meaning. Nothing was written.
    #[error("{name} is {value}; it must be {rule}")]
    Parameter {
        /// Name of the field of [`Scenario`](crate::Scenario) or [`Effects`](crate::Effects).
        name: &'static str,
        /// The value given.
        value: String,
        /// What it has to be.
        rule: &'static str,
    },
    /// The system refused to make, read or write a file or folder. Files written before stay behind;
    /// `truth.json` comes last, so a folder without it is unfinished.
    #[error("cannot {action} {}", path.display())]
    Io {
        /// What was tried, as a verb.
        action: &'static str,
        /// The file or folder.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// The truth could not be put into JSON, or the published schema is none: a fault of the program.
    #[error("cannot put the truth or the schema into JSON")]
    Json(#[from] serde_json::Error),
    /// The published schema is not one of the tables that are written: a fault of the program.
    #[error("the published schema does not fit: {what}")]
    Schema {
        /// What is missing in it.
        what: &'static str,
    },
}

impl SynthesisError {
    /// Wraps a system error with the path it concerns.
    pub(crate) fn io(
        action: &'static str,
        path: impl Into<PathBuf>,
    ) -> impl FnOnce(std::io::Error) -> Self {
        let path = path.into();
        move |source| Self::Io {
            action,
            path,
            source,
        }
    }
}
