//! `datapackage.json` beside the tables: the published schema of a delivery, with what is particular to this one.
//!
//! The schema is read as the text that is published for everybody who makes a delivery; nothing else of its maker is
//! known here.

use serde_json::{Value, json};

use crate::SynthesisError;
use crate::rows::Table;

/// The published schema of a delivery.
const PUBLISHED: &str = include_str!("../../pipeline/datapackage.json");

/// A label as the format has it: printable, at most 64 characters.
const LABEL: &str = "[^\\u0000-\\u001F\\u007F-\\u009F]+";

/// The descriptor of the four files that are written, as JSON text.
///
/// # Errors
/// [`SynthesisError::Schema`] where the published schema is not one of these tables, [`SynthesisError::Json`] where
/// it is no JSON at all: both are faults of the program.
pub(crate) fn descriptor() -> Result<String, SynthesisError> {
    let mut package: Value = serde_json::from_str(PUBLISHED)?;
    let fault = |what: &'static str| SynthesisError::Schema { what };
    let published = package
        .get_mut("resources")
        .and_then(Value::as_array_mut)
        .map(std::mem::take)
        .ok_or_else(|| fault("it has no resources"))?;
    let mut resources = Vec::new();
    for table in Table::ALL {
        let mut resource = published
            .iter()
            .find(|resource| resource.get("name").and_then(Value::as_str) == Some(table.name()))
            .cloned()
            .ok_or_else(|| fault("it lacks a table"))?;
        let fields = resource
            .pointer_mut("/schema/fields")
            .and_then(Value::as_array_mut)
            .ok_or_else(|| fault("a table has no fields"))?;
        let labels = table.header().trim_end().split(',');
        fields.extend(labels.filter(|name| name.starts_with("x_")).map(label));
        put(
            &mut resource,
            "path",
            format!("{}.csv", table.name()).into(),
        );
        resources.push(resource);
    }
    put(&mut package, "resources", Value::Array(resources));
    put(&mut package, "name", "fitcohort-invented-delivery".into());
    put(
        &mut package,
        "title",
        "An invented delivery of hearing-aid fitting records".into(),
    );
    put(
        &mut package,
        "description",
        "INVENTED DATA: no person, clinic, clinician or hearing aid in these tables is real, and no figure in them may be \
         quoted as a finding about real ones. Every row of fittings says so in x_data."
            .into(),
    );
    let mut text = serde_json::to_string_pretty(&package)?;
    text.push('\n');
    Ok(text)
}

fn put(object: &mut Value, key: &str, value: Value) {
    if let Some(object) = object.as_object_mut() {
        object.insert(key.to_owned(), value);
    }
}

/// A further label of `fittings` as a field.
fn label(name: &str) -> Value {
    let description = match name {
        "x_region" => "Invented region of the clinic.",
        "x_data" => "Always: invented.",
        _ => "A further label.",
    };
    json!({
        "name": name,
        "type": "string",
        "description": description,
        "constraints": { "maxLength": 64, "pattern": LABEL },
    })
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    /// A validator that goes by position finds every column where the schema has it.
    #[test]
    fn the_fields_are_the_columns_of_the_files() {
        let package: Value = serde_json::from_str(&descriptor().unwrap()).unwrap();
        let resources = package["resources"].as_array().unwrap();
        assert_eq!(resources.len(), Table::ALL.len());
        for (table, resource) in Table::ALL.iter().zip(resources) {
            let fields = resource["schema"]["fields"].as_array().unwrap();
            let names: Vec<&str> = fields.iter().map(|f| f["name"].as_str().unwrap()).collect();
            assert_eq!(names.join(","), table.header().trim_end());
            assert_eq!(resource["path"], format!("{}.csv", table.name()));
        }
        assert!(
            package["description"]
                .as_str()
                .unwrap()
                .starts_with("INVENTED")
        );
    }
}
