//! Fixed-point numbers: a strict decimal grammar, read into hundredths without passing through floating point.

/// A decimal number as hundredths.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Decimal {
    /// Rounded half away from zero.
    pub rounded: i64,
    /// Cut towards zero.
    truncated: i64,
    /// Whether anything was cut.
    inexact: bool,
    negative: bool,
    /// Whether the text has a point.
    has_point: bool,
}

impl Decimal {
    /// Whether the number itself, not its rounding, lies within limits given in hundredths.
    #[must_use]
    pub fn within(self, low: i64, high: i64) -> bool {
        // What was cut off lies beyond the cut, away from zero.
        let beyond = |limit: i64, side: bool| self.inexact && side && self.truncated == limit;
        let above = self.truncated > high || beyond(high, !self.negative);
        let below = self.truncated < low || beyond(low, self.negative);
        !above && !below
    }

    /// Whether the number is whole.
    #[must_use]
    pub fn is_whole(self) -> bool {
        !self.inexact && self.truncated % 100 == 0
    }

    /// Whether the number is one of whole hundredths.
    #[must_use]
    pub fn is_exact(self) -> bool {
        !self.inexact
    }

    /// The number where it was written without a point.
    #[must_use]
    pub fn as_integer(self) -> Option<i64> {
        (!self.has_point).then_some(self.truncated / 100)
    }
}

/// Largest magnitude that is told apart, in hundredths; anything beyond is this value (and out of every range).
const CEILING: i64 = 1_000_000_000_000;

/// Reads `[+-]digits[.digits]`.
///
/// None where the text is anything else: an exponent, NaN, infinity, a thousands separator, a decimal comma, blanks,
/// or minus zero, which some programs write for a small negative number that they have rounded away.
#[must_use]
#[inline]
pub fn parse(text: &[u8]) -> Option<Decimal> {
    short(text).or_else(|| any(text))
}

/// Digits that [`short`] reads: their value in hundredths stays far below the ceiling.
const SHORT: usize = 8;

/// Reads most numbers there are: a few digits, hundredths at most, not minus zero. None for everything else, which may be
/// a number all the same.
#[inline]
fn short(text: &[u8]) -> Option<Decimal> {
    let (negative, digits) = match text {
        [b'-', rest @ ..] => (true, rest),
        _ => (false, text),
    };
    if digits.len() > SHORT {
        return None;
    }
    let mut value = 0_i64;
    // Digits after the point, once there is one.
    let mut decimals = None;
    let mut seen = 0_usize;
    for &byte in digits {
        let digit = byte.wrapping_sub(b'0');
        if digit < 10 {
            value = value * 10 + i64::from(digit);
            seen += 1;
            decimals = decimals.map(|count: usize| count + 1);
        } else if byte == b'.' && decimals.is_none() && seen > 0 {
            decimals = Some(0);
        } else {
            return None;
        }
    }
    value *= match decimals {
        None if seen > 0 => 100,
        Some(1) => 10,
        Some(2) => 1,
        _ => return None,
    };
    if negative && value == 0 {
        return None;
    }
    let value = if negative { -value } else { value };
    Some(Decimal {
        rounded: value,
        truncated: value,
        inexact: false,
        negative,
        has_point: decimals.is_some(),
    })
}

/// Reads any number.
fn any(text: &[u8]) -> Option<Decimal> {
    let (negative, digits) = match text {
        [b'-', rest @ ..] => (true, rest),
        [b'+', rest @ ..] => (false, rest),
        _ => (false, text),
    };
    let (whole, fraction) = match memchr::memchr(b'.', digits) {
        Some(point) => {
            let (whole, rest) = digits.split_at(point);
            (whole, Some(rest.get(1..)?))
        }
        None => (digits, None),
    };
    let all_digits = |part: &[u8]| !part.is_empty() && part.iter().all(u8::is_ascii_digit);
    if !all_digits(whole) || fraction.is_some_and(|part| !all_digits(part)) {
        return None;
    }
    let digit = |byte: Option<&u8>| byte.map_or(0, |b| i64::from(b - b'0'));
    let mut value = whole
        .iter()
        .fold(0_i64, |sum, b| (sum * 10 + digit(Some(b))).min(CEILING));
    let fraction_digits = fraction.unwrap_or_default();
    value = value * 100 + digit(fraction_digits.first()) * 10 + digit(fraction_digits.get(1));
    let rest = fraction_digits.get(2..).unwrap_or_default();
    let inexact = rest.iter().any(|b| *b != b'0');
    let up = i64::from(digit(rest.first()) >= 5);
    if negative && value == 0 && !inexact {
        return None;
    }
    let sign = if negative { -1 } else { 1 };
    Some(Decimal {
        rounded: sign * (value + up),
        truncated: sign * value,
        inexact,
        negative,
        has_point: fraction.is_some(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn decimals_become_hundredths_rounded_half_away_from_zero() {
        let cases: [(&[u8], i64); 12] = [
            (b"25.3", 2530),
            (b"25", 2500),
            (b"0", 0),
            (b"0.0", 0),
            (b"-0.5", -50),
            (b"+5", 500),
            (b"1.005", 101),
            (b"-1.005", -101),
            (b"1.004999", 100),
            (b"-12.345", -1235),
            (b"007", 700),
            (b"140.00", 14000),
        ];
        for (text, expected) in cases {
            assert_eq!(parse(text).map(|d| d.rounded), Some(expected), "{text:?}");
        }
    }

    #[test]
    fn what_is_not_a_plain_number_is_refused() {
        for text in [
            "NaN",
            "nan",
            "inf",
            "-Infinity",
            "1e999",
            "1E2",
            "1e-2",
            "-0",
            "-0.00",
            "1,5",
            "1,234.5",
            "1.234,5",
            "1 234",
            "1.2.3",
            "5.",
            ".5",
            "",
            "-",
            "+",
            "0x10",
            "twelve",
            " 5",
            "5 ",
        ] {
            assert_eq!(parse(text.as_bytes()), None, "{text:?}");
        }
    }

    /// Every text of up to six characters that can be part of a number: both ways of reading say the same.
    #[test]
    fn the_short_way_reads_what_the_long_way_reads() {
        let alphabet = *b"-+.059";
        let mut read = 0;
        for length in 0..=6_u32 {
            for number in 0..alphabet.len().pow(length) {
                let mut rest = number;
                let text: Vec<u8> = (0..length)
                    .map(|_| {
                        let byte = alphabet[rest % alphabet.len()];
                        rest /= alphabet.len();
                        byte
                    })
                    .collect();
                if let Some(decimal) = short(&text) {
                    read += 1;
                    assert_eq!(Some(decimal), any(&text), "{text:?}");
                }
            }
        }
        assert!(read > 1000);
        assert_eq!(short(b"99999999"), any(b"99999999"));
        assert_eq!(short(b"65.5").map(|d| d.rounded), Some(6550));
    }

    #[test]
    fn endless_digits_stay_out_of_every_range_without_overflow() {
        let many = [b'9'; 400];
        let decimal = parse(&many).expect("digits");
        assert!(!decimal.within(-1_000_000, 1_000_000));
    }

    /// A number just beyond a limit is beyond it, whatever it is rounded to.
    #[test]
    fn ranges_and_wholeness_are_judged_before_rounding() {
        let within =
            |text: &str, low, high| parse(text.as_bytes()).expect("digits").within(low, high);
        assert!(within("5", 100, 500) && within("5.00", 100, 500) && within("1", 100, 500));
        assert!(!within("5.004", 100, 500) && !within("0.996", 100, 500));
        assert!(within("-40", -4000, 14000) && !within("-40.001", -4000, 14000));
        assert!(within("0.001", 0, 2400) && !within("-0.001", 0, 2400));
        assert!(within("24.000", 0, 2400) && !within("24.001", 0, 2400));
        let whole = |text: &str| parse(text.as_bytes()).expect("digits").is_whole();
        assert!(whole("4") && whole("4.0") && !whole("3.996") && !whole("4.5"));
        assert_eq!(parse(b"72").and_then(Decimal::as_integer), Some(72));
        assert_eq!(parse(b"72.0").and_then(Decimal::as_integer), None);
    }
}
