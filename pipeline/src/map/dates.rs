//! How a sender writes dates, and what they are here.

use serde::{Deserialize, Serialize};

/// A way of writing dates: day, month and year, or month and year, in any order with one separator, such as
/// `DD.MM.YYYY` or `MM/YYYY`. Days and months may be written with one digit, years have four.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Deserialize, Serialize)]
#[serde(try_from = "String", into = "String")]
pub struct DateForm {
    parts: Vec<Part>,
    separator: u8,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Part {
    Day,
    Month,
    Year,
}

impl Part {
    const fn word(self) -> &'static str {
        match self {
            Self::Day => "DD",
            Self::Month => "MM",
            Self::Year => "YYYY",
        }
    }
}

impl TryFrom<String> for DateForm {
    type Error = &'static str;

    fn try_from(text: String) -> Result<Self, Self::Error> {
        const HOW: &str = "dates are DD, MM and YYYY, or MM and YYYY, in any order with one separator, such as DD.MM.YYYY";
        let separator = text
            .bytes()
            .find(|byte| !byte.is_ascii_alphanumeric())
            .filter(|byte| byte.is_ascii_punctuation() || *byte == b' ')
            .ok_or(HOW)?;
        let parts: Vec<Part> = text
            .split(char::from(separator))
            .map(|word| {
                [Part::Day, Part::Month, Part::Year]
                    .into_iter()
                    .find(|part| part.word() == word)
                    .ok_or(HOW)
            })
            .collect::<Result<_, _>>()?;
        let has = |part| parts.iter().filter(|found| **found == part).count() == 1;
        let whole = has(Part::Month) && has(Part::Year);
        match parts.len() {
            2 if whole => {}
            3 if whole && has(Part::Day) => {}
            _ => return Err(HOW),
        }
        Ok(Self { parts, separator })
    }
}

impl From<DateForm> for String {
    fn from(form: DateForm) -> Self {
        let words: Vec<&str> = form.parts.iter().map(|part| part.word()).collect();
        words.join(&char::from(form.separator).to_string())
    }
}

impl DateForm {
    /// Writes a date as `2026-08-17` or `2026-08`; false where the text is of another form. Whether the calendar has
    /// the day is left to the rules.
    pub(super) fn write(&self, text: &[u8], out: &mut Vec<u8>) -> bool {
        let (mut day, mut month, mut year): (&[u8], &[u8], &[u8]) = (b"", b"", b"");
        let mut fields = text.split(|byte| *byte == self.separator);
        for part in &self.parts {
            let Some(field) = fields.next() else {
                return false;
            };
            let lengths = if *part == Part::Year { 4..=4 } else { 1..=2 };
            if !lengths.contains(&field.len()) || !field.iter().all(u8::is_ascii_digit) {
                return false;
            }
            match part {
                Part::Day => day = field,
                Part::Month => month = field,
                Part::Year => year = field,
            }
        }
        if fields.next().is_some() {
            return false;
        }
        out.extend_from_slice(year);
        for field in [month, day] {
            if field.is_empty() {
                continue;
            }
            out.push(b'-');
            if field.len() == 1 {
                out.push(b'0');
            }
            out.extend_from_slice(field);
        }
        true
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn written(form: &str, text: &str) -> Option<String> {
        let form = DateForm::try_from(form.to_owned()).expect("a form");
        let mut out = Vec::new();
        form.write(text.as_bytes(), &mut out)
            .then(|| String::from_utf8(out).expect("digits"))
    }

    #[test]
    fn dates_of_any_order_become_ours() {
        for (form, text, expected) in [
            ("DD.MM.YYYY", "17.08.2026", "2026-08-17"),
            ("DD.MM.YYYY", "7.8.2026", "2026-08-07"),
            ("MM/DD/YYYY", "08/17/2026", "2026-08-17"),
            ("YYYY/MM/DD", "2026/08/17", "2026-08-17"),
            ("YYYY-DD-MM", "2026-17-08", "2026-08-17"),
            ("DD MM YYYY", "17 08 2026", "2026-08-17"),
            ("MM.YYYY", "08.2026", "2026-08"),
            ("YYYY/MM", "2026/8", "2026-08"),
        ] {
            assert_eq!(
                written(form, text).as_deref(),
                Some(expected),
                "{form} {text}"
            );
        }
    }

    #[test]
    fn other_texts_are_not_taken() {
        for text in [
            "",
            "17.08.26",
            "17/08/2026",
            "17.08.2026.",
            ".08.2026",
            "017.08.2026",
            "17.08.2026 10:00",
            "2026-08-17",
            "a7.08.2026",
            "17.8",
            "+7.08.2026",
        ] {
            assert_eq!(written("DD.MM.YYYY", text), None, "{text}");
        }
    }

    #[test]
    fn forms_name_each_part_once_with_one_separator() {
        for form in ["DD.MM.YYYY", "MM/YYYY", "YYYY-MM-DD"] {
            let read = DateForm::try_from(form.to_owned()).expect("a form");
            assert_eq!(String::from(read), form);
        }
        for form in [
            "",
            "DD.MM/YYYY",
            "DD.MM",
            "DD.DD.YYYY",
            "YYYY",
            "DDMMYYYY",
            "dd.mm.yyyy",
            "DD.MM.YY",
            "DD..MM.YYYY",
            "DD.MM.YYYY.",
            "DD\u{e9}MM\u{e9}YYYY",
        ] {
            assert!(DateForm::try_from(form.to_owned()).is_err(), "{form}");
        }
    }
}
