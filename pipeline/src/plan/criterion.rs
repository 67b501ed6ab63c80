//! Tolerance criteria: four built in, and those a plan declares, compiled to the units of the store.

use std::collections::BTreeMap;

use super::{PlanError, Tolerance, to_hundredths, value};
use crate::vocabulary::{FREQUENCIES, N_FREQUENCIES, frequency_position};

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

/// Names of the built-in criteria.
pub const BUILT_IN_CRITERIA: [&str; 4] = ["uk-guidance", "ten-db", "rms-five", "rms-three"];

/// The built-in criteria: name, limits or RMS limit, source.
pub(super) fn built_in(name: &str) -> Option<Tolerance> {
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

pub(super) fn compile(name: &str, tolerance: &Tolerance) -> Result<Criterion, PlanError> {
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
