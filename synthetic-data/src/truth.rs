//! The truth behind a delivery, as `truth.json` holds it.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::scenario::Scenario;

/// Everything that was planted in a delivery, and what came of it before anybody failed to answer.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Truth {
    /// Always `invented`.
    pub data: String,
    /// What the figures mean.
    pub note: String,
    /// The scenario, effects included.
    pub scenario: Scenario,
    /// First and last quarter, such as `2024-Q4`.
    pub quarters: [String; 2],
    /// How satisfaction was drawn.
    pub satisfaction_model: SatisfactionModel,
    /// What came of it, over the scenario's fittings (the extra ones are left out).
    pub realised: Realised,
    /// The clinic that drifts, if one does within the quarters.
    pub drift: Option<Drift>,
    /// The clinics.
    pub clinics: Vec<ClinicTruth>,
    /// The clinicians.
    pub clinicians: Vec<ClinicianTruth>,
    /// Valid fittings that are there only because a planted error hangs on them: no real-ear curve
    /// of theirs is good, and nobody answered.
    pub extra_fittings: u64,
    /// Rows of each table.
    pub tables: Vec<TableTruth>,
    /// Rows that are set aside, by table and rule.
    pub set_aside: Vec<SetAsideTruth>,
}

/// Proportional odds: logit P(score > k) = eta - cut(k), eta = log_odds_per_db (RMS - centre) + two ears +
/// experience + clinician.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SatisfactionModel {
    /// Instrument and item that show it.
    pub item: String,
    /// Planted log-odds of a higher score for each decibel of RMS deviation.
    pub log_odds_per_db: f64,
    /// RMS deviation, dB, about which that turns.
    pub rms_centre_db: f64,
    /// Cut points between scores 1 to 5, log-odds.
    pub cuts: [f64; 4],
}

/// What came of it in the complete data. RMS deviation is that of final curves at the average level over 500,
/// 1000, 2000 and 4000 Hz, both ears by mean square, in steps of 0.01 dB.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Realised {
    /// Fittings.
    pub fittings: u64,
    /// Share verified.
    pub verified: f64,
    /// Fittings whose RMS follows from the delivered rows.
    pub fittings_with_rms: u64,
    /// Their mean RMS, dB.
    pub mean_rms_db: Option<f64>,
    /// Their median RMS, dB.
    pub median_rms_db: Option<f64>,
    /// Share of fittings within 5 dB up to 2 kHz and 8 dB at 3 and 4 kHz in all fitted ears, of those where it can be told.
    pub within_criterion: Option<f64>,
    /// Fittings with an average of 20 dB HL or more in both ears.
    pub candidates: u64,
    /// Share of those fitted in both.
    pub two_ears_of_candidates: Option<f64>,
    /// How many have a true satisfaction of 1 to 5.
    pub satisfaction_counts: [u64; 5],
    /// Spearman's rho of RMS and true satisfaction, over the fittings with an RMS, whether they answered or not.
    pub spearman_rms_satisfaction: Option<f64>,
    /// The same with the fittings that nobody verified, whose RMS is known only here.
    pub spearman_rms_satisfaction_with_unverified: Option<f64>,
    /// Share of fittings that answered the questionnaire.
    pub response_rate: f64,
    /// The same by true satisfaction 1 to 5.
    pub response_rate_by_satisfaction: [Option<f64>; 5],
    /// Share returned, recorded or not.
    pub returned: f64,
}

/// A clinic whose responses fall from a quarter on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Drift {
    /// The clinic.
    pub clinic_id: String,
    /// The first quarter of it.
    pub from_quarter: String,
    /// How far the responses fall, dB.
    pub fall_db: f64,
}

/// A clinic as invented, and its fittings.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ClinicTruth {
    /// Id in the delivery.
    pub clinic_id: String,
    /// Label in the delivery.
    pub x_region: String,
    /// What it records: `REIG` or `REAR`.
    pub quantity: String,
    /// Its own log-odds of fitting two ears.
    pub two_ears_log_odds: f64,
    /// Its drift, dB.
    pub drift_db: f64,
    /// The quarter that splits the two means below.
    pub drift_from_quarter: String,
    /// Its fittings.
    pub fittings: u64,
    /// Share of two-ear candidates fitted in both.
    pub two_ears_of_candidates: Option<f64>,
    /// Mean RMS deviation before that quarter, dB.
    pub mean_rms_db_before_drift_from: Option<f64>,
    /// Mean RMS deviation from that quarter on, dB.
    pub mean_rms_db_since_drift_from: Option<f64>,
}

/// A clinician as invented, and what came of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ClinicianTruth {
    /// Id in the delivery.
    pub clinician_id: String,
    /// Clinic in the delivery.
    pub clinic_id: String,
    /// Weight in the clinic's caseload, relative to the colleagues'.
    pub caseload_weight: f64,
    /// Shift of every response, dB.
    pub bias_db: f64,
    /// SD of the smooth error of a final response, dB.
    pub spread_db: f64,
    /// Extra shortfall at 3 and 4 kHz, dB.
    pub high_frequency_habit_db: f64,
    /// Share of the first fit's shortfall that adjustment takes away.
    pub adjustment: f64,
    /// Probability of verifying.
    pub verifies: f64,
    /// Probability of recording the first stage too.
    pub records_first: f64,
    /// Probability that an asymmetric loss gets a recorded referral.
    pub refers_asymmetric: f64,
    /// Effect on satisfaction, log-odds.
    pub satisfaction_log_odds: f64,
    /// Fittings.
    pub fittings: u64,
    /// Fittings with an RMS.
    pub fittings_with_rms: u64,
    /// Their mean RMS deviation, dB.
    pub mean_rms_db: Option<f64>,
    /// Mean deviation of final curves at the average level, dB, by frequency in Hz.
    pub mean_deviation_db: BTreeMap<u16, f64>,
}

/// Rows of one table: written = good + set aside + exact repeats.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct TableTruth {
    /// Name of the table.
    pub table: String,
    /// Rows in the file, without its header.
    pub rows_written: u64,
    /// Rows that a reader stores.
    pub rows_good: u64,
    /// Rows that a reader sets aside.
    pub rows_set_aside: u64,
    /// Rows that repeat a good row exactly.
    pub exact_repeats: u64,
}

/// Rows of one table that break one rule, and only that one.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct SetAsideTruth {
    /// Name of the table.
    pub table: String,
    /// Code of the rule.
    pub rule: String,
    /// Rows set aside by it.
    pub rows_set_aside: u64,
}

/// Spearman's rho with mid-ranks (Spearman 1904; ties as Kendall 1948, from memory) of a table of counts
/// whose rows and columns are in rising order: the correlation of the two sets of mid-ranks. `None`
/// where either side has a single value.
pub(crate) fn spearman_of_table(table: &[[u64; 5]]) -> Option<f64> {
    let rows: Vec<u64> = table.iter().map(|row| row.iter().sum()).collect();
    let columns: [u64; 5] = std::array::from_fn(|k| table.iter().map(|row| row[k]).sum());
    let n: u64 = rows.iter().sum();
    let centre = (n as f64 + 1.0) / 2.0;
    let mid_ranks = |counts: &[u64]| -> Vec<f64> {
        let mut below = 0;
        let rank = |&count: &u64| {
            let rank = below as f64 + (count as f64 + 1.0) / 2.0 - centre;
            below += count;
            rank
        };
        counts.iter().map(rank).collect()
    };
    let (x, y) = (mid_ranks(&rows), mid_ranks(&columns));
    let spread = |counts: &[u64], ranks: &[f64]| -> f64 {
        counts
            .iter()
            .zip(ranks)
            .map(|(c, r)| *c as f64 * r * r)
            .sum()
    };
    let product: f64 = table
        .iter()
        .zip(&x)
        .map(|(row, x)| x * row.iter().zip(&y).map(|(c, y)| *c as f64 * y).sum::<f64>())
        .sum();
    let size = (spread(&rows, &x) * spread(&columns, &y)).sqrt();
    (size > 0.0).then(|| product / size)
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    /// Reference: scipy 1.17.1, `scipy.stats.spearmanr(x, y)` on the pairs that the table counts.
    #[test]
    fn rank_correlation_of_a_table_with_ties() {
        let table = [
            [1, 0, 2, 4, 3],
            [0, 2, 3, 1, 1],
            [2, 1, 1, 0, 0],
            [0, 0, 0, 0, 0],
            [1, 2, 0, 1, 0],
        ];
        let reference = -0.5526867766417649;
        assert!((spearman_of_table(&table).unwrap() - reference).abs() < 1e-12);
        assert_eq!(spearman_of_table(&[[3, 1, 0, 0, 0]]), None);
        assert_eq!(spearman_of_table(&[]), None);
    }

    /// Perfect order gives one, by definition.
    #[test]
    fn perfect_order() {
        let rising = [[2, 0, 0, 0, 0], [0, 2, 0, 0, 0], [0, 0, 0, 2, 0]];
        assert!((spearman_of_table(&rising).unwrap() - 1.0).abs() < 1e-12);
        let falling = [[0, 0, 0, 2, 0], [0, 2, 0, 0, 0], [2, 0, 0, 0, 0]];
        assert!((spearman_of_table(&falling).unwrap() + 1.0).abs() < 1e-12);
    }
}
