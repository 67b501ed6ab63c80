//! From the text of a map to its structs, and from a key back to its line.

use std::collections::BTreeMap;
use std::fmt;
use std::path::Path;

use serde::de::value::MapAccessDeserializer;
use serde::de::{Error, MapAccess, Visitor};
use serde::{Deserialize, Deserializer, Serializer};
use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::{ColumnMap, MapError, Text, ThresholdUnit};
use crate::decimal;
use crate::plan::keys;
use crate::vocabulary::{FREQUENCIES, TableName};

/// A step on the way to a key.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Step {
    /// A key.
    Key(String),
    /// An entry of a list, from 0.
    Entry(usize),
}

/// Reads the text; nothing is compared with the tables yet.
pub(super) fn parsed(text: &str, path: &Path) -> Result<ColumnMap, MapError> {
    let mut map: ColumnMap = toml::from_str(text).map_err(|error| MapError::Syntax {
        path: path.to_path_buf(),
        line: error.span().map(|span| line_at(text, span.start)),
        message: keys::with_suggestion(error.to_string().trim_end()),
    })?;
    for (source, number) in map.sources.iter_mut().zip(1..) {
        source.number = number;
    }
    Ok(map)
}

fn line_at(text: &str, byte: usize) -> usize {
    let before = text.as_bytes().get(..byte).unwrap_or_default();
    1 + before.iter().filter(|byte| **byte == b'\n').count()
}

/// The line of a key, or of the deepest table above it that is there.
pub(super) fn line_of(text: &str, at: &[Step]) -> Option<usize> {
    let root = DeTable::parse(text).ok()?;
    let mut line = None;
    let mut table = Some(root.get_ref());
    let mut list: Option<&[Spanned<DeValue<'_>>]> = None;
    for step in at {
        let value = match step {
            Step::Key(name) => {
                let found = table.and_then(|table| {
                    table
                        .iter()
                        .find(|(key, _)| key.get_ref().as_ref() == name.as_str())
                });
                let Some((key, value)) = found else { break };
                line = Some(line_at(text, key.span().start));
                value
            }
            Step::Entry(position) => {
                let Some(value) = list.and_then(|list| list.get(*position)) else {
                    break;
                };
                line = Some(line_at(text, value.span().start));
                value
            }
        };
        table = value.get_ref().as_table();
        list = value.get_ref().as_array().map(|list| &**list);
    }
    line
}

/// A key in words: `source 2, columns.eer`.
pub(super) fn in_words(at: &[Step]) -> String {
    let mut out = String::new();
    let mut steps = at.iter().peekable();
    while let Some(step) = steps.next() {
        match step {
            Step::Key(name) if name == "source" => {
                out.push_str("source");
                if let Some(Step::Entry(position)) = steps.peek() {
                    out.push_str(&format!(" {}", position + 1));
                    steps.next();
                    if steps.peek().is_some() {
                        out.push_str(", ");
                    }
                }
            }
            Step::Key(name) => {
                out.push_str(name);
                if matches!(steps.peek(), Some(Step::Key(_))) {
                    out.push('.');
                }
            }
            // Which entry of a list is told by its line.
            Step::Entry(_) => {}
        }
    }
    out
}

pub(super) fn comma() -> u8 {
    b','
}

/// `separator`: one ASCII character or `tab`.
pub(super) fn separator<'de, D: Deserializer<'de>>(from: D) -> Result<u8, D::Error> {
    let text = String::deserialize(from)?;
    match text.as_bytes() {
        b"tab" => Ok(b'\t'),
        [byte]
            if (byte.is_ascii_punctuation() && *byte != b'"') || matches!(byte, b'\t' | b' ') =>
        {
            Ok(*byte)
        }
        _ => Err(D::Error::custom(
            "a separator is one character such as \";\" or \"|\", or \"tab\"",
        )),
    }
}

/// `table`: one of the four.
pub(super) fn table<'de, D: Deserializer<'de>>(from: D) -> Result<TableName, D::Error> {
    let text = String::deserialize(from)?;
    TableName::from_word(text.as_bytes()).ok_or_else(|| {
        D::Error::custom(format!(
            "the tables are {}{}",
            TableName::WORDS.join(", "),
            did_you_mean(&text, TableName::WORDS.iter().copied())
        ))
    })
}

pub(super) fn table_word<S: Serializer>(table: &TableName, to: S) -> Result<S::Ok, S::Error> {
    to.serialize_str(table.word())
}

/// A question for what was meant, or nothing.
pub(super) fn did_you_mean<'a>(given: &str, known: impl Iterator<Item = &'a str>) -> String {
    keys::nearest(given, known)
        .map(|near| format!(": did you mean `{near}`?"))
        .unwrap_or_default()
}

impl<'de> Deserialize<'de> for Text {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        struct Any;
        impl Visitor<'_> for Any {
            type Value = Text;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a text in quotes, a whole number, or true or false")
            }
            fn visit_str<E: Error>(self, text: &str) -> Result<Text, E> {
                Ok(Text(text.to_owned()))
            }
            fn visit_bool<E: Error>(self, value: bool) -> Result<Text, E> {
                Ok(Text(value.to_string()))
            }
            fn visit_i64<E: Error>(self, value: i64) -> Result<Text, E> {
                Ok(Text(value.to_string()))
            }
        }
        from.deserialize_any(Any)
    }
}

/// A level in dB with at most two decimals, as hundredths.
struct Level(i64);

impl<'de> Deserialize<'de> for Level {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        struct Any;
        impl Any {
            fn level<E: Error>(text: &str) -> Result<Level, E> {
                decimal::parse(text.as_bytes())
                    .filter(|level| level.is_exact() && level.within(-10_000, 10_000))
                    .map(|level| Level(level.rounded))
                    .ok_or_else(|| {
                        E::custom("a reference level is a number from -100 to 100 dB with at most two decimals")
                    })
            }
        }
        impl Visitor<'_> for Any {
            type Value = Level;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a level in dB")
            }
            fn visit_i64<E: Error>(self, value: i64) -> Result<Level, E> {
                Self::level(&value.to_string())
            }
            // The shortest text of the number is the decimal that was written: no arithmetic is done with it.
            fn visit_f64<E: Error>(self, value: f64) -> Result<Level, E> {
                Self::level(&value.to_string())
            }
            fn visit_str<E: Error>(self, text: &str) -> Result<Level, E> {
                Self::level(text)
            }
        }
        from.deserialize_any(Any)
    }
}

/// The table form of `units.thresholds`.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct WithReference {
    unit: String,
    #[serde(default)]
    reference: BTreeMap<String, Level>,
}

impl<'de> Deserialize<'de> for ThresholdUnit {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        const HOW: &str = "thresholds are in \"dB HL\", or in { unit = \"dB SPL\", reference = { … } } \
                           with the level of 0 dB HL for each frequency in Hz";
        struct Any;
        impl<'de> Visitor<'de> for Any {
            type Value = ThresholdUnit;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("\"dB HL\" or a table with unit and reference")
            }
            fn visit_str<E: Error>(self, text: &str) -> Result<ThresholdUnit, E> {
                match text {
                    "dB HL" => Ok(ThresholdUnit::HearingLevel),
                    _ => Err(E::custom(HOW)),
                }
            }
            fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<ThresholdUnit, A::Error> {
                let given = WithReference::deserialize(MapAccessDeserializer::new(map))?;
                match given.unit.as_str() {
                    "dB HL" if given.reference.is_empty() => Ok(ThresholdUnit::HearingLevel),
                    "dB SPL" => given
                        .reference
                        .into_iter()
                        .map(|(frequency, Level(level))| {
                            frequency
                                .parse()
                                .ok()
                                .filter(|frequency| FREQUENCIES.contains(frequency))
                                .map(|frequency| (frequency, level))
                                .ok_or_else(|| {
                                    A::Error::custom(
                                        "reference levels are given for the ten frequencies that are kept, \
                                         in Hz: 250 to 8000",
                                    )
                                })
                        })
                        .collect::<Result<_, _>>()
                        .map(ThresholdUnit::SoundPressureLevel),
                    _ => Err(A::Error::custom(HOW)),
                }
            }
        }
        from.deserialize_any(Any)
    }
}
