//! What to invent: size, seed, and the effects that are planted.

use serde::{Deserialize, Serialize};

use crate::SynthesisError;

/// An invented group of practices and what is planted in its records. The same scenario gives the
/// same bytes on every machine and with any number of threads.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Scenario {
    /// Fittings, 1 to 90,000,000. The few extra fittings that planted errors need come on top.
    pub fittings: u64,
    /// Root of all random streams.
    pub seed: u64,
    /// Clinics, 1 to 1,000.
    pub clinics: u32,
    /// Clinicians, at least one a clinic, at most 100,000.
    pub clinicians: u32,
    /// Year (1990 to 2100) and quarter (1 to 4) of the first fittings.
    pub first_quarter: (i32, u8),
    /// Quarters covered, 1 to 40.
    pub quarters: u32,
    /// What is planted.
    pub effects: Effects,
    /// Bad rows wanted, as a share of the good rows of each table, 0 to 0.05. At 0 there are none;
    /// above 0 there is at least one of every rule.
    pub planted_errors: f64,
}

/// Planted effects. Log-odds are those of the proportional-odds model of satisfaction: positive
/// means a higher score.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Effects {
    /// Log-odds of a higher satisfaction score for each decibel of the fitting's RMS deviation.
    /// Zero plants no effect at all.
    pub match_per_db: f64,
    /// Log-odds of a higher satisfaction score with two ears fitted.
    pub two_ears: f64,
    /// Log-odds of a higher satisfaction score in people who had hearing aids before.
    pub experience: f64,
    /// Standard deviation between clinicians in satisfaction, log-odds.
    pub clinician_sd: f64,
    /// Log-odds of answering at all for each point of satisfaction.
    pub nonresponse: f64,
    /// Log-odds of answering for each decibel of the fitting's RMS deviation about its centre. Together with no
    /// [`Effects::nonresponse`] it makes the verified fittings' answers missing at random, given their RMS deviation.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub nonresponse_match: f64,
    /// Log-odds of answering in people who had hearing aids before.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub nonresponse_experience: f64,
    /// Correlation, over clinicians, of their typical RMS deviation with their effect on satisfaction, -1 to 1. Below
    /// zero those who fit closer have happier patients, without any effect of the fit itself. What the
    /// RMS deviation of a drifting clinic gains does not count.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub clinician_confounding: f64,
    /// How far all responses fall in the drifting clinic, dB, from [`Effects::drift_from`] on.
    pub drift_db: f64,
    /// First quarter of the drift, counted from 0.
    pub drift_from: u32,
    /// Log-odds of fitting two ears rather than one, for each quarter that passes.
    pub two_ears_trend: f64,
}

/// Effects that later releases brought are written only where they are planted, so that a scenario without them keeps
/// its bytes.
fn is_zero(value: &f64) -> bool {
    *value == 0.0
}

impl Default for Effects {
    /// Effects of the demo. The match effect gives a rank correlation with satisfaction of about -0.11,
    /// the size to expect from SMD 0.22 (Almufarrij et al. 2021); all others are invented.
    fn default() -> Self {
        Self {
            match_per_db: -0.15,
            two_ears: 0.30,
            experience: 0.25,
            clinician_sd: 0.25,
            nonresponse: 0.35,
            nonresponse_match: 0.0,
            nonresponse_experience: 0.0,
            clinician_confounding: 0.0,
            drift_db: 2.5,
            drift_from: 4,
            two_ears_trend: 0.05,
        }
    }
}

impl Scenario {
    /// An invented group of practices of a size that suits `fittings`, over the eight quarters from
    /// the last of 2024 to the third of 2026, with one bad row for every thousand good ones.
    pub fn demo(fittings: u64, seed: u64) -> Self {
        let (clinics, clinicians) = match fittings {
            0..=100 => (2, 4),
            101..=1_000 => (3, 9),
            1_001..=20_000 => (5, 24),
            20_001..=200_000 => (12, 60),
            200_001..=2_000_000 => (40, 300),
            _ => (100, 1_000),
        };
        Self {
            fittings,
            seed,
            clinics,
            clinicians,
            first_quarter: (2024, 4),
            quarters: 8,
            effects: Effects::default(),
            planted_errors: 0.001,
        }
    }

    /// Refuses settings without meaning, naming the first.
    pub(crate) fn check(&self) -> Result<(), SynthesisError> {
        let refuse =
            |name, value: String, rule| Err(SynthesisError::Parameter { name, value, rule });
        if !(1..=90_000_000).contains(&self.fittings) {
            let rule = "between 1 and 90000000";
            return refuse("fittings", self.fittings.to_string(), rule);
        }
        if !(1..=1_000).contains(&self.clinics) {
            return refuse("clinics", self.clinics.to_string(), "between 1 and 1000");
        }
        if !(self.clinics..=100_000).contains(&self.clinicians) {
            let rule = "at least the number of clinics and at most 100000";
            return refuse("clinicians", self.clinicians.to_string(), rule);
        }
        let (year, quarter) = self.first_quarter;
        if !(1990..=2100).contains(&year) || !(1..=4).contains(&quarter) {
            let rule = "a year from 1990 to 2100 and a quarter from 1 to 4";
            return refuse("first_quarter", format!("{year}-Q{quarter}"), rule);
        }
        if !(1..=40).contains(&self.quarters) {
            return refuse("quarters", self.quarters.to_string(), "between 1 and 40");
        }
        if !(0.0..=0.05).contains(&self.planted_errors) {
            let rule = "between 0 and 0.05";
            return refuse("planted_errors", self.planted_errors.to_string(), rule);
        }
        let effects = &self.effects;
        for (name, value, limit, rule) in [
            (
                "match_per_db",
                effects.match_per_db,
                5.0,
                "between -5 and 5",
            ),
            ("two_ears", effects.two_ears, 5.0, "between -5 and 5"),
            ("experience", effects.experience, 5.0, "between -5 and 5"),
            ("nonresponse", effects.nonresponse, 5.0, "between -5 and 5"),
            (
                "nonresponse_match",
                effects.nonresponse_match,
                5.0,
                "between -5 and 5",
            ),
            (
                "nonresponse_experience",
                effects.nonresponse_experience,
                5.0,
                "between -5 and 5",
            ),
            (
                "clinician_confounding",
                effects.clinician_confounding,
                1.0,
                "between -1 and 1",
            ),
            (
                "two_ears_trend",
                effects.two_ears_trend,
                1.0,
                "between -1 and 1",
            ),
        ] {
            if !(-limit..=limit).contains(&value) {
                return refuse(name, value.to_string(), rule);
            }
        }
        if !(0.0..=5.0).contains(&effects.clinician_sd) {
            return refuse(
                "clinician_sd",
                effects.clinician_sd.to_string(),
                "between 0 and 5",
            );
        }
        if !(0.0..=15.0).contains(&effects.drift_db) {
            return refuse("drift_db", effects.drift_db.to_string(), "between 0 and 15");
        }
        Ok(())
    }
}
