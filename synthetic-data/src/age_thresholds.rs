//! Hearing thresholds by age and sex of otologically normal people: ISO 7029:2000.
//!
//! The coefficients are those of the 2000 edition (since withdrawn), written from memory; a later
//! edition's were not found. The standard covers ages 18 to 70. Carrying the same formula on to
//! [`LAST_AGE`] is invented, and so is 750 Hz, which the standard does not list: it is interpolated
//! on log frequency between 500 and 1000 Hz.

/// Sex, as the standard tells people apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sex {
    /// Female.
    Female,
    /// Male.
    Male,
}

/// Age, in years, beyond which the median stays where it is (invented).
pub const LAST_AGE: f64 = 85.0;

/// Frequencies of the standard that are used here, Hz, and their place among the ten of the delivery.
const PLACES: [usize; 9] = [0, 1, 3, 4, 5, 6, 7, 8, 9];

/// Coefficient `a` of the median, dB per year squared.
const MEDIAN_MALE: [f64; 9] = [
    0.0030, 0.0035, 0.0040, 0.0055, 0.0070, 0.0115, 0.0160, 0.0180, 0.0220,
];
const MEDIAN_FEMALE: [f64; 9] = [
    0.0030, 0.0035, 0.0040, 0.0050, 0.0060, 0.0075, 0.0090, 0.0120, 0.0150,
];
/// Spread at 18 years, dB, above (`b_u`) and below (`b_l`) the median.
const UPPER_MALE: [f64; 9] = [6.67, 6.12, 6.12, 6.67, 7.23, 7.78, 8.34, 9.45, 10.56];
const LOWER_MALE: [f64; 9] = [5.34, 4.89, 4.89, 5.34, 5.78, 6.23, 6.67, 7.56, 8.45];
const UPPER_FEMALE: [f64; 9] = [6.12, 6.12, 6.12, 6.67, 6.67, 7.23, 7.78, 8.90, 10.56];
const LOWER_FEMALE: [f64; 9] = [4.89, 4.89, 4.89, 5.34, 5.34, 5.78, 6.23, 7.12, 8.45];

/// Median threshold and the two spreads at each of the ten frequencies.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AgeThresholds {
    /// Median, dB relative to the median at 18 years.
    pub median: [f64; 10],
    /// Standard deviation of the half above the median, dB.
    pub upper: [f64; 10],
    /// Standard deviation of the half below the median, dB.
    pub lower: [f64; 10],
}

/// Median and spreads at `age` (years) for [`FREQUENCIES_HZ`](crate::FREQUENCIES_HZ):
/// median = a (age - 18)^2, upper spread = b_u + 0.445 median, lower spread = b_l + 0.356 median
/// (ISO 7029:2000). Ages under 18 count as 18, ages over [`LAST_AGE`] as that.
pub fn age_thresholds(sex: Sex, age: f64) -> AgeThresholds {
    let (a, b_u, b_l) = match sex {
        Sex::Male => (&MEDIAN_MALE, &UPPER_MALE, &LOWER_MALE),
        Sex::Female => (&MEDIAN_FEMALE, &UPPER_FEMALE, &LOWER_FEMALE),
    };
    let years = age.clamp(18.0, LAST_AGE) - 18.0;
    let mut found = AgeThresholds {
        median: [0.0; 10],
        upper: [0.0; 10],
        lower: [0.0; 10],
    };
    for (row, &place) in PLACES.iter().enumerate() {
        let median = a[row] * years * years;
        found.median[place] = median;
        found.upper[place] = b_u[row] + 0.445 * median;
        found.lower[place] = b_l[row] + 0.356 * median;
    }
    // 750 Hz lies log2(1.5) of an octave above 500 Hz.
    let share = 1.5_f64.log2();
    for values in [&mut found.median, &mut found.upper, &mut found.lower] {
        values[2] = values[1] + share * (values[3] - values[1]);
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(found: f64, published: f64, half_digit: f64) -> bool {
        (found - published).abs() <= half_digit
    }

    /// Medians of men aged 70 by the formula of ISO 7029:2000, to one decimal:
    /// 52^2 = 2704, times 0.0035, 0.0040, 0.0070, 0.0160, 0.0220.
    #[test]
    fn medians_of_men_aged_seventy() {
        let found = age_thresholds(Sex::Male, 70.0);
        for (place, published) in [(1, 9.5), (3, 10.8), (5, 18.9), (7, 43.3), (9, 59.5)] {
            assert!(
                near(found.median[place], published, 0.05 + 1e-9),
                "{place}: {}",
                found.median[place]
            );
        }
    }

    /// By hand from the same formula: man of 70 at 4 kHz, median 43.264, so upper spread
    /// 8.34 + 0.445 * 43.264 = 27.59248 and lower 6.67 + 0.356 * 43.264 = 22.071984.
    #[test]
    fn spreads_of_men_aged_seventy_at_four_kilohertz() {
        let found = age_thresholds(Sex::Male, 70.0);
        assert!(near(found.upper[7], 27.592_48, 1e-9));
        assert!(near(found.lower[7], 22.071_984, 1e-9));
    }

    /// The standard's medians are zero at 18 years, and women's never exceed men's.
    #[test]
    fn eighteen_is_the_reference_and_women_hear_no_worse() {
        assert_eq!(age_thresholds(Sex::Female, 18.0).median, [0.0; 10]);
        for age in [30.0, 50.0, 70.0] {
            let (women, men) = (
                age_thresholds(Sex::Female, age),
                age_thresholds(Sex::Male, age),
            );
            assert!(women.median.iter().zip(men.median).all(|(w, m)| *w <= m));
        }
    }

    /// Interpolated 750 Hz lies between its neighbours, and the median stops growing at the last age.
    #[test]
    fn invented_parts_behave() {
        let found = age_thresholds(Sex::Male, 70.0);
        assert!(found.median[1] < found.median[2] && found.median[2] < found.median[3]);
        assert_eq!(
            age_thresholds(Sex::Male, 95.0),
            age_thresholds(Sex::Male, LAST_AGE)
        );
    }
}
