//! The id of the fitting that a resource belongs to.

use super::FittingPlace;
use super::resources::{Identifier, Reference};
use crate::rules::Rule;

/// What a resource says of where it belongs.
pub(super) struct Belonging<'a> {
    pub(super) encounter: Option<&'a Reference>,
    pub(super) subject: Option<&'a Reference>,
    pub(super) based_on: &'a [Reference],
    pub(super) identifiers: Vec<&'a Identifier>,
}

/// Longer texts, in bytes, are no id that anything could be made of.
const LONGEST_ID: usize = 1024;

/// The id of the fitting; empty where the resource does not say it.
///
/// # Errors
/// The rule where it says two, or something far too long.
pub(super) fn fitting_id<'a>(
    place: &FittingPlace,
    belonging: &Belonging<'a>,
) -> Result<&'a str, Rule> {
    let id = match place {
        FittingPlace::Encounter => Some(of_reference(belonging.encounter)),
        FittingPlace::Subject => Some(of_reference(belonging.subject)),
        FittingPlace::BasedOn => the_one(belonging.based_on.iter().map(|r| of_reference(Some(r)))),
        FittingPlace::Identifier(system) => the_one(
            belonging
                .identifiers
                .iter()
                .filter(|identifier| identifier.system.as_ref() == Some(system))
                .map(|identifier| identifier.value.as_deref().unwrap_or_default()),
        ),
    };
    match id {
        None => Err(Rule::ResourceDisagrees),
        Some(id) if id.len() > LONGEST_ID => Err(Rule::IdentifierShape),
        Some(id) => Ok(id),
    }
}

/// The value that all say; empty where nothing is said, none where two differ.
fn the_one<'a>(mut said: impl Iterator<Item = &'a str>) -> Option<&'a str> {
    let first = said.next().unwrap_or_default();
    said.all(|other| other == first).then_some(first)
}

/// The id in a reference: `Encounter/abc`, an address that ends so, either with `/_history/` and a version, or
/// `urn:uuid:` and the id (hl7.org/fhir/R4/references.html). Anything else is left as it is for the rules to judge.
fn of_reference(reference: Option<&Reference>) -> &str {
    let text = reference
        .and_then(|reference| reference.reference.as_deref())
        .unwrap_or_default();
    let text = text
        .split_once("/_history/")
        .map_or(text, |(resource, _)| resource);
    let text = text.strip_prefix("urn:uuid:").unwrap_or(text);
    text.rsplit_once('/').map_or(text, |(_, id)| id)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_id_is_the_last_part_of_a_reference() {
        for (reference, id) in [
            ("Encounter/abc", "abc"),
            ("https://example.org/fhir/Encounter/abc", "abc"),
            ("Encounter/abc/_history/2", "abc"),
            (
                "urn:uuid:0b1c2d3e-0000-4000-8000-000000000001",
                "0b1c2d3e-0000-4000-8000-000000000001",
            ),
            ("abc", "abc"),
            ("#abc", "#abc"),
            ("", ""),
            ("Encounter/", ""),
        ] {
            let reference = Reference {
                reference: Some(reference.to_owned()),
            };
            assert_eq!(of_reference(Some(&reference)), id, "{reference:?}");
        }
        assert_eq!(of_reference(None), "");
    }
}
