//! Column maps: how a sender's files, columns, words and units become ours. Nothing is guessed.

use std::path::{Path, PathBuf};

use serde::Deserialize;

use crate::fhir::FhirSource;

/// An error in a column map.
#[derive(Debug, thiserror::Error)]
pub enum MapError {
    /// The text is no TOML of the map's form.
    #[error("the column map {} is not understood: {message}", path.display())]
    Syntax {
        /// The map.
        path: PathBuf,
        /// What the parser says.
        message: String,
    },
    /// Something that does not fit.
    #[error("the column map {}: {key} {what}", path.display())]
    Value {
        /// The map.
        path: PathBuf,
        /// The key.
        key: String,
        /// What is wrong with it.
        what: String,
    },
}

/// A column map.
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct ColumnMap {
    /// Files of FHIR resources, and what their codes mean.
    pub fhir: Vec<FhirSource>,
}

impl ColumnMap {
    /// The map in a text; `path` is what errors call it.
    ///
    /// # Errors
    /// [`MapError`] where the text is no TOML of the map's form, or says what does not fit.
    pub fn parse(text: &str, path: &Path) -> Result<Self, MapError> {
        let map: Self = toml::from_str(text).map_err(|error| MapError::Syntax {
            path: path.to_path_buf(),
            message: error.message().to_owned(),
        })?;
        for (source, number) in map.fhir.iter().zip(1..) {
            source.validate().map_err(|error| MapError::Value {
                path: path.to_path_buf(),
                key: format!("fhir {number}"),
                what: error.to_string(),
            })?;
        }
        Ok(map)
    }
}
