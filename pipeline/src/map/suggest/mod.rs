//! Proposes a column map for a person to confirm, from the names of columns and from what their values look like.
//!
//! Nothing of this is used by [`ingest`](crate::ingest::ingest): it reads by a map that a person has seen, or not at all.
//! A proposal names files and columns; of values it repeats none but words of a closed list (`words`), and ranges of
//! numbers rounded outwards to tens.

mod matching;
mod names;
mod profile;
mod synonyms;
mod words;
mod write;

use std::path::Path;

use super::files::packing;
use crate::delivery::{DeliveryFile, Packing, Source, shown_name};
use crate::error::PipelineError;
use crate::identity;
use crate::rules::Rule;
use crate::vocabulary::TableName;
use profile::Profile;

/// Rows of each kind of file that are looked at.
pub const ROWS_SEEN: u64 = 5000;
/// Columns of a file that are looked at.
const MOST_COLUMNS: usize = 1024;
/// What may stand between fields, the likeliest first.
const SEPARATORS: [u8; 4] = *b",;\t|";

/// Files with the same header row.
#[derive(Debug)]
struct Group {
    files: Vec<String>,
    separator: u8,
    columns: Vec<Column>,
}

/// A column of theirs.
#[derive(Debug)]
struct Column {
    name: String,
    profile: Profile,
}

/// A map for the files of a folder, as TOML with comments that say how sure each line is and why.
///
/// # Errors
/// [`PipelineError::Read`] where the folder or a file cannot be read, a refusal by rule and place where the folder holds
/// no file that could be a table. Where only some of the files are refused, the proposal says so.
pub fn suggest(folder: &Path) -> Result<String, PipelineError> {
    let read = |source| PipelineError::read(folder, source);
    let mut paths = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(read)? {
        paths.push(entry.map_err(read)?.path());
    }
    paths.sort();
    let mut groups: Vec<Group> = Vec::new();
    let mut refused = Vec::new();
    for path in &paths {
        if let Some(file) = readable(path)? {
            // A name that tells who a person is is not repeated.
            if let Some(class) = identity::class_of_file_name(&file.name) {
                let rule = Rule::IdentifyingFileName;
                let error = PipelineError::identifying(rule, folder, None, "delivery", class);
                refused.push((shown_name(&file.name), error));
                continue;
            }
            match look_at(&file, &mut groups) {
                // A letter beside the tables may end in .txt too: the others are looked at all the same.
                Err(error @ PipelineError::Refused { .. }) => refused.push((file.name, error)),
                other => other?,
            }
        }
    }
    if groups.is_empty() {
        let nothing = PipelineError::refused(Rule::MissingTable, folder, None, "fittings");
        return Err(refused
            .into_iter()
            .next()
            .map_or(nothing, |(_, error)| error));
    }
    let proposals: Vec<_> = groups.iter().map(matching::propose).collect();
    Ok(write::as_toml(&groups, &proposals, &refused))
}

/// A file that could be a table.
fn readable(path: &Path) -> Result<Option<DeliveryFile>, PipelineError> {
    let Some(name) = path.file_name().and_then(|name| name.to_str()) else {
        return Ok(None);
    };
    let Some(packing) = packing(name).filter(|_| path.is_file()) else {
        return Ok(None);
    };
    // Which table it is shows later; opening a file does not ask.
    DeliveryFile::plain(TableName::Fittings, name, path, packing).sized()
}

/// Opens a file by the separator that makes most columns of its header row.
fn open(file: &DeliveryFile) -> Result<(Source, u8), PipelineError> {
    if file.packing == Packing::Parquet {
        return Ok((Source::open(file)?, b','));
    }
    let mut best: Option<(Source, u8)> = None;
    let mut fault = None;
    for separator in SEPARATORS {
        let file = DeliveryFile {
            separator,
            ..file.clone()
        };
        match Source::open(&file) {
            Ok(source) => {
                let columns = best.as_ref().map_or(0, |(best, _)| best.header.len());
                if source.header.len() > columns {
                    best = Some((source, separator));
                }
            }
            Err(error) => fault = fault.or(Some(error)),
        }
    }
    match (best, fault) {
        (Some(best), _) => Ok(best),
        (None, Some(fault)) => Err(fault),
        (None, None) => Err(PipelineError::refused(
            Rule::EmptyFile,
            &file.path,
            None,
            "",
        )),
    }
}

/// Adds what the first rows of a file show to the group of its header row.
fn look_at(file: &DeliveryFile, groups: &mut Vec<Group>) -> Result<(), PipelineError> {
    let (mut source, separator) = open(file)?;
    if source.header.len() > MOST_COLUMNS {
        return Err(PipelineError::refused(
            Rule::TooManyColumns,
            &file.path,
            Some(1),
            "",
        ));
    }
    // A name that is a value most often means that there is no header row.
    if source.header.iter().any(|name| identity::is_value(name)) {
        return Err(PipelineError::refused(
            Rule::NoHeaderRow,
            &file.path,
            Some(1),
            "",
        ));
    }
    let same = |group: &Group| {
        group.separator == separator
            && group
                .columns
                .iter()
                .map(|column| &column.name)
                .eq(&source.header)
    };
    let position = groups.iter().position(same).unwrap_or_else(|| {
        groups.push(Group {
            files: Vec::new(),
            separator,
            columns: source
                .header
                .iter()
                .map(|name| Column {
                    name: name.clone(),
                    profile: Profile::default(),
                })
                .collect(),
        });
        groups.len() - 1
    });
    let Some(group) = groups.get_mut(position) else {
        return Ok(());
    };
    group.files.push(file.name.clone());
    let mut left = ROWS_SEEN;
    while left > 0 {
        let Some(batch) = source.next_batch()? else {
            break;
        };
        let columns = &mut group.columns;
        let outcome = batch.for_each(|_, row| {
            if left == 0 || row.len() != columns.len() {
                return;
            }
            left -= 1;
            for (column, value) in columns.iter_mut().zip(row) {
                column.profile.add(value);
            }
        });
        outcome.map_err(|fault| {
            PipelineError::refused(fault.rule, &file.path, Some(fault.line.into()), "")
        })?;
    }
    Ok(())
}

#[cfg(test)]
mod tests;
