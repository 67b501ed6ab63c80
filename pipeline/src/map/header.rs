//! A source of a map meets the header row of a file: every column that is read is there, and every column of the file is
//! spoken of.

use std::collections::BTreeSet;

use super::SourceMap;
use super::files::Mapped;
use crate::delivery::DeliveryFile;
use crate::delivery::columns::{columns_for, is_label_column};
use crate::error::PipelineError;
use crate::identity;
use crate::plan::keys;
use crate::rules::Rule;
use crate::vocabulary::TableName;

/// Names of columns in one sentence.
const MOST_NAMES: usize = 20;

/// A source that meets the header row of a file.
pub(super) struct Meeting<'a> {
    pub(super) source: &'a SourceMap,
    pub(super) file: &'a DeliveryFile,
    pub(super) header: &'a [String],
}

impl Meeting<'_> {
    fn refused(&self, rule: Rule, columns: &str) -> PipelineError {
        PipelineError::refused(rule, &self.file.path, Some(1), columns)
    }

    /// Our columns and what they are called in the file. Where the map names none, those of the file that are named as
    /// here.
    pub(super) fn columns(&self) -> Result<Vec<(String, String)>, PipelineError> {
        if !self.source.columns.is_empty() {
            let columns = self.source.columns.iter();
            return Ok(columns
                .map(|(ours, theirs)| (ours.clone(), theirs.clone()))
                .collect());
        }
        let table = self.source.table;
        let specs = columns_for(table, self.header);
        let is_ours = |name: &String| {
            specs.iter().any(|spec| spec.name == name)
                || (table == TableName::Fittings && is_label_column(name))
        };
        let named = self
            .header
            .iter()
            .filter(|name| is_ours(name) && !self.source.leave_out.contains(name));
        let columns: Vec<String> = named.cloned().collect();
        match columns
            .iter()
            .find(|name| self.source.constants.contains_key(*name))
        {
            Some(name) => Err(self.refused(
                Rule::RepeatedColumn,
                &format!("{name}, which is a constant of the column map too,"),
            )),
            None => Ok(columns
                .into_iter()
                .map(|name| (name.clone(), name))
                .collect()),
        }
    }

    /// Every column that is read is there. Names of the file are shown only where another of them shows that the first
    /// row is a header row.
    pub(super) fn all_there(&self, read: &BTreeSet<&str>) -> Result<(), PipelineError> {
        let is_there = |name: &str| self.header.iter().any(|theirs| theirs == name);
        let is_header = read.iter().any(|name| is_there(name));
        let spare = || {
            self.header
                .iter()
                .map(String::as_str)
                .filter(|name| !read.contains(name))
        };
        let missing = read.iter().filter(|name| !is_there(name)).map(|name| {
            match keys::nearest(name, spare()) {
                Some(near) if is_header => format!("{} (is {} meant?)", quoted(name), quoted(near)),
                _ => quoted(name),
            }
        });
        let missing = listed(missing);
        if missing.is_empty() {
            return Ok(());
        }
        // A file of another separator is one long column.
        let one = if self.header.len() == 1 {
            " (the row has one column: is `separator` right?)"
        } else {
            ""
        };
        Err(self.refused(Rule::MappedColumnMissing, &format!("{missing}{one}")))
    }

    /// Every column of the file is named by a source that reads the file.
    pub(super) fn all_named(
        &self,
        mapped: &Mapped,
        read: &BTreeSet<&str>,
        left_out: &BTreeSet<&str>,
    ) -> Result<(), PipelineError> {
        let mut by_others = BTreeSet::new();
        for other in &mapped.beside {
            by_others.extend(other.theirs().cloned());
            // What a source without `columns` reads shows in the header row.
            let meeting = Meeting {
                source: other,
                ..*self
            };
            by_others.extend(meeting.columns()?.into_iter().map(|(_, theirs)| theirs));
        }
        // A first row that names nothing which the map knows is most often data.
        let is_known = |name: &String| {
            read.contains(name.as_str())
                || left_out.contains(name.as_str())
                || by_others.contains(name)
        };
        if !self.header.iter().any(is_known) {
            return Err(self.refused(Rule::NoHeaderRow, ""));
        }
        let unnamed = self.header.iter().map(String::as_str).filter(|name| {
            !read.contains(name) && !left_out.contains(name) && !by_others.contains(*name)
        });
        let unnamed = listed(unnamed.map(quoted));
        if unnamed.is_empty() {
            return Ok(());
        }
        Err(self.refused(Rule::UnmappedColumn, &unnamed))
    }

    /// No column that is read is named twice.
    pub(super) fn none_twice(&self, read: &BTreeSet<&str>) -> Result<(), PipelineError> {
        let twice = read.iter().find(|name| {
            self.header
                .iter()
                .filter(|theirs| theirs.as_str() == **name)
                .count()
                > 1
        });
        match twice {
            Some(name) => Err(self.refused(Rule::RepeatedColumn, &quoted(name))),
            None => Ok(()),
        }
    }
}

/// Names one behind the other, so many at most.
fn listed(names: impl Iterator<Item = String>) -> String {
    let names: Vec<String> = names.collect();
    let more = names.len().saturating_sub(MOST_NAMES);
    let shown: Vec<String> = names.into_iter().take(MOST_NAMES).collect();
    match more {
        0 => shown.join(", "),
        more => format!("{} and {more} more", shown.join(", ")),
    }
}

/// A column's name for a sentence, in one line and at most 80 characters.
pub(crate) fn quoted(name: &str) -> String {
    if identity::is_value(name) {
        return "(a name that is not repeated here)".to_owned();
    }
    let shown: String = name
        .chars()
        .take(80)
        .map(|c| if c.is_control() { ' ' } else { c })
        .collect();
    format!("\"{shown}\"")
}
