//! The identity gate: what would tell who a person is does not come in.
//!
//! A delivery is refused whole where a column is named like a direct identifier, or where values are shaped like one;
//! the refusal names file, line, column and class, never the value. Identifiers that are needed to tell people apart can
//! become keyed pseudonyms on the way in.
//!
//! A gate of shapes cannot see everything: a single word may be a surname, a short number a patient's. [`CLASSES`] says
//! for each class what is caught and what is not.

mod check_digits;
mod classes;
mod column_names;
mod dates;
mod gate;
mod looks;
mod names;
mod numbers;
#[cfg(test)]
mod pseudonym_forms;
mod pseudonyms;
mod same;
mod shapes;
mod tallies;

use std::path::Path;

pub use classes::{CLASSES, Class, ClassText, classes_as_markdown};
pub use pseudonyms::{COLUMNS, Key, LONGEST_IDENTIFIER, PseudonymError, Pseudonyms, SHORTEST_KEY};

pub(crate) use gate::{Found, Gate};
pub(crate) use pseudonyms::ColumnPseudonyms;
pub(crate) use same::same_as_before;
pub(crate) use tallies::Tallies;

use crate::delivery::printable;
use crate::error::PipelineError;
use crate::rules::Rule;

/// Whether the name of a column is itself a value that tells who a person is, and so must not be repeated.
pub(crate) fn is_value(name: &str) -> bool {
    value_class(name).is_some()
}

/// Refuses a column by its name, or by a name that is itself an identifier.
///
/// # Errors
/// A refusal by `identifying-column`; the name is told only where it is a name.
pub(crate) fn pass_column(name: &str, file: &Path) -> Result<(), PipelineError> {
    let refuse = |class, shown: &str| {
        PipelineError::identifying(Rule::IdentifyingColumn, file, Some(1), shown, class)
    };
    match (value_class(name), column_names::class_of(name)) {
        (Some(class), _) => Err(refuse(class, "whose name is not repeated here")),
        (None, Some(class)) => Err(refuse(class, &printable(name))),
        (None, None) => Ok(()),
    }
}

/// The class of identifiers that the name of a column looks like, if any.
fn value_class(name: &str) -> Option<Class> {
    let mut in_name = None;
    shapes::signs(name.as_bytes(), shapes::Role::Label, |sign| {
        let class = match sign {
            shapes::Sign::Certain(class)
            | shapes::Sign::Number(numbers::Number::Certain(class)) => class,
            shapes::Sign::Date => Class::Date,
            shapes::Sign::Number(numbers::Number::Bare(_)) => Class::OtherCode,
            shapes::Sign::Name => Class::Name,
            _ => return,
        };
        in_name.get_or_insert(class);
    });
    in_name
}

/// The class of identifiers that the name of a file holds, if any.
pub(crate) fn class_of_file_name(name: &str) -> Option<Class> {
    shapes::file_name_class(name)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_refused_name_is_told_in_one_line_without_control_characters() {
        let name = "\u{1}\0\0\tvorname patient_id\n";
        let refusal = pass_column(name, Path::new("fittings.csv")).unwrap_err();
        let PipelineError::Refused { sentence, .. } = refusal else {
            panic!("{refusal:?}");
        };
        assert!(sentence.contains("vorname patient_id"), "{sentence}");
        assert!(!sentence.contains(char::is_control), "{sentence:?}");
    }
}
