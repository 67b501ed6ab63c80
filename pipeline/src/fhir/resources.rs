//! The parts of FHIR R4 resources that are read: what is not here is never looked at, names, narrative and display texts
//! among it.
//!
//! Structure: hl7.org/fhir/R4/observation.html, questionnaireresponse.html, datatypes.html (Quantity, Coding, Identifier),
//! references.html and json.html.

use std::fmt;

use serde::de::{DeserializeOwned, Error as _, IgnoredAny, Visitor};
use serde::{Deserialize, Deserializer};

/// An entry of a Bundle.
#[derive(Debug, Deserialize)]
pub(super) struct Entry<T> {
    pub(super) resource: Option<T>,
}

/// What a resource is.
#[derive(Debug, Deserialize)]
#[serde(rename_all = "camelCase")]
pub(super) struct Kind {
    pub(super) resource_type: String,
}

/// An observation, or a component of one.
#[derive(Debug, Default, Deserialize)]
#[serde(rename_all = "camelCase", default)]
pub(super) struct Observation {
    pub(super) status: Option<String>,
    pub(super) identifier: Vec<Identifier>,
    pub(super) based_on: Vec<Reference>,
    pub(super) subject: Option<Reference>,
    pub(super) encounter: Option<Reference>,
    pub(super) code: Option<Concept>,
    pub(super) body_site: Option<Concept>,
    pub(super) value_quantity: Option<Quantity>,
    pub(super) value_string: Option<String>,
    pub(super) value_integer: Option<Digits>,
    value_codeable_concept: Option<IgnoredAny>,
    value_boolean: Option<IgnoredAny>,
    value_range: Option<IgnoredAny>,
    value_ratio: Option<IgnoredAny>,
    value_sampled_data: Option<IgnoredAny>,
    value_time: Option<IgnoredAny>,
    value_date_time: Option<IgnoredAny>,
    value_period: Option<IgnoredAny>,
    pub(super) data_absent_reason: Option<IgnoredAny>,
    pub(super) modifier_extension: Vec<IgnoredAny>,
    pub(super) component: Vec<Self>,
}

impl Observation {
    /// How many values of kinds that are no threshold there are.
    pub(super) fn other_values(&self) -> usize {
        let others = [
            &self.value_codeable_concept,
            &self.value_boolean,
            &self.value_range,
            &self.value_ratio,
            &self.value_sampled_data,
            &self.value_time,
            &self.value_date_time,
            &self.value_period,
        ];
        others.into_iter().flatten().count()
    }
}

/// A questionnaire response.
#[derive(Debug, Default, Deserialize)]
#[serde(rename_all = "camelCase", default)]
pub(super) struct QuestionnaireResponse {
    pub(super) status: Option<String>,
    pub(super) identifier: Option<Identifier>,
    pub(super) based_on: Vec<Reference>,
    pub(super) subject: Option<Reference>,
    pub(super) encounter: Option<Reference>,
    pub(super) questionnaire: Option<String>,
    pub(super) extension: Vec<Extension>,
    pub(super) modifier_extension: Vec<IgnoredAny>,
    pub(super) item: Vec<Item>,
}

/// A group or a question.
#[derive(Debug, Default, Deserialize)]
#[serde(rename_all = "camelCase", default)]
pub(super) struct Item {
    pub(super) link_id: Option<String>,
    pub(super) answer: Vec<Answer>,
    pub(super) item: Vec<Self>,
    pub(super) modifier_extension: Vec<IgnoredAny>,
}

/// An answer to a question.
#[derive(Debug, Default, Deserialize)]
#[serde(rename_all = "camelCase", default)]
pub(super) struct Answer {
    pub(super) value_integer: Option<Digits>,
    pub(super) value_decimal: Option<Digits>,
    pub(super) value_coding: Option<Coding>,
    pub(super) value_quantity: Option<Quantity>,
    value_boolean: Option<IgnoredAny>,
    value_date: Option<IgnoredAny>,
    value_date_time: Option<IgnoredAny>,
    value_time: Option<IgnoredAny>,
    value_string: Option<IgnoredAny>,
    value_uri: Option<IgnoredAny>,
    value_attachment: Option<IgnoredAny>,
    value_reference: Option<IgnoredAny>,
    pub(super) item: Vec<Item>,
    pub(super) modifier_extension: Vec<IgnoredAny>,
}

impl Answer {
    /// How many values of kinds that are no score there are.
    pub(super) fn other_values(&self) -> usize {
        let others = [
            &self.value_boolean,
            &self.value_date,
            &self.value_date_time,
            &self.value_time,
            &self.value_string,
            &self.value_uri,
            &self.value_attachment,
            &self.value_reference,
        ];
        others.into_iter().flatten().count()
    }
}

/// An extension; only numbers are read.
#[derive(Debug, Default, Deserialize)]
#[serde(rename_all = "camelCase", default)]
pub(super) struct Extension {
    pub(super) url: Option<String>,
    #[serde(deserialize_with = "lenient")]
    pub(super) value_integer: Option<Digits>,
    #[serde(deserialize_with = "lenient")]
    pub(super) value_decimal: Option<Digits>,
    #[serde(deserialize_with = "lenient")]
    pub(super) value_quantity: Option<Quantity>,
}

/// A coded concept: the same thing in one or more code systems.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(super) struct Concept {
    pub(super) coding: Vec<Coding>,
}

/// A code of a code system.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(super) struct Coding {
    system: Option<String>,
    code: Option<String>,
}

impl Coding {
    /// The code as a map names it.
    pub(super) fn key(&self) -> String {
        let part = |part: &Option<String>| part.clone().unwrap_or_default();
        format!("{}|{}", part(&self.system), part(&self.code))
    }
}

/// A reference to another resource.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(super) struct Reference {
    pub(super) reference: Option<String>,
}

/// An identifier.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(super) struct Identifier {
    pub(super) system: Option<String>,
    pub(super) value: Option<String>,
}

/// A quantity.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(super) struct Quantity {
    pub(super) value: Option<Digits>,
    pub(super) comparator: Option<String>,
    unit: Option<String>,
    code: Option<String>,
}

impl Quantity {
    /// The words that say the unit: its code and its text, where there are any.
    pub(super) fn units(&self) -> Vec<&str> {
        self.code
            .as_deref()
            .into_iter()
            .chain(self.unit.as_deref())
            .collect()
    }
}

/// A JSON number as plain decimal digits.
///
/// A number of up to 15 significant digits keeps them all: it goes through a double, whose shortest decimal that reads
/// back as the same double is then that number (a decimal of 15 digits survives the way through an IEEE 754 double).
/// Longer ones become the shortest decimal of the nearest double.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Digits(pub(super) String);

impl<'de> Deserialize<'de> for Digits {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_any(DigitsVisitor)
    }
}

struct DigitsVisitor;

impl Visitor<'_> for DigitsVisitor {
    type Value = Digits;

    fn expecting(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str("a number")
    }

    fn visit_u64<E>(self, value: u64) -> Result<Digits, E> {
        Ok(Digits(value.to_string()))
    }

    fn visit_i64<E>(self, value: i64) -> Result<Digits, E> {
        Ok(Digits(value.to_string()))
    }

    fn visit_f64<E: serde::de::Error>(self, value: f64) -> Result<Digits, E> {
        if value.is_finite() {
            Ok(Digits(value.to_string()))
        } else {
            Err(E::custom("not a finite number"))
        }
    }
}

/// A value of another type is no value: extensions that are not asked for may hold anything.
fn lenient<'de, D: Deserializer<'de>, T: DeserializeOwned>(
    deserializer: D,
) -> Result<Option<T>, D::Error> {
    let value = serde_json::Value::deserialize(deserializer).map_err(D::Error::custom)?;
    Ok(serde_json::from_value(value).ok())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn digits(text: &str) -> Option<String> {
        serde_json::from_str::<Digits>(text).ok().map(|d| d.0)
    }

    /// Every hundredth that a level, a score or a number of weeks can be, as it is written.
    #[test]
    fn hundredths_keep_their_digits() {
        for hundredths in -100_000_i64..=100_000 {
            let sign = if hundredths < 0 { "-" } else { "" };
            let (whole, rest) = (hundredths.abs() / 100, hundredths.abs() % 100);
            let text = format!("{sign}{whole}.{rest:02}");
            let shown = digits(&text).expect("a number");
            let both = [text.as_bytes(), shown.as_bytes()].map(crate::decimal::parse);
            assert_eq!(
                both[0].map(|d| d.rounded),
                both[1].map(|d| d.rounded),
                "{text} {shown}"
            );
        }
        // Fifteen digits.
        for text in ["5.00000000000001", "0.123456789012345", "99999999999.9999"] {
            assert_eq!(digits(text).as_deref(), Some(text));
        }
    }

    #[test]
    fn numbers_are_plain_decimals_whatever_their_size() {
        for (text, expected) in [
            ("25", Some("25")),
            ("-5", Some("-5")),
            ("25.50", Some("25.5")),
            ("65.0", Some("65")),
            ("2.5e1", Some("25")),
            ("1e-7", Some("0.0000001")),
            ("18446744073709551616", Some("18446744073709552000")),
            ("1e400", None),
            ("\"25\"", None),
            ("true", None),
            ("null", None),
            ("[25]", None),
        ] {
            assert_eq!(digits(text).as_deref(), expected, "{text}");
        }
    }
}
