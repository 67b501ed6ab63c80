//! What really happened in the invented records, summed as integers in the order of the fittings.

use crate::FREQUENCIES_HZ;
use crate::fitting::{Fitting, Model};
use crate::real_ear::{AVERAGE, LEVELS_DB_SPL, Stage};
use crate::truth::{ClinicTruth, ClinicianTruth, Realised, spearman_of_table};

/// Width of an RMS bin, dB, and number of bins: enough for 60 dB.
const BIN_DB: f64 = 0.01;
const BINS: usize = 6_000;
/// Limits of the guidance criterion, tenths of a decibel, at the ten frequencies (British Society of
/// Audiology, from memory); 0 where it has none.
const LIMITS_TENTHS: [i32; 10] = [50, 50, 0, 50, 0, 50, 80, 80, 0, 0];

/// What the truth needs to know of one fitting.
pub(crate) struct Summary {
    clinic: u32,
    clinician: u32,
    satisfaction: u8,
    rms_bin: u16,
    rms_delivered: bool,
    verified: bool,
    within: Option<bool>,
    candidate: bool,
    two_ears: bool,
    answered: bool,
    returned: bool,
    drifted: bool,
    deviations: [i32; 10],
    counts: [u8; 10],
}

impl Summary {
    pub(crate) fn of(fitting: &Fitting, model: &Model) -> Self {
        let mut deviations = [0; 10];
        let mut counts = [0; 10];
        let mut inside = [0_usize; 2];
        let mut outside = false;
        for point in &fitting.points {
            let (Stage::Final, Some(target)) = (point.stage, point.target) else {
                continue;
            };
            if point.level_db != LEVELS_DB_SPL[AVERAGE] {
                continue;
            }
            let deviation = point.measured - target;
            deviations[point.frequency] += deviation;
            counts[point.frequency] += 1;
            let limit = LIMITS_TENTHS[point.frequency];
            if limit > 0 {
                if deviation.abs() > limit {
                    outside = true;
                } else {
                    inside[point.ear] += 1;
                }
            }
        }
        let compared = LIMITS_TENTHS.iter().filter(|limit| **limit > 0).count();
        let whole = [0, 1]
            .iter()
            .all(|&side| !fitting.ears[side].fitted || inside[side] == compared);
        let within = match (fitting.verified, outside, whole) {
            (true, true, _) => Some(false),
            (true, false, true) => Some(true),
            _ => None,
        };
        Self {
            clinic: fitting.clinic as u32,
            clinician: fitting.clinician as u32,
            satisfaction: fitting.answers.satisfaction,
            rms_bin: ((fitting.rms_db / BIN_DB).round() as usize).min(BINS - 1) as u16,
            rms_delivered: fitting.rms_delivered,
            verified: fitting.verified,
            within,
            candidate: fitting.candidate,
            two_ears: fitting.ears.iter().all(|ear| ear.fitted),
            answered: fitting.answers.answered,
            returned: fitting.answers.returned,
            drifted: fitting.quarter >= model.scenario.effects.drift_from,
            deviations,
            counts,
        }
    }
}

#[derive(Clone, Default)]
struct Group {
    fittings: u64,
    verified: u64,
    rms_bins: [u64; 2],
    rms_counts: [u64; 2],
    candidates: u64,
    two_ears: u64,
    deviations: [i64; 10],
    counts: [u64; 10],
}

impl Group {
    fn add(&mut self, summary: &Summary) {
        self.fittings += 1;
        self.verified += u64::from(summary.verified);
        if summary.rms_delivered {
            let period = usize::from(summary.drifted);
            self.rms_bins[period] += u64::from(summary.rms_bin);
            self.rms_counts[period] += 1;
        }
        if summary.candidate {
            self.candidates += 1;
            self.two_ears += u64::from(summary.two_ears);
        }
        for f in 0..10 {
            self.deviations[f] += i64::from(summary.deviations[f]);
            self.counts[f] += u64::from(summary.counts[f]);
        }
    }

    fn mean_rms(&self, periods: &[usize]) -> Option<f64> {
        let bins: u64 = periods.iter().map(|&p| self.rms_bins[p]).sum();
        let count: u64 = periods.iter().map(|&p| self.rms_counts[p]).sum();
        share(bins, count).map(|bins| bins * BIN_DB)
    }
}

fn share(part: u64, of: u64) -> Option<f64> {
    (of > 0).then(|| part as f64 / of as f64)
}

/// Sums over all fittings so far.
pub(crate) struct Tally {
    /// RMS bin by satisfaction: delivered RMS, and all.
    delivered: Vec<[u64; 5]>,
    all: Vec<[u64; 5]>,
    answered: [u64; 5],
    returned: u64,
    within: [u64; 2],
    everybody: Group,
    clinics: Vec<Group>,
    clinicians: Vec<Group>,
}

impl Tally {
    pub(crate) fn new(model: &Model) -> Self {
        Self {
            delivered: vec![[0; 5]; BINS],
            all: vec![[0; 5]; BINS],
            answered: [0; 5],
            returned: 0,
            within: [0; 2],
            everybody: Group::default(),
            clinics: vec![Group::default(); model.staff.clinics.len()],
            clinicians: vec![Group::default(); model.staff.clinicians.len()],
        }
    }

    pub(crate) fn add(&mut self, summary: &Summary) {
        let bin = usize::from(summary.rms_bin);
        let score = usize::from(summary.satisfaction - 1);
        self.all[bin][score] += 1;
        if summary.rms_delivered {
            self.delivered[bin][score] += 1;
        }
        self.answered[score] += u64::from(summary.answered);
        self.returned += u64::from(summary.returned);
        if let Some(within) = summary.within {
            self.within[usize::from(within)] += 1;
        }
        self.everybody.add(summary);
        self.clinics[summary.clinic as usize].add(summary);
        self.clinicians[summary.clinician as usize].add(summary);
    }

    pub(crate) fn realised(&self) -> Realised {
        let scores: [u64; 5] =
            std::array::from_fn(|k| self.all.iter().map(|bin| bin[k]).sum::<u64>());
        let n = self.everybody.fittings;
        Realised {
            fittings: n,
            verified: share(self.everybody.verified, n).unwrap_or(0.0),
            fittings_with_rms: self.everybody.rms_counts.iter().sum(),
            mean_rms_db: self.everybody.mean_rms(&[0, 1]),
            median_rms_db: self.median_rms(),
            within_criterion: share(self.within[1], self.within[0] + self.within[1]),
            candidates: self.everybody.candidates,
            two_ears_of_candidates: share(self.everybody.two_ears, self.everybody.candidates),
            satisfaction_counts: scores,
            spearman_rms_satisfaction: spearman_of_table(&self.delivered),
            spearman_rms_satisfaction_with_unverified: spearman_of_table(&self.all),
            response_rate: share(self.answered.iter().sum(), n).unwrap_or(0.0),
            response_rate_by_satisfaction: std::array::from_fn(|k| {
                share(self.answered[k], scores[k])
            }),
            returned: share(self.returned, n).unwrap_or(0.0),
        }
    }

    /// Median RMS of the delivered, dB, to the width of a bin.
    fn median_rms(&self) -> Option<f64> {
        let counts: Vec<u64> = self.delivered.iter().map(|bin| bin.iter().sum()).collect();
        let total: u64 = counts.iter().sum();
        let mut below = 0;
        let place = counts.iter().position(|count| {
            below += count;
            below * 2 >= total
        });
        place
            .filter(|_| total > 0)
            .map(|place| place as f64 * BIN_DB)
    }

    pub(crate) fn clinics(&self, model: &Model) -> Vec<ClinicTruth> {
        let effects = &model.scenario.effects;
        model
            .staff
            .clinics
            .iter()
            .zip(&self.clinics)
            .map(|(clinic, group)| ClinicTruth {
                clinic_id: clinic.id.clone(),
                x_region: clinic.region.to_owned(),
                quantity: clinic.quantity.word().to_owned(),
                two_ears_log_odds: clinic.two_ears,
                drift_db: clinic.drift_db,
                fittings: group.fittings,
                two_ears_of_candidates: share(group.two_ears, group.candidates),
                mean_rms_db_before_drift_from: group.mean_rms(&[0]),
                mean_rms_db_since_drift_from: group.mean_rms(&[1]),
                drift_from_quarter: model.timeline.name(effects.drift_from),
            })
            .collect()
    }

    pub(crate) fn clinicians(&self, model: &Model) -> Vec<ClinicianTruth> {
        model
            .staff
            .clinicians
            .iter()
            .zip(&self.clinicians)
            .map(|(clinician, group)| ClinicianTruth {
                clinician_id: clinician.id.clone(),
                clinic_id: model.staff.clinics[clinician.clinic].id.clone(),
                caseload_weight: clinician.caseload,
                bias_db: clinician.bias_db,
                spread_db: clinician.spread_db,
                high_frequency_habit_db: clinician.high_frequency_habit_db,
                adjustment: clinician.adjustment,
                verifies: clinician.verifies,
                records_first: clinician.records_first,
                refers_asymmetric: clinician.refers,
                satisfaction_log_odds: clinician.satisfaction,
                fittings: group.fittings,
                fittings_with_rms: group.rms_counts.iter().sum(),
                mean_rms_db: group.mean_rms(&[0, 1]),
                mean_deviation_db: FREQUENCIES_HZ
                    .iter()
                    .enumerate()
                    .filter(|(f, _)| group.counts[*f] > 0)
                    .map(|(f, hz)| {
                        let mean = group.deviations[f] as f64 / group.counts[f] as f64 / 10.0;
                        (*hz, mean)
                    })
                    .collect(),
            })
            .collect()
    }
}
