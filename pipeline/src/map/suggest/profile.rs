//! What the values of a column look like: counts and limits, and short words for comparison with the closed list.

use std::collections::BTreeMap;

use crate::decimal;
use crate::map::DateForm;
use crate::quarter::Quarter;

/// Different words that are kept, and their greatest length in bytes.
const MOST_WORDS: usize = 64;
const LONGEST_WORD: usize = 24;

/// The values of a column.
#[derive(Clone, Debug, Default)]
pub(super) struct Profile {
    pub(super) rows: u64,
    pub(super) blank: u64,
    /// Numbers without a decimal mark, with a point, with a comma.
    pub(super) whole: u64,
    pub(super) point: u64,
    pub(super) comma: u64,
    /// Lowest and highest number, hundredths.
    pub(super) range: Option<(i64, i64)>,
    /// Dates, months and quarters as written here.
    pub(super) our_dates: u64,
    dates: BTreeMap<Form, Seen>,
    /// Short values and how often they stand there.
    pub(super) words: BTreeMap<String, u64>,
    /// There are more different values than are kept.
    pub(super) many: bool,
}

/// Separator, position of the year, number of parts.
type Form = (u8, usize, usize);

/// How often a form was seen, and the greatest number before and after in its two other parts.
#[derive(Clone, Copy, Debug, Default)]
struct Seen {
    count: u64,
    greatest: [u8; 2],
}

/// Which form the dates of a column have.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Dates {
    /// As here, or there are none.
    Ours,
    /// This form, as the numbers themselves tell.
    Sure(DateForm),
    /// This form by the custom of its separator alone.
    ByCustom(DateForm),
    /// One of two.
    Either(DateForm, DateForm),
}

impl Profile {
    /// Takes a value in.
    pub(super) fn add(&mut self, value: &[u8]) {
        self.rows += 1;
        if value.is_empty() {
            self.blank += 1;
            return;
        }
        self.add_number(value.strip_prefix(b">").unwrap_or(value));
        if Quarter::from_date(value).is_some() {
            self.our_dates += 1;
        } else if let Some((form, others)) = date_like(value) {
            let seen = self.dates.entry(form).or_default();
            seen.count += 1;
            for (greatest, other) in seen.greatest.iter_mut().zip(others) {
                *greatest = (*greatest).max(other);
            }
        }
        match std::str::from_utf8(value) {
            Ok(word) if word.len() <= LONGEST_WORD => {
                if let Some(count) = self.words.get_mut(word) {
                    *count += 1;
                } else if self.words.len() < MOST_WORDS {
                    self.words.insert(word.to_owned(), 1);
                } else {
                    self.many = true;
                }
            }
            _ => self.many = true,
        }
    }

    fn add_number(&mut self, value: &[u8]) {
        let commas = value.iter().filter(|byte| **byte == b',').count();
        let number = if commas == 1 && !value.contains(&b'.') {
            let text: Vec<u8> = value
                .iter()
                .map(|byte| if *byte == b',' { b'.' } else { *byte })
                .collect();
            decimal::parse(&text)
        } else {
            decimal::parse(value)
        };
        let Some(number) = number else { return };
        match (commas, value.contains(&b'.')) {
            (1, _) => self.comma += 1,
            (_, true) => self.point += 1,
            (_, false) => self.whole += 1,
        }
        let (low, high) = self.range.unwrap_or((number.rounded, number.rounded));
        self.range = Some((low.min(number.rounded), high.max(number.rounded)));
    }

    /// Values that are there.
    pub(super) fn filled(&self) -> u64 {
        self.rows - self.blank
    }

    /// Numbers.
    pub(super) fn numbers(&self) -> u64 {
        self.whole + self.point + self.comma
    }

    /// Dates of any form.
    pub(super) fn all_dates(&self) -> u64 {
        self.our_dates + self.dates.values().map(|seen| seen.count).sum::<u64>()
    }

    /// The form of most of the dates.
    pub(super) fn date_form(&self) -> Dates {
        let most = self.dates.iter().max_by_key(|(_, seen)| seen.count);
        let Some((&(separator, year_at, parts), seen)) = most else {
            return Dates::Ours;
        };
        if seen.count <= self.our_dates {
            return Dates::Ours;
        }
        let form = |others: &[&'static str]| {
            let mut words = others.to_vec();
            words.insert(year_at.min(words.len()), "YYYY");
            DateForm::try_from(words.join(&char::from(separator).to_string())).ok()
        };
        let [day_first, month_first] = [&["DD", "MM"], &["MM", "DD"]].map(|others| form(others));
        // A number beyond twelve is a day.
        let is_day = seen.greatest.map(|greatest| greatest > 12);
        let found = match (parts, is_day) {
            (2, _) => form(&["MM"]).map(Dates::Sure),
            (_, [true, true]) => None,
            (_, [true, false]) => day_first.map(Dates::Sure),
            (_, [false, true]) => month_first.map(Dates::Sure),
            // The year in front is followed by the month wherever it is written so; points go with days in front.
            _ if year_at == 0 => month_first.map(Dates::ByCustom),
            _ if separator == b'.' => day_first.map(Dates::ByCustom),
            _ => day_first
                .zip(month_first)
                .map(|(day, month)| Dates::Either(day, month)),
        };
        found.unwrap_or(Dates::Ours)
    }
}

/// Two or three numbers with one separator, of which one is a year; the others are given in their order.
fn date_like(value: &[u8]) -> Option<(Form, [u8; 2])> {
    let separator = *value.iter().find(|byte| !byte.is_ascii_digit())?;
    if !(separator.is_ascii_punctuation() || separator == b' ') {
        return None;
    }
    let parts: Vec<&[u8]> = value.split(|byte| *byte == separator).collect();
    let is_number = |part: &&[u8]| !part.is_empty() && part.iter().all(u8::is_ascii_digit);
    if !(2..=3).contains(&parts.len()) || !parts.iter().all(is_number) {
        return None;
    }
    let year_at = parts.iter().position(|part| part.len() == 4)?;
    let mut others = [0; 2];
    let rest = parts
        .iter()
        .enumerate()
        .filter(|(at, _)| *at != year_at)
        .map(|(_, part)| part);
    for (slot, part) in others.iter_mut().zip(rest) {
        if part.len() > 2 {
            return None;
        }
        *slot = part.iter().fold(0, |sum, byte| sum * 10 + (byte - b'0'));
    }
    Some(((separator, year_at, parts.len()), others))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn profile(values: &[&str]) -> Profile {
        let mut profile = Profile::default();
        for value in values {
            profile.add(value.as_bytes());
        }
        profile
    }

    #[test]
    fn forms_of_dates_are_told_by_days_beyond_the_twelfth() {
        let form = |text: &str| DateForm::try_from(text.to_owned()).expect("a form");
        let dates = |values: &[&str]| profile(values).date_form();
        assert_eq!(
            dates(&["01.02.2026", "17.08.2026"]),
            Dates::Sure(form("DD.MM.YYYY"))
        );
        assert_eq!(
            dates(&["01/02/2026", "08/17/2026"]),
            Dates::Sure(form("MM/DD/YYYY"))
        );
        assert_eq!(dates(&["01.02.2026"]), Dates::ByCustom(form("DD.MM.YYYY")));
        assert_eq!(
            dates(&["01/02/2026"]),
            Dates::Either(form("DD/MM/YYYY"), form("MM/DD/YYYY"))
        );
        assert_eq!(dates(&["08.2026"]), Dates::Sure(form("MM.YYYY")));
        assert_eq!(dates(&["2026/08/17"]), Dates::Sure(form("YYYY/MM/DD")));
        assert_eq!(dates(&["2026-08-17", "2026-Q3", "2026-08"]), Dates::Ours);
        // A day and a month beyond the twelfth: no order fits, so none is proposed.
        assert_eq!(dates(&["17.13.2026"]), Dates::Ours);
        assert_eq!(dates(&["12:30", "x", "1.2.3.4"]), Dates::Ours);
    }

    #[test]
    fn numbers_are_counted_by_their_mark() {
        let profile = profile(&["1,5", "2", ">110", "", "x", "1.234,5", "-3.25"]);
        assert_eq!((profile.whole, profile.point, profile.comma), (2, 1, 1));
        assert_eq!(profile.range, Some((-325, 11_000)));
        assert_eq!((profile.rows, profile.blank, profile.filled()), (7, 1, 6));
    }
}
