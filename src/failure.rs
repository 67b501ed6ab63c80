//! Errors as the command line says them: one sentence with the place, and what to do.

use fitcohort_pipeline::PipelineError;
use fitcohort_pipeline::identity::PseudonymError;
use fitcohort_pipeline::map::MapError;
use fitcohort_pipeline::plan::PlanError;
use fitcohort_pipeline::rules::Rule;
use fitcohort_queries::QueryError;
use fitcohort_reports::ReportError;
use fitcohort_synthetic_data::SynthesisError;

/// An error with its exit code and what to do about it.
#[derive(Debug)]
pub(crate) struct Failure {
    code: u8,
    sentence: String,
    advice: String,
}

const FINDING: u8 = 1;
const USAGE: u8 = 2;
const BAD_DATA: u8 = 65;
const OUR_FAULT: u8 = 70;
const CANNOT_CREATE: u8 = 73;
const CANNOT_WRITE: u8 = 74;

const AS_IT_WAS: &str = "the cohort is as it was; check the folder's rights and the space on the disk, then run the command again";
const RESTORE: &str =
    "restore the cohort's folder from a backup, or ingest its deliveries into a new one";

impl Failure {
    fn new(code: u8, sentence: impl Into<String>, advice: impl Into<String>) -> Self {
        Self {
            code,
            sentence: sentence.into(),
            advice: advice.into(),
        }
    }

    /// The caller asked for something that cannot be.
    pub(crate) fn usage(sentence: impl Into<String>, advice: impl Into<String>) -> Self {
        Self::new(USAGE, sentence, advice)
    }

    /// Something failed that is not the caller's to mend.
    pub(crate) fn ours(sentence: impl Into<String>) -> Self {
        Self::new(
            OUR_FAULT,
            sentence,
            "this is a fault of the program; please report it with the command that was run",
        )
    }

    /// The program gave up where it never should, at a place of its source. The reason it gives may hold what was
    /// delivered, so it is not repeated.
    pub(crate) fn panicked(place: Option<&str>) -> Self {
        let place = place.unwrap_or("a place that is not known");
        Self::ours(format!("the program gave up at {place}"))
    }

    /// Something could not be written.
    pub(crate) fn write(what: &std::path::Path, source: &std::io::Error) -> Self {
        Self::new(
            writing_code(source),
            format!("cannot write {}: {source}", what.display()),
            "check the folder's rights and the space on the disk",
        )
    }

    /// A cohort is not as its manifest says.
    pub(crate) fn damaged_cohort(folder: &std::path::Path, findings: usize) -> Self {
        Self::new(
            BAD_DATA,
            format!(
                "{} is damaged: {findings} finding{}",
                folder.display(),
                if findings == 1 { "" } else { "s" }
            ),
            RESTORE,
        )
    }

    /// A compaction failed: older snapshots may be gone, the one in force is not.
    pub(crate) fn of_compaction(error: PipelineError) -> Self {
        let mut failure = Self::from(error);
        if matches!(failure.code, CANNOT_CREATE | CANNOT_WRITE) && failure.advice == AS_IT_WAS {
            failure.advice = "the snapshot in force is as it was; check the folder's rights and the disk, then run the \
                              command again"
                .to_owned();
        }
        failure
    }

    /// The exit code.
    pub(crate) fn code(&self) -> u8 {
        self.code
    }

    /// What went wrong, and where.
    pub(crate) fn sentence(&self) -> &str {
        &self.sentence
    }

    /// What to do about it.
    pub(crate) fn advice(&self) -> &str {
        &self.advice
    }
}

/// 73 where a file or folder could not be made, 74 where writing failed later.
fn writing_code(source: &std::io::Error) -> u8 {
    use std::io::ErrorKind::{
        AlreadyExists, IsADirectory, NotADirectory, NotFound, PermissionDenied,
    };
    match source.kind() {
        AlreadyExists | IsADirectory | NotADirectory | NotFound | PermissionDenied => CANNOT_CREATE,
        _ => CANNOT_WRITE,
    }
}

impl From<PlanError> for Failure {
    fn from(error: PlanError) -> Self {
        Self::new(
            USAGE,
            error.to_string(),
            "mend the plan file, or leave --plan away for the defaults",
        )
    }
}

impl From<MapError> for Failure {
    fn from(error: MapError) -> Self {
        Self::new(
            USAGE,
            error.to_string(),
            "mend the column map; `fitcohort check DELIVERY --suggest-map` proposes one",
        )
    }
}

impl From<PipelineError> for Failure {
    fn from(error: PipelineError) -> Self {
        let (code, advice) = match &error {
            PipelineError::Refused {
                rule:
                    Rule::UnmatchedFiles
                    | Rule::UnmappedFile
                    | Rule::MappedColumnMissing
                    | Rule::UnmappedColumn,
                ..
            } => (
                BAD_DATA,
                "nothing was stored and the cohort is as it was; mend the column map or the delivery and run the command again",
            ),
            PipelineError::Refused {
                rule: Rule::IdentifyingColumn | Rule::IdentifyingFileName | Rule::IdentifyingValue,
                ..
            } => (
                BAD_DATA,
                "nothing was stored and the cohort is as it was; take it out of the delivery at that place and run the command again. An id column can become keyed pseudonyms: --pseudonymise COLUMN --key-file FILE",
            ),
            PipelineError::Refused { .. } => (
                BAD_DATA,
                "nothing was stored and the cohort is as it was; mend the delivery at that place and run the command again",
            ),
            PipelineError::Changed { .. } => (
                BAD_DATA,
                "nothing was stored; let the export end, then run the command again",
            ),
            PipelineError::TooManySetAside { .. } => (
                FINDING,
                "nothing was stored; mend the delivery, or allow a larger share with --fail-on-set-aside",
            ),
            PipelineError::Read { source, .. } if source.kind() == std::io::ErrorKind::NotFound => {
                (USAGE, "check the path")
            }
            PipelineError::Read { .. } => (BAD_DATA, "check the file and the rights to read it"),
            PipelineError::Write { source, .. } => (writing_code(source), AS_IT_WAS),
            PipelineError::NotFlushed { .. } => (
                CANNOT_WRITE,
                "check the disk, then run `fitcohort verify COHORT`; the delivery need not be ingested again",
            ),
            PipelineError::NotACohort { .. } => (
                USAGE,
                "give the folder that `fitcohort ingest DELIVERY --into COHORT` made",
            ),
            PipelineError::Occupied { .. } => (
                CANNOT_CREATE,
                "name a folder that does not exist yet, or one that is empty",
            ),
            PipelineError::NewerFormat { .. } => (
                BAD_DATA,
                "use the version of fitcohort that wrote it, or a later one",
            ),
            PipelineError::UnknownPointer { .. } => (
                BAD_DATA,
                "use the latest version of fitcohort; if that says the same, restore the cohort's folder from a backup",
            ),
            PipelineError::Locked { .. } | PipelineError::BeingRead { .. } => (
                CANNOT_WRITE,
                "wait until the other process has ended, then run the command again; without --no-wait it waits itself",
            ),
            PipelineError::DamagedStore { .. } => (BAD_DATA, RESTORE),
            PipelineError::OtherIdentity { .. } => (
                USAGE,
                "give the same --pseudonymise, --key-file and --year-only as for the deliveries before, or begin a new cohort",
            ),
            PipelineError::TooManyFiles { .. } => {
                (BAD_DATA, "join the files of the table to fewer")
            }
        };
        Self::new(code, error.to_string(), advice)
    }
}

impl From<PseudonymError> for Failure {
    fn from(error: PseudonymError) -> Self {
        Self::new(
            USAGE,
            error.to_string(),
            "make a key once, such as `head -c 32 /dev/urandom > practice.key`, keep it apart from the cohort, and give it with --key-file",
        )
    }
}

impl From<QueryError> for Failure {
    fn from(error: QueryError) -> Self {
        match error {
            QueryError::Cohort(error) => error.into(),
            QueryError::Plan(error) => error.into(),
            QueryError::UnknownQuery { .. } => {
                Self::usage(error.to_string(), "take one of these names")
            }
            QueryError::UnknownColumn { .. } => {
                Self::usage(error.to_string(), "take one of these columns")
            }
            QueryError::Selection { .. } => {
                Self::usage(error.to_string(), "see `fitcohort query --help`")
            }
            QueryError::UnknownClinician { .. } => Self::usage(
                error.to_string(),
                "list the ids with `fitcohort query clinicians COHORT`, column clinician_id",
            ),
            QueryError::Engine { .. } => Self::ours(error.to_string()),
            QueryError::Write { path, source } => Self::write(&path, &source),
        }
    }
}

impl From<ReportError> for Failure {
    fn from(error: ReportError) -> Self {
        if let ReportError::Letters { .. } = error {
            return Self::usage(
                error.to_string(),
                "nothing was written; name another folder with --out, or take the reports away that stand there",
            );
        }
        Self::new(
            CANNOT_WRITE,
            error.to_string(),
            "check the folder's rights and the space on the disk",
        )
    }
}

impl From<SynthesisError> for Failure {
    fn from(error: SynthesisError) -> Self {
        Self::usage(error.to_string(), "see `fitcohort synthesize --help`")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The reason of a slice at a wrong place repeats the text that was cut.
    #[test]
    fn a_reason_for_giving_up_is_never_repeated() {
        let place = crate::place_of(|| {
            let secret = "nobody@exämple.org".to_owned();
            std::hint::black_box(&secret).split_at(10).0.len()
        });
        let failure = Failure::panicked(place.as_deref());
        assert_eq!(failure.code(), 70);
        assert!(
            !failure.sentence().contains("nobody"),
            "{}",
            failure.sentence()
        );
        assert!(
            failure.sentence().contains(".rs:"),
            "{}",
            failure.sentence()
        );
    }
}
