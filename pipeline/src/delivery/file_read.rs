//! A file as it was read, and how its columns are named in sentences.

use std::collections::HashMap;

use super::columns;
use crate::map;
use crate::records::RowIssue;
use crate::vocabulary::TableName;

/// A file as it was read.
#[derive(Clone, Debug)]
pub struct FileRead {
    /// The table.
    pub table: TableName,
    /// Name within the delivery.
    pub name: String,
    /// Size on disk.
    pub bytes: u64,
    /// BLAKE3 of its bytes, hexadecimal.
    pub hash: String,
    /// Rows read, header not counted.
    pub rows: u64,
    /// Rows that a column map passes over, not counted as read.
    pub passed_over: u64,
    /// Header row, for naming columns in issues: our names, where a column map reads the file.
    pub header: Vec<String>,
    /// How a column map reads the file; none where it is ours as it stands.
    pub mapped: Option<MappedFile>,
    /// Hash of what a column map says of its resources, where it holds FHIR.
    pub fhir: Option<String>,
}

/// What a column map says of a file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MappedFile {
    /// Hash of all that its source in the map says but of names of files.
    pub hash: String,
    /// For each name of the header, what the sender calls the column; none for a constant of the map.
    pub theirs: Vec<Option<String>>,
}

impl FileRead {
    /// Hash of what a column map makes of the file; none where it is ours as it stands.
    pub(super) fn read_by(&self) -> Option<&str> {
        let mapped = self.mapped.as_ref().map(|mapped| mapped.hash.as_str());
        mapped.or(self.fhir.as_deref())
    }

    /// A column of the header as a sentence names it: by our name, and the sender's where there is one.
    #[must_use]
    pub fn column_in_words(&self, position: usize) -> Option<String> {
        let name = self.header.get(position)?;
        let theirs = self
            .mapped
            .as_ref()
            .map(|mapped| mapped.theirs.get(position));
        Some(match theirs.flatten() {
            None => name.clone(),
            Some(None) => format!("{name} (a constant of the column map)"),
            Some(Some(theirs)) if theirs == name => name.clone(),
            Some(Some(theirs)) => {
                format!("{name} (their column {})", map::header::quoted(theirs))
            }
        })
    }
}

/// The sentence about a row that was set aside, given the file it stands in.
#[must_use]
pub fn sentence(issue: &RowIssue, file: Option<&FileRead>) -> String {
    let header = file.map_or(&[][..], |file| file.header.as_slice());
    let in_words = issue
        .column
        .zip(file)
        .and_then(|(column, file)| file.column_in_words(usize::from(column)));
    filled(issue, header, in_words.as_deref())
}

/// The same, given the published columns alone.
pub(crate) fn sentence_by(issue: &RowIssue, header: &[String]) -> String {
    filled(issue, header, None)
}

fn filled(issue: &RowIssue, header: &[String], in_words: Option<&str>) -> String {
    let name = issue
        .column
        .and_then(|column| header.get(usize::from(column)))
        .map_or("", String::as_str);
    let allowed = columns::columns_for(issue.table, header)
        .iter()
        .find(|spec| spec.name == name)
        .map(|spec| spec.kind.allowed())
        .unwrap_or_default();
    issue
        .rule
        .text()
        .sentence
        .replace("{column}", in_words.unwrap_or(name))
        .replace("{allowed}", &allowed)
}

/// Headers by table and file number.
#[must_use]
pub fn headers(files: &[FileRead]) -> HashMap<(TableName, u16), &FileRead> {
    let mut next: HashMap<TableName, u16> = HashMap::new();
    let mut out = HashMap::new();
    for file in files {
        let number = next.entry(file.table).or_insert(0);
        out.insert((file.table, *number), file);
        *number += 1;
    }
    out
}
