//! The manifest of a snapshot: which files make up the cohort, which deliveries it came from, and the account of their rows.

use std::collections::BTreeSet;

use serde::{Deserialize, Serialize};

/// Store format that this version writes. It reads this one and those before.
///
/// Format 1 had no hash in the pointer, and said of files of rows set aside only where they are.
pub const FORMAT: u32 = 2;

/// A snapshot of the cohort.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Manifest {
    /// Store format.
    pub format: u32,
    /// Name of the snapshot, `000001` and on.
    pub snapshot: String,
    /// BLAKE3 of the manifest of the snapshot before, hexadecimal; none for the first.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub previous: Option<String>,
    /// How fine dates are.
    #[serde(default)]
    pub dates: Dates,
    /// Names of the `x_…` label columns of any part.
    pub label_columns: Vec<String>,
    /// The deliveries that went in, oldest first.
    pub deliveries: Vec<DeliveryEntry>,
    /// The Parquet files that make up the tables.
    pub parts: Vec<Part>,
}

/// How fine dates of fittings are kept.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Dates {
    /// To the quarter: finer than 45 CFR 164.514(b)(2) allows, so that the cohort is a limited data set.
    #[default]
    Quarter,
    /// To the year.
    Year,
}

impl Dates {
    /// The word for it.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Quarter => "quarter",
            Self::Year => "year",
        }
    }
}

/// The columns of a delivery that became keyed pseudonyms.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct PseudonymEntry {
    /// The columns.
    pub columns: BTreeSet<String>,
    /// Tells whether another key is the same; see [`crate::identity::Pseudonyms::key_check`].
    pub key_check: String,
}

/// A delivery that went in.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct DeliveryEntry {
    /// The snapshot that brought it.
    pub snapshot: String,
    /// Hash of its content.
    pub hash: String,
    /// Account of each table.
    pub accounts: Vec<AccountEntry>,
    /// Rows set aside by table and rule.
    pub rules: Vec<RuleEntry>,
    /// Parquet file of the rows set aside, from the cohort's folder; none where no row was.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub set_aside: Option<String>,
    /// How many of the rows set aside wait for a parent, or for a plan that knows their instrument.
    #[serde(default)]
    pub waiting: u64,
    /// What the file of rows set aside holds; format 1 did not say.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub set_aside_file: Option<FileEntry>,
    /// The columns that became keyed pseudonyms; none where the delivery brought its own.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pseudonyms: Option<PseudonymEntry>,
}

/// What a file holds.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct FileEntry {
    /// Rows.
    pub rows: u64,
    /// Size.
    pub bytes: u64,
    /// BLAKE3 of its bytes, hexadecimal.
    pub hash: String,
}

/// The account of one table of a delivery.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct AccountEntry {
    /// The table.
    pub table: String,
    /// Rows read.
    pub rows_read: u64,
    /// Rows stored.
    pub rows_stored: u64,
    /// Rows set aside.
    pub rows_set_aside: u64,
    /// Exact repeats.
    pub exact_repeats: u64,
}

/// Rows of one table set aside by one rule.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct RuleEntry {
    /// The table.
    pub table: String,
    /// The rule's code.
    pub rule: String,
    /// How many rows.
    pub rows: u64,
}

/// A Parquet file of the cohort.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Part {
    /// The table.
    pub table: String,
    /// The quarter whose rows it holds.
    pub quarter: String,
    /// Path from the cohort's folder.
    pub path: String,
    /// Rows.
    pub rows: u64,
    /// Size.
    pub bytes: u64,
    /// BLAKE3 of its bytes, hexadecimal.
    pub hash: String,
    /// Names of the `x_…` label columns it has.
    pub label_columns: Vec<String>,
}
