//! Invented clinics and clinicians: caseloads, habits, bias and spread.

use crate::draws::{Draws, Purpose};
use crate::real_ear::typical_rms_db;
use crate::scenario::{Effects, Scenario};

/// What a clinic's real-ear levels are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Quantity {
    /// Gain, dB.
    Reig,
    /// Level in the ear canal, dB SPL.
    Rear,
}

impl Quantity {
    pub(crate) fn word(self) -> &'static str {
        match self {
            Self::Reig => "REIG",
            Self::Rear => "REAR",
        }
    }
}

/// An invented clinic.
pub(crate) struct Clinic {
    pub(crate) id: String,
    pub(crate) region: &'static str,
    pub(crate) quantity: Quantity,
    /// Whether responses at 8 kHz are recorded (without a target: NAL-R has none).
    pub(crate) records_8000: bool,
    /// Log-odds of fitting two ears, beside the general level.
    pub(crate) two_ears: f64,
    /// How far responses fall from the drift quarter on, dB; 0 in all clinics but one.
    pub(crate) drift_db: f64,
    /// Numbers of its clinicians, and their caseload weights summed.
    pub(crate) clinicians: Vec<usize>,
    pub(crate) caseloads: Vec<f64>,
}

/// An invented clinician.
pub(crate) struct Clinician {
    pub(crate) id: String,
    pub(crate) clinic: usize,
    /// Share of the clinic's caseload, unscaled.
    pub(crate) caseload: f64,
    /// Shift of every response, dB.
    pub(crate) bias_db: f64,
    /// SD of the smooth error of a final response, dB, before the fitting's own factor.
    pub(crate) spread_db: f64,
    /// Extra shortfall at 3 and 4 kHz, dB.
    pub(crate) high_frequency_habit_db: f64,
    /// Share of the first fit's shortfall that adjustment takes away.
    pub(crate) adjustment: f64,
    /// Probability that a fitting is verified at all.
    pub(crate) verifies: f64,
    /// Probability that the first stage is recorded too.
    pub(crate) records_first: f64,
    /// Probability that an asymmetric loss gets a recorded referral.
    pub(crate) refers: f64,
    /// Effect on satisfaction, log-odds.
    pub(crate) satisfaction: f64,
}

/// All clinics and clinicians.
pub(crate) struct Staff {
    pub(crate) clinics: Vec<Clinic>,
    pub(crate) clinicians: Vec<Clinician>,
    /// Clinic sizes, summed.
    pub(crate) sizes: Vec<f64>,
}

const REGIONS: [&str; 4] = ["region-a", "region-b", "region-c", "region-d"];

/// Sums of a list so far: what [`Draws::weighted`] takes.
fn cumulative(weights: impl IntoIterator<Item = f64>) -> Vec<f64> {
    weights
        .into_iter()
        .scan(0.0, |sum, weight| {
            *sum += weight;
            Some(*sum)
        })
        .collect()
}

fn numbered(kind: &str, number: usize, of: u32) -> String {
    let width = of.to_string().len().max(2);
    format!("{kind}-{number:0width$}")
}

impl Staff {
    pub(crate) fn invent(scenario: &Scenario) -> Self {
        let count = scenario.clinics as usize;
        let drifting = drifting_clinic(scenario);
        let mut weights = Vec::with_capacity(count);
        let mut clinics = Vec::with_capacity(count);
        for number in 0..count {
            let mut draws = Draws::new(scenario.seed, Purpose::Clinic, number as u64);
            weights.push((0.4 * draws.normal()).exp());
            clinics.push(Clinic {
                id: numbered("clinic", number + 1, scenario.clinics),
                region: REGIONS[number % REGIONS.len()],
                quantity: if number % 4 == 1 {
                    Quantity::Rear
                } else {
                    Quantity::Reig
                },
                records_8000: number % 3 == 2,
                two_ears: 0.35 * draws.normal(),
                drift_db: if number == drifting {
                    scenario.effects.drift_db
                } else {
                    0.0
                },
                clinicians: Vec::new(),
                caseloads: Vec::new(),
            });
        }
        let sizes = cumulative(weights);
        let mut clinicians: Vec<Clinician> = Vec::with_capacity(scenario.clinicians as usize);
        for number in 0..scenario.clinicians as usize {
            let mut draws = Draws::new(scenario.seed, Purpose::Clinician, number as u64);
            // One clinician for each clinic first, then by size.
            let clinic = if number < count {
                number
            } else {
                draws.weighted(&sizes)
            };
            clinics[clinic].clinicians.push(number);
            clinicians.push(Clinician {
                id: numbered("clinician", number + 1, scenario.clinicians),
                clinic,
                caseload: (0.6 * draws.normal()).exp(),
                bias_db: -0.2 + 0.9 * draws.normal(),
                spread_db: 2.35 * (0.2 * draws.normal()).exp(),
                high_frequency_habit_db: (1.0 + 0.9 * draws.normal()).max(0.0),
                adjustment: draws.between(0.70, 0.95),
                verifies: draws.between(0.78, 0.97),
                records_first: draws.between(0.75, 0.98),
                refers: draws.between(0.35, 0.90),
                // Standard normal until everybody is there.
                satisfaction: draws.normal(),
            });
        }
        plant_satisfaction(&mut clinicians, &scenario.effects);
        for clinic in &mut clinics {
            clinic.caseloads =
                cumulative(clinic.clinicians.iter().map(|&c| clinicians[c].caseload));
        }
        Self {
            clinics,
            clinicians,
            sizes,
        }
    }
}

/// Turns each clinician's standard normal into the effect on satisfaction: the planted SD, and the planted correlation
/// with the typical RMS deviation, standardised over this staff.
fn plant_satisfaction(clinicians: &mut [Clinician], effects: &Effects) {
    let typical: Vec<f64> = clinicians.iter().map(typical_rms_db).collect();
    let n = typical.len().max(1) as f64;
    let mean = typical.iter().sum::<f64>() / n;
    let variance = typical.iter().map(|rms| (rms - mean).powi(2)).sum::<f64>() / n;
    let shared = effects.clinician_confounding;
    let own = (1.0 - shared * shared).max(0.0).sqrt();
    for (clinician, rms) in clinicians.iter_mut().zip(typical) {
        // One clinician alone is typical.
        let standardised = if variance > 0.0 {
            (rms - mean) / variance.sqrt()
        } else {
            0.0
        };
        clinician.satisfaction =
            effects.clinician_sd * (shared * standardised + own * clinician.satisfaction);
    }
}

/// Number of the clinic whose responses drift: the middle one.
pub(crate) fn drifting_clinic(scenario: &Scenario) -> usize {
    scenario.clinics as usize / 2
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_clinic_has_somebody_and_ids_fit_the_format() {
        let staff = Staff::invent(&Scenario::demo(100_000, 1));
        assert!(
            staff
                .clinics
                .iter()
                .all(|clinic| !clinic.clinicians.is_empty())
        );
        assert_eq!(staff.clinics[0].id, "clinic-01");
        assert_eq!(staff.clinicians[6].id, "clinician-07");
        assert_eq!(staff.clinics.iter().filter(|c| c.drift_db > 0.0).count(), 1);
        let on_lists: usize = staff.clinics.iter().map(|c| c.clinicians.len()).sum();
        assert_eq!(on_lists, 60);
    }

    /// Correlation of two lists by its definition.
    fn correlation(pairs: &[(f64, f64)]) -> f64 {
        let n = pairs.len() as f64;
        let (a, b) = pairs
            .iter()
            .fold((0.0, 0.0), |(a, b), pair| (a + pair.0 / n, b + pair.1 / n));
        let product = |f: fn(f64, f64) -> f64| -> f64 {
            pairs.iter().map(|pair| f(pair.0 - a, pair.1 - b)).sum()
        };
        product(|x, y| x * y) / (product(|x, _| x * x) * product(|_, y| y * y)).sqrt()
    }

    /// The correlation is the planted one within four standard errors of Fisher's z (1 / sqrt(n - 3), Fisher 1921,
    /// from memory), the SD within four of its own (normal theory, sd / sqrt(2 n)).
    #[test]
    fn clinicians_effects_go_with_their_typical_match_as_planted() {
        for planted in [-0.8, 0.0, 0.5] {
            let demo = Scenario::demo(3_000_000, 4);
            let staff = Staff::invent(&Scenario {
                clinicians: 4_000,
                effects: Effects {
                    clinician_sd: 0.5,
                    clinician_confounding: planted,
                    ..demo.effects
                },
                ..demo
            });
            let pairs: Vec<(f64, f64)> = staff
                .clinicians
                .iter()
                .map(|who| (typical_rms_db(who), who.satisfaction))
                .collect();
            let n = pairs.len() as f64;
            let found = correlation(&pairs);
            let error = (n - 3.0).sqrt().recip();
            assert!(
                (found.atanh() - planted.atanh()).abs() < 4.0 * error,
                "{planted}: {found}"
            );
            let squares = pairs.iter().map(|pair| pair.1 * pair.1).sum::<f64>();
            let sd = (squares / n).sqrt();
            assert!((sd - 0.5).abs() < 4.0 * 0.5 / (2.0 * n).sqrt(), "{sd}");
        }
    }

    /// At a correlation of one nothing is left to chance, and one clinician alone has nobody to be compared with.
    #[test]
    fn limits_of_the_planted_correlation() {
        let staff = |clinicians, clinician_confounding| {
            let demo = Scenario::demo(50, 4);
            Staff::invent(&Scenario {
                clinics: 1,
                clinicians,
                effects: Effects {
                    clinician_confounding,
                    ..demo.effects
                },
                ..demo
            })
        };
        let pairs: Vec<(f64, f64)> = staff(50, -1.0)
            .clinicians
            .iter()
            .map(|who| (typical_rms_db(who), who.satisfaction))
            .collect();
        assert!((correlation(&pairs) + 1.0).abs() < 1e-9);
        assert_eq!(staff(1, 1.0).clinicians[0].satisfaction, 0.0);
    }
}
