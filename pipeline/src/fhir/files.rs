//! Which files of a delivery hold FHIR resources.

use std::path::Path;
use std::sync::Arc;

use super::FhirSource;
use super::cut::Form;
use crate::delivery::{DeliveryFile, Packing};
use crate::error::PipelineError;
use crate::map::files::fits;
use crate::vocabulary::TableName;

/// Endings of files of resources, and what they mean.
pub(super) const ENDINGS: [(&str, Form, Packing); 6] = [
    (".json", Form::Bundle, Packing::Json),
    (".json.gz", Form::Bundle, Packing::JsonGzip),
    (".json.zst", Form::Bundle, Packing::JsonZstd),
    (".ndjson", Form::Lines, Packing::Json),
    (".ndjson.gz", Form::Lines, Packing::JsonGzip),
    (".ndjson.zst", Form::Lines, Packing::JsonZstd),
];

/// How a file of resources is read: the entry of the map, and which of its resources make rows of which table.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct FhirFile {
    /// The entry of the column map.
    pub source: Arc<FhirSource>,
    /// A Bundle, or a resource a line.
    pub(crate) form: Form,
    /// Whether resources that are of no known type are told in this table: a file that feeds two is read once for each.
    pub(crate) leads: bool,
}

/// The file as a file of the tables that it feeds: none where no entry of the map means it, two where it holds both
/// thresholds and answers.
///
/// # Errors
/// [`PipelineError::Read`] where the file is meant and its size cannot be read.
pub(crate) fn recognise(
    path: &Path,
    sources: &[FhirSource],
) -> Result<Vec<DeliveryFile>, PipelineError> {
    let Some(name) = path.file_name().and_then(|name| name.to_str()) else {
        return Ok(Vec::new());
    };
    let ending = ENDINGS.iter().find(|(ending, ..)| name.ends_with(ending));
    let source = sources
        .iter()
        .find(|source| source.files.iter().any(|pattern| is_meant(pattern, name)));
    let (Some((_, form, packing)), Some(source)) = (ending, source) else {
        return Ok(Vec::new());
    };
    let source = Arc::new(source.clone());
    let feeds = [
        (TableName::Ears, !source.thresholds.is_empty()),
        (TableName::Outcomes, !source.answers.is_empty()),
    ];
    let tables = feeds.into_iter().filter(|(_, feeds)| *feeds);
    let files = tables.enumerate().map(|(number, (table, _))| {
        let file = DeliveryFile {
            fhir: Some(FhirFile {
                source: Arc::clone(&source),
                form: *form,
                leads: number == 0,
            }),
            ..DeliveryFile::plain(table, name, path, *packing)
        };
        file.sized()
    });
    files.filter_map(Result::transpose).collect()
}

/// Whether any file with one of the endings can be meant by a pattern.
pub(super) fn can_fit(pattern: &str) -> bool {
    pattern.ends_with('*') || ENDINGS.iter().any(|(ending, ..)| pattern.ends_with(ending))
}

/// Whether a name is meant by a pattern, packed or not.
pub(crate) fn is_meant(pattern: &str, name: &str) -> bool {
    let unpacked = [".gz", ".zst"]
        .into_iter()
        .find_map(|ending| name.strip_suffix(ending));
    fits(pattern, name) || unpacked.is_some_and(|name| fits(pattern, name))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pattern_means_packed_files_too() {
        assert!(is_meant("a*.json", "a-1.json.gz") && is_meant("a.json.gz", "a.json.gz"));
        assert!(!is_meant("a.json.gz", "a.json"));
    }
}
