//! What can go wrong while a report is written.

use std::path::PathBuf;

/// A report could not be written; nothing in the review itself can cause this.
#[derive(Debug, thiserror::Error)]
pub enum ReportError {
    /// A folder could not be made: no permission, no space, or a file of that name is in the way.
    #[error("cannot make the folder {}: {source}", path.display())]
    Folder {
        /// The folder.
        path: PathBuf,
        /// The system's answer.
        source: std::io::Error,
    },
    /// A file could not be written.
    #[error("cannot write {}: {source}", path.display())]
    File {
        /// The file.
        path: PathBuf,
        /// The system's answer.
        source: std::io::Error,
    },
    /// A folder of reports, or a file in it, could not be read again to link the reports.
    #[error("cannot read {}: {source}", path.display())]
    Read {
        /// The folder or file.
        path: PathBuf,
        /// The system's answer.
        source: std::io::Error,
    },
    /// A report of the other kind stands in the folder: with letters in the place of clinicians' ids, or with the ids.
    /// Both in one folder would undo the letters.
    #[error(
        "{} is a report with {}, and those go into another folder",
        path.display(),
        if *letters { "letters in place of clinicians' ids" } else { "clinicians' ids and no letters" }
    )]
    Letters {
        /// The folder of the report that stands there.
        path: PathBuf,
        /// Whether that one has letters.
        letters: bool,
    },
    /// The drawing backend failed. It draws into memory, so this is a fault of the program.
    #[error("cannot draw the figures for {}: {source}", path.display())]
    Drawing {
        /// The folder that the figures were for.
        path: PathBuf,
        /// The backend's answer.
        source: std::io::Error,
    },
    /// A table could not be put into CSV. It goes into memory, so this is a fault of the program.
    #[error("cannot put {} into CSV: {source}", path.display())]
    Csv {
        /// The file that the table was for.
        path: PathBuf,
        /// The writer's answer.
        source: csv::Error,
    },
    /// Two rows of the tables have the same key, so that a number could not be looked up. The columns that name a row
    /// are fixed for each table, so this is a fault of the program.
    #[error("two rows have the key {key} in {}", path.display())]
    Key {
        /// The file that the numbers were for.
        path: PathBuf,
        /// The key.
        key: String,
    },
    /// Numbers could not be put into JSON. It goes into memory, so this is a fault of the program.
    #[error("cannot put {} into JSON: {source}", path.display())]
    Json {
        /// The file that the numbers were for.
        path: PathBuf,
        /// The writer's answer.
        source: serde_json::Error,
    },
}
