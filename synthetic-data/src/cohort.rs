//! The invented fittings in memory, with what a delivery leaves out.

use rayon::prelude::*;

use crate::SynthesisError;
use crate::audiogram::pta4;
use crate::fitting::{Fitting, Model};
use crate::scenario::Scenario;

/// One invented fitting: what was measured and what was felt, delivered or not.
///
/// Numbers of fittings, patients, clinics and clinicians count from 0; the ids of a delivery count from 1. A
/// patient is named by the number of the first fitting.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Record {
    /// The fitting; numbers rise with time.
    pub number: u64,
    /// The patient.
    pub patient: u64,
    /// The clinic.
    pub clinic: u32,
    /// The clinician.
    pub clinician: u32,
    /// Quarter, counted from the scenario's first.
    pub quarter: u32,
    /// Age, whole years up to 90, where it was recorded.
    pub age_years: Option<u8>,
    /// Whether the patient had hearing aids before.
    pub experienced: bool,
    /// Whether that was recorded.
    pub experience_known: bool,
    /// Four-frequency pure-tone average of the better ear, dB HL; none where either ear's cannot be formed.
    pub better_ear_db: Option<f64>,
    /// Whether both ears have an average of 20 dB HL or more.
    pub candidate: bool,
    /// Ears fitted, 1 or 2.
    pub ears_fitted: u8,
    /// Whether the fitting was verified by real-ear measurement.
    pub verified: bool,
    /// True RMS deviation from target, dB: of the final curves, or of the first where nobody verified; at the average
    /// level, over 500, 1000, 2000 and 4000 Hz, both ears by mean square.
    pub rms_db: f64,
    /// Whether a delivery holds the rows that it follows from.
    pub rms_delivered: bool,
    /// True satisfaction, 1 to 5, answered or not.
    pub satisfaction: u8,
    /// Whether the questionnaire came back.
    pub answered: bool,
    /// Whether a delivery holds the satisfaction: it came back with this item filled in.
    pub satisfaction_delivered: bool,
    /// Whether the aids were returned, recorded or not.
    pub returned: bool,
}

impl Record {
    fn of(fitting: &Fitting) -> Self {
        let averages = [0, 1].map(|side: usize| pta4(&fitting.ears[side].audiogram));
        Self {
            number: fitting.number,
            patient: fitting.patient,
            clinic: fitting.clinic as u32,
            clinician: fitting.clinician as u32,
            quarter: fitting.quarter,
            age_years: fitting.age_years,
            experienced: fitting.experienced,
            experience_known: fitting.experience_known,
            better_ear_db: averages[0].zip(averages[1]).map(|(a, b)| a.min(b)),
            candidate: fitting.candidate,
            ears_fitted: fitting.ears.iter().map(|ear| u8::from(ear.fitted)).sum(),
            verified: fitting.verified,
            rms_db: fitting.rms_db,
            rms_delivered: fitting.rms_delivered,
            satisfaction: fitting.answers.satisfaction,
            answered: fitting.answers.answered,
            satisfaction_delivered: fitting.answers.items[3] > 0,
            returned: fitting.answers.returned,
        }
    }
}

/// The fittings of a scenario in rising order of their numbers: the same that [`write_delivery`](crate::write_delivery)
/// writes, without planted errors and the extra fittings these need.
///
/// Works in the current rayon pool; the records do not depend on it. Memory is about 80 bytes a fitting.
///
/// # Errors
///
/// [`SynthesisError::Parameter`] for a setting without meaning.
pub fn cohort(scenario: &Scenario) -> Result<Vec<Record>, SynthesisError> {
    scenario.check()?;
    let model = Model::new(scenario);
    Ok((0..scenario.fittings)
        .into_par_iter()
        .map(|number| Record::of(&model.fitting(number)))
        .collect())
}
