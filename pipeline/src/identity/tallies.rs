//! What the values of a column show together, where one of them alone could be chance: among random numbers some are
//! dates, among random hexadecimal digits some are digits only.

use std::collections::BTreeMap;

use super::classes::Class;
use super::dates::EightDigits;
use super::gate::Found;
use super::looks::Looks;
use super::numbers::{Number, Scheme};
use super::shapes::Sign;

/// Lengths of values that are told apart, in bytes; longer ones count as this long.
const LENGTHS: usize = 64;

/// Hexadecimal values with letters that make one without letters a chance. Of nine random digits one in 69 has none.
const HEXADECIMALS_FOR_ONE: u64 = 5;
/// Random-looking values that make one shaped like a name a chance. Of nine random characters out of 64 about one in
/// 9000 is.
const RANDOM_FOR_ONE: u64 = 20;
/// Values with a check digit before they are judged, and the tenths of them that have the right one. Of three values
/// all are right by chance once in a thousand times.
const CHECKED_AT_LEAST: u64 = 3;
const CHECKED_TENTHS: u64 = 8;

/// How often something was seen, and the line where first.
#[derive(Clone, Copy, Debug, Default)]
struct Seen {
    times: u64,
    first: Option<u32>,
}

impl Seen {
    fn at(&mut self, line: u32) {
        self.times += 1;
        self.first.get_or_insert(line);
    }

    /// Joins what was seen further down.
    fn add(&mut self, later: Self) {
        self.times += later.times;
        self.first = self.first.or(later.first);
    }
}

/// The values of one column; a value that is the same as in the row before counts once.
#[derive(Clone, Debug, Default)]
struct Column {
    values: u64,
    /// Values of eight digits, those of them with a likely year, and those that are a day.
    eight_digits: u64,
    with_year: u64,
    dates: Seen,
    /// Numbers that would begin with a birth date, and those that do.
    dated_candidates: u64,
    dated: Seen,
    /// By scheme: numbers of its form, and those with the right check digit.
    checked_candidates: [u64; Scheme::ALL.len()],
    checked: [Seen; Scheme::ALL.len()],
    /// By length: digits only, and hexadecimal with letters.
    bare: BTreeMap<usize, Seen>,
    hexadecimal: BTreeMap<usize, u64>,
    /// By length: shaped like a name, and random-looking.
    names: BTreeMap<usize, Seen>,
    random: BTreeMap<usize, u64>,
}

/// The columns of a file by position.
#[derive(Clone, Debug, Default)]
pub(crate) struct Tallies {
    columns: BTreeMap<u16, Column>,
}

impl Tallies {
    /// Counts a value of a column.
    pub(super) fn value(&mut self, column: u16, value: &[u8]) {
        let tally = self.columns.entry(column).or_default();
        tally.values += 1;
        let length = value.len().min(LENGTHS);
        match alphabet(value) {
            Alphabet::Hexadecimal => *tally.hexadecimal.entry(length).or_default() += 1,
            Alphabet::Random => *tally.random.entry(length).or_default() += 1,
            Alphabet::Other => {}
        }
    }

    /// Counts a sign that alone may be chance.
    pub(super) fn sign(&mut self, column: u16, length: usize, line: u32, sign: Sign) {
        let tally = self.columns.entry(column).or_default();
        match sign {
            Sign::Name => tally.names.entry(length.min(LENGTHS)).or_default().at(line),
            Sign::EightDigits(EightDigits { has_year, is_date }) => {
                tally.eight_digits += 1;
                tally.with_year += u64::from(has_year);
                if is_date {
                    tally.dates.at(line);
                }
            }
            Sign::Number(Number::Bare(digits)) => tally.bare.entry(digits).or_default().at(line),
            Sign::Number(Number::Dated(is_date)) => {
                tally.dated_candidates += 1;
                if is_date {
                    tally.dated.at(line);
                }
            }
            Sign::Number(Number::Checked(scheme, right)) => {
                if let Some(count) = tally.checked_candidates.get_mut(scheme as usize) {
                    *count += 1;
                }
                if let Some(seen) = tally.checked.get_mut(scheme as usize).filter(|_| right) {
                    seen.at(line);
                }
            }
            // Those are enough by themselves.
            Sign::Certain(_) | Sign::Date | Sign::Number(Number::Certain(_)) => {}
        }
    }

    /// Joins the rows that follow.
    pub(crate) fn add(&mut self, later: Self) {
        for (column, other) in later.columns {
            self.columns.entry(column).or_default().add(other);
        }
    }

    /// What the columns show, at the first line that shows it.
    pub(crate) fn verdict(&self) -> Option<Found> {
        self.columns
            .iter()
            .flat_map(|(column, tally)| {
                tally.verdicts().into_iter().map(|(line, class)| Found {
                    line,
                    column: Some(*column),
                    class,
                })
            })
            .min_by_key(|found| (found.line, found.column, found.class))
    }
}

impl Column {
    fn add(&mut self, later: Self) {
        self.values += later.values;
        self.eight_digits += later.eight_digits;
        self.with_year += later.with_year;
        self.dates.add(later.dates);
        self.dated_candidates += later.dated_candidates;
        self.dated.add(later.dated);
        for (count, other) in self
            .checked_candidates
            .iter_mut()
            .zip(later.checked_candidates)
        {
            *count += other;
        }
        for (seen, other) in self.checked.iter_mut().zip(later.checked) {
            seen.add(other);
        }
        for (seen, other) in [(&mut self.bare, later.bare), (&mut self.names, later.names)] {
            for (length, later) in other {
                seen.entry(length).or_default().add(later);
            }
        }
        for (counts, other) in [
            (&mut self.hexadecimal, later.hexadecimal),
            (&mut self.random, later.random),
        ] {
            for (length, later) in other {
                *counts.entry(length).or_default() += later;
            }
        }
    }

    fn verdicts(&self) -> Vec<(u32, Class)> {
        let mut out = Vec::new();
        let mut refuse =
            |seen: &Seen, class: Class| out.extend(seen.first.map(|line| (line, class)));
        for (length, seen) in &self.bare {
            let hexadecimal = self.hexadecimal.get(length).copied().unwrap_or(0);
            if hexadecimal < HEXADECIMALS_FOR_ONE * seen.times {
                refuse(seen, Class::OtherCode);
            }
        }
        for (length, seen) in &self.names {
            let random = self.random.get(length).copied().unwrap_or(0);
            if random < RANDOM_FOR_ONE * seen.times {
                refuse(seen, Class::Name);
            }
        }
        if self.are_dates() {
            refuse(&self.dates, Class::Date);
        }
        // Of random numbers of this form one in 14 begins with a day.
        if 2 * self.dated.times >= self.dated_candidates {
            refuse(&self.dated, Class::NationalNumber);
        }
        for scheme in Scheme::ALL {
            let candidates = self
                .checked_candidates
                .get(scheme as usize)
                .copied()
                .unwrap_or(0);
            if let Some(seen) = self.checked.get(scheme as usize)
                && candidates >= CHECKED_AT_LEAST
                && 10 * seen.times >= CHECKED_TENTHS * candidates
            {
                refuse(seen, scheme.class());
            }
        }
        out
    }

    /// Whether the days among numbers of eight digits are days: more than one value in a hundred, and either most of
    /// such numbers, or one in twenty and most of those with a likely year. Of random numbers one in 500 is a day, of
    /// running numbers (`10010001` and on) one in 45, and of running numbers behind their year (`20260001`) fewer than a
    /// third of those with a likely year.
    fn are_dates(&self) -> bool {
        let dates = self.dates.times;
        let many = 100 * dates > self.values;
        let mostly = 2 * dates >= self.eight_digits;
        let several = dates >= 3 && 20 * dates >= self.eight_digits && 2 * dates >= self.with_year;
        many && (mostly || several)
    }
}

enum Alphabet {
    /// Digits and at least two letters up to f, all in one case.
    Hexadecimal,
    /// Letters of both cases and digits, `_` and `-`.
    Random,
    Other,
}

fn alphabet(value: &[u8]) -> Alphabet {
    let looks = Looks::of(value);
    let Looks {
        digits,
        upper,
        lower,
        ..
    } = looks;
    if !looks.is_pseudonym() || digits == 0 {
        return Alphabet::Other;
    }
    let one_case = (upper == 0) != (lower == 0);
    if one_case
        && !looks.is_joined()
        && upper + lower >= 2
        && value.iter().all(u8::is_ascii_hexdigit)
    {
        Alphabet::Hexadecimal
    } else if upper > 0 && lower > 0 {
        Alphabet::Random
    } else {
        Alphabet::Other
    }
}
