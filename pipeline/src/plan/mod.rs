//! The plan: what is decided before numbers are looked at. A TOML file; every key has a default.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

mod criterion;
pub(crate) mod keys;
mod study;

pub use criterion::{BUILT_IN_CRITERIA, Criterion};
use criterion::{built_in, compile};
pub use study::{EXPOSURES, Exclusion, METHODS, NUMERIC_COVARIATES, Primary, UNITS};

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
    /// How close the sound came to target: one of [`EXPOSURES`].
    pub exposure: String,
    /// What is taken into account in adjusted analyses: numeric covariates and labels of the fitting.
    pub covariates: Vec<String>,
    /// What counts as one in the study: one of [`UNITS`].
    pub unit: String,
    /// Replicates of the permutation test.
    pub permutations: u32,
    /// Replicates of the bootstrap.
    pub resamples: u32,
    /// Root of every random stream.
    pub seed: u64,
    /// Limits of soft, average and loud.
    pub input_bands: InputBands,
    /// Which answer stands for satisfaction.
    pub outcome: Outcome,
    /// The hypothesis that is tested without correction.
    pub primary: Primary,
    /// Fittings that the study leaves out.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub exclusions: Vec<Exclusion>,
    /// Criteria of the practice's own.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub tolerance: BTreeMap<String, Tolerance>,
    /// Instruments of the practice's own.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub instruments: BTreeMap<String, Instrument>,
    /// The text of the plan file, whole, where there was one.
    #[serde(skip)]
    pub file_text: Option<String>,
}

impl Default for Plan {
    fn default() -> Self {
        Self {
            criterion: "uk-guidance".to_owned(),
            second_criterion: "ten-db".to_owned(),
            minimum_cell: 5,
            candidate_limit_db: 20.0,
            referral_rule: "adjacent-15".to_owned(),
            exposure: "rms".to_owned(),
            covariates: ["age_years", "pta4", "coupling", "experience"]
                .map(str::to_owned)
                .to_vec(),
            unit: "fitting".to_owned(),
            permutations: 2000,
            resamples: 2000,
            seed: 1,
            input_bands: InputBands::default(),
            outcome: Outcome::default(),
            primary: Primary::default(),
            exclusions: Vec::new(),
            tolerance: BTreeMap::new(),
            instruments: BTreeMap::new(),
            file_text: None,
        }
    }
}

/// The built-in instruments with their items: IOI-HA, seven items (Cox et al. 2000), and hours of use a day.
pub const BUILT_IN_INSTRUMENTS: [(&str, &[&str]); 2] = [
    ("ioi-ha", &["1", "2", "3", "4", "5", "6", "7"]),
    ("use-log", &["hours_per_day"]),
];

/// Names of the asymmetry rules of the referral audit.
pub const REFERRAL_RULES: [&str; 5] = [
    "adjacent-15",
    "average-15",
    "contiguous-10",
    "three-k",
    "one-sided",
];

/// Items of all declared instruments; a code of 16 bits tells them apart, those of the cohort included.
const MOST_ITEMS: usize = 10_000;

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
        let mut plan: Self = toml::from_str(&text).map_err(|error| PlanError::Syntax {
            path: path.to_path_buf(),
            message: keys::with_suggestion(error.to_string().trim_end()),
        })?;
        plan.validate()?;
        plan.file_text = Some(text);
        Ok(plan)
    }

    /// The plan as TOML, defaults included.
    #[must_use]
    pub fn to_toml(&self) -> String {
        // Serialising plain structs of numbers and words does not fail; an empty text would show it at once.
        toml::to_string(self).unwrap_or_default()
    }

    /// Checks what the types cannot.
    ///
    /// # Errors
    /// [`PlanError::Value`] naming the key.
    pub fn validate(&self) -> Result<(), PlanError> {
        self.criterion_named(&self.criterion, "criterion")?;
        self.criterion_named(&self.second_criterion, "second_criterion")?;
        study::one_of("referral_rule", &self.referral_rule, &REFERRAL_RULES)?;
        study::one_of("exposure", &self.exposure, &EXPOSURES)?;
        study::one_of("unit", &self.unit, &UNITS)?;
        study::one_of("primary.method", &self.primary.method, &METHODS)?;
        study::check_covariates(&self.covariates)?;
        study::check_exclusions(&self.exclusions)?;
        study::check_hypothesis(&self.primary, &self.exposure)?;
        if self.minimum_cell < 1 {
            return Err(value("minimum_cell", "must be 1 or more"));
        }
        if !(1..=1_000_000).contains(&self.permutations) {
            return Err(value("permutations", "must be 1 to 1000000"));
        }
        if !(100..=1_000_000).contains(&self.resamples) {
            return Err(value("resamples", "must be 100 to 1000000"));
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
        let items: usize = self
            .instruments
            .values()
            .map(|known| known.items.len())
            .sum();
        if items > MOST_ITEMS {
            return Err(value(
                "instruments",
                &format!("must have {MOST_ITEMS} items in all at most"),
            ));
        }
        for (name, instrument) in &self.instruments {
            if BUILT_IN_INSTRUMENTS.iter().any(|(known, _)| known == name) {
                return Err(value(
                    &format!("instruments.{name}"),
                    "is built in and cannot be declared again: take another name",
                ));
            }
            let mut items: Vec<&String> = instrument.items.iter().collect();
            items.sort_unstable();
            items.dedup();
            let plain = |text: &str| !text.is_empty() && !text.chars().any(char::is_control);
            if items.len() != instrument.items.len()
                || !plain(name)
                || !instrument.items.iter().all(|item| plain(item))
            {
                return Err(value(
                    &format!("instruments.{name}"),
                    "must have a name and items of printable characters, each item once",
                ));
            }
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
        let Outcome {
            instrument, item, ..
        } = &self.outcome;
        if !self.has_item(instrument, item) {
            return Err(value(
                "outcome",
                "names an item of no built-in (ioi-ha, use-log) or declared instrument",
            ));
        }
        let (lowest, highest) = match (instrument.as_str(), self.instruments.get(instrument)) {
            (_, Some(declared)) => (declared.minimum, declared.maximum),
            ("use-log", None) => (0.0, 24.0),
            _ => (1.0, 5.0),
        };
        if !(lowest..=highest).contains(&self.outcome.satisfied_from) {
            return Err(value(
                "outcome.satisfied_from",
                &format!("must lie within the instrument's scores, {lowest} to {highest}"),
            ));
        }
        Ok(())
    }

    /// Whether an item belongs to a built-in or declared instrument.
    fn has_item(&self, instrument: &str, item: &str) -> bool {
        let built_in = BUILT_IN_INSTRUMENTS
            .iter()
            .filter(|(name, _)| *name == instrument)
            .any(|(_, items)| items.contains(&item));
        let declared = self
            .instruments
            .get(instrument)
            .is_some_and(|known| known.items.iter().any(|name| name == item));
        built_in || declared
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
#[must_use]
pub fn to_hundredths(db: f64) -> i64 {
    (db * 100.0).round() as i64
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
    fn an_unknown_key_gets_the_nearest_known_one() {
        let say = |text: &str| {
            keys::with_suggestion(&toml::from_str::<Plan>(text).expect_err(text).to_string())
        };
        for (text, near) in [
            ("minimum_cells = 5", "`minimum_cell`"),
            ("[primary]\nmethods = 'kendall'", "`method`"),
            ("[outcome]\nitme = '4'", "`item`"),
            ("[[exclusions]]\ncolum = 'grade'\nreason = 'us'", "`column`"),
        ] {
            assert!(
                say(text).ends_with(&format!("did you mean {near}?")),
                "{}",
                say(text)
            );
        }
        assert!(!say("zzzzzz = 1").contains("did you mean"));
        let exposure = Plan {
            exposure: "rsm".to_owned(),
            ..Plan::default()
        };
        let message = exposure.validate().expect_err("no exposure").to_string();
        assert!(message.ends_with("did you mean rms?"), "{message}");
    }

    #[test]
    fn unknown_keys_and_senseless_values_are_refused() {
        assert!(toml::from_str::<Plan>("minimum_cells = 5").is_err());
        for text in [
            "criterion = 'mine'",
            "minimum_cell = 0",
            "permutations = 0",
            "referral_rule = 'any'",
            "exposure = 'loudness'",
            "unit = 'ear'",
            "resamples = 10",
            "exposure = 'signed'",
            "[primary]\nhypothesis = ' '",
            "[outcome]\nsatisfied_from = nan",
            "[outcome]\nsatisfied_from = 6",
            "[[exclusions]]\ncolumn = 'grade'\nvalues = ['mild']\nreason = ''",
            "covariates = ['age']",
            "covariates = ['ear']",
            "covariates = ['clinician_id']",
            "covariates = ['grade', 'grade']",
            "[primary]\nmethod = 'pearson'",
            "[[exclusions]]\ncolumn = 'age_years'\nvalues = ['9']\nreason = 'us'",
            "[[exclusions]]\ncolumn = 'grade'\nbelow = 9\nreason = 'us'",
            "[[exclusions]]\ncolumn = 'pta4'\nbelow = 9\nabove = 8\nreason = 'us'",
            "[[exclusions]]\ncolumn = 'shoe_size'\nvalues = ['9']\nreason = 'us'",
            "[input_bands]\nsoft_up_to = 70\nloud_from = 60",
            "criterion = 'mine'\n[tolerance.mine]\nsource = 'us'\nlimits = { 440 = 5.0 }",
            "criterion = 'mine'\n[tolerance.mine]\nsource = 'us'",
        ] {
            let plan: Plan = toml::from_str(text).expect(text);
            assert!(plan.validate().is_err(), "{text}");
        }
    }
}
