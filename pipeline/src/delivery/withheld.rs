//! What of a row's text is not written down with a row that was set aside: hidden columns, dates finer than what is
//! kept, great ages, and text that may be anybody's where it cannot be told which column it belongs to.

use std::borrow::Cow;

use csv::ByteRecord;

use super::cells::{is_label, is_pseudonym};
use super::columns::Kind;
use super::header::Header;
use crate::decimal;
use crate::map::translate::NOT_AS_MAPPED;
use crate::quarter::Quarter;

/// Stands for a text that is not written.
const A_TEXT: &[u8] = b"(text)";
/// Stands for a date that cannot be read, and so cannot be made coarser.
const A_DATE: &[u8] = b"(a date)";
/// Longest run of digits that is taken for a number of the trade where its column is not known.
const LONGEST_NUMBER: usize = 5;

/// The fields of a row as they may be written; `ours` is what a column map made of it, or the row itself without one.
/// None where nothing has to be changed.
pub(super) fn withheld<'a>(
    header: &Header,
    record: &'a ByteRecord,
    ours: Option<&'a ByteRecord>,
) -> Option<Vec<Cow<'a, [u8]>>> {
    let is_mapped = header.translation.is_some();
    let aligned = record.len() == header.width();
    // What is hidden may not even have been read.
    let mut changed = is_mapped && !header.hidden.is_empty();
    let fields = record
        .iter()
        .enumerate()
        .map(|(position, text)| {
            let shown = match ours {
                _ if text.is_empty() => Cow::Borrowed(text),
                Some(ours) if aligned => of_column(header, position, ours),
                // What a map cannot read, nobody has looked at.
                _ if is_mapped => Cow::Borrowed(A_TEXT),
                _ => of_no_column(header, text),
            };
            changed |= *shown != *text;
            shown
        })
        .collect();
    changed.then_some(fields)
}

/// A field by the column that it is read for: what the column map made of it, since that is what was looked at. Blank
/// where it is read for none.
fn of_column<'a>(header: &Header, position: usize, ours: &'a ByteRecord) -> Cow<'a, [u8]> {
    let Some((at, column)) = header.column_at(position) else {
        return Cow::Borrowed(b"");
    };
    if header.hidden.contains(&position) {
        return Cow::Borrowed(b"");
    }
    let text = ours.get(at).unwrap_or_default();
    if header.translation.is_some() && text == NOT_AS_MAPPED {
        return Cow::Borrowed(A_TEXT);
    }
    if column.is_some_and(|column| column.name == "age_years") {
        return age(text);
    }
    let fits = match column.map_or(Kind::Label, |column| column.kind) {
        Kind::Date => return coarse(text, header.year_only),
        Kind::Identifier => is_pseudonym(text),
        Kind::Label => is_label(text),
        Kind::Words(_)
        | Kind::Whole(..)
        | Kind::Hundredths(..)
        | Kind::Threshold
        | Kind::Frequency
        | Kind::Score => true,
    };
    Cow::Borrowed(if fits { text } else { A_TEXT })
}

/// A field of a row with another number of fields than the header row: nobody knows which column it belongs to.
fn of_no_column<'a>(header: &Header, text: &'a [u8]) -> Cow<'a, [u8]> {
    // With hidden columns about, anything may be what they hide.
    if !header.hidden.is_empty() {
        return Cow::Borrowed(A_TEXT);
    }
    let is_word = header.specs.iter().any(|spec| match spec.kind {
        Kind::Words(words) => words.iter().any(|word| word.as_bytes() == text),
        _ => false,
    });
    if is_word {
        return Cow::Borrowed(text);
    }
    if Quarter::from_date(text).is_some() {
        return coarse(text, header.year_only);
    }
    let digits = text.iter().filter(|byte| byte.is_ascii_digit()).count();
    let is_number = decimal::parse(text.strip_prefix(b">").unwrap_or(text)).is_some();
    let shown = if is_number {
        digits <= LONGEST_NUMBER
    } else {
        is_word_and_number(text)
    };
    Cow::Borrowed(if shown { text } else { A_TEXT })
}

/// Whether a text is letters and then a few digits, as many pseudonyms are: a word alone may be a name, digits alone a
/// telephone number, and both in another order a date.
fn is_word_and_number(text: &[u8]) -> bool {
    let letters = text
        .iter()
        .position(|byte| !(byte.is_ascii_alphabetic() || matches!(byte, b'_' | b'-')))
        .unwrap_or(text.len());
    let (word, number) = text.split_at(letters);
    !word.is_empty()
        && (1..=LONGEST_NUMBER).contains(&number.len())
        && number.iter().all(u8::is_ascii_digit)
        && is_pseudonym(text)
}

/// A date no finer than it is kept. What cannot be read is not shown, but for a bare year: it may be a date in another
/// notation, or the number of a day.
fn coarse(text: &[u8], year_only: bool) -> Cow<'_, [u8]> {
    match Quarter::from_date(text) {
        Some(quarter) if year_only => Cow::Owned(format!("{:04}", quarter.year).into_bytes()),
        Some(quarter) => Cow::Owned(quarter.to_string().into_bytes()),
        None => {
            let is_year = text.len() == 4 && text.iter().all(u8::is_ascii_digit);
            Cow::Borrowed(if is_year { text } else { A_DATE })
        }
    }
}

/// An age: 90 stands for 90 and older. What is no number is not shown where it holds a digit.
fn age(text: &[u8]) -> Cow<'_, [u8]> {
    match decimal::parse(text) {
        Some(age) if age.within(i64::MIN, 9000) => Cow::Borrowed(text),
        Some(_) => Cow::Borrowed(b"90"),
        None if text.iter().any(u8::is_ascii_digit) => Cow::Borrowed(A_TEXT),
        None => Cow::Borrowed(text),
    }
}
