//! Exact arithmetic on decimal numbers for changes of unit; no floating point.

use crate::decimal;

/// Decimal places that are kept.
const PLACES: u32 = 18;
const ONE: i128 = 10_i128.pow(PLACES);
/// Largest magnitude that is told apart; anything beyond is this value, and out of every range.
const CEILING: i128 = 10_i128.pow(15) * ONE;

/// A decimal number: `floor` in units of 10⁻¹⁸, and whether it lies beyond that, below the next unit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Exact {
    floor: i128,
    beyond: bool,
}

impl Exact {
    /// Reads what [`decimal::parse`] takes for a number, and nothing else.
    pub(super) fn read(text: &[u8]) -> Option<Self> {
        decimal::parse(text)?;
        let (negative, digits) = match text {
            [b'-', rest @ ..] => (true, rest),
            [b'+', rest @ ..] => (false, rest),
            _ => (false, text),
        };
        let mut parts = digits.splitn(2, |byte| *byte == b'.');
        let whole = parts.next().unwrap_or_default();
        let fraction = parts.next().unwrap_or_default();
        let digit = |byte: &u8| i128::from(byte.saturating_sub(b'0'));
        let mut magnitude = whole.iter().fold(0_i128, |sum, byte| {
            (sum * 10 + digit(byte)).min(CEILING / ONE)
        }) * ONE;
        let mut place = ONE;
        for byte in fraction.iter().take(PLACES as usize) {
            place /= 10;
            magnitude += digit(byte) * place;
        }
        let rest = fraction.get(PLACES as usize..).unwrap_or_default();
        let beyond = rest.iter().any(|byte| *byte != b'0');
        Some(Self {
            floor: if negative {
                -magnitude - i128::from(beyond)
            } else {
                magnitude
            },
            beyond,
        })
    }

    /// Less a number of hundredths.
    pub(super) fn less_hundredths(self, hundredths: i64) -> Self {
        Self {
            floor: self.floor - i128::from(hundredths) * (ONE / 100),
            ..self
        }
    }

    /// Times a thousand. What lies beyond the last unit stays there, which is enough to compare with hundredths.
    pub(super) fn thousandfold(self) -> Self {
        Self {
            floor: self.floor * 1000,
            ..self
        }
    }

    /// A seventh.
    pub(super) fn seventh(self) -> Self {
        Self {
            floor: self.floor.div_euclid(7),
            beyond: self.beyond || self.floor.rem_euclid(7) != 0,
        }
    }

    /// Writes the number so that [`decimal::parse`] reads it to the same hundredths, whole or not, in range or not.
    pub(super) fn write(self, out: &mut Vec<u8>) {
        let negative = self.floor < 0;
        // Below nought the number lies above its floor: its digits are those of the unit nearer to nought.
        let magnitude = if negative {
            -self.floor - i128::from(self.beyond)
        } else {
            self.floor
        };
        if negative {
            out.push(b'-');
        }
        out.extend_from_slice((magnitude / ONE).to_string().as_bytes());
        let mut fraction = format!("{:018}", magnitude % ONE);
        if self.beyond {
            fraction.push('1');
        }
        let fraction = fraction.trim_end_matches('0');
        if !fraction.is_empty() {
            out.push(b'.');
            out.extend_from_slice(fraction.as_bytes());
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn after(text: &str, change: impl Fn(Exact) -> Exact) -> String {
        let mut out = Vec::new();
        change(Exact::read(text.as_bytes()).expect("a number")).write(&mut out);
        String::from_utf8(out).expect("digits")
    }

    #[test]
    fn reading_and_writing_keeps_the_number() {
        for (text, expected) in [
            ("25.30", "25.3"),
            ("-0.5", "-0.5"),
            ("+7", "7"),
            ("007.0", "7"),
            ("0", "0"),
            ("0.000000000000000001", "0.000000000000000001"),
            ("0.0000000000000000009", "0.0000000000000000001"),
            ("-0.0000000000000000009", "-0.0000000000000000001"),
            ("-1.0000000000000000009", "-1.0000000000000000001"),
        ] {
            assert_eq!(after(text, |number| number), expected, "{text}");
        }
        assert_eq!(Exact::read(b"-0"), None);
        assert_eq!(Exact::read(b"1,5"), None);
        let many = "9".repeat(400);
        assert_eq!(
            after(&many, Exact::thousandfold),
            format!("1{}", "0".repeat(18))
        );
    }

    #[test]
    fn units_change_exactly() {
        assert_eq!(after("0.25", Exact::thousandfold), "250");
        assert_eq!(after("1.5", Exact::thousandfold), "1500");
        assert_eq!(after("70", |n| n.less_hundredths(1150)), "58.5");
        assert_eq!(after("11.5", |n| n.less_hundredths(1150)), "0");
        assert_eq!(after("5", |n| n.less_hundredths(1150)), "-6.5");
        assert_eq!(after("0.1", |n| n.less_hundredths(30)), "-0.2");
        assert_eq!(after("42", Exact::seventh), "6");
        assert_eq!(after("-7", Exact::seventh), "-1");
    }

    /// 3640 days are 520 weeks, the limit; a hundredth of a day more is beyond it, whatever it rounds to.
    #[test]
    fn limits_are_seen_before_rounding() {
        let weeks =
            |days: &str| decimal::parse(after(days, Exact::seventh).as_bytes()).expect("a number");
        assert!(weeks("3640").within(0, 52_000));
        assert!(!weeks("3640.01").within(0, 52_000));
        assert!(!weeks("3640.0000000000000000001").within(0, 52_000));
        assert_eq!(weeks("3640.01").rounded, 52_000);
        // 10 / 7 = 1.428571…
        assert_eq!(weeks("10").rounded, 143);
        let level = |text: &str| {
            decimal::parse(after(text, |n| n.less_hundredths(1150)).as_bytes()).expect("a number")
        };
        assert!(level("1.5").within(-1000, 12_000));
        assert!(!level("1.4999999999999999999").within(-1000, 12_000));
    }
}
