//! What can go wrong between a delivery and a cohort.

use std::path::{Path, PathBuf};

use crate::identity::Class;
use crate::ingest::Judgement;
use crate::rules::Rule;
use crate::vocabulary::TableName;

/// An error of reading a delivery, or of reading or writing a cohort.
#[derive(Debug, thiserror::Error)]
pub enum PipelineError {
    /// The delivery breaks a rule that refuses it whole. Nothing was stored.
    #[error("{}{}: {sentence} [{}]", file.display(), place(*line), rule.code())]
    Refused {
        /// The rule that was broken.
        rule: Rule,
        /// The file, or the delivery's folder where no file is to blame.
        file: PathBuf,
        /// Line (CSV, the header being line 1) or row (Parquet, from 1), where known.
        line: Option<u64>,
        /// The rule's sentence about this place.
        sentence: String,
    },
    /// A file or folder could not be read.
    #[error("cannot read {}: {source}", path.display())]
    Read {
        /// What was being read.
        path: PathBuf,
        /// The system's reason.
        source: std::io::Error,
    },
    /// A file or folder could not be written; the cohort is as it was.
    #[error("cannot write {}: {source}", path.display())]
    Write {
        /// What was being written.
        path: PathBuf,
        /// The system's reason.
        source: std::io::Error,
    },
    /// The folder holds something else than a cohort.
    #[error("{} is not a cohort: it has no CURRENT file", path.display())]
    NotACohort {
        /// The folder.
        path: PathBuf,
    },
    /// A cohort is to be begun in a folder that holds something else.
    #[error("{} holds something that is not a cohort", path.display())]
    Occupied {
        /// The folder.
        path: PathBuf,
    },
    /// The cohort was written by a later version.
    #[error("{} is in store format {found}; this version reads up to {known}", path.display())]
    NewerFormat {
        /// The manifest.
        path: PathBuf,
        /// Format found.
        found: u64,
        /// Latest format known.
        known: u32,
    },
    /// The pointer of the cohort says something that this version cannot read.
    #[error("{} does not name a snapshot in a way that this version knows: it is damaged, or of a newer version", path.display())]
    UnknownPointer {
        /// The pointer.
        path: PathBuf,
    },
    /// The new snapshot is in force, but may not outlast a loss of power.
    #[error("snapshot {snapshot} is in force, but {} could not be flushed to the disk: {source}", path.display())]
    NotFlushed {
        /// What could not be flushed.
        path: PathBuf,
        /// The snapshot.
        snapshot: String,
        /// The system's reason.
        source: std::io::Error,
    },
    /// Other processes are reading the cohort, whose old files are to be removed.
    #[error("another process is reading {}", path.display())]
    BeingRead {
        /// The cohort.
        path: PathBuf,
    },
    /// Another process is writing to the cohort.
    #[error("another process is writing to {}", path.display())]
    Locked {
        /// The cohort.
        path: PathBuf,
    },
    /// A file of the cohort is not as its manifest says.
    #[error("{} is damaged: {detail}", path.display())]
    DamagedStore {
        /// The file.
        path: PathBuf,
        /// What is wrong with it.
        detail: String,
    },
    /// A file of the delivery is no longer the one that was judged. Nothing was stored.
    #[error("{} changed while it was being read", path.display())]
    Changed {
        /// The file.
        path: PathBuf,
    },
    /// More rows of a table were set aside than the caller allows. Nothing was stored.
    #[error(
        "{rows_set_aside} of {rows_read} rows of {} are set aside, more than a share of {most}",
        table.word()
    )]
    TooManySetAside {
        /// The table.
        table: TableName,
        /// Its rows set aside.
        rows_set_aside: u64,
        /// Its rows.
        rows_read: u64,
        /// The largest share that is allowed.
        most: f64,
        /// What became of the delivery otherwise.
        judgement: Box<Judgement>,
    },
    /// A delivery is taken in with other pseudonyms, or with dates of another grain, than those before it.
    #[error("{} has {has}, and this delivery would come in with {would}: {why}", path.display())]
    OtherIdentity {
        /// The cohort.
        path: PathBuf,
        /// What the cohort has.
        has: String,
        /// What the delivery would come in with.
        would: String,
        /// What would go wrong.
        why: &'static str,
    },
    /// More files in one delivery than can be numbered.
    #[error("{} holds more than {limit} files of one table", path.display())]
    TooManyFiles {
        /// The delivery.
        path: PathBuf,
        /// How many are allowed.
        limit: usize,
    },
}

fn place(line: Option<u64>) -> String {
    line.map(|line| format!(", line {line}"))
        .unwrap_or_default()
}

impl PipelineError {
    /// A refusal with the rule's own sentence.
    pub(crate) fn refused(rule: Rule, file: &Path, line: Option<u64>, column: &str) -> Self {
        Self::Refused {
            rule,
            file: file.to_path_buf(),
            line,
            sentence: rule.text().sentence.replace("{column}", column),
        }
    }

    /// A refusal with the rule's own sentence, at a byte of a file without lines, counted from 0.
    pub(crate) fn refused_at_byte(rule: Rule, file: &Path, byte: u64) -> Self {
        Self::Refused {
            rule,
            file: file.to_path_buf(),
            line: None,
            sentence: format!("byte {byte}: {}", rule.text().sentence),
        }
    }

    /// A refusal of what tells who a person is.
    pub(crate) fn identifying(
        rule: Rule,
        file: &Path,
        line: Option<u64>,
        column: &str,
        class: Class,
    ) -> Self {
        Self::Refused {
            rule,
            file: file.to_path_buf(),
            line,
            sentence: rule
                .text()
                .sentence
                .replace("{column}", column)
                .replace("{class}", class.words()),
        }
    }

    pub(crate) fn read(path: &Path, source: std::io::Error) -> Self {
        Self::Read {
            path: path.to_path_buf(),
            source,
        }
    }

    pub(crate) fn write(path: &Path, source: impl Into<std::io::Error>) -> Self {
        Self::Write {
            path: path.to_path_buf(),
            source: source.into(),
        }
    }

    pub(crate) fn damaged(path: &Path, detail: impl std::fmt::Display) -> Self {
        Self::DamagedStore {
            path: path.to_path_buf(),
            detail: detail.to_string(),
        }
    }
}
