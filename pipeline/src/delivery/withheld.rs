//! What of a row's text is not written down with a row that was set aside: hidden columns, dates finer than what is
//! kept, great ages, and text that may be anybody's where it cannot be told which column it belongs to.

use std::borrow::Cow;

use csv::ByteRecord;

use super::cells::{is_label, is_pseudonym};
use super::columns::Kind;
use super::header::Header;
use crate::decimal;
use crate::quarter::Quarter;

/// Stands for a text that is not written.
const A_TEXT: &[u8] = b"(text)";
/// Stands for a date that cannot be read, and so cannot be made coarser.
const A_DATE: &[u8] = b"(a date)";
/// Longest run of digits that is taken for a number of the trade where its column is not known.
const LONGEST_NUMBER: usize = 6;

/// The fields of a row as they may be written. None where nothing has to be changed.
pub(super) fn withheld<'a>(header: &Header, record: &'a ByteRecord) -> Option<Vec<Cow<'a, [u8]>>> {
    let aligned = record.len() == header.width();
    let mut changed = false;
    let fields = record
        .iter()
        .enumerate()
        .map(|(position, text)| {
            let shown = if text.is_empty() {
                Cow::Borrowed(text)
            } else if aligned {
                of_column(header, position, text)
            } else {
                of_no_column(header, text)
            };
            changed |= *shown != *text;
            shown
        })
        .collect();
    changed.then_some(fields)
}

fn of_column<'a>(header: &Header, position: usize, text: &'a [u8]) -> Cow<'a, [u8]> {
    if header.hidden.contains(&position) {
        return Cow::Borrowed(b"");
    }
    // A column map may read one field for several columns of ours.
    let mut fits = None;
    for column in header.columns_at(position) {
        if column.name == "age_years" {
            return age(text);
        }
        let fits_here = match column.kind {
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
        fits = Some(fits.unwrap_or(true) && fits_here);
    }
    Cow::Borrowed(if fits.unwrap_or_else(|| is_label(text)) {
        text
    } else {
        A_TEXT
    })
}

/// A row with another number of fields than the header row: nobody knows which column a text belongs to.
fn of_no_column<'a>(header: &Header, text: &'a [u8]) -> Cow<'a, [u8]> {
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
    // With hidden columns about, anything may be what they hide.
    let digits = text.iter().filter(|byte| byte.is_ascii_digit()).count();
    let is_number = decimal::parse(text.strip_prefix(b">").unwrap_or(text)).is_some();
    let shown = header.hidden.is_empty()
        && if is_number {
            digits <= LONGEST_NUMBER
        } else {
            // A word alone may be a name, digits alone a date or a telephone number.
            is_pseudonym(text) && digits > 0 && text.iter().any(u8::is_ascii_alphabetic)
        };
    Cow::Borrowed(if shown { text } else { A_TEXT })
}

/// A date no finer than it is kept. What cannot be read is not shown where it holds a digit, but for a bare year: it
/// may be a date in another notation, or the number of a day.
fn coarse(text: &[u8], year_only: bool) -> Cow<'_, [u8]> {
    match Quarter::from_date(text) {
        Some(quarter) if year_only => Cow::Owned(format!("{:04}", quarter.year).into_bytes()),
        Some(quarter) => Cow::Owned(quarter.to_string().into_bytes()),
        None => {
            let has_digit = text.iter().any(u8::is_ascii_digit);
            let is_year = text.len() == 4 && text.iter().all(u8::is_ascii_digit);
            Cow::Borrowed(if has_digit && !is_year { A_DATE } else { text })
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
