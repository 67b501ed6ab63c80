//! What columns are called in the trade: plain words, English and German, for proposing a map.

use super::synonyms::{
    FAMILIES, FREE_TEXT, FREQUENCY_ALONE, IDENTIFYING, NUMBERING, TABLES, WORDS,
};
use crate::delivery::columns::{ColumnSpec, is_label_column};
use crate::map::check::forms;
use crate::plan::keys;
use crate::vocabulary::{Ear, FREQUENCIES, TableName};

/// How a column was recognised, the surest first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum How {
    /// It is called as here.
    Same,
    /// Another word for it.
    Word,
    /// A word and a frequency.
    Frequency,
    /// Its values are words of this column alone.
    Content,
    /// Its name is near another word for it.
    Near,
}

/// A column of ours that one of theirs may be.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Found {
    pub(super) ours: String,
    pub(super) how: How,
    /// The ear that the name says, where a row holds both.
    pub(super) ear: Option<Ear>,
}

/// Words that name an ear within a column's name.
const EARS: &[(&str, Ear)] = &[
    ("r", Ear::Right),
    ("re", Ear::Right),
    ("right", Ear::Right),
    ("rechts", Ear::Right),
    ("l", Ear::Left),
    ("le", Ear::Left),
    ("left", Ear::Left),
    ("links", Ear::Left),
];

/// Whether a list of words, one behind the other, has a word.
fn is_one_of(word: &str, words: &str) -> bool {
    words.split_whitespace().any(|other| other == word)
}

/// Why a column is better left out, by its name.
pub(super) fn reason_to_leave_out(name: &str) -> Option<&'static str> {
    let normal = normal(name);
    let has = |words: &str| normal.split('_').any(|part| is_one_of(part, words));
    if has(IDENTIFYING) {
        Some("its name sounds like what tells who a person is")
    } else if has(FREE_TEXT) {
        Some("free text, in which anything may stand")
    } else {
        None
    }
}

/// A name in small letters, with `_` for whatever is neither letter nor digit, and without marks on letters.
pub(super) fn normal(name: &str) -> String {
    let mut out = String::new();
    for c in name.chars().flat_map(char::to_lowercase) {
        match c {
            'ä' => out.push_str("ae"),
            'ö' => out.push_str("oe"),
            'ü' => out.push_str("ue"),
            'ß' => out.push_str("ss"),
            c if c.is_alphanumeric() => out.push(c),
            _ if out.is_empty() || out.ends_with('_') => {}
            _ => out.push('_'),
        }
    }
    out.trim_end_matches('_').to_owned()
}

/// Which column of a table one of theirs is called like.
pub(super) fn find(table: TableName, theirs: &str) -> Option<Found> {
    let specs: Vec<ColumnSpec> = forms(table).into_iter().flatten().collect();
    let is_ours = |name: &str| specs.iter().any(|spec| spec.name == name);
    let found = |ours: &str, how| Found {
        ours: ours.to_owned(),
        how,
        ear: None,
    };
    if is_ours(theirs) || (table == TableName::Fittings && is_label_column(theirs)) {
        return Some(found(theirs, How::Same));
    }
    let normal = normal(theirs);
    let words = || WORDS.iter().filter(|(ours, _)| is_ours(ours));
    if let Some(spec) = specs.iter().find(|spec| spec.name == normal) {
        return Some(found(spec.name, How::Word));
    }
    let bare = NUMBERING
        .iter()
        .find_map(|ending| normal.strip_suffix(ending))
        .unwrap_or(&normal);
    for name in [normal.as_str(), bare] {
        if let Some((ours, _)) = words().find(|(_, others)| is_one_of(name, others)) {
            return Some(found(ours, How::Word));
        }
    }
    if let Some(found) = of_family(theirs).filter(|found| is_ours(&found.ours)) {
        return Some(found);
    }
    if normal.len() < 5 || reason_to_leave_out(theirs).is_some() {
        return None;
    }
    let others = words().flat_map(|(_, others)| others.split_whitespace());
    let near = keys::nearest(&normal, specs.iter().map(|spec| spec.name).chain(others))?;
    let ours = words()
        .find(|(_, others)| is_one_of(near, others))
        .map_or(near, |(ours, _)| ours);
    Some(found(ours, How::Near))
}

/// A name of a word and a frequency, such as `AC 500 Hz` or `Target R 1k`.
fn of_family(theirs: &str) -> Option<Found> {
    let lower = theirs.to_lowercase();
    let start = lower.find(|c: char| c.is_ascii_digit())?;
    let (before, rest) = lower.split_at(start);
    let end = rest
        .find(|c: char| !(c.is_ascii_digit() || matches!(c, '.' | ',')))
        .unwrap_or(rest.len());
    let (number, after) = rest.split_at(end);
    if after.contains(|c: char| c.is_ascii_digit()) {
        return None;
    }
    let unit = after.trim_start();
    let (thousands, after) = match unit.strip_prefix("khz").or(unit.strip_prefix('k')) {
        Some(after) => (true, after),
        None => (false, unit.strip_prefix("hz").unwrap_or(after)),
    };
    let number: f64 = number.replace(',', ".").parse().ok()?;
    let hertz = if thousands { number * 1000.0 } else { number };
    let frequency = FREQUENCIES
        .iter()
        .find(|frequency| f64::from(**frequency) == hertz)?;
    let around = normal(&format!("{before} {after}"));
    let mut ear = None;
    let mut words = Vec::new();
    for word in around.split('_') {
        match EARS.iter().find(|(name, _)| *name == word) {
            Some((_, side)) if ear.is_none() => ear = Some(*side),
            _ => words.push(word),
        }
    }
    let word = words.join("_");
    let family = if word.is_empty() {
        FREQUENCY_ALONE
    } else {
        FAMILIES
            .iter()
            .find(|(_, others)| is_one_of(&word, others))?
            .0
    };
    Some(Found {
        ours: format!("{family}{frequency}"),
        how: How::Frequency,
        ear,
    })
}

/// The item of the IOI-HA that a column holds, where its name says so: `IOI-HA 4`, `ioi_q4`.
pub(super) fn ioi_item(theirs: &str) -> Option<u8> {
    let normal = normal(theirs).replace('_', "");
    let rest = normal
        .strip_prefix("ioiha")
        .or_else(|| normal.strip_prefix("ioi"))?;
    let number = ["question", "frage", "item", "q", ""]
        .iter()
        .find_map(|word| rest.strip_prefix(word))?;
    number.parse().ok().filter(|item| (1..=7).contains(item))
}

/// The table that a file is called like, where its name says so.
pub(super) fn table_of_file(name: &str) -> Option<TableName> {
    let normal = normal(name);
    let of_ours = TableName::ALL
        .iter()
        .find(|table| normal.starts_with(table.word()));
    let by_word = TABLES
        .iter()
        .find(|(_, words)| words.split_whitespace().any(|word| normal.contains(word)));
    of_ours.copied().or(by_word.map(|(table, _)| *table))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::delivery::columns::columns_for;

    #[test]
    fn every_column_is_found_by_its_own_name_and_every_word_by_one_column() {
        for table in TableName::ALL {
            for spec in forms(*table).into_iter().flatten() {
                let found = find(*table, spec.name).expect(spec.name);
                assert_eq!((found.ours.as_str(), found.how), (spec.name, How::Same));
            }
            let specs: Vec<ColumnSpec> = forms(*table).into_iter().flatten().collect();
            let is_ours = |name: &str| specs.iter().any(|spec| spec.name == name);
            for (ours, words) in WORDS {
                for word in words.split_whitespace() {
                    assert_eq!(normal(word), word, "as names are compared");
                    if is_ours(ours) {
                        let found = find(*table, word).expect(word);
                        assert_eq!((found.ours.as_str(), found.how), (*ours, How::Word));
                    }
                }
            }
        }
        let numbered = find(TableName::Fittings, "Besuch-Nr.").expect("a visit");
        assert_eq!(
            (numbered.ours.as_str(), numbered.how),
            ("fitting_id", How::Word)
        );
        assert!(columns_for(TableName::Ears, &[]).len() > 10);
    }

    #[test]
    fn frequencies_and_ears_in_names_are_understood() {
        let found = |theirs: &str| of_family(theirs).map(|found| (found.ours, found.ear));
        let threshold = |hertz: u16| format!("threshold_{hertz}");
        assert_eq!(found("AC 500"), Some((threshold(500), None)));
        assert_eq!(found("R500"), Some((threshold(500), Some(Ear::Right))));
        assert_eq!(
            found("500 Hz left"),
            Some((threshold(500), Some(Ear::Left)))
        );
        assert_eq!(
            found("AC_1.5k_R"),
            Some((threshold(1500), Some(Ear::Right)))
        );
        assert_eq!(found("0,75 kHz"), Some((threshold(750), None)));
        assert_eq!(
            found("Zielwert 2000"),
            Some(("target_2000".to_owned(), None))
        );
        assert_eq!(found("Soll 2k"), Some(("target_2000".to_owned(), None)));
        // Bone conduction is none of our columns, and 125 Hz none of the ten frequencies.
        for other in [
            "BC 500",
            "AC 125",
            "AC 500 2",
            "Phone 2000",
            "500-1000",
            "AC",
        ] {
            assert_eq!(found(other), None, "{other}");
        }
        assert_eq!(ioi_item("IOI-HA 4"), Some(4));
        assert_eq!(ioi_item("ioi_q7"), Some(7));
        assert_eq!(ioi_item("IOI 8"), None);
        assert_eq!(ioi_item("Q4"), None);
    }

    #[test]
    fn names_that_would_tell_who_somebody_is_are_never_found_by_nearness() {
        for name in [
            "Patient name",
            "Birth date",
            "Geburtsdatum",
            "E-mail",
            "Straße",
            "Serial no",
        ] {
            assert!(reason_to_leave_out(name).is_some(), "{name}");
            for table in TableName::ALL {
                assert_eq!(find(*table, name), None, "{name}");
            }
        }
        assert!(reason_to_leave_out("Remarks").is_some());
        assert!(reason_to_leave_out("Visit").is_none());
    }
}
