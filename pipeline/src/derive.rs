//! Measures that follow from the records alone, whatever the plan: hearing by fitting, match by curve.

use crate::records::{Curve, EarRecord, Fitting};
use crate::vocabulary::{Ear, FOUR_FREQUENCIES, HIGH_FREQUENCIES, N_FREQUENCIES, UP_TO_4000};

/// WHO grades of hearing loss, and the two kinds of loss in one ear only, in order.
pub const GRADES: [&str; 9] = [
    "normal",
    "mild",
    "moderate",
    "moderately severe",
    "severe",
    "profound",
    "complete",
    "unilateral",
    "slight unilateral",
];

/// Age bands in order.
pub const AGE_BANDS: [&str; 9] = [
    "0-17", "18-29", "30-39", "40-49", "50-59", "60-69", "70-79", "80-89", "90+",
];

/// The age band of an age in years.
#[must_use]
pub fn age_band(age: i16) -> &'static str {
    match age {
        ..18 => "0-17",
        18..30 => "18-29",
        30..40 => "30-39",
        40..50 => "40-49",
        50..60 => "50-59",
        60..70 => "60-69",
        70..80 => "70-79",
        80..90 => "80-89",
        90.. => "90+",
    }
}

/// A pure-tone average over 500, 1000, 2000 and 4000 Hz, kept as the exact sum of the four thresholds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PureToneSum {
    /// Sum of the four thresholds, hundredths of dB HL; the average is a quarter of it.
    pub sum: i32,
    /// At least one threshold is a limit without response: the average is a lower bound.
    pub lower_bound: bool,
}

/// The pure-tone sum of an ear, or none where one of the four was not tested: a missing frequency is never replaced.
#[must_use]
pub fn pure_tone_sum(ear: &EarRecord) -> Option<PureToneSum> {
    let mut sum = 0;
    let mut lower_bound = false;
    for position in FOUR_FREQUENCIES {
        sum += i32::from(ear.threshold(position)?);
        lower_bound |= ear.censored & (1 << position) != 0;
    }
    Some(PureToneSum { sum, lower_bound })
}

/// A limit in dB HL as a sum of four thresholds in hundredths.
const fn four(db: i32) -> i32 {
    db * 4 * 100
}

/// The grade by the better ear (WHO World Report on Hearing 2021; half-open, nothing rounded before grading;
/// `complete` and the unilateral class from memory). Sums are those of [`PureToneSum`].
#[must_use]
pub fn grade(one: i32, other: i32) -> &'static str {
    let (better, worse) = (one.min(other), one.max(other));
    if better < four(20) {
        return match worse {
            w if w < four(20) => "normal",
            w if w < four(35) => "slight unilateral",
            _ => "unilateral",
        };
    }
    match better {
        b if b < four(35) => "mild",
        b if b < four(50) => "moderate",
        b if b < four(65) => "moderately severe",
        b if b < four(80) => "severe",
        b if b < four(95) => "profound",
        _ => "complete",
    }
}

/// The shape of an audiogram (common practice, no source): by 500, 2000, 4000 and 8000 Hz.
///
/// `notch`: 4000 Hz at least 15 dB worse than both 2000 and 8000 Hz. `sloping` and `rising`: 4000 Hz at least 20 dB
/// worse or better than 500 Hz. `flat`: neither. None where 500 or 4000 Hz was not tested.
#[must_use]
pub fn configuration(ear: &EarRecord) -> Option<&'static str> {
    let low = ear.threshold(1)?;
    let high = ear.threshold(7)?;
    if let (Some(middle), Some(top)) = (ear.threshold(5), ear.threshold(9))
        && high - middle >= 1500
        && high - top >= 1500
    {
        return Some("notch");
    }
    Some(match high - low {
        2000.. => "sloping",
        ..=-2000 => "rising",
        _ => "flat",
    })
}

/// The referral rules on asymmetry, each true, false or not to be evaluated.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Asymmetry {
    /// At least 15 dB at two adjacent of 500, 1000, 2000, 4000, 8000 Hz, same ear worse (NICE NG98 2018, from memory).
    pub adjacent_15: Option<bool>,
    /// Averages over 500, 1000, 2000 Hz more than 15 dB apart (AAO-HNSF 2024, secondary source).
    pub average_15: Option<bool>,
    /// At least 10 dB at two contiguous frequencies, or 15 dB at one (CNS guideline 2018, secondary source).
    pub contiguous_10: Option<bool>,
    /// At least 15 dB at 3000 Hz (Saliba et al. 2009).
    pub three_k: Option<bool>,
    /// Loss in one ear only: better ear below 20 dB HL, worse from 35 on (WHO 2021, from memory).
    pub one_sided: Option<bool>,
}

/// Positions of 500, 1000, 2000, 4000 and 8000 Hz: the octaves that the adjacency rules look at.
const OCTAVES: [usize; 5] = [1, 3, 5, 7, 9];

/// Evaluates the referral rules on the two ears of a fitting.
#[must_use]
pub fn asymmetry(left: Option<&EarRecord>, right: Option<&EarRecord>) -> Asymmetry {
    let (Some(left), Some(right)) = (left, right) else {
        return Asymmetry::default();
    };
    let difference = |position: usize| -> Option<i32> {
        Some(i32::from(left.threshold(position)?) - i32::from(right.threshold(position)?))
    };
    let octaves = OCTAVES.map(difference);
    let average = [1, 3, 5]
        .iter()
        .try_fold(0, |sum, &position| Some(sum + difference(position)?))
        .map(|sum| sum.abs() > 3 * 1500);
    let one_sided = match (pure_tone_sum(left), pure_tone_sum(right)) {
        (Some(a), Some(b)) => Some(grade(a.sum, b.sum) == "unilateral"),
        _ => None,
    };
    Asymmetry {
        adjacent_15: two_in_a_row(&octaves, 1500),
        average_15: average,
        contiguous_10: either(two_in_a_row(&octaves, 1000), any_from(&octaves, 1500)),
        three_k: difference(6).map(|d| d.abs() >= 1500),
        one_sided,
    }
}

/// Whether two neighbours differ by at least `limit` to the same side. True as soon as a pair says so; false only
/// where every pair could be looked at.
fn two_in_a_row(differences: &[Option<i32>], limit: i32) -> Option<bool> {
    let mut complete = true;
    for pair in differences.windows(2) {
        match pair {
            [Some(a), Some(b)] => {
                if (*a >= limit && *b >= limit) || (*a <= -limit && *b <= -limit) {
                    return Some(true);
                }
            }
            _ => complete = false,
        }
    }
    complete.then_some(false)
}

fn any_from(differences: &[Option<i32>], limit: i32) -> Option<bool> {
    if differences.iter().flatten().any(|d| d.abs() >= limit) {
        return Some(true);
    }
    differences.iter().all(Option::is_some).then_some(false)
}

fn either(a: Option<bool>, b: Option<bool>) -> Option<bool> {
    match (a, b) {
        (Some(true), _) | (_, Some(true)) => Some(true),
        (Some(false), Some(false)) => Some(false),
        _ => None,
    }
}

/// What a fitting is, taken from its ears.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct FittingMeasures<'a> {
    /// Ears fitted: left, right.
    pub fitted: [bool; 2],
    /// Pure-tone sums: left, right.
    pub pure_tone: [Option<PureToneSum>; 2],
    /// Grade, where both ears have a pure-tone average.
    pub grade: Option<&'static str>,
    /// Referral rules.
    pub asymmetry: Asymmetry,
    /// Which ears were fitted, in a word: left, right, both; none where no ear was.
    pub ear: Option<&'static str>,
    /// Coupling common to the fitted ears, `mixed` where they differ.
    pub coupling: Option<&'a str>,
    /// Style common to the fitted ears, `mixed` where they differ.
    pub style: Option<&'a str>,
    /// Age band.
    pub age_band: Option<&'static str>,
}

impl FittingMeasures<'_> {
    /// How many ears were fitted.
    #[must_use]
    pub fn n_fitted(&self) -> i16 {
        i16::from(self.fitted[0]) + i16::from(self.fitted[1])
    }
}

/// Derives what a fitting is from its row and the rows of its ears.
#[must_use]
pub fn fitting_measures<'a>(fitting: &Fitting, ears: &[&'a EarRecord]) -> FittingMeasures<'a> {
    let of = |ear: Ear| ears.iter().copied().find(|record| record.ear == ear);
    let (left, right) = (of(Ear::Left), of(Ear::Right));
    let fitted = [left, right].map(|ear| ear.is_some_and(|record| record.fitted == Some(true)));
    let pure_tone = [left, right].map(|ear| ear.and_then(pure_tone_sum));
    let common = |label: &dyn Fn(&'a EarRecord) -> Option<&'a str>| -> Option<&'a str> {
        let mut labels = ears
            .iter()
            .copied()
            .filter(|record| record.fitted == Some(true))
            .map(label);
        let first = labels.next()?;
        if labels.any(|other| other != first) {
            return Some("mixed");
        }
        first
    };
    FittingMeasures {
        fitted,
        pure_tone,
        grade: match pure_tone {
            [Some(a), Some(b)] => Some(grade(a.sum, b.sum)),
            _ => None,
        },
        asymmetry: asymmetry(left, right),
        ear: match fitted {
            [true, true] => Some("both"),
            [true, false] => Some("left"),
            [false, true] => Some("right"),
            [false, false] => None,
        },
        coupling: common(&|record| record.coupling.map(|c| c.word())),
        style: common(&|record| record.style.as_deref()),
        age_band: fitting.age.map(age_band),
    }
}

/// Match of one curve to its target; what cannot be derived is none.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct CurveMeasures {
    /// Sum of squared deviations at 500, 1000, 2000 and 4000 Hz, hundredths squared; needs all four.
    pub sum_of_squares: Option<i64>,
    /// RMS deviation over the same, billionths of a dB.
    pub rms: Option<i64>,
    /// Mean signed deviation over the compared frequencies from 250 to 4000 Hz, billionths of a dB.
    pub signed: Option<i64>,
    /// Mean deviation at 3000, 4000 and 6000 Hz, billionths of a dB; negative is a shortfall; needs all three.
    pub high_frequency: Option<i64>,
    /// Slope error from 1000 to 4000 Hz, billionths of a dB an octave; needs both.
    pub slope: Option<i64>,
}

/// Hundredths of a dB in billionths.
const NANO: i64 = 10_000_000;

/// Derives the measures of a curve.
#[must_use]
pub fn curve_measures(curve: &Curve) -> CurveMeasures {
    let deviations: [Option<i64>; N_FREQUENCIES] =
        std::array::from_fn(|position| curve.deviation(position).map(i64::from));
    let at = |position: usize| deviations.get(position).copied().flatten();
    let sum_of_squares = FOUR_FREQUENCIES.iter().try_fold(0, |sum, &position| {
        Some(sum + at(position)? * at(position)?)
    });
    let compared = UP_TO_4000.iter().filter_map(|&position| at(position));
    let (compared_n, compared_sum) = compared.fold((0, 0), |(n, sum), value| (n + 1, sum + value));
    let high = HIGH_FREQUENCIES
        .iter()
        .try_fold(0, |sum, &position| Some(sum + at(position)?));
    CurveMeasures {
        sum_of_squares,
        rms: sum_of_squares.map(rms_in_billionths),
        signed: (compared_n > 0).then(|| rounded_quotient(compared_sum * NANO, compared_n)),
        high_frequency: high.map(|sum| rounded_quotient(sum * NANO, 3)),
        // A least-squares line through the three octaves gives the middle one no weight.
        slope: match (at(3), at(7)) {
            (Some(low), Some(high)) => Some((high - low) * (NANO / 2)),
            _ => None,
        },
    }
}

/// The root of a quarter of a sum of squares in hundredths squared, in billionths of a dB.
fn rms_in_billionths(sum_of_squares: i64) -> i64 {
    ((sum_of_squares as f64 / 4.0).sqrt() * NANO as f64).round() as i64
}

/// A quotient rounded half away from zero.
fn rounded_quotient(numerator: i64, denominator: i64) -> i64 {
    let half = denominator / 2;
    if numerator >= 0 {
        (numerator + half) / denominator
    } else {
        (numerator - half) / denominator
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::records::{CurveKey, Place};
    use crate::vocabulary::{Quantity, Stage};

    fn ear(ear: Ear, db: [Option<i16>; N_FREQUENCIES]) -> EarRecord {
        let mut record = EarRecord::new(0, ear, Place::default());
        record.fitted = Some(true);
        for (position, value) in db.into_iter().enumerate() {
            if let Some(value) = value {
                record.set(position, value * 100, false);
            }
        }
        record
    }

    fn pair(differences: [i16; 5]) -> (EarRecord, EarRecord) {
        let mut left = [Some(40); N_FREQUENCIES];
        for (position, difference) in OCTAVES.into_iter().zip(differences) {
            left[position] = Some(40 + difference);
        }
        (
            ear(Ear::Left, left),
            ear(Ear::Right, [Some(40); N_FREQUENCIES]),
        )
    }

    /// WHO World Report on Hearing 2021: limits 20, 35, 50, 65, 80, 95 dB, half-open.
    #[test]
    fn grades_change_at_their_limits() {
        let cases = [
            (19.75, "normal"),
            (20.0, "mild"),
            (34.75, "mild"),
            (35.0, "moderate"),
            (49.75, "moderate"),
            (50.0, "moderately severe"),
            (64.75, "moderately severe"),
            (65.0, "severe"),
            (79.75, "severe"),
            (80.0, "profound"),
            (94.75, "profound"),
            (95.0, "complete"),
        ];
        for (average, expected) in cases {
            let sum = (average * 400.0) as i32;
            assert_eq!(grade(sum, sum), expected, "{average}");
            if average >= 20.0 {
                assert_eq!(grade(sum, four(110)), expected, "the better ear decides");
            }
        }
        assert_eq!(grade(four(10), four(35)), "unilateral");
        assert_eq!(grade(four(10), four(34)), "slight unilateral");
        assert_eq!(grade(four(10), four(20)), "slight unilateral");
    }

    #[test]
    fn a_missing_frequency_leaves_no_average_and_a_limit_marks_it() {
        let mut record = ear(Ear::Left, [Some(50); N_FREQUENCIES]);
        assert_eq!(
            pure_tone_sum(&record),
            Some(PureToneSum {
                sum: four(50),
                lower_bound: false
            })
        );
        record.censored = 1 << 7;
        assert!(pure_tone_sum(&record).expect("complete").lower_bound);
        record.tested &= !(1 << 3);
        assert_eq!(pure_tone_sum(&record), None);
    }

    /// Edges of the rules as their texts give them: 15/15/0/0/0 and 15/0/15/0/15; an average of exactly 15.
    #[test]
    fn asymmetry_rules_at_their_edges() {
        let evaluate = |differences| {
            let (left, right) = pair(differences);
            asymmetry(Some(&left), Some(&right))
        };
        let adjacent = evaluate([15, 15, 0, 0, 0]);
        assert_eq!(adjacent.adjacent_15, Some(true));
        let apart = evaluate([15, 0, 15, 0, 15]);
        assert_eq!(apart.adjacent_15, Some(false));
        assert_eq!(apart.contiguous_10, Some(true));
        let opposite = evaluate([15, -15, 0, 0, 0]);
        assert_eq!(opposite.adjacent_15, Some(false));
        assert_eq!(evaluate([15, 15, 15, 0, 0]).average_15, Some(false));
        assert_eq!(evaluate([15, 15, 16, 0, 0]).average_15, Some(true));
        assert_eq!(evaluate([10, 10, 0, 0, 0]).contiguous_10, Some(true));
        assert_eq!(evaluate([10, 0, 10, 0, 0]).contiguous_10, Some(false));
        assert_eq!(evaluate([0; 5]).three_k, Some(false));
    }

    #[test]
    fn a_missing_threshold_means_not_evaluated_unless_the_rest_decides() {
        let (mut left, right) = pair([15, 15, 0, 0, 0]);
        left.tested &= !(1 << 9);
        assert_eq!(asymmetry(Some(&left), Some(&right)).adjacent_15, Some(true));
        let (mut left, right) = pair([15, 0, 0, 0, 0]);
        left.tested &= !(1 << 9);
        assert_eq!(asymmetry(Some(&left), Some(&right)).adjacent_15, None);
        assert_eq!(asymmetry(Some(&left), None), Asymmetry::default());
    }

    /// Worked by hand: target 10 15 20 25 22 20, measured 12 14 18 19 14 8 at 250, 500, 1k, 2k, 3k, 4k: deviations
    /// 2 -1 -2 -6 -8 -12, mean -27/6 = -4.5, RMS of the four sqrt((1+4+36+144)/4) = sqrt(46.25) = 6.8007.
    #[test]
    fn the_worked_curve_gives_its_measures() {
        let key = CurveKey {
            fitting: 0,
            ear: Ear::Left,
            stage: Stage::Final,
            quantity: Quantity::Reig,
            input_level: 6500,
        };
        let mut curve = Curve::new(key, Place::default(), false);
        let target = [10, 15, 20, 25, 22, 20];
        let measured = [12, 14, 18, 19, 14, 8];
        for (at, position) in [0, 1, 3, 5, 6, 7].into_iter().enumerate() {
            curve.set(position, Some(target[at] * 100), Some(measured[at] * 100));
        }
        let measures = curve_measures(&curve);
        assert_eq!(measures.sum_of_squares, Some(185 * 10_000));
        assert_eq!(measures.rms, Some(6_800_735_254));
        assert_eq!(measures.signed, Some(-4_500_000_000));
        assert_eq!(measures.high_frequency, None);
        // (-12 - -2) / 2 octaves.
        assert_eq!(measures.slope, Some(-5_000_000_000));
    }
}
