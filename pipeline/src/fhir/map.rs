//! What a column map says of FHIR resources: in which files they stand, where the id of the fitting is, and which codes
//! mean which ear and frequency, which questions which item, and which answers which score. No code is built in.

use std::collections::BTreeMap;
use std::fmt;

use serde::{Deserialize, Deserializer, Serialize};

use super::files;
use crate::vocabulary::Ear;

/// An entry `[[fhir]]` of a column map.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct FhirSource {
    /// Names in the delivery; `*` stands for any run of characters. They end in `.json` (a Bundle) or `.ndjson`
    /// (resources, one a line), also packed as `.gz` or `.zst`. How a file is called is no part of what it says.
    #[serde(skip_serializing)]
    pub files: Vec<String>,
    /// Where a resource names its fitting.
    pub fitting: FittingPlace,
    /// Whether the ears of the thresholds were fitted, where that is the same for all of them.
    #[serde(default)]
    pub fitted: Option<bool>,
    /// Address of the extension of a questionnaire response that states the weeks since the fitting, as a number or as
    /// a quantity in `wk`.
    #[serde(default)]
    pub weeks_after: Option<String>,
    /// Words by which the sender means dB HL, beside those of [`HEARING_LEVEL`].
    #[serde(default)]
    pub units: Vec<String>,
    /// Codes of observations, as `system|code`: ear and frequency of the threshold.
    #[serde(default)]
    pub thresholds: BTreeMap<String, ThresholdCode>,
    /// Codes of body sites, as `system|code`: the ear, where the code of the observation does not say it.
    #[serde(default)]
    pub sites: BTreeMap<String, Side>,
    /// Questions, as `questionnaire|linkId` with the questionnaire's canonical address without its version.
    #[serde(default)]
    pub answers: BTreeMap<String, AnswerCode>,
    /// Codes of answers, as `system|code`: the score.
    #[serde(default)]
    pub scores: BTreeMap<String, Score>,
}

/// Words for dB HL. UCUM has no code for the hearing level (a request for `dB(HL)` stands in its trac as ticket 2123), so
/// senders use the plain decibel or a spelling of their own.
pub const HEARING_LEVEL: [&str; 4] = ["dB", "dB HL", "dB(HL)", "dB[HL]"];

/// What the code of an observation means.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct ThresholdCode {
    /// The ear; none where the body site says it.
    #[serde(default)]
    pub ear: Option<Side>,
    /// Frequency in Hz.
    pub frequency_hz: u32,
}

/// What a question means.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct AnswerCode {
    /// Instrument.
    pub instrument: String,
    /// Item of the instrument.
    pub item: String,
    /// Unit of answers that are quantities, as their code or their unit says it; none: they have none.
    #[serde(default)]
    pub unit: Option<String>,
    /// Scores of this question's answers, before those of the whole entry.
    #[serde(default)]
    pub scores: BTreeMap<String, Score>,
}

/// An ear, in a map.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Deserialize, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Side {
    /// The left ear.
    Left,
    /// The right ear.
    Right,
}

impl Side {
    /// The ear.
    #[must_use]
    pub fn ear(self) -> Ear {
        match self {
            Self::Left => Ear::Left,
            Self::Right => Ear::Right,
        }
    }
}

/// A score, as its text.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(transparent)]
pub struct Score(pub String);

impl<'de> Deserialize<'de> for Score {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        super::resources::Digits::deserialize(deserializer).map(|digits| Self(digits.0))
    }
}

/// Where a resource names its fitting.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Deserialize, Serialize)]
#[serde(try_from = "String", into = "String")]
pub enum FittingPlace {
    /// Id of the encounter referred to.
    Encounter,
    /// Id of the subject referred to, where every fitting is a subject of its own.
    Subject,
    /// Id of the order that the resource is based on.
    BasedOn,
    /// The resource's own identifier under this system.
    Identifier(String),
}

impl TryFrom<String> for FittingPlace {
    type Error = FhirMapError;

    fn try_from(text: String) -> Result<Self, FhirMapError> {
        match text.as_str() {
            "encounter" => Ok(Self::Encounter),
            "subject" => Ok(Self::Subject),
            "based-on" => Ok(Self::BasedOn),
            other => match other.strip_prefix("identifier:") {
                Some(system) if !system.is_empty() => Ok(Self::Identifier(system.to_owned())),
                _ => Err(FhirMapError::Fitting),
            },
        }
    }
}

impl From<FittingPlace> for String {
    fn from(place: FittingPlace) -> Self {
        place.to_string()
    }
}

impl fmt::Display for FittingPlace {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Encounter => out.write_str("encounter"),
            Self::Subject => out.write_str("subject"),
            Self::BasedOn => out.write_str("based-on"),
            Self::Identifier(system) => write!(out, "identifier:{system}"),
        }
    }
}

/// What does not fit in an entry `[[fhir]]`.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum FhirMapError {
    /// The place of the fitting's id is not one of those that are read.
    #[error("fitting is none of encounter, subject, based-on, or identifier: followed by a system")]
    Fitting,
    /// No file is named.
    #[error("files names no file")]
    NoFiles,
    /// A pattern that no file of resources can have.
    #[error("files has the pattern {0:?}, which ends in none of {ENDINGS}", ENDINGS = files::ENDINGS.map(|(ending, ..)| ending).join(", "))]
    Ending(String),
    /// Neither thresholds nor answers.
    #[error("neither thresholds nor answers are mapped")]
    NothingMapped,
    /// A key that is not two parts with a bar between them.
    #[error("{table} has the key {key:?}, which is not {shape}")]
    Key {
        /// The table of the entry.
        table: &'static str,
        /// The key.
        key: String,
        /// What the key has to be.
        shape: &'static str,
    },
    /// A threshold whose ear nothing says.
    #[error("thresholds has no ear for {0:?}, and there are no sites to say it")]
    NoEar(String),
}

const CODE: &str = "a system and a code with a bar between them, such as http://example.org|a";
const QUESTION: &str = "a questionnaire and a linkId with a bar between them";

impl FhirSource {
    /// Checks what the text alone does not ensure.
    ///
    /// # Errors
    /// The first thing that does not fit.
    pub fn validate(&self) -> Result<(), FhirMapError> {
        if self.files.is_empty() {
            return Err(FhirMapError::NoFiles);
        }
        if let Some(pattern) = self.files.iter().find(|pattern| !files::can_fit(pattern)) {
            return Err(FhirMapError::Ending(pattern.clone()));
        }
        if self.thresholds.is_empty() && self.answers.is_empty() {
            return Err(FhirMapError::NothingMapped);
        }
        keys("thresholds", self.thresholds.keys(), CODE)?;
        keys("sites", self.sites.keys(), CODE)?;
        keys("answers", self.answers.keys(), QUESTION)?;
        keys("scores", self.scores.keys(), CODE)?;
        for answer in self.answers.values() {
            keys("scores of an answer", answer.scores.keys(), CODE)?;
        }
        match self.thresholds.iter().find(|(_, code)| code.ear.is_none()) {
            Some((key, _)) if self.sites.is_empty() => Err(FhirMapError::NoEar(key.clone())),
            _ => Ok(()),
        }
    }

    /// Hash of all that the entry says but of the files' names: the same bytes read otherwise are another delivery.
    #[must_use]
    pub fn hash(&self) -> String {
        // Serialising plain structs of words does not fail.
        let text = serde_json::to_string(self).unwrap_or_default();
        blake3::hash(text.as_bytes()).to_hex().to_string()
    }

    /// Whether words for a unit all mean dB HL, and there is one.
    pub(super) fn is_hearing_level(&self, words: &[&str]) -> bool {
        !words.is_empty()
            && words
                .iter()
                .all(|word| HEARING_LEVEL.contains(word) || self.units.iter().any(|u| u == word))
    }
}

fn keys<'a>(
    table: &'static str,
    mut keys: impl Iterator<Item = &'a String>,
    shape: &'static str,
) -> Result<(), FhirMapError> {
    let fits = |key: &str| {
        key.rsplit_once('|')
            .is_some_and(|(_, code)| !code.is_empty())
    };
    match keys.find(|key| !fits(key)) {
        None => Ok(()),
        Some(key) => Err(FhirMapError::Key {
            table,
            key: key.clone(),
            shape,
        }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn source(text: &str) -> Result<FhirSource, String> {
        let source: FhirSource = toml::from_str(text).map_err(|error| error.to_string())?;
        source.validate().map_err(|error| error.to_string())?;
        Ok(source)
    }

    const HEAD: &str = "files = [\"a*.ndjson\"]\nfitting = \"encounter\"\n";
    const LEFT: &str =
        "[thresholds]\n\"http://example.org|l500\" = { ear = \"left\", frequency_hz = 500 }\n";

    #[test]
    fn an_entry_says_what_codes_mean() {
        let text = format!(
            "{HEAD}fitted = true\n{LEFT}[answers]\n\"http://example.org/q|4\" = {{ instrument = \"ioi-ha\", item = \"4\" }}\n\
             [scores]\n\"http://example.org|b\" = 5\n\"http://example.org|c\" = 2.5\n"
        );
        let source = source(&text).expect("an entry");
        assert_eq!(source.fitting, FittingPlace::Encounter);
        let code = &source.thresholds["http://example.org|l500"];
        assert_eq!((code.ear, code.frequency_hz), (Some(Side::Left), 500));
        let scores: Vec<&str> = source.scores.values().map(|score| &*score.0).collect();
        assert_eq!(scores, ["5", "2.5"]);
    }

    #[test]
    fn what_does_not_fit_is_named() {
        for (text, says) in [
            (HEAD.to_owned(), "neither thresholds nor answers"),
            (
                format!("files = []\nfitting = \"subject\"\n{LEFT}"),
                "files",
            ),
            (
                format!("files = [\"a.csv\"]\nfitting = \"subject\"\n{LEFT}"),
                "\"a.csv\", which ends in none of .json",
            ),
            (
                format!("files = [\"a.json\"]\nfitting = \"somewhere\"\n{LEFT}"),
                "fitting is none of encounter",
            ),
            (
                format!("files = [\"a.json\"]\nfitting = \"identifier:\"\n{LEFT}"),
                "fitting is none of encounter",
            ),
            (format!("colour = 1\n{HEAD}{LEFT}"), "unknown field"),
            (
                format!(
                    "{HEAD}[thresholds]\n\"l500\" = {{ ear = \"left\", frequency_hz = 500 }}\n"
                ),
                "\"l500\", which is not a system and a code",
            ),
            (
                format!("{HEAD}[thresholds]\n\"a|b\" = {{ frequency_hz = 500 }}\n"),
                "no ear for \"a|b\"",
            ),
            (
                format!("{HEAD}[thresholds]\n\"a|b\" = {{ ear = \"both\", frequency_hz = 500 }}\n"),
                "unknown variant",
            ),
            (
                format!("{HEAD}{LEFT}[scores]\n\"a|b\" = \"five\"\n"),
                "a number",
            ),
        ] {
            let error = source(&text).expect_err(&text);
            assert!(error.contains(says), "{text}\n{error}");
        }
    }

    /// How a file is called is no part of what it says; what codes mean is.
    #[test]
    fn the_hash_is_of_the_meaning() {
        let hash = |text: &str| source(text).expect("an entry").hash();
        let plain = hash(&format!("{HEAD}{LEFT}"));
        let renamed = format!("{HEAD}{LEFT}").replace("a*.ndjson", "b.json");
        assert_eq!(hash(&renamed), plain);
        assert_ne!(
            hash(&format!("{HEAD}{LEFT}").replace("500 }", "1000 }")),
            plain
        );
    }
}
