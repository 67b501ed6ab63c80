//! How much of average speech is audible: the Speech Intelligibility Index.
//!
//! ANSI/ASA S3.5-1997, one-third-octave procedure, normal vocal effort, no background noise. Band importance and speech
//! levels are the standard's; the internal noise is from memory. It speaks of audibility, not of how well one person
//! understands.

/// One third-octave band.
struct Band {
    /// Centre, Hz.
    hz: f64,
    /// Importance; all sum to 1.
    importance: f64,
    /// Spectrum level of speech at normal effort, dB.
    speech: f64,
    /// Spectrum level of the noise within a normal ear, dB.
    internal: f64,
}

const fn band(hz: f64, importance: f64, speech: f64, internal: f64) -> Band {
    Band {
        hz,
        importance,
        speech,
        internal,
    }
}

/// The bands from 160 to 8000 Hz.
const BANDS: [Band; 18] = [
    band(160.0, 0.0083, 32.41, 0.60),
    band(200.0, 0.0095, 34.48, -1.70),
    band(250.0, 0.0150, 34.75, -3.90),
    band(315.0, 0.0289, 33.98, -6.10),
    band(400.0, 0.0440, 34.59, -8.20),
    band(500.0, 0.0578, 34.27, -9.70),
    band(630.0, 0.0653, 32.06, -10.80),
    band(800.0, 0.0711, 28.30, -11.90),
    band(1000.0, 0.0818, 25.01, -12.50),
    band(1250.0, 0.0844, 23.00, -13.50),
    band(1600.0, 0.0882, 20.15, -15.40),
    band(2000.0, 0.0898, 17.32, -17.70),
    band(2500.0, 0.0868, 13.18, -21.20),
    band(3150.0, 0.0844, 11.55, -24.20),
    band(4000.0, 0.0771, 9.33, -25.90),
    band(5000.0, 0.0527, 5.31, -23.60),
    band(6300.0, 0.0364, 2.59, -15.80),
    band(8000.0, 0.0185, 1.13, -7.10),
];

/// A level at a frequency: Hz, dB.
pub type AtFrequency = (f64, f64);

/// The level at a frequency, straight on log frequency between the points and flat beyond them.
fn at(points: &[AtFrequency], hz: f64) -> Option<f64> {
    let (first, last) = (points.first()?, points.last()?);
    if hz <= first.0 {
        return Some(first.1);
    }
    let between = points.windows(2).find_map(|pair| match pair {
        [low, high] if low.0 <= hz && hz <= high.0 => {
            let share = (hz / low.0).ln() / (high.0 / low.0).ln();
            Some(low.1 + share * (high.1 - low.1))
        }
        _ => None,
    });
    Some(between.unwrap_or(last.1))
}

/// Whether the points can be read: positive frequencies in ascending order, finite levels.
fn are_in_order(points: &[AtFrequency]) -> bool {
    points
        .iter()
        .all(|(hz, db)| *hz > 0.0 && hz.is_finite() && db.is_finite())
        && points
            .windows(2)
            .all(|pair| matches!(pair, [a, b] if a.0 < b.0))
}

/// The Speech Intelligibility Index, 0 to 1, of average speech in quiet.
///
/// `thresholds` are dB HL and `gain` is insertion gain in dB (negative gain counts as none; no points for the unaided
/// ear), each at ascending frequencies in Hz; between them levels are straight on log frequency, beyond them flat. None
/// where no threshold is known, or points are out of order or no numbers. Source: ANSI/ASA S3.5-1997.
#[must_use]
pub fn speech_intelligibility_index(
    thresholds: &[AtFrequency],
    gain: &[AtFrequency],
) -> Option<f64> {
    if !are_in_order(thresholds) || !are_in_order(gain) {
        return None;
    }
    let aided: Vec<f64> = BANDS
        .iter()
        .map(|band| band.speech + at(gain, band.hz).unwrap_or(0.0).max(0.0))
        .collect();
    let mut index = 0.0;
    for (place, (band, level)) in BANDS.iter().zip(&aided).enumerate() {
        // Speech masks itself in the bands above, the more the louder it is.
        let masking: f64 = BANDS
            .iter()
            .zip(&aided)
            .take(place)
            .map(|(lower, level)| {
                let own = level - 24.0;
                let slope = -80.0 + 0.6 * (own + 10.0 * lower.hz.log10() - 6.353);
                let spread = own + 3.32 * slope * (0.89 * band.hz / lower.hz).log10();
                10f64.powf(0.1 * spread)
            })
            .sum();
        let masking = if masking > 0.0 {
            10.0 * masking.log10()
        } else {
            f64::NEG_INFINITY
        };
        let internal = band.internal + at(thresholds, band.hz)?;
        let disturbance = masking.max(internal);
        let distortion = (1.0 - (level - band.speech - 10.0) / 160.0).min(1.0);
        let audible = ((level - disturbance + 15.0) / 30.0).clamp(0.0, 1.0);
        index += band.importance * distortion * audible;
    }
    Some(index.clamp(0.0, 1.0))
}

/// The audibility lost against target: the index with the target's gain less that with the measured gain. Below 0 where
/// more is audible than the target asks for.
#[must_use]
pub fn audibility_lost(
    thresholds: &[AtFrequency],
    target_gain: &[AtFrequency],
    measured_gain: &[AtFrequency],
) -> Option<f64> {
    Some(
        speech_intelligibility_index(thresholds, target_gain)?
            - speech_intelligibility_index(thresholds, measured_gain)?,
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Audiogram with a sloping loss, and its NAL-R gain (Byrne & Dillon 1986, Ear Hear 7:257).
    const SLOPING: [AtFrequency; 7] = [
        (250.0, 20.0),
        (500.0, 25.0),
        (1000.0, 35.0),
        (2000.0, 50.0),
        (3000.0, 55.0),
        (4000.0, 60.0),
        (6000.0, 65.0),
    ];
    const NAL_R: [AtFrequency; 7] = [
        (250.0, -5.30),
        (500.0, 5.25),
        (1000.0, 17.35),
        (2000.0, 20.00),
        (3000.0, 20.55),
        (4000.0, 22.10),
        (6000.0, 23.65),
    ];

    /// Values that two programs, written independently of this one, computed from the standard's procedure.
    #[test]
    fn two_other_programs_agree() {
        for (loss, expected) in [(0.0, 0.9958), (20.0, 0.9500), (40.0, 0.3823), (60.0, 0.0)] {
            let found = speech_intelligibility_index(&[(1000.0, loss)], &[]).unwrap();
            assert!((found - expected).abs() < 5e-5, "{loss}: {found}");
        }
        let unaided = speech_intelligibility_index(&SLOPING, &[]).unwrap();
        let aided = speech_intelligibility_index(&SLOPING, &NAL_R).unwrap();
        assert!((unaided - 0.3788).abs() < 5e-5, "{unaided}");
        assert!((aided - 0.7024).abs() < 5e-5, "{aided}");
        let lost = audibility_lost(&SLOPING, &NAL_R, &[]).unwrap();
        assert!((lost - (aided - unaided)).abs() < 1e-15);
    }

    /// The importances of a standard's table sum to 1.
    #[test]
    fn importances_are_shares_of_one() {
        let sum: f64 = BANDS.iter().map(|band| band.importance).sum();
        assert!((sum - 1.0).abs() < 1e-9, "{sum}");
    }

    #[test]
    fn what_cannot_be_read_has_no_index() {
        assert_eq!(speech_intelligibility_index(&[], &[]), None);
        let back = [(1000.0, 20.0), (500.0, 20.0)];
        assert_eq!(speech_intelligibility_index(&back, &[]), None);
        assert_eq!(
            speech_intelligibility_index(&[(1000.0, f64::NAN)], &[]),
            None
        );
        assert_eq!(
            speech_intelligibility_index(&[(1000.0, 20.0)], &[(0.0, 1.0)]),
            None
        );
    }
}
