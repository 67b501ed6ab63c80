//! Which files of a delivery a map reads, and by which of its sources.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::{ColumnMap, SourceMap};
use crate::delivery::{Delivery, DeliveryFile, Packing, shown_name};
use crate::error::PipelineError;
use crate::fhir;
use crate::identity;
use crate::rules::Rule;
use crate::table_schema::DESCRIPTOR;

/// How a file is read by a map.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Mapped {
    /// The source that reads it.
    pub source: Arc<SourceMap>,
    /// All sources that read the same file, this one among them.
    pub beside: Vec<Arc<SourceMap>>,
}

/// A name in the folder.
struct Entry {
    name: String,
    path: PathBuf,
}

/// Looks which files of a folder a map reads.
///
/// # Errors
/// [`PipelineError::Read`] where the folder cannot be read; a refusal by `unmatched-files` where a pattern fits no file,
/// by `unmapped-file` where a file is named like a table and no source reads it. A map of FHIR resources alone leaves such
/// files to be read as they stand.
pub(crate) fn open(folder: &Path, map: &ColumnMap) -> Result<Delivery, PipelineError> {
    let read = |source| PipelineError::read(folder, source);
    let mut entries = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(read)? {
        let entry = entry.map_err(read)?;
        entries.push(Entry {
            name: entry.file_name().to_string_lossy().into_owned(),
            path: entry.path(),
        });
    }
    entries.sort_by(|a, b| a.path.cmp(&b.path));
    let sources: Vec<Arc<SourceMap>> = map.sources.iter().cloned().map(Arc::new).collect();
    for source in &sources {
        for pattern in &source.files {
            if !entries.iter().any(|entry| reads(pattern, entry)) {
                return Err(PipelineError::refused(
                    Rule::UnmatchedFiles,
                    folder,
                    None,
                    &format!("\"{pattern}\""),
                ));
            }
        }
    }
    // Resources may come as a Bundle or one a line: one pattern of several is enough.
    for source in &map.fhir {
        let means = |entry: &Entry| {
            let mut patterns = source.files.iter();
            patterns.any(|pattern| fhir::files::is_meant(pattern, &entry.name))
        };
        if !entries
            .iter()
            .any(|entry| entry.path.is_file() && means(entry))
        {
            let patterns: Vec<String> = source.files.iter().map(|p| format!("\"{p}\"")).collect();
            return Err(PipelineError::refused(
                Rule::UnmatchedFiles,
                folder,
                None,
                &patterns.join(" and "),
            ));
        }
    }
    let mut files = Vec::new();
    let mut not_read = Vec::new();
    for entry in entries {
        let resources = fhir::files::recognise(&entry.path, &map.fhir)?;
        if !resources.is_empty() {
            files.extend(resources);
            continue;
        }
        let beside: Vec<Arc<SourceMap>> = sources
            .iter()
            .filter(|source| source.files.iter().any(|pattern| reads(pattern, &entry)))
            .cloned()
            .collect();
        if beside.is_empty() {
            match DeliveryFile::recognise(&entry.path) {
                Some(plain) if entry.path.is_file() && sources.is_empty() => {
                    files.extend(plain.sized()?);
                }
                Some(_) if entry.path.is_file() => {
                    // A name that tells who a person is is not repeated.
                    let path = match identity::class_of_file_name(&entry.name) {
                        Some(_) => folder,
                        None => &entry.path,
                    };
                    return Err(PipelineError::refused(Rule::UnmappedFile, path, None, ""));
                }
                // The descriptor of a delivery belongs to it, though nothing is read from it.
                _ if entry.name == DESCRIPTOR => {}
                _ => not_read.push(shown_name(&entry.name)),
            }
            continue;
        }
        for source in &beside {
            let of_table = beside.iter().filter(|other| other.table == source.table);
            // The name in the account; rows set aside are found again by it, so it is one of its own in its table.
            let name = if of_table.count() > 1 {
                format!("{} (source {})", entry.name, source.number)
            } else {
                entry.name.clone()
            };
            let packing = packing(&entry.name).unwrap_or(Packing::Csv);
            let file = DeliveryFile {
                separator: source.separator,
                mapped: Some(Mapped {
                    source: Arc::clone(source),
                    beside: beside.clone(),
                }),
                ..DeliveryFile::plain(source.table, &name, &entry.path, packing)
            };
            files.extend(file.sized()?);
        }
    }
    Delivery::of(folder, files, not_read)
}

/// Whether a pattern means a file of the folder that can be read.
fn reads(pattern: &str, entry: &Entry) -> bool {
    fits(pattern, &entry.name) && packing(&entry.name).is_some() && entry.path.is_file()
}

/// How a file is packed, by the ending of its name, in capitals or not.
pub(super) fn packing(name: &str) -> Option<Packing> {
    let lower = name.to_ascii_lowercase();
    if lower.ends_with(".parquet") {
        return Some(Packing::Parquet);
    }
    let (stem, packing) = if let Some(stem) = lower.strip_suffix(".gz") {
        (stem, Packing::CsvGzip)
    } else if let Some(stem) = lower.strip_suffix(".zst") {
        (stem, Packing::CsvZstd)
    } else {
        (lower.as_str(), Packing::Csv)
    };
    [".csv", ".tsv", ".txt"]
        .iter()
        .any(|ending| stem.ends_with(ending))
        .then_some(packing)
}

/// Whether a name fits a pattern in which `*` stands for any run of characters.
pub(crate) fn fits(pattern: &str, name: &str) -> bool {
    let mut parts = pattern.split('*');
    let first = parts.next().unwrap_or_default();
    let Some(mut rest) = name.strip_prefix(first) else {
        return false;
    };
    let mut parts: Vec<&str> = parts.collect();
    let Some(last) = parts.pop() else {
        return rest.is_empty();
    };
    // The parts between are taken as early as they come, which leaves the most for the last.
    for part in parts {
        match rest.split_once(part) {
            Some((_, after)) => rest = after,
            None => return false,
        }
    }
    rest.ends_with(last)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_star_is_any_run_of_characters() {
        for (pattern, name) in [
            ("a.csv", "a.csv"),
            ("a*.csv", "a.csv"),
            ("a*.csv", "audio-1.csv"),
            ("*", "a.csv"),
            ("*a*a*", "banana"),
            ("**.csv", "x.csv"),
            ("*o*.csv", "io.csv"),
            ("*é*", "café.csv"),
        ] {
            assert!(fits(pattern, name), "{pattern} {name}");
        }
        for (pattern, name) in [
            ("a.csv", "a.csv.gz"),
            ("a*.csv", "b-a.csv"),
            ("ab*ba.csv", "aba.csv"),
            ("*a*a*a*a*", "banana"),
            ("A.csv", "a.csv"),
        ] {
            assert!(!fits(pattern, name), "{pattern} {name}");
        }
    }

    #[test]
    fn endings_say_how_a_file_is_packed() {
        assert_eq!(packing("A.CSV"), Some(Packing::Csv));
        assert_eq!(packing("a.txt.gz"), Some(Packing::CsvGzip));
        assert_eq!(packing("a.tsv.zst"), Some(Packing::CsvZstd));
        assert_eq!(packing("a.parquet"), Some(Packing::Parquet));
        for name in ["a.xlsx", "a.gz", "a", "a.parquet.gz", "a.json"] {
            assert_eq!(packing(name), None, "{name}");
        }
    }
}
