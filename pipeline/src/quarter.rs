//! Calendar quarters: the finest date the store keeps; and years, where that is too fine.

use std::fmt;
use std::str::FromStr;

/// A calendar quarter, or a whole year; ordered in time, a year before its quarters.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Quarter {
    /// Four-digit year, 1900-2199.
    pub year: u16,
    /// 1 to 4; 0 for the whole year.
    pub number: u8,
}

impl Quarter {
    /// Reads a date `2026-08-17`, a month `2026-08` or a quarter `2026-Q3`.
    ///
    /// Returns none for anything else, for a day that the calendar does not have, and for years outside 1900-2199.
    #[must_use]
    pub fn from_date(text: &[u8]) -> Option<Self> {
        let digits = |bytes: &[u8]| -> Option<u16> {
            bytes.iter().try_fold(0_u16, |acc, b| {
                b.is_ascii_digit().then(|| acc * 10 + u16::from(b - b'0'))
            })
        };
        let (year, rest) = text.split_at_checked(4)?;
        let year = digits(year).filter(|y| (1900..2200).contains(y))?;
        let number = match rest {
            [b'-', b'Q', q @ b'1'..=b'4'] => q - b'0',
            [b'-', m1, m2] => quarter_of_month(digits(&[*m1, *m2])?)?,
            [b'-', m1, m2, b'-', d1, d2] => {
                let month = digits(&[*m1, *m2])?;
                let number = quarter_of_month(month)?;
                let day = digits(&[*d1, *d2])?;
                if day == 0 || day > days_in_month(year, month) {
                    return None;
                }
                number
            }
            _ => return None,
        };
        Some(Self { year, number })
    }

    /// Reads what [`Quarter::from_date`] reads, or a year `2026`, and keeps the year.
    #[must_use]
    pub fn year_of(text: &[u8]) -> Option<Self> {
        match text {
            [_, _, _, _] => Self::year(text),
            _ => Self::from_date(text).map(|quarter| Self {
                number: 0,
                ..quarter
            }),
        }
    }

    fn year(text: &[u8]) -> Option<Self> {
        // The first quarter of the same year is read by the same rules.
        let quarter = Self::from_date(&[text, b"-Q1"].concat())?;
        Some(Self {
            number: 0,
            ..quarter
        })
    }

    /// Whether this is a whole year.
    #[must_use]
    pub fn is_year(self) -> bool {
        self.number == 0
    }
}

fn quarter_of_month(month: u16) -> Option<u8> {
    match month {
        1..=3 => Some(1),
        4..=6 => Some(2),
        7..=9 => Some(3),
        10..=12 => Some(4),
        _ => None,
    }
}

fn days_in_month(year: u16, month: u16) -> u16 {
    match month {
        4 | 6 | 9 | 11 => 30,
        2 if year.is_multiple_of(4) && (!year.is_multiple_of(100) || year.is_multiple_of(400)) => {
            29
        }
        2 => 28,
        _ => 31,
    }
}

impl fmt::Display for Quarter {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.number {
            0 => write!(f, "{:04}", self.year),
            number => write!(f, "{:04}-Q{number}", self.year),
        }
    }
}

impl FromStr for Quarter {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        match (text.len(), Self::from_date(text.as_bytes())) {
            (7, Some(quarter)) if text.contains('Q') => Ok(quarter),
            (4, _) => Self::year(text.as_bytes()).ok_or_else(not_a_quarter),
            _ => Err(not_a_quarter()),
        }
    }
}

fn not_a_quarter() -> String {
    "a quarter is written like 2026-Q3, a whole year like 2026".to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn years_are_kept_of_dates_and_stand_before_their_quarters() {
        for text in ["2026-08-17", "2026-08", "2026-Q3", "2026"] {
            let year = Quarter::year_of(text.as_bytes()).expect(text);
            assert!(year.is_year());
            assert_eq!(year.to_string(), "2026");
            assert_eq!("2026".parse(), Ok(year));
        }
        for text in ["2026-02-29", "1899", "20260", "202", "", "abcd", "2026-13"] {
            assert_eq!(Quarter::year_of(text.as_bytes()), None, "{text}");
        }
        let mut mixed: Vec<Quarter> = ["2027", "2026-Q4", "2026", "2025-Q4", "2026-Q1"]
            .map(|text| text.parse().expect(text))
            .to_vec();
        mixed.sort_unstable();
        let sorted: Vec<String> = mixed.iter().map(Quarter::to_string).collect();
        assert_eq!(sorted, ["2025-Q4", "2026", "2026-Q1", "2026-Q4", "2027"]);
        // The order as texts is the same.
        assert!(sorted.is_sorted());
    }

    #[test]
    fn dates_months_and_quarters_are_read() {
        for text in ["2026-08-17", "2026-08", "2026-Q3", "2026-09-30"] {
            let quarter = Quarter::from_date(text.as_bytes()).expect(text);
            assert_eq!(quarter.to_string(), "2026-Q3");
        }
        assert!(Quarter::from_date(b"2024-02-29").is_some());
    }

    #[test]
    fn impossible_or_other_dates_are_refused() {
        for text in [
            "2026-02-29",
            "2026-13",
            "2026-Q5",
            "2026-00-10",
            "17.08.2026",
            "08/17/2026",
            "2026-8-7",
            "2026",
            "",
            "0026-Q1",
            "2026-Q3 ",
            "2026-04-31",
            "1899-01",
        ] {
            assert_eq!(Quarter::from_date(text.as_bytes()), None, "{text}");
        }
    }
}
