//! The plan: what is decided before numbers are looked at. A TOML file; every key has a default.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use crate::vocabulary::{FREQUENCIES, N_FREQUENCIES, frequency_position};

/// An error in a plan file.
#[derive(Debug, thiserror::Error)]
pub enum PlanError {
    /// The file could not be read.
    #[error("cannot read the plan {}: {source}", path.display())]
    Read {
        /// The plan file.
        path: PathBuf,
        /// The system's reason.
        source: std::io::Error,
    },
    /// The text is no TOML of the plan's form; the message names line, key and what is known.
    #[error("the plan {} is not understood: {message}", path.display())]
    Syntax {
        /// The plan file.
        path: PathBuf,
        /// What the parser says.
        message: String,
    },
    /// A value that does not make sense.
    #[error("the plan's {key} {what}")]
    Value {
        /// The key.
        key: String,
        /// What is wrong with it, and what would be right.
        what: String,
    },
}

/// Where soft, average and loud input begin and end, dB SPL.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct InputBands {
    /// Soft up to and including this level.
    pub soft_up_to: f64,
    /// Loud from this level on.
    pub loud_from: f64,
}

impl Default for InputBands {
    fn default() -> Self {
        Self {
            soft_up_to: 57.0,
            loud_from: 70.0,
        }
    }
}

/// Which answer stands for satisfaction.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Outcome {
    /// Instrument.
    pub instrument: String,
    /// Item.
    pub item: String,
    /// A score from here on counts as satisfied.
    pub satisfied_from: f64,
}

impl Default for Outcome {
    fn default() -> Self {
        Self {
            instrument: "ioi-ha".to_owned(),
            item: "4".to_owned(),
            satisfied_from: 4.0,
        }
    }
}

/// A tolerance criterion: limits by frequency, or a limit on the RMS deviation.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Tolerance {
    /// Largest deviation that is within, dB, inclusive, by frequency in Hz.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub limits: BTreeMap<String, f64>,
    /// The RMS deviation over 500, 1000, 2000 and 4000 Hz must be below this, dB.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rms_below: Option<f64>,
    /// Where the criterion comes from.
    pub source: String,
}

/// An instrument that the plan declares.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Instrument {
    /// Its items.
    pub items: Vec<String>,
    /// Lowest score.
    pub minimum: f64,
    /// Highest score.
    pub maximum: f64,
    /// Whether scores are whole numbers.
    #[serde(default)]
    pub whole: bool,
}

/// What is decided before numbers are looked at.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Plan {
    /// Name of the criterion in use: built in, or one of `tolerance`.
    pub criterion: String,
    /// Name of the criterion shown beside it.
    pub second_criterion: String,
    /// Cells built on fewer people are withheld in reports.
    pub minimum_cell: i64,
    /// A two-ear candidate has a PTA4 of at least this in both ears, dB HL.
    pub candidate_limit_db: f64,
    /// The asymmetry rule that the owner's list goes by.
    pub referral_rule: String,
    /// Replicates of the permutation test.
    pub permutations: u32,
    /// Root of every random stream.
    pub seed: u64,
    /// Limits of soft, average and loud.
    pub input_bands: InputBands,
    /// Which answer stands for satisfaction.
    pub outcome: Outcome,
    /// Criteria of the practice's own.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub tolerance: BTreeMap<String, Tolerance>,
    /// Instruments of the practice's own.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub instruments: BTreeMap<String, Instrument>,
}

impl Default for Plan {
    fn default() -> Self {
        Self {
            criterion: "uk-guidance".to_owned(),
            second_criterion: "ten-db".to_owned(),
            minimum_cell: 5,
            candidate_limit_db: 20.0,
            referral_rule: "adjacent-15".to_owned(),
            permutations: 2000,
            seed: 1,
            input_bands: InputBands::default(),
            outcome: Outcome::default(),
            tolerance: BTreeMap::new(),
            instruments: BTreeMap::new(),
        }
    }
}

/// A criterion in the units of the store, ready for use.
#[derive(Clone, Debug, PartialEq)]
pub struct Criterion {
    /// Its name.
    pub name: String,
    /// Limits by position in [`FREQUENCIES`], hundredths of a dB, inclusive; none where it does not look.
    pub limits: [Option<i16>; N_FREQUENCIES],
    /// The sum of squared deviations at the four RMS frequencies must be below this, hundredths squared.
    pub sum_of_squares_below: Option<i64>,
    /// The criterion in words.
    pub words: String,
    /// Where it comes from.
    pub source: String,
}

/// The built-in criteria: name, limits or RMS limit, source.
fn built_in(name: &str) -> Option<Tolerance> {
    let limits = |pairs: &[(&str, f64)]| {
        pairs
            .iter()
            .map(|(frequency, limit)| ((*frequency).to_owned(), *limit))
            .collect()
    };
    let by_points = |pairs: &[(&str, f64)], source: &str| Tolerance {
        limits: limits(pairs),
        rms_below: None,
        source: source.to_owned(),
    };
    let by_rms = |below: f64, source: &str| Tolerance {
        limits: BTreeMap::new(),
        rms_below: Some(below),
        source: source.to_owned(),
    };
    match name {
        "uk-guidance" => Some(by_points(
            &[
                ("250", 5.0),
                ("500", 5.0),
                ("1000", 5.0),
                ("2000", 5.0),
                ("3000", 8.0),
                ("4000", 8.0),
            ],
            "British Society of Audiology and British Academy of Audiology 2007, carried into BSA practice guidance 2018 (from memory)",
        )),
        "ten-db" => Some(by_points(
            &[
                ("250", 10.0),
                ("500", 10.0),
                ("750", 10.0),
                ("1000", 10.0),
                ("1500", 10.0),
                ("2000", 10.0),
                ("3000", 10.0),
                ("4000", 10.0),
            ],
            "Aazh, Moore & Prasher 2012; Aazh & Moore 2007 (from memory)",
        )),
        "rms-five" => Some(by_rms(5.0, "McCreery, Bentler & Roush 2013")),
        "rms-three" => Some(by_rms(3.0, "Wiseman et al. 2023")),
        _ => None,
    }
}

/// Names of the built-in criteria.
pub const BUILT_IN_CRITERIA: [&str; 4] = ["uk-guidance", "ten-db", "rms-five", "rms-three"];

/// Names of the asymmetry rules of the referral audit.
pub const REFERRAL_RULES: [&str; 5] = [
    "adjacent-15",
    "average-15",
    "contiguous-10",
    "three-k",
    "one-sided",
];

impl Plan {
    /// Reads a plan file.
    ///
    /// # Errors
    /// [`PlanError`] where the file cannot be read, is not TOML, has an unknown key or a senseless value.
    pub fn read(path: &Path) -> Result<Self, PlanError> {
        let text = std::fs::read_to_string(path).map_err(|source| PlanError::Read {
            path: path.to_path_buf(),
            source,
        })?;
        let plan: Self = toml::from_str(&text).map_err(|error| PlanError::Syntax {
            path: path.to_path_buf(),
            message: error.to_string().trim_end().to_owned(),
        })?;
        plan.validate()?;
        Ok(plan)
    }

    /// The plan as TOML, defaults included.
    #[must_use]
    pub fn to_toml(&self) -> String {
        // Serialising plain structs of numbers and words does not fail; an empty text would show it at once.
        toml::to_string_pretty(self).unwrap_or_default()
    }

    /// Checks what the types cannot.
    ///
    /// # Errors
    /// [`PlanError::Value`] naming the key.
    pub fn validate(&self) -> Result<(), PlanError> {
        self.criterion_named(&self.criterion, "criterion")?;
        self.criterion_named(&self.second_criterion, "second_criterion")?;
        if !REFERRAL_RULES.contains(&self.referral_rule.as_str()) {
            return Err(value(
                "referral_rule",
                &format!("must be one of {}", REFERRAL_RULES.join(", ")),
            ));
        }
        if self.minimum_cell < 1 {
            return Err(value("minimum_cell", "must be 1 or more"));
        }
        if !(1..=1_000_000).contains(&self.permutations) {
            return Err(value("permutations", "must be 1 to 1000000"));
        }
        if !(-10.0..=120.0).contains(&self.candidate_limit_db) {
            return Err(value("candidate_limit_db", "must be -10 to 120"));
        }
        let InputBands {
            soft_up_to,
            loud_from,
        } = self.input_bands;
        if !(0.0..=120.0).contains(&soft_up_to)
            || !(0.0..=120.0).contains(&loud_from)
            || soft_up_to >= loud_from
        {
            return Err(value(
                "input_bands",
                "must have soft_up_to below loud_from, both 0 to 120",
            ));
        }
        for (name, instrument) in &self.instruments {
            let in_order = instrument.minimum < instrument.maximum
                && instrument.minimum >= -1e6
                && instrument.maximum <= 1e6;
            if !in_order || instrument.items.is_empty() {
                return Err(value(
                    &format!("instruments.{name}"),
                    "must have items, and a minimum below its maximum",
                ));
            }
        }
        Ok(())
    }

    /// The criterion in use.
    ///
    /// # Errors
    /// [`PlanError::Value`] where no criterion has that name or its limits make no sense.
    pub fn criterion(&self) -> Result<Criterion, PlanError> {
        self.criterion_named(&self.criterion, "criterion")
    }

    /// The criterion shown beside it.
    ///
    /// # Errors
    /// As [`Plan::criterion`].
    pub fn second_criterion(&self) -> Result<Criterion, PlanError> {
        self.criterion_named(&self.second_criterion, "second_criterion")
    }

    fn criterion_named(&self, name: &str, key: &str) -> Result<Criterion, PlanError> {
        let tolerance = self
            .tolerance
            .get(name)
            .cloned()
            .or_else(|| built_in(name))
            .ok_or_else(|| {
                value(
                    key,
                    &format!(
                        "names no criterion: built in are {}; your own go under [tolerance.{name}]",
                        BUILT_IN_CRITERIA.join(", ")
                    ),
                )
            })?;
        compile(name, &tolerance)
    }
}

fn value(key: &str, what: &str) -> PlanError {
    PlanError::Value {
        key: key.to_owned(),
        what: what.to_owned(),
    }
}

/// Decibels of a plan as hundredths; the plan's limits are checked to be small before.
#[allow(
    clippy::cast_possible_truncation,
    reason = "range checked by the callers"
)]
pub(crate) fn to_hundredths(db: f64) -> i64 {
    (db * 100.0).round() as i64
}

fn compile(name: &str, tolerance: &Tolerance) -> Result<Criterion, PlanError> {
    let key = format!("tolerance.{name}");
    let mut limits = [None; N_FREQUENCIES];
    for (frequency, limit) in &tolerance.limits {
        let slot = frequency
            .parse()
            .ok()
            .and_then(frequency_position)
            .and_then(|position| limits.get_mut(position))
            .ok_or_else(|| {
                value(
                    &key,
                    &format!("names a frequency that is not kept: {frequency}"),
                )
            })?;
        if !(0.0..=60.0).contains(limit) {
            return Err(value(
                &key,
                &format!("must have limits of 0 to 60 dB, at {frequency} Hz too"),
            ));
        }
        *slot = i16::try_from(to_hundredths(*limit)).ok();
    }
    if let Some(below) = tolerance.rms_below
        && !(0.0..=60.0).contains(&below)
    {
        return Err(value(&key, "must have rms_below 0 to 60 dB"));
    }
    if tolerance.rms_below.is_some() != tolerance.limits.is_empty() {
        return Err(value(&key, "must have either limits or rms_below"));
    }
    // Below r means the sum of four squares is below 4 r², exactly, in hundredths squared.
    let sum_of_squares_below = tolerance
        .rms_below
        .map(|below| 4 * to_hundredths(below) * to_hundredths(below));
    Ok(Criterion {
        name: name.to_owned(),
        limits,
        sum_of_squares_below,
        words: in_words(&limits, tolerance.rms_below),
        source: tolerance.source.clone(),
    })
}

/// Says a criterion: frequencies with the same limit together.
fn in_words(limits: &[Option<i16>; N_FREQUENCIES], rms_below: Option<f64>) -> String {
    if let Some(below) = rms_below {
        return format!("RMS deviation over 500, 1000, 2000 and 4000 Hz below {below} dB");
    }
    let mut groups: Vec<(i16, Vec<String>)> = Vec::new();
    for (limit, frequency) in limits.iter().zip(FREQUENCIES) {
        let Some(limit) = *limit else { continue };
        match groups.iter_mut().find(|(value, _)| *value == limit) {
            Some((_, frequencies)) => frequencies.push(frequency.to_string()),
            None => groups.push((limit, vec![frequency.to_string()])),
        }
    }
    let parts: Vec<String> = groups
        .iter()
        .map(|(limit, frequencies)| {
            format!(
                "±{} dB at {} Hz",
                f64::from(*limit) / 100.0,
                frequencies.join(", ")
            )
        })
        .collect();
    parts.join(" and ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_default_plan_survives_its_own_text() {
        let plan = Plan::default();
        let back: Plan = toml::from_str(&plan.to_toml()).expect("own text");
        assert_eq!(plan, back);
        plan.validate().expect("default");
    }

    #[test]
    fn criteria_are_said_in_words() {
        let criterion = Plan::default().criterion().expect("built in");
        assert_eq!(
            criterion.words,
            "±5 dB at 250, 500, 1000, 2000 Hz and ±8 dB at 3000, 4000 Hz"
        );
        assert_eq!(criterion.limits[6], Some(800));
        let rms = Plan {
            criterion: "rms-five".to_owned(),
            ..Plan::default()
        };
        // 5 dB: 4 x 500^2 hundredths squared.
        assert_eq!(
            rms.criterion().expect("built in").sum_of_squares_below,
            Some(1_000_000)
        );
    }

    #[test]
    fn unknown_keys_and_senseless_values_are_refused() {
        assert!(toml::from_str::<Plan>("minimum_cells = 5").is_err());
        for text in [
            "criterion = 'mine'",
            "minimum_cell = 0",
            "permutations = 0",
            "referral_rule = 'any'",
            "[input_bands]\nsoft_up_to = 70\nloud_from = 60",
            "criterion = 'mine'\n[tolerance.mine]\nsource = 'us'\nlimits = { 440 = 5.0 }",
            "criterion = 'mine'\n[tolerance.mine]\nsource = 'us'",
        ] {
            let plan: Plan = toml::from_str(text).expect(text);
            assert!(plan.validate().is_err(), "{text}");
        }
    }
}
