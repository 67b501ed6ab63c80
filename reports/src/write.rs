//! Writing a report: page, figures, tables, numbers and where they come from.

use std::fs;
use std::path::{Path, PathBuf};

use fitcohort_queries::review::Review;
use fitcohort_queries::table::{Table, Values};

use crate::error::ReportError;
use crate::{figures, page, provenance, results};

/// The files of a report.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Written {
    /// The folder.
    pub folder: PathBuf,
    /// The files in it, relative to it, in the order of their names.
    pub files: Vec<PathBuf>,
}

/// Where a report goes below the folder that holds all reports: the reader's name, and below the trainer's a folder for the
/// page of one clinician: `trainer/clinician-07` for the id "clinician-07", `trainer/clinician_07` for "07". No two ids
/// that differ in letters, digits, `-` and `_` share one.
#[must_use]
pub fn folder(review: &Review) -> PathBuf {
    let reader = PathBuf::from(review.reader.name());
    match &review.context.clinician {
        Some(clinician) if clinician.starts_with("clinician-") => reader.join(file_name(clinician)),
        Some(clinician) => reader.join(format!("clinician_{}", file_name(clinician))),
        None => reader,
    }
}

/// Writes the report of one reader into a folder: `index.html`, `figures/*.svg`, `tables/*.csv`
/// (every table of the review), `results.json` and `provenance.json`.
///
/// Files of the same name are replaced, others are left alone. The same review gives the same
/// bytes. Shares are taken as fractions 0-1, levels as dB; numbers in the CSV and JSON files are
/// not rounded, nulls are empty (CSV) or `null` (JSON).
///
/// # Errors
/// [`ReportError::Folder`] and [`ReportError::File`] where the file system refuses, with the path;
/// the other variants are faults of the program.
pub fn write_report(review: &Review, folder: &Path) -> Result<Written, ReportError> {
    let figures = figures::figures(review).map_err(|source| ReportError::Drawing {
        path: folder.to_owned(),
        source,
    })?;
    let mut contents: Vec<(PathBuf, Vec<u8>)> = Vec::new();
    for figure in &figures {
        let name = Path::new("figures").join(format!("{}.svg", figure.key));
        contents.push((name, figure.svg.clone().into_bytes()));
    }
    for (key, table) in &review.tables {
        let name = Path::new("tables").join(format!("{}.csv", file_name(key)));
        let bytes = as_csv(table).map_err(|source| ReportError::Csv {
            path: folder.join(&name),
            source,
        })?;
        contents.push((name, bytes));
    }
    let numbers = results::results(review).map_err(|key| ReportError::Key {
        path: folder.join("results.json"),
        key,
    })?;
    for (name, value) in [
        ("results.json", numbers),
        ("provenance.json", provenance::provenance(review)),
    ] {
        let mut bytes = serde_json::to_vec_pretty(&value).map_err(|source| ReportError::Json {
            path: folder.join(name),
            source,
        })?;
        bytes.push(b'\n');
        contents.push((PathBuf::from(name), bytes));
    }
    let page = page::page(review, &figures);
    contents.push((PathBuf::from("index.html"), page.into_bytes()));
    contents.sort_by(|one, other| one.0.cmp(&other.0));

    for path in [
        folder.to_owned(),
        folder.join("figures"),
        folder.join("tables"),
    ] {
        fs::create_dir_all(&path).map_err(|source| ReportError::Folder {
            path: path.clone(),
            source,
        })?;
    }
    for (name, bytes) in &contents {
        let path = folder.join(name);
        fs::write(&path, bytes).map_err(|source| ReportError::File {
            path: path.clone(),
            source,
        })?;
    }
    Ok(Written {
        folder: folder.to_owned(),
        files: contents.into_iter().map(|(name, _)| name).collect(),
    })
}

/// A table's key as a file name: nothing in it can leave the folder.
pub(crate) fn file_name(key: &str) -> String {
    key.chars()
        .map(|c| {
            if c.is_ascii_alphanumeric() || c == '_' || c == '-' {
                c
            } else {
                '_'
            }
        })
        .collect()
}

fn as_csv(table: &Table) -> Result<Vec<u8>, csv::Error> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    if !table.columns.is_empty() {
        writer.write_record(table.columns.iter().map(|column| column.name.as_str()))?;
    }
    for row in 0..table.rows() {
        writer.write_record(
            table
                .columns
                .iter()
                .map(|column| field(&column.values, row)),
        )?;
    }
    writer
        .into_inner()
        .map_err(|error| csv::Error::from(error.into_error()))
}

fn field(values: &Values, row: usize) -> String {
    match values {
        Values::Text(values) => values.get(row).cloned().flatten().unwrap_or_default(),
        Values::Integer(values) => text(values.get(row)),
        Values::Real(values) => text(values.get(row)),
        Values::Flag(values) => text(values.get(row)),
    }
}

fn text<T: ToString>(value: Option<&Option<T>>) -> String {
    value
        .and_then(Option::as_ref)
        .map(ToString::to_string)
        .unwrap_or_default()
}
