//! What each reader's report is made of: named tables, gathered once. Cells built on too few people are withheld here,
//! in one place, so that no page, figure or file can show them.

mod disclosure;
mod drivers;
mod gather;
mod headline;
mod letters;
mod one_clinician;
mod owner;
mod owner_moves;
mod recheck;
mod researcher;
mod shown;
mod similarity;
mod study_report;
mod trainer;

use std::collections::BTreeMap;

pub use gather::{ReviewRequest, gather, quarters};

use crate::table::Table;

/// For whom a report is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Reader {
    /// The practice owner: is this quarter's quality all right, and where is it not?
    Owner,
    /// The researcher: does closer target match predict satisfaction?
    Researcher,
    /// The trainer: where do clinicians differ, and in what?
    Trainer,
}

impl Reader {
    /// Every reader, in the order of the reports.
    pub const ALL: [Self; 3] = [Self::Owner, Self::Researcher, Self::Trainer];

    /// The name used for folders and options.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Owner => "owner",
            Self::Researcher => "researcher",
            Self::Trainer => "trainer",
        }
    }
}

/// A delivery that went into the cohort, by its content.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct InputHash {
    /// The snapshot that brought it in.
    pub delivery: String,
    /// Hash of the delivery's bytes, hexadecimal.
    pub hash: String,
}

/// What a page must say about where its numbers come from.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Context {
    /// Version of the tool.
    pub version: String,
    /// Name of the snapshot that was read.
    pub snapshot: String,
    /// Root seed of every random stream.
    pub seed: u64,
    /// The plan in force, whole, as TOML.
    pub plan_text: String,
    /// Name of the tolerance criterion in use.
    pub criterion: String,
    /// The criterion in words.
    pub criterion_text: String,
    /// Where the criterion comes from.
    pub criterion_source: String,
    /// Name of the criterion shown beside it.
    pub second_criterion: String,
    /// The second criterion in words.
    pub second_criterion_text: String,
    /// The quarter under review; none where the cohort is empty.
    pub quarter: Option<String>,
    /// First quarter with a fitting.
    pub first_quarter: Option<String>,
    /// Last quarter with a fitting.
    pub last_quarter: Option<String>,
    /// Cells of fewer people are withheld.
    pub minimum_cell: i64,
    /// The answer that stands for satisfaction, in words, such as "IOI-HA item 4".
    pub outcome: String,
    /// The referral rule that the list of fittings to look at goes by.
    pub referral_rule: String,
    /// Shuffles of the permutation test.
    pub permutations: u32,
    /// Resamples of the bootstrap.
    pub resamples: u32,
    /// The hypothesis that is tested without correction, in the plan's words.
    pub hypothesis: String,
    /// The method whose row of `association` answers it.
    pub primary_method: String,
    /// Whether it is the weighted row.
    pub primary_weighted: bool,
    /// Name of the study's exposure, as in the tables.
    pub exposure: String,
    /// Names of the covariates of adjusted analyses.
    pub covariates: Vec<String>,
    /// What counts as one in the study: `fitting` or `latest-fitting`.
    pub unit: String,
    /// What the plan leaves out of the study, each with its reason, in words.
    pub exclusions: Vec<String>,
    /// The text of the plan file, whole, where there was one.
    pub plan_file: Option<String>,
    /// The cohort holds invented data.
    pub invented: bool,
    /// Dates are kept to the year; where not, to the quarter, which makes the cohort a limited data set.
    pub year_only: bool,
    /// The clinician whose page it is, as the report calls them; none for a report on all.
    pub clinician: Option<String>,
    /// Letters stand in the place of clinicians' labels.
    pub letters: bool,
    /// The report of a later quarter was made at once with it.
    pub is_followed: bool,
    /// The deliveries behind the snapshot.
    pub inputs: Vec<InputHash>,
}

/// The numbers of one report.
#[derive(Clone, Debug, PartialEq)]
pub struct Review {
    /// For whom.
    pub reader: Reader,
    /// Where the numbers come from.
    pub context: Context,
    /// The tables by key.
    pub tables: BTreeMap<String, Table>,
}

impl Review {
    /// The table of that key, or an empty one.
    #[must_use]
    pub fn table(&self, key: &str) -> &Table {
        static EMPTY: Table = Table {
            name: String::new(),
            columns: Vec::new(),
        };
        self.tables.get(key).unwrap_or(&EMPTY)
    }
}
