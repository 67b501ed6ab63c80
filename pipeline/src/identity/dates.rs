//! Full dates in a text, in the spellings of everyday life.

/// Years that a date of a person or a visit can have.
const YEARS: std::ops::RangeInclusive<u32> = 1880..=2100;

/// Whether a text holds a full date: `1946-08-17`, `17.08.1946`, `8/17/1946`, `17 Aug 1946`, `August 17, 1946`.
///
/// With `short_years`, `17.08.46` and `8/17/46` are dates too; elsewhere they may be a version or a list of sizes.
pub(super) fn holds_date(text: &str, short_years: bool) -> bool {
    let bytes = text.as_bytes();
    let mut at = 0;
    while at < bytes.len() {
        if !is_digit(bytes, at) {
            at += 1;
            continue;
        }
        if date_at(bytes, at, short_years) || worded_date_at(text, at) {
            return true;
        }
        while is_digit(bytes, at) {
            at += 1;
        }
    }
    month_first(text)
}

/// Whether eight digits are a day of the calendar, and whether they hold at least a likely year: year first or last.
pub(super) fn eight_digits(text: &[u8]) -> Option<EightDigits> {
    if text.len() != 8 || !text.iter().all(u8::is_ascii_digit) {
        return None;
    }
    let number = |from: usize, to: usize| value(text.get(from..to).unwrap_or_default());
    let year_first = YEARS.contains(&number(0, 4));
    let year_last = YEARS.contains(&number(4, 8));
    let first = year_first && is_day(number(0, 4), number(4, 6), number(6, 8));
    let last = year_last
        && (is_day(number(4, 8), number(2, 4), number(0, 2))
            || is_day(number(4, 8), number(0, 2), number(2, 4)));
    Some(EightDigits {
        has_year: year_first || year_last,
        is_date: first || last,
    })
}

/// What eight digits may be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct EightDigits {
    /// The first or the last four digits are a likely year.
    pub(super) has_year: bool,
    /// All eight are a day.
    pub(super) is_date: bool,
}

/// Whether six digits are a day without its century: year, month, day or day, month, year.
pub(super) fn is_short_day(digits: &str) -> bool {
    let part = |from: usize| value(digits.as_bytes().get(from..from + 2).unwrap_or_default());
    // 2000 is a leap year: any century's 29 February passes.
    digits.len() == 6 && (is_day(2000, part(2), part(4)) || is_day(2000, part(2), part(0)))
}

fn is_digit(bytes: &[u8], at: usize) -> bool {
    bytes.get(at).is_some_and(u8::is_ascii_digit)
}

fn value(digits: &[u8]) -> u32 {
    digits.iter().fold(0, |value, digit| {
        value * 10 + u32::from(digit.wrapping_sub(b'0'))
    })
}

fn is_day(year: u32, month: u32, day: u32) -> bool {
    let days = match month {
        4 | 6 | 9 | 11 => 30,
        2 if year.is_multiple_of(4) => 29,
        2 => 28,
        1..=12 => 31,
        _ => return false,
    };
    (1..=days).contains(&day)
}

/// The digits that begin at a place, at most nine; their end.
fn digits_at(bytes: &[u8], at: usize) -> (&[u8], usize) {
    let length = bytes
        .iter()
        .skip(at)
        .take(9)
        .take_while(|b| b.is_ascii_digit())
        .count();
    (bytes.get(at..at + length).unwrap_or_default(), at + length)
}

/// Three numbers with the same separator, from a place at which a number begins.
fn date_at(bytes: &[u8], at: usize, short_years: bool) -> bool {
    let (first, end) = digits_at(bytes, at);
    let Some(separator) = bytes.get(end).copied().filter(|b| b"-_./".contains(b)) else {
        return false;
    };
    let next = |end: usize| {
        let mut from = end + 1;
        // `17. 08. 1946`
        while bytes.get(from) == Some(&b' ') && separator == b'.' {
            from += 1;
        }
        digits_at(bytes, from)
    };
    let (second, end) = next(end);
    if bytes.get(end) != Some(&separator) {
        return false;
    }
    let (third, end) = next(end);
    let hyphened = matches!(separator, b'-' | b'_');
    // Days and months of one digit are written with dots and slashes; with hyphens they would be numbers of something.
    let short = |part: &[u8]| part.len() == 2 || (part.len() == 1 && !hyphened);
    if !short(second) {
        return false;
    }
    let numbers = (value(first), value(second), value(third));
    if first.len() == 4 && short(third) {
        return YEARS.contains(&numbers.0) && is_day(numbers.0, numbers.1, numbers.2);
    }
    if !short(first) {
        return false;
    }
    // A longer row of numbers is a version or a structured number.
    let before = at
        .checked_sub(2)
        .is_some_and(|two| bytes.get(at - 1) == Some(&separator) && is_digit(bytes, two));
    let after = bytes.get(end) == Some(&separator) && is_digit(bytes, end + 1);
    if before || after {
        return false;
    }
    let either = |year| is_day(year, numbers.1, numbers.0) || is_day(year, numbers.0, numbers.1);
    match third.len() {
        4 => YEARS.contains(&numbers.2) && either(numbers.2),
        2 => short_years && !hyphened && either(2000 + numbers.2),
        _ => false,
    }
}

/// Names of the months in English, German, French, Spanish, Italian and Dutch, and how they are shortened.
const MONTHS: &str = " \
    january february march april may june july august september october november december \
    jan feb mar apr jun jul aug sep sept oct nov dec \
    januar jänner februar märz maerz mai juni juli oktober dezember mär mrz okt dez \
    janvier février fevrier mars avril juin juillet août aout septembre octobre novembre décembre decembre janv févr fevr \
    fév avr juil déc \
    enero febrero marzo abril mayo junio julio agosto septiembre octubre noviembre diciembre ene abr ago dic \
    gennaio febbraio aprile maggio giugno luglio settembre ottobre dicembre gen mag giu lug set ott \
    januari februari maart mei augustus mrt ";

/// Length in bytes of a month's name at the beginning of a text.
fn month_at(text: &str) -> Option<usize> {
    let length = text
        .char_indices()
        .find(|(_, c)| !c.is_alphabetic())
        .map_or(text.len(), |(at, _)| at);
    let word = text.get(..length)?;
    // The longest are `septiembre` and `settembre`.
    let known = (3..=10).contains(&word.chars().count())
        && MONTHS.contains(&format!(" {} ", word.to_lowercase()));
    known.then_some(length)
}

/// Passes over what stands between the parts of a worded date.
fn gap(text: &str) -> &str {
    let rest = text.trim_start_matches([' ', '.', ',', '-', '_', '/']);
    ["de ", "th ", "st ", "nd ", "rd ", "of "]
        .iter()
        .find_map(|word| rest.strip_prefix(word))
        .unwrap_or(rest)
        .trim_start_matches([' ', '.', ',', '-', '_', '/'])
}

fn begins_with_year(text: &str) -> bool {
    let (digits, end) = digits_at(text.as_bytes(), 0);
    // In hexadecimal digits `DEC` is no month.
    let ends = text
        .as_bytes()
        .get(end)
        .is_none_or(|b| !b.is_ascii_alphanumeric());
    digits.len() == 4 && YEARS.contains(&value(digits)) && ends
}

/// `17 Aug 1946`, from the place of the day.
fn worded_date_at(text: &str, at: usize) -> bool {
    let (day, end) = digits_at(text.as_bytes(), at);
    let begins = at
        .checked_sub(1)
        .and_then(|before| text.as_bytes().get(before))
        .is_none_or(|b| !b.is_ascii_alphanumeric());
    if !begins || day.len() > 2 || !(1..=31).contains(&value(day)) {
        return false;
    }
    let Some(rest) = text.get(end..).map(gap).map(gap) else {
        return false;
    };
    month_at(rest)
        .and_then(|length| rest.get(length..))
        .is_some_and(|rest| begins_with_year(gap(rest)))
}

/// `August 17, 1946`, anywhere.
fn month_first(text: &str) -> bool {
    let mut last = ' ';
    text.char_indices().any(|(at, c)| {
        let begins = c.is_alphabetic() && !last.is_alphanumeric();
        last = c;
        begins
            && text.get(at..).is_some_and(|word| {
                month_at(word)
                    .and_then(|length| word.get(length..))
                    .filter(|rest| !rest.starts_with(|c: char| c.is_ascii_digit()))
                    .map(gap)
                    .is_some_and(|rest| {
                        let (day, end) = digits_at(rest.as_bytes(), 0);
                        (1..=2).contains(&day.len())
                            && (1..=31).contains(&value(day))
                            && rest
                                .get(end..)
                                .is_some_and(|rest| !rest.is_empty() && begins_with_year(gap(rest)))
                    })
            })
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dates_are_found_in_their_spellings() {
        for text in [
            "1946-08-17",
            "1946/8/17",
            "1946.08.17",
            "17.08.1946",
            "17. 08. 1946",
            "17.8.1946",
            "8/17/1946",
            "17/08/1946",
            "17-08-1946",
            "17_08_1946",
            "born 17.08.1946 in town",
            "P1946-08-17",
            "2026-08-17T10:00:00Z",
            "2026-08-17-0042",
            "0042-2026-08-17",
            "17 Aug 1946",
            "17-AUG-1946",
            "17AUG1946",
            "17. August 1946",
            "17 août 1946",
            "17 de agosto 1946",
            "5. März 1946",
            "August 17, 1946",
            "Aug 17 1946",
            "17th August 1946",
            "1900-02-29",
        ] {
            assert!(holds_date(text, false), "{text}");
        }
        for text in ["17.08.46", "8/17/46", "1.2.46"] {
            assert!(holds_date(text, true), "{text}");
            assert!(!holds_date(text, false), "{text}");
        }
    }

    #[test]
    fn what_is_no_full_date_is_none() {
        for text in [
            "2026-08",
            "2026-Q3",
            "2026",
            "08/2026",
            "Aug 2026",
            "summer 2026",
            "1946-13-17",
            "31.02.1946",
            "2024-00123",
            "2024-07-0042",
            "7-0042",
            "clinic-7-0042",
            "2024-1-12",
            "1.12.10",
            "3.12.5.2024",
            "10.0.0.1",
            "500 1000 2000",
            "10/20/30/40",
            "1234-08-17",
            "may be 17",
            "mar-1946",
            "version 2.10.2024.1",
            "8f14e45f-ceea-467f-a0e6-4f1946081734",
            "20260817",
            "model 3 mark 2000",
        ] {
            assert!(!holds_date(text, true) || text == "1.12.10", "{text}");
            assert!(!holds_date(text, false), "{text}");
        }
    }

    #[test]
    fn eight_digits_are_told_apart() {
        let of = |text: &str| eight_digits(text.as_bytes()).map(|e| (e.has_year, e.is_date));
        assert_eq!(of("19460817"), Some((true, true)));
        assert_eq!(of("17081946"), Some((true, true)));
        assert_eq!(of("08171946"), Some((true, true)));
        assert_eq!(of("20260001"), Some((true, false)));
        assert_eq!(of("00000001"), Some((false, false)));
        assert_eq!(of("1946081"), None);
        assert_eq!(of("P1946081"), None);
    }
}
