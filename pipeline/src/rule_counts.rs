//! Rows set aside, counted by table and rule, with the first places.

use std::collections::BTreeMap;

use crate::delivery::FileRead;
use crate::records::RowIssue;
use crate::rules::Rule;
use crate::store::{DeliveryEntry, set_aside_in_words};
use crate::vocabulary::TableName;

/// Places shown of each rule and table.
const EXAMPLES: usize = 3;

/// Rows of a table that were set aside by one rule.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RuleCount {
    /// The table.
    pub table: TableName,
    /// The rule's code.
    pub rule: String,
    /// How many rows.
    pub rows: u64,
    /// The first places, three at most.
    pub examples: Vec<Example>,
}

/// A place at which a rule was broken.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Example {
    /// The file.
    pub file: String,
    /// Line (CSV, the header being line 1) or row (Parquet, from 1).
    pub line: u32,
    /// What is wrong there. It never repeats the value.
    pub sentence: String,
}

/// Counts issues that are sorted by table and place.
pub(crate) fn of_issues(issues: &[RowIssue], files: &[FileRead]) -> Vec<RuleCount> {
    let mut counts: BTreeMap<(TableName, Rule), (u64, Vec<RowIssue>)> = BTreeMap::new();
    for issue in issues {
        let (rows, first) = counts.entry((issue.table, issue.rule)).or_default();
        *rows += 1;
        if first.len() < EXAMPLES {
            first.push(*issue);
        }
    }
    counts
        .into_iter()
        .map(|((table, rule), (rows, first))| RuleCount {
            table,
            rule: rule.code().to_owned(),
            rows,
            examples: set_aside_in_words(&first, files)
                .map(|row| Example {
                    file: row.file,
                    line: row.line,
                    sentence: row.sentence,
                })
                .collect(),
        })
        .collect()
}

/// The counts of a delivery that was dealt with before; its places stand in the cohort.
pub(crate) fn of_entry(entry: &DeliveryEntry) -> Vec<RuleCount> {
    entry
        .rules
        .iter()
        .filter_map(|count| {
            Some(RuleCount {
                table: TableName::from_word(count.table.as_bytes())?,
                rule: count.rule.clone(),
                rows: count.rows,
                examples: Vec::new(),
            })
        })
        .collect()
}
