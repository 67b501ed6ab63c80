//! Observations as rows of `ears` in its long form.

use csv::ByteRecord;

use super::map::{FhirSource, Side, ThresholdCode};
use super::references::{Belonging, fitting_id};
use super::resources::{Concept, Observation};
use super::{Extracted, Row};
use crate::decimal;
use crate::rules::Rule;
use crate::vocabulary::Truth;

const FITTING: u16 = 0;
const EAR: u16 = 1;
const FREQUENCY: u16 = 2;
const THRESHOLD: u16 = 3;

/// A number written in text that is longer is none that anybody has measured.
const MOST_DIGITS: usize = 64;

/// The columns of the rows.
pub(super) fn columns(source: &FhirSource) -> Vec<&'static str> {
    let mut names = vec!["fitting_id", "ear", "frequency_hz", "threshold"];
    names.extend(source.fitted.map(|_| "fitted"));
    names
}

/// Statuses of an observation that stands (hl7.org/fhir/R4/valueset-observation-status.html).
const STANDS: [&str; 3] = ["final", "amended", "corrected"];

/// Adds the rows of an observation and of its components.
pub(super) fn rows(source: &FhirSource, observation: &Observation, out: &mut Extracted) {
    // The code of a panel names no value of its own; its components do.
    let is_panel = !observation.component.is_empty() && values(observation) == 0;
    if !is_panel {
        add(source, observation, observation, out);
    }
    for component in &observation.component {
        add(source, observation, component, out);
    }
}

/// Adds the row of an observation or of a component of it, where its code is mapped.
fn add(source: &FhirSource, whole: &Observation, part: &Observation, out: &mut Extracted) {
    let Mapped { first, differ } = mapped(part.code.as_ref(), |key| source.thresholds.get(key));
    let Some(code) = first else {
        out.tally.not_mapped += 1;
        return;
    };
    if values(part) == 0 && part.data_absent_reason.is_some() {
        out.tally.absent += 1;
        return;
    }
    let mut fault = None;
    let mut breaks = |rule, column| fault = fault.or(Some((column, rule)));
    if !part.modifier_extension.is_empty() || !whole.modifier_extension.is_empty() {
        breaks(Rule::ResourceNotRead, None);
    }
    let stands = |status: &String| STANDS.contains(&status.as_str());
    if !whole.status.as_ref().is_some_and(stands) {
        breaks(Rule::ResourceStatus, None);
    }
    let id = fitting_id(
        &source.fitting,
        &Belonging {
            encounter: whole.encounter.as_ref(),
            subject: whole.subject.as_ref(),
            based_on: &whole.based_on,
            identifiers: whole.identifier.iter().collect(),
        },
    );
    let id = id.unwrap_or_else(|rule| {
        breaks(rule, Some(FITTING));
        ""
    });
    if differ {
        breaks(Rule::ResourceDisagrees, Some(FREQUENCY));
    }
    let side = ear(source, whole, code).unwrap_or_else(|()| {
        breaks(Rule::ResourceDisagrees, Some(EAR));
        None
    });
    let value = threshold(source, part).unwrap_or_else(|rule| {
        breaks(rule, Some(THRESHOLD));
        String::new()
    });
    let mut fields = ByteRecord::new();
    fields.push_field(id.as_bytes());
    fields.push_field(side.map_or("", |side| side.ear().word()).as_bytes());
    fields.push_field(code.frequency_hz.to_string().as_bytes());
    fields.push_field(value.as_bytes());
    if let Some(fitted) = source.fitted {
        let word = if fitted { Truth::True } else { Truth::False };
        fields.push_field(word.word().as_bytes());
    }
    out.rows.push(Row { fields, fault });
}

/// What the codes of a concept mean.
pub(super) struct Mapped<'a, T> {
    /// The meaning of the first that is mapped.
    pub(super) first: Option<&'a T>,
    /// Another means something else.
    pub(super) differ: bool,
}

/// Looks up what the codes of a concept mean.
fn mapped<'a, T: PartialEq>(
    concept: Option<&Concept>,
    meaning: impl Fn(&str) -> Option<&'a T>,
) -> Mapped<'a, T> {
    let codings = concept.map_or(&[][..], |concept| &concept.coding);
    let mut meanings = codings.iter().filter_map(|coding| meaning(&coding.key()));
    let first = meanings.next();
    Mapped {
        first,
        differ: meanings.any(|other| Some(other) != first),
    }
}

/// The ear by code and body site; none where neither says it.
fn ear(source: &FhirSource, whole: &Observation, code: &ThresholdCode) -> Result<Option<Side>, ()> {
    let site = mapped(whole.body_site.as_ref(), |key| source.sites.get(key));
    match (code.ear, site.first) {
        _ if site.differ => Err(()),
        (Some(by_code), Some(by_site)) if by_code != *by_site => Err(()),
        (by_code, by_site) => Ok(by_code.or(by_site.copied())),
    }
}

/// How many values there are; one at most is due.
fn values(part: &Observation) -> usize {
    usize::from(part.value_quantity.is_some())
        + usize::from(part.value_string.is_some())
        + usize::from(part.value_integer.is_some())
        + part.other_values()
}

/// The threshold as a cell of `ears`: a number in dB HL, or `>` and the limit at which there was no response. Text that
/// is neither stays out, whatever it says.
fn threshold(source: &FhirSource, part: &Observation) -> Result<String, Rule> {
    match values(part) {
        0 => return Ok(String::new()),
        1 if part.data_absent_reason.is_none() => {}
        _ => return Err(Rule::ResourceDisagrees),
    }
    if let Some(quantity) = &part.value_quantity {
        let digits = quantity.value.as_ref().map_or("", |digits| &*digits.0);
        if !source.is_hearing_level(&quantity.units()) {
            return Err(Rule::UnitNotTaken);
        }
        return match quantity.comparator.as_deref() {
            None => Ok(digits.to_owned()),
            Some(">") if !digits.is_empty() => Ok(format!(">{digits}")),
            Some(_) => Err(Rule::ValueNotTaken),
        };
    }
    if let Some(digits) = &part.value_integer {
        return Ok(digits.0.clone());
    }
    let text = part.value_string.as_deref().unwrap_or_default().trim();
    let (sign, digits) = match text.strip_prefix('>') {
        Some(limit) => (">", limit.trim_start()),
        None => ("", text),
    };
    match decimal::parse(digits.as_bytes()) {
        Some(_) if digits.len() <= MOST_DIGITS => Ok(format!("{sign}{digits}")),
        _ => Err(Rule::ValueNotTaken),
    }
}
