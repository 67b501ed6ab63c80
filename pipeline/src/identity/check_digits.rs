//! Numbers that are known by a letter in them or by their check digit.

use super::classes::Class;
use super::dates::is_short_day;
use super::numbers::Number;

/// Numbers with a check digit, whose form alone says little. Schemes `from memory`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
#[repr(u8)]
pub(super) enum Scheme {
    /// Nine digits in threes, Luhn: the Canadian social insurance number.
    Threes,
    /// Ten digits 3-3-4, modulo 11: the British health service number.
    ThreeThreeFour,
    /// Eight digits and a letter, modulo 23: the Spanish identity number.
    EightAndLetter,
    /// A letter and nine digits, modulo 10: the German health insurance number.
    LetterAndNine,
}

impl Scheme {
    /// Every scheme, in the order of declaration.
    pub(super) const ALL: [Self; 4] = [
        Self::Threes,
        Self::ThreeThreeFour,
        Self::EightAndLetter,
        Self::LetterAndNine,
    ];

    /// The class of the number.
    pub(super) fn class(self) -> Class {
        match self {
            Self::LetterAndNine => Class::HealthPlan,
            _ => Class::NationalNumber,
        }
    }
}

/// A short number; a longer one than fits counts as the largest.
pub(super) fn value(digits: &str) -> u32 {
    digits.bytes().fold(0_u32, |value, digit| {
        value
            .saturating_mul(10)
            .saturating_add(u32::from(digit.wrapping_sub(b'0')))
    })
}

/// Numbers with one letter.
pub(super) fn with_letter(text: &str) -> Option<Number> {
    let bytes = text.as_bytes();
    let all_digits = |part: &[u8]| part.iter().all(u8::is_ascii_digit);
    let number = match bytes {
        [digits @ .., letter]
            if digits.len() == 8 && letter.is_ascii_uppercase() && all_digits(digits) =>
        {
            let expected = b"TRWAGMYFPDXBNJZSQVHLCKE".get((value(text.get(..8)?) % 23) as usize);
            Number::Checked(Scheme::EightAndLetter, expected == Some(letter))
        }
        [letter, digits @ ..]
            if digits.len() == 9 && letter.is_ascii_uppercase() && all_digits(digits) =>
        {
            Number::Checked(Scheme::LetterAndNine, health_insurance(*letter, digits))
        }
        // The Italian fiscal code, which holds name and birth date: `AAABBB00A00A000A`.
        _ if bytes.len() == 16
            && bytes.iter().enumerate().all(|(at, b)| match at {
                6 | 7 | 9 | 10 | 12..=14 => b.is_ascii_digit(),
                8 => b"ABCDEHLMPRST".contains(b),
                _ => b.is_ascii_uppercase(),
            }) =>
        {
            Number::Certain(Class::NationalNumber)
        }
        // A Finnish identity code: day, sign of the century, number and check character.
        [date @ .., century, _, _, _, check]
            if date.len() == 6
                && all_digits(date)
                && matches!(century, b'A' | b'-' | b'+')
                && all_digits(bytes.get(7..10)?)
                && check.is_ascii_alphabetic()
                && is_short_day(text.get(..6)?) =>
        {
            Number::Certain(Class::NationalNumber)
        }
        _ => {
            // A German pension number: area, day, letter of the name, serial and check. Without blanks it could be
            // hexadecimal.
            if !bytes.contains(&b' ') {
                return None;
            }
            let joined: Vec<u8> = bytes.iter().copied().filter(|b| *b != b' ').collect();
            let is_pension = joined.len() == 12
                && joined.iter().enumerate().all(|(at, b)| match at {
                    8 => b.is_ascii_uppercase(),
                    _ => b.is_ascii_digit(),
                })
                && is_short_day(std::str::from_utf8(joined.get(2..8)?).ok()?);
            return is_pension.then_some(Number::Certain(Class::NationalNumber));
        }
    };
    Some(number)
}

/// Whether the last digit is right by Luhn's formula.
pub(super) fn luhn(digits: &str) -> bool {
    let sum: u32 = digits
        .bytes()
        .rev()
        .enumerate()
        .map(|(at, digit)| {
            let value = u32::from(digit.wrapping_sub(b'0'));
            if at % 2 == 1 {
                let doubled = 2 * value;
                doubled / 10 + doubled % 10
            } else {
                value
            }
        })
        .sum();
    sum.is_multiple_of(10)
}

/// Whether the tenth digit is right modulo 11.
pub(super) fn modulo_11(digits: &str) -> bool {
    let mut weights = (2..=10).rev();
    let sum: u32 = digits
        .bytes()
        .take(9)
        .map(|digit| weights.next().unwrap_or(0) * u32::from(digit.wrapping_sub(b'0')))
        .sum();
    let expected = (11 - sum % 11) % 11;
    digits
        .as_bytes()
        .get(9)
        .is_some_and(|last| u32::from(last.wrapping_sub(b'0')) == expected)
}

fn health_insurance(letter: u8, digits: &[u8]) -> bool {
    let letter = u32::from(letter.wrapping_sub(b'A')) + 1;
    let all = [letter / 10, letter % 10].into_iter().chain(
        digits
            .iter()
            .take(8)
            .map(|digit| u32::from(digit.wrapping_sub(b'0'))),
    );
    let sum: u32 = all
        .enumerate()
        .map(|(at, value)| {
            let weighted = value * if at % 2 == 1 { 2 } else { 1 };
            weighted / 10 + weighted % 10
        })
        .sum();
    digits
        .get(8)
        .is_some_and(|last| u32::from(last.wrapping_sub(b'0')) == sum % 10)
}

/// Lengths of international bank account numbers of some countries (`from memory`).
const ACCOUNTS: [(&str, usize); 20] = [
    ("AT", 20),
    ("BE", 16),
    ("CH", 21),
    ("CZ", 24),
    ("DE", 22),
    ("DK", 18),
    ("ES", 24),
    ("FI", 18),
    ("FR", 27),
    ("GB", 22),
    ("HU", 28),
    ("IE", 22),
    ("IT", 27),
    ("LI", 21),
    ("LU", 20),
    ("NL", 18),
    ("NO", 15),
    ("PL", 28),
    ("PT", 25),
    ("SE", 24),
];

/// Whether a text is an international bank account number, by country, length and modulo 97 (ISO 13616, from memory).
pub(super) fn is_account(text: &str) -> bool {
    if !text.starts_with(|c: char| c.is_ascii_uppercase()) {
        return false;
    }
    let joined: String = text.chars().filter(|c| *c != ' ').collect();
    let known = ACCOUNTS
        .iter()
        .any(|(country, length)| joined.starts_with(country) && joined.len() == *length);
    if !known
        || !joined
            .bytes()
            .all(|b| b.is_ascii_digit() || b.is_ascii_uppercase())
    {
        return false;
    }
    let (head, tail) = joined.split_at(4);
    tail.bytes().chain(head.bytes()).fold(0_u32, |rest, b| {
        if b.is_ascii_digit() {
            (rest * 10 + u32::from(b - b'0')) % 97
        } else {
            (rest * 100 + u32::from(b - b'A') + 10) % 97
        }
    }) == 1
}
