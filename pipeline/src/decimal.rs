//! Fixed-point numbers: a strict decimal grammar, read into hundredths without passing through floating point.

/// Why a text is not a number that can be stored.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NumberFault {
    /// `NaN`, `inf` and the like, or an exponent as in `1e3`.
    NotPlain,
    /// A comma, an apostrophe, a space or a second point among the digits.
    Separator,
    /// Minus zero.
    MinusZero,
    /// Anything else that is not a number.
    NotANumber,
    /// A fraction where a whole number is due.
    NotWhole,
}

/// Largest magnitude that is told apart, in hundredths; anything beyond is this value (and out of every range).
const CEILING: i64 = 1_000_000_000_000;

/// Reads `[+-]digits[.digits]` as hundredths, rounded half away from zero.
///
/// # Errors
/// [`NumberFault`] where the text is anything else: an exponent, NaN, infinity, separators, minus zero, blanks.
pub fn hundredths(text: &[u8]) -> Result<i64, NumberFault> {
    let (negative, digits) = match text {
        [b'-', rest @ ..] => (true, rest),
        [b'+', rest @ ..] => (false, rest),
        _ => (false, text),
    };
    let mut value: i64 = 0;
    let mut seen_digit = false;
    let mut fraction_digits: Option<u32> = None;
    let mut nonzero = false;
    for &byte in digits {
        match byte {
            b'0'..=b'9' => {
                let digit = i64::from(byte - b'0');
                nonzero |= digit != 0;
                seen_digit = true;
                match &mut fraction_digits {
                    None => value = (value * 10 + digit).min(CEILING),
                    Some(n) => {
                        *n += 1;
                        match *n {
                            1 | 2 => value = value * 10 + digit,
                            // The third digit decides: half and more goes away from zero.
                            3 => value += i64::from(digit >= 5),
                            _ => {}
                        }
                    }
                }
            }
            b'.' if fraction_digits.is_none() && seen_digit => fraction_digits = Some(0),
            _ => return Err(fault_of(text)),
        }
    }
    if !seen_digit || fraction_digits == Some(0) {
        return Err(fault_of(text));
    }
    if negative && !nonzero {
        return Err(NumberFault::MinusZero);
    }
    let scaled = match fraction_digits {
        None => value * 100,
        Some(1) => value * 10,
        Some(_) => value,
    };
    Ok(if negative { -scaled } else { scaled })
}

/// Reads a whole number (no fraction at all, not even `.0`).
///
/// # Errors
/// As [`hundredths`], and [`NumberFault::NotWhole`] where there is a point.
pub fn whole(text: &[u8]) -> Result<i64, NumberFault> {
    let value = hundredths(text)?;
    if text.contains(&b'.') {
        return Err(NumberFault::NotWhole);
    }
    Ok(value / 100)
}

/// Names the fault, for the sentence.
fn fault_of(text: &[u8]) -> NumberFault {
    let unsigned = text
        .strip_prefix(b"-")
        .or_else(|| text.strip_prefix(b"+"))
        .unwrap_or(text);
    let lower = unsigned.to_ascii_lowercase();
    if matches!(lower.as_slice(), b"nan" | b"inf" | b"infinity") {
        return NumberFault::NotPlain;
    }
    let digit_first = lower.first().is_some_and(u8::is_ascii_digit);
    let number_like = lower
        .iter()
        .all(|b| b.is_ascii_digit() || matches!(b, b'.' | b'e' | b'+' | b'-'));
    if digit_first && number_like && lower.contains(&b'e') {
        return NumberFault::NotPlain;
    }
    let separated = lower
        .iter()
        .all(|b| b.is_ascii_digit() || matches!(b, b'.' | b',' | b'\'' | b' ' | b'_'));
    if separated && lower.iter().any(u8::is_ascii_digit) {
        return NumberFault::Separator;
    }
    NumberFault::NotANumber
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
            assert_eq!(hundredths(text), Ok(expected), "{text:?}");
        }
    }

    #[test]
    fn what_is_not_a_plain_number_is_refused_by_name() {
        let cases: [(&[u8], NumberFault); 19] = [
            (b"NaN", NumberFault::NotPlain),
            (b"nan", NumberFault::NotPlain),
            (b"inf", NumberFault::NotPlain),
            (b"-Infinity", NumberFault::NotPlain),
            (b"1e999", NumberFault::NotPlain),
            (b"1E2", NumberFault::NotPlain),
            (b"1e-2", NumberFault::NotPlain),
            (b"-0", NumberFault::MinusZero),
            (b"-0.00", NumberFault::MinusZero),
            (b"1,5", NumberFault::Separator),
            (b"1,234.5", NumberFault::Separator),
            (b"1.234,5", NumberFault::Separator),
            (b"1 234", NumberFault::Separator),
            (b"1.2.3", NumberFault::Separator),
            (b"5.", NumberFault::Separator),
            (b"", NumberFault::NotANumber),
            (b"-", NumberFault::NotANumber),
            (b"0x10", NumberFault::NotANumber),
            (b"twelve", NumberFault::NotANumber),
        ];
        for (text, expected) in cases {
            assert_eq!(hundredths(text), Err(expected), "{text:?}");
        }
    }

    #[test]
    fn endless_digits_stay_out_of_every_range_without_overflow() {
        let many = [b'9'; 400];
        assert_eq!(hundredths(&many), Ok(CEILING * 100));
    }

    #[test]
    fn whole_numbers_take_no_fraction() {
        assert_eq!(whole(b"72"), Ok(72));
        assert_eq!(whole(b"72.0"), Err(NumberFault::NotWhole));
    }
}
