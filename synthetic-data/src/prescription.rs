//! Gain targets: NAL-R, and an invented way from it to other input levels and to ear-canal levels.
//!
//! NAL-R (Byrne & Dillon 1986, Ear Hear 7:257) has an open closed form and is linear. Targets that
//! change with level, and the average unaided response used for targets in the ear canal, are
//! invented for the synthetic data and belong to no published prescription.

use crate::FREQUENCIES_HZ;

/// Constant `k` of NAL-R, dB, at the ten frequencies; 8000 Hz is not defined.
/// 750 and 1500 Hz from memory.
const NAL_R_K: [Option<f64>; 10] = [
    Some(-17.0),
    Some(-8.0),
    Some(-3.0),
    Some(1.0),
    Some(1.0),
    Some(-1.0),
    Some(-2.0),
    Some(-2.0),
    Some(-2.0),
    None,
];

/// Invented average unaided ear-canal response, dB re the sound field, at the ten frequencies. It
/// only has the usual broad rise towards 3 kHz; it is nobody's measurement.
pub const UNAIDED_RESPONSE_DB: [f64; 10] = [1.0, 2.0, 2.5, 3.0, 5.0, 12.0, 16.0, 14.0, 7.0, 4.0];

/// NAL-R insertion gain, dB, before negative gain is set to zero:
/// REIG(f) = 0.05 (H500 + H1000 + H2000) + 0.31 H(f) + k(f).
///
/// `thresholds` are dB HL at [`FREQUENCIES_HZ`]. A frequency gets `None` where its own threshold is
/// unknown, everywhere if 500, 1000 or 2000 Hz is, and always at 8000 Hz.
pub fn nal_r(thresholds: &[Option<f64>; 10]) -> [Option<f64>; 10] {
    let sum = match (thresholds[1], thresholds[3], thresholds[5]) {
        (Some(a), Some(b), Some(c)) => a + b + c,
        _ => return [None; 10],
    };
    std::array::from_fn(|at| Some(0.05 * sum + 0.31 * thresholds[at]? + NAL_R_K[at]?))
}

/// Gain as applied: negative gain is no gain.
pub fn applied(reig_db: f64) -> f64 {
    reig_db.max(0.0)
}

/// Fills 750, 1500, 3000 and 6000 Hz where they were not tested, on log frequency between the two
/// neighbours (common practice, no source). Octave frequencies are never filled.
pub fn between_octaves(thresholds: &[Option<f64>; 10]) -> [Option<f64>; 10] {
    let mut filled = *thresholds;
    for at in [2, 4, 6, 8] {
        if let (None, Some(below), Some(above)) =
            (thresholds[at], thresholds[at - 1], thresholds[at + 1])
        {
            let log = |place: usize| f64::from(FREQUENCIES_HZ[place]).ln();
            let share = (log(at) - log(at - 1)) / (log(at + 1) - log(at - 1));
            filled[at] = Some(below + share * (above - below));
        }
    }
    filled
}

/// Invented compression ratio for a threshold in dB HL: 1 up to 20 dB HL, then rising by 1 in 60 dB, at most 2.2.
pub fn compression_ratio(threshold_db_hl: f64) -> f64 {
    (1.0 + (threshold_db_hl - 20.0) / 60.0).clamp(1.0, 2.2)
}

/// Insertion gain, dB, at another input level (dB SPL), by an invented compression about 65 dB SPL:
/// REIG(L) = REIG65 + (65 - L)(1 - 1/CR), never below zero.
pub fn at_level(reig_65_db: f64, level_db_spl: f64, ratio: f64) -> f64 {
    applied(reig_65_db + (65.0 - level_db_spl) * (1.0 - 1.0 / ratio))
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    fn places(values: [(u16, f64); 7]) -> [Option<f64>; 10] {
        std::array::from_fn(|at| {
            values
                .iter()
                .find(|(hz, _)| *hz == FREQUENCIES_HZ[at])
                .map(|(_, db)| *db)
        })
    }

    const OCTAVES_AND_SIX: [u16; 7] = [250, 500, 1000, 2000, 3000, 4000, 6000];

    fn check(audiogram: [f64; 7], by_hand: [f64; 7]) {
        let at = |values: [f64; 7]| std::array::from_fn(|i| (OCTAVES_AND_SIX[i], values[i]));
        let found = nal_r(&places(at(audiogram)));
        for (place, wanted) in places(at(by_hand)).iter().enumerate() {
            if let Some(wanted) = wanted {
                let got = found[place].unwrap();
                assert!(
                    (got - wanted).abs() < 1e-9,
                    "{} Hz: {got}",
                    FREQUENCIES_HZ[place]
                );
            }
        }
    }

    /// By hand from the published constants (Byrne & Dillon 1986). Sloping loss, H = 20 25 35 50 55 60 65:
    /// 0.05 (25 + 35 + 50) = 5.5, then
    /// 250: 5.5 + 6.20 - 17 = -5.30; 500: 5.5 + 7.75 - 8 = 5.25; 1000: 5.5 + 10.85 + 1 = 17.35;
    /// 2000: 5.5 + 15.50 - 1 = 20.00; 3000: 5.5 + 17.05 - 2 = 20.55; 4000: 5.5 + 18.60 - 2 = 22.10;
    /// 6000: 5.5 + 20.15 - 2 = 23.65.
    #[test]
    fn sloping_loss_worked_by_hand() {
        check(
            [20.0, 25.0, 35.0, 50.0, 55.0, 60.0, 65.0],
            [-5.30, 5.25, 17.35, 20.00, 20.55, 22.10, 23.65],
        );
    }

    /// By hand: flat 50 dB HL, 0.05 * 150 = 7.5 and 0.31 * 50 = 15.5, so 23 + k:
    /// 6, 15, 24, 22, 21, 21, 21.
    #[test]
    fn flat_loss_worked_by_hand() {
        check([50.0; 7], [6.0, 15.0, 24.0, 22.0, 21.0, 21.0, 21.0]);
    }

    #[test]
    fn undefined_where_a_threshold_is_missing() {
        let mut thresholds = [Some(50.0); 10];
        thresholds[7] = None;
        let found = nal_r(&thresholds);
        assert!(found[7].is_none() && found[9].is_none() && found[8].is_some());
        thresholds[3] = None;
        assert_eq!(nal_r(&thresholds), [None; 10]);
    }

    /// Arithmetic of the invented compression: ratio 2 takes half of each decibel away from 65.
    #[test]
    fn compression_turns_about_sixty_five() {
        assert_eq!(at_level(20.0, 65.0, 2.0), 20.0);
        assert_eq!(at_level(20.0, 55.0, 2.0), 25.0);
        assert_eq!(at_level(20.0, 80.0, 2.0), 12.5);
        assert_eq!(at_level(5.0, 80.0, 2.0), 0.0);
        assert_eq!(at_level(20.0, 80.0, 1.0), 20.0);
        assert_eq!(applied(-5.3), 0.0);
    }

    /// 1500 Hz lies log2(1.5) = 0.58496 of the octave from 1000 to 2000 Hz: 30 + 0.58496 * 20 = 41.6993.
    #[test]
    fn untested_frequencies_between_octaves() {
        let mut thresholds = [Some(30.0); 10];
        thresholds[4] = None;
        thresholds[5] = Some(50.0);
        thresholds[7] = None;
        let filled = between_octaves(&thresholds);
        assert!((filled[4].unwrap() - 41.699_25).abs() < 1e-5);
        assert_eq!(filled[7], None);
    }
}
