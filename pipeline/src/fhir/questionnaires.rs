//! Questionnaire responses as rows of `outcomes`.

use csv::ByteRecord;

use super::map::{AnswerCode, FhirSource};
use super::references::{Belonging, fitting_id};
use super::resources::{Answer, Digits, Extension, Item, Quantity, QuestionnaireResponse};
use super::{Extracted, Row};
use crate::rules::Rule;

const FITTING: u16 = 0;
const SCORE: u16 = 3;
const WEEKS: u16 = 4;

/// The columns of the rows.
pub(super) fn columns(source: &FhirSource) -> Vec<&'static str> {
    let mut names = vec!["fitting_id", "instrument", "item", "score"];
    names.extend(source.weeks_after.as_ref().map(|_| "weeks_after"));
    names
}

/// Statuses of a response that stands (hl7.org/fhir/R4/valueset-questionnaire-answers-status.html).
const STANDS: [&str; 2] = ["completed", "amended"];

/// A response while its items are gone through.
struct Response<'a> {
    source: &'a FhirSource,
    questionnaire: &'a str,
    id: Result<&'a str, Rule>,
    stands: bool,
    weeks: Result<&'a str, Rule>,
}

/// Adds the rows of a response: one an answer to a mapped question, however deep it stands.
pub(super) fn rows(source: &FhirSource, resource: &QuestionnaireResponse, out: &mut Extracted) {
    let canonical = resource.questionnaire.as_deref().unwrap_or_default();
    let stands = |status: &String| STANDS.contains(&status.as_str());
    let response = Response {
        source,
        // An address may be followed by a bar and a version.
        questionnaire: canonical.split('|').next().unwrap_or_default(),
        id: fitting_id(
            &source.fitting,
            &Belonging {
                encounter: resource.encounter.as_ref(),
                subject: resource.subject.as_ref(),
                based_on: &resource.based_on,
                identifiers: resource.identifier.iter().collect(),
            },
        ),
        stands: resource.status.as_ref().is_some_and(stands),
        weeks: weeks_after(source, &resource.extension),
    };
    let modified = !resource.modifier_extension.is_empty();
    for item in &resource.item {
        response.add_item(item, modified, out);
    }
}

impl Response<'_> {
    fn add_item(&self, item: &Item, modified: bool, out: &mut Extracted) {
        let modified = modified || !item.modifier_extension.is_empty();
        let link = item.link_id.as_deref().unwrap_or_default();
        let question = self
            .source
            .answers
            .get(&format!("{}|{link}", self.questionnaire));
        if question.is_some() && item.answer.is_empty() {
            out.tally.absent += 1;
        }
        for answer in &item.answer {
            match question {
                None if values(answer) > 0 => out.tally.not_mapped += 1,
                None => {}
                Some(question) => self.add_answer(question, answer, modified, out),
            }
            for item in &answer.item {
                self.add_item(item, modified, out);
            }
        }
        for item in &item.item {
            self.add_item(item, modified, out);
        }
    }

    fn add_answer(
        &self,
        question: &AnswerCode,
        answer: &Answer,
        modified: bool,
        out: &mut Extracted,
    ) {
        let mut fault = None;
        let mut breaks = |rule, column| fault = fault.or(Some((column, rule)));
        if modified || !answer.modifier_extension.is_empty() {
            breaks(Rule::ResourceNotRead, None);
        }
        if !self.stands {
            breaks(Rule::ResourceStatus, None);
        }
        let id = self.id.unwrap_or_else(|rule| {
            breaks(rule, Some(FITTING));
            ""
        });
        let score = score(self.source, question, answer).unwrap_or_else(|rule| {
            breaks(rule, Some(SCORE));
            ""
        });
        let weeks = self.weeks.unwrap_or_else(|rule| {
            breaks(rule, Some(WEEKS));
            ""
        });
        let mut fields = ByteRecord::from(vec![id, &question.instrument, &question.item, score]);
        if self.source.weeks_after.is_some() {
            fields.push_field(weeks.as_bytes());
        }
        out.rows.push(Row { fields, fault });
    }
}

/// How many values there are; one is due.
fn values(answer: &Answer) -> usize {
    usize::from(answer.value_integer.is_some())
        + usize::from(answer.value_decimal.is_some())
        + usize::from(answer.value_coding.is_some())
        + usize::from(answer.value_quantity.is_some())
        + answer.other_values()
}

/// The score as a cell of `outcomes`.
fn score<'a>(
    source: &'a FhirSource,
    question: &'a AnswerCode,
    answer: &'a Answer,
) -> Result<&'a str, Rule> {
    match values(answer) {
        0 => return Ok(""),
        1 => {}
        _ => return Err(Rule::ResourceDisagrees),
    }
    if let Some(digits) = answer
        .value_integer
        .as_ref()
        .or(answer.value_decimal.as_ref())
    {
        return Ok(&digits.0);
    }
    if let Some(quantity) = &answer.value_quantity {
        return number(quantity, question.unit.as_deref());
    }
    if let Some(coding) = &answer.value_coding {
        let key = coding.key();
        let score = question
            .scores
            .get(&key)
            .or_else(|| source.scores.get(&key));
        return score.map(|score| &*score.0).ok_or(Rule::ValueNotTaken);
    }
    Err(Rule::ValueNotTaken)
}

/// The number of a quantity in the unit that is due; without one it has to have none, or `1`, the unit of counts in UCUM.
fn number<'a>(quantity: &'a Quantity, unit: Option<&str>) -> Result<&'a str, Rule> {
    let units = quantity.units();
    let is_due = match unit {
        Some(unit) => !units.is_empty() && units.contains(&unit),
        None => units.iter().all(|word| *word == "1"),
    };
    if !is_due {
        return Err(Rule::UnitNotTaken);
    }
    if quantity.comparator.is_some() {
        return Err(Rule::ValueNotTaken);
    }
    Ok(digits(quantity.value.as_ref()))
}

fn digits(digits: Option<&Digits>) -> &str {
    digits.map_or("", |digits| &digits.0)
}

/// The weeks since the fitting, where the map names the extension that states them and the response has it.
fn weeks_after<'a>(source: &FhirSource, extensions: &'a [Extension]) -> Result<&'a str, Rule> {
    let mut stated = extensions
        .iter()
        .filter(|extension| extension.url.is_some() && extension.url == source.weeks_after);
    let Some(extension) = stated.next() else {
        return Ok("");
    };
    if stated.next().is_some() {
        return Err(Rule::ResourceDisagrees);
    }
    let value = &extension.value_integer;
    match (value, &extension.value_decimal, &extension.value_quantity) {
        (Some(weeks), None, None) | (None, Some(weeks), None) => Ok(&weeks.0),
        // The code of a week in UCUM.
        (None, None, Some(quantity)) => number(quantity, Some("wk")),
        _ => Err(Rule::ValueNotTaken),
    }
}
