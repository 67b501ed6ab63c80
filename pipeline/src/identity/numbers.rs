//! Telephone and national numbers in a text: groups of digits and what stands between them.

use std::borrow::Cow;

pub(super) use super::check_digits::Scheme;
use super::check_digits::{is_account, luhn, modulo_11, value, with_letter};
use super::classes::Class;
use super::dates::is_short_day;
use super::looks::Looks;

/// What a run of digits is, by itself or together with the other values of its column.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Number {
    /// One occurrence is enough.
    Certain(Class),
    /// So many bare digits; as many digits may also be hexadecimal by chance.
    Bare(usize),
    /// Has the form of a number that begins with a birth date; whether the date is one.
    Dated(bool),
    /// Has the form of a number with a check digit: which, and whether the digit is right.
    Checked(Scheme, bool),
}

/// Calls back with every number of a text that may be one of a person.
pub(super) fn numbers(text: &str, mut found: impl FnMut(Number)) {
    if text.bytes().filter(u8::is_ascii_digit).count() < 7 {
        return;
    }
    let plain = plainly(text);
    if let Some(number) = with_letter(plain.trim()) {
        found(number);
    }
    if is_account(&plain) {
        found(Number::Certain(Class::Account));
    }
    let mut run = String::new();
    // Whether letters stand right before the run: then bare digits are most likely a pseudonym.
    let mut led = false;
    let mut end = |run: &str, led: bool| {
        if let Some(number) = of_run(run).filter(|n| !(led && matches!(n, Number::Bare(_)))) {
            found(number);
        }
    };
    // Words without letters belong together: `0170 1234567`.
    for word in plain.split([' ', ',', ';', ':', '=', '|', '"', '\t', '\n']) {
        let digits = without_lead(word);
        if digits.len() < word.len() {
            end(&run, led);
            run.clear();
            led = true;
        }
        if !digits.is_empty() {
            if run.is_empty() {
                led = digits.len() < word.len();
            } else {
                run.push(' ');
            }
            run.push_str(digits);
        }
    }
    end(&run, led);
}

/// The same for a word of ASCII letters and digits only, as most pseudonyms are.
pub(super) fn numbers_in_word(text: &str, looks: Looks, mut found: impl FnMut(Number)) {
    if looks.digits < 7 {
        return;
    }
    if let Some(number) = with_letter(text) {
        found(number);
    }
    if is_account(text) {
        found(Number::Certain(Class::Account));
    }
    // Behind letters bare digits are most likely a pseudonym; between them they are no number.
    if looks.digits == text.len()
        && !repeats(text)
        && let Some(number) = bare(text)
    {
        found(number);
    }
}

/// Blanks, dashes and digits of other scripts of typesetting as those of ASCII.
fn plainly(text: &str) -> Cow<'_, str> {
    if text.is_ascii() {
        return Cow::Borrowed(text);
    }
    let plain = text.chars().map(|c| match c {
        '\u{a0}' | '\u{2007}' | '\u{2009}' | '\u{202f}' | '\u{3000}' => ' ',
        '\u{2010}'..='\u{2015}' | '\u{2212}' => '-',
        '\u{ff10}'..='\u{ff19}' => {
            char::from_u32(u32::from(c) - 0xff10 + u32::from('0')).unwrap_or(c)
        }
        c => c,
    });
    Cow::Owned(plain.collect())
}

/// A word without the letters before its digits (`tel-0170-1234567`); empty where letters stand anywhere else.
fn without_lead(word: &str) -> &str {
    let rest = word
        .trim_start_matches(char::is_alphabetic)
        .trim_start_matches(['-', '_', '.', '#', '/']);
    if rest
        .chars()
        .all(|c| c.is_ascii_digit() || "+-_./()".contains(c))
    {
        rest
    } else {
        ""
    }
}

/// Groups of digits, and what stands between them.
fn of_run(run: &str) -> Option<Number> {
    let run = run.trim_matches(|c: char| !c.is_ascii_digit() && !matches!(c, '+' | '('));
    let groups: Vec<&str> = run
        .split(|c: char| !c.is_ascii_digit())
        .filter(|group| !group.is_empty())
        .collect();
    let digits: String = groups.concat();
    if !(7..=18).contains(&digits.len()) || groups.len() > 8 {
        return None;
    }
    if repeats(&digits) {
        return None;
    }
    let signs: String = run.chars().filter(|c| !c.is_ascii_digit()).collect();
    let hyphened = signs.chars().all(|c| matches!(c, '-' | '_'));
    if run.starts_with('+') && digits.len() >= 8 && digits.len() <= 15 {
        return Some(Number::Certain(Class::Telephone));
    }
    let [first, rest @ ..] = groups.as_slice() else {
        return None;
    };
    if rest.is_empty() && signs.is_empty() {
        return bare(first);
    }
    if signs.contains('(') && (8..=13).contains(&digits.len()) {
        return Some(Number::Certain(Class::Telephone));
    }
    if let Some(number) = national(&groups, &signs, hyphened) {
        return Some(number);
    }
    is_telephone(&groups, digits.len(), hyphened).then_some(Number::Certain(Class::Telephone))
}

/// The same digit throughout is what stands for "not known".
fn repeats(digits: &str) -> bool {
    let mut bytes = digits.bytes();
    let first = bytes.next();
    bytes.all(|b| Some(b) == first)
}

/// 9 to 15 digits, but for running numbers that are filled up with zeros: no national number and no telephone number
/// begins with three (`from memory`).
fn bare(digits: &str) -> Option<Number> {
    let padded = digits.starts_with("000");
    ((9..=15).contains(&digits.len()) && !padded).then_some(Number::Bare(digits.len()))
}

/// Whether any group is filled up with zeros, as structured pseudonyms are.
fn is_padded(groups: &[&str]) -> bool {
    groups.iter().any(|group| group.starts_with("00"))
}

/// National numbers by their groups (`from memory`).
fn national(groups: &[&str], signs: &str, hyphened: bool) -> Option<Number> {
    let certain = Some(Number::Certain(Class::NationalNumber));
    let lengths: Vec<usize> = groups.iter().map(|group| group.len()).collect();
    let digits = groups.concat();
    match (lengths.as_slice(), groups) {
        // The United States' ###-##-####, in which no part is zero.
        ([3, 2, 4], [area, group, serial]) => {
            if [area, group, serial].iter().all(|part| value(part) != 0) {
                return certain;
            }
            None
        }
        // Switzerland
        ([3, 4, 4, 2], ["756", ..]) => certain,
        // Brazil
        ([3, 3, 3, 2], _) if signs.starts_with("..") => certain,
        // Belgium
        ([2, 2, 2, 3, 2], _) if signs == "..-." => certain,
        // France
        ([1, 2, 2, 2, 3, 3] | [1, 2, 2, 2, 3, 3, 2], ["1" | "2", _, month, ..])
            if (1..=12).contains(&value(month)) =>
        {
            certain
        }
        // India
        ([4, 4, 4], [first, ..]) if !hyphened && signs.trim().is_empty() => {
            (!first.starts_with(['0', '1'])).then_some(Number::Certain(Class::NationalNumber))
        }
        // Austria writes the birth date last, the Nordic countries first.
        ([4, 6], [_, last]) if signs == " " => Some(Number::Dated(is_short_day(last))),
        ([6, 3..=5], [date, _]) => Some(Number::Dated(is_short_day(date))),
        ([8, 4], [date, _]) => Some(Number::Dated(
            date.get(2..).is_some_and(is_short_day) && date.starts_with(['1', '2']),
        )),
        ([3, 3, 3], _) if hyphened => Some(Number::Checked(Scheme::Threes, luhn(&digits))),
        ([3, 3, 3], _) if signs.trim().is_empty() => certain,
        ([3, 3, 4], [area, exchange, _]) if hyphened => {
            // In North America neither area nor exchange begins with 0 or 1.
            let numbered = [area, exchange]
                .iter()
                .all(|part| !part.starts_with(['0', '1']));
            Some(if numbered {
                Number::Certain(Class::Telephone)
            } else {
                Number::Checked(Scheme::ThreeThreeFour, modulo_11(&digits))
            })
        }
        // Written with blanks or dots it is no pseudonym, but either of the two.
        ([3, 3, 4], _) => Some(Number::Certain(Class::Telephone)),
        _ => None,
    }
}

/// Telephone numbers by their beginning and their groups.
fn is_telephone(groups: &[&str], digits: usize, hyphened: bool) -> bool {
    let [first, rest @ ..] = groups else {
        return false;
    };
    // With hyphens, groups filled up with zeros are of a structured pseudonym, such as site-person-visit.
    if hyphened && is_padded(rest) {
        return false;
    }
    let second = first.get(1..2);
    // A trunk prefix, as within most countries of Europe.
    let trunk = first.starts_with('0')
        && second.is_some_and(|digit| digit != "0")
        && (2..=6).contains(&first.len())
        && (9..=13).contains(&digits);
    // An international prefix.
    let international = first.starts_with("00")
        && !first.starts_with("000")
        && !hyphened
        && (10..=16).contains(&digits);
    let north_american = matches!(groups, ["1", area, exchange, last]
        if area.len() == 3 && exchange.len() == 3 && last.len() == 4);
    trunk || international || north_american
}

#[cfg(test)]
mod tests {
    use super::*;

    fn all(text: &str) -> Vec<Number> {
        let mut out = Vec::new();
        numbers(text, |number| out.push(number));
        out
    }

    /// Numbers kept free for fiction or used as examples by who issues them, `from memory`.
    #[test]
    fn telephone_numbers_are_found() {
        for text in [
            "+44 20 7946 0958",
            "+1-202-555-0143",
            "+4930123456789",
            "tel +49 30 23125 000",
            "(202) 555-0143",
            "202-555-0143",
            "202.555.0143",
            "202 555 0143",
            "1-202-555-0143",
            "020 7946 0958",
            "030/23125000",
            "030-23125456",
            "0171 3920012",
            "0171_39200126",
            "06 12 34 56 78",
            "06.12.34.56.78",
            "0049 171 3920012",
            "tel:030-23125456",
            "(030) 23125456",
            "call 020\u{a0}7946\u{a0}0958 now",
            "202‑555‑0143",
        ] {
            assert!(
                all(text).contains(&Number::Certain(Class::Telephone)),
                "{text}: {:?}",
                all(text)
            );
        }
    }

    /// Examples of form only, or published as examples, `from memory`.
    #[test]
    fn national_numbers_are_found() {
        for text in [
            "078-05-1120",
            "078 05 1120",
            "078_05_1120",
            "ID-078-05-1120",
            "756.1234.5678.97",
            "123.456.789-09",
            "85.07.30-033.28",
            "2 55 08 14 168 025 38",
            "131052-308T",
            "65 170839 J 008",
            "RSSMRA85T10A562S",
        ] {
            assert!(
                all(text).contains(&Number::Certain(Class::NationalNumber)),
                "{text}: {:?}",
                all(text)
            );
        }
        assert_eq!(
            all("GB82 WEST 1234 5698 7654 32"),
            [Number::Certain(Class::Account)]
        );
        assert_eq!(
            all("DE89370400440532013000"),
            [Number::Certain(Class::Account)]
        );
        assert_eq!(all("DE89370400440532013001"), []);
        assert_eq!(
            all("943-176-5919"),
            [Number::Checked(Scheme::ThreeThreeFour, false)]
        );
        assert_eq!(
            all("101-176-5919"),
            [Number::Checked(Scheme::ThreeThreeFour, false)]
        );
        assert_eq!(all("046-454-286"), [Number::Checked(Scheme::Threes, true)]);
        assert_eq!(
            all("12345678Z"),
            [Number::Checked(Scheme::EightAndLetter, true)]
        );
        assert_eq!(
            all("A123456780"),
            [Number::Checked(Scheme::LetterAndNine, true)]
        );
        assert!(modulo_11("9434765919"));
        assert_eq!(all("170846-1234"), [Number::Dated(true)]);
        assert_eq!(all("19460817-1234"), [Number::Dated(true)]);
        assert_eq!(all("991346-1234"), [Number::Dated(false)]);
    }

    #[test]
    fn bare_digits_count_from_nine_to_fifteen() {
        assert_eq!(all("123456789"), [Number::Bare(9)]);
        assert_eq!(all("012345678901234"), [Number::Bare(15)]);
        assert_eq!(all("tel 0301234567"), [Number::Bare(10)]);
        for text in [
            "12345678",
            "1234567890123456",
            "999999999",
            "000000042",
            "P123456789",
        ] {
            assert!(
                !all(text).iter().any(|n| matches!(n, Number::Bare(_))),
                "{text}"
            );
        }
    }

    #[test]
    fn pseudonyms_and_measures_are_none() {
        for text in [
            "anna-1",
            "clinic-7-0042",
            "01-0042-0003",
            "001-0042-01",
            "101-001-0001-2",
            "2024-00123",
            "2026-0001-00042",
            "7-0042",
            "F00000001",
            "8f14e45f-ceea-467f-a0e6-4f2d8a9b1c3e",
            "12345678-1234-4123-8123-123456789012",
            "a-0123-4567-8901-b",
            "500 1000 2000 4000",
            "0.5 1 2 4",
            "1.2.3.4",
            "25.35, 30.25, 40.5",
            "2026-08-17",
            "-25.3",
            "1234-5678-9012-3456",
        ] {
            let certain = all(text)
                .iter()
                .any(|n| matches!(n, Number::Certain(_) | Number::Bare(_)));
            assert!(!certain, "{text}: {:?}", all(text));
        }
    }
}
