//! Personal names in a text.

/// Whether an identifier is shaped like a personal name: two or more capitalised words (`Someone_Else`), a title and a
/// word (`dr-else`), or, where it is no pseudonym by its characters, nothing but letters and what stands between names.
pub(super) fn is_name(text: &str) -> bool {
    let trimmed = text.trim();
    if has_title(trimmed) {
        return true;
    }
    // No name has digits; most pseudonyms do.
    if trimmed.bytes().any(|b| b.is_ascii_digit()) || says_missing(trimmed) {
        return false;
    }
    let is_pseudonym = trimmed
        .bytes()
        .all(|b| b.is_ascii_alphanumeric() || matches!(b, b'_' | b'-'));
    if is_pseudonym {
        capitalised_words(trimmed)
    } else {
        only_letters(trimmed)
    }
}

/// Whether a field of a row that cannot be laid under its header is a personal name: as [`is_name`], but letters alone
/// are no reason, since the field may be any word.
pub(super) fn is_name_astray(text: &str) -> bool {
    let trimmed = text.trim();
    has_title(trimmed) || capitalised_words(trimmed)
}

/// Whether a text begins with a title that a word follows: `Dr Else`, `mrs_else`, `Prof. E. Else`.
pub(super) fn has_title(text: &str) -> bool {
    let mut words = words(text);
    let Some(first) = words.next() else {
        return false;
    };
    let is_one_of = |titles: &[&str]| titles.iter().any(|title| title.eq_ignore_ascii_case(first));
    let plain = is_one_of(&TITLES);
    let ambiguous = !plain && is_one_of(&AMBIGUOUS_TITLES);
    let is_word = |word: &str| {
        word.chars().count() >= 2
            && word.chars().all(char::is_alphabetic)
            && !NOT_NAMES.contains(&word.to_lowercase().as_str())
    };
    if plain {
        words.any(is_word)
    } else if ambiguous && is_capitalised(first) {
        words
            .next()
            .is_some_and(|word| is_word(word) && is_capitalised(word))
    } else {
        false
    }
}

/// Titles and forms of address.
const TITLES: [&str; 18] = [
    "dr",
    "mr",
    "mrs",
    "prof",
    "professor",
    "herr",
    "frau",
    "mme",
    "mlle",
    "monsieur",
    "madame",
    "señor",
    "señora",
    "senor",
    "senora",
    "signor",
    "signora",
    "dott",
];
/// The same, but also words or abbreviations of something else: they count only when capitalised before such a word.
const AMBIGUOUS_TITLES: [&str; 8] = ["ms", "miss", "sir", "lady", "sr", "sra", "mevrouw", "dhr"];

/// Words that no personal name has: what is called so is a role, a thing or a place in an order.
const NOT_NAMES: [&str; 62] = [
    "patient",
    "person",
    "client",
    "customer",
    "clinician",
    "clinic",
    "audiologist",
    "fitter",
    "user",
    "subject",
    "wearer",
    "case",
    "visit",
    "fitting",
    "study",
    "control",
    "group",
    "site",
    "branch",
    "practice",
    "team",
    "room",
    "centre",
    "center",
    "hospital",
    "department",
    "station",
    "unit",
    "staff",
    "shop",
    "store",
    "office",
    "north",
    "south",
    "east",
    "west",
    "upper",
    "lower",
    "old",
    "new",
    "test",
    "demo",
    "sample",
    "example",
    "arm",
    "cohort",
    "record",
    "file",
    "delivery",
    "pseudonym",
    "code",
    "number",
    "left",
    "right",
    "both",
    "first",
    "second",
    "third",
    "alpha",
    "beta",
    "gamma",
    "delta",
];

/// What stands for "not known", which is no name although it is made of letters.
fn says_missing(text: &str) -> bool {
    let plain: String = text
        .to_lowercase()
        .chars()
        .map(|c| if c.is_alphanumeric() { c } else { ' ' })
        .collect();
    let words: Vec<&str> = plain.split_whitespace().collect();
    MISSING.contains(&words.join(" ").as_str())
}

const MISSING: [&str; 24] = [
    "",
    "na",
    "n a",
    "nan",
    "none",
    "null",
    "nil",
    "unknown",
    "not known",
    "not recorded",
    "not available",
    "not given",
    "not applicable",
    "no id",
    "no number",
    "missing",
    "tbd",
    "to be done",
    "keine",
    "keine angabe",
    "unbekannt",
    "nicht bekannt",
    "inconnu",
    "onbekend",
];

/// The runs of letters and digits.
fn words(text: &str) -> impl Iterator<Item = &str> {
    text.split(|c: char| !c.is_alphanumeric() && c != '\'' && c != '’')
        .filter(|word| !word.is_empty())
}

/// A capital and then only small letters, or an Irish or Scottish second capital (`McElse`, `O'Else`).
fn is_capitalised(word: &str) -> bool {
    let mut letters = word.chars();
    if !letters.next().is_some_and(char::is_uppercase) {
        return false;
    }
    let rest = letters.as_str();
    // What follows a second capital is small again.
    let after_capital = |text: &'_ str| -> Option<usize> {
        let first = text.chars().next().filter(|c| c.is_uppercase())?;
        Some(first.len_utf8())
    };
    let skipped = match rest.chars().next() {
        Some('c') => after_capital(rest.get(1..).unwrap_or_default()).map(|length| 1 + length),
        Some(mark @ ('\'' | '’')) => {
            let mark = mark.len_utf8();
            after_capital(rest.get(mark..).unwrap_or_default()).map(|length| mark + length)
        }
        _ => None,
    };
    let rest = rest.get(skipped.unwrap_or(0)..).unwrap_or_default();
    rest.chars()
        .all(|c| c.is_lowercase() || c == '\'' || c == '’')
}

/// Two or more words, all of letters, at least two of them capitalised and longer than an initial.
fn capitalised_words(text: &str) -> bool {
    let between = |c: char| matches!(c, ' ' | ',' | '_' | '-' | '.' | '\'' | '’');
    if !text.chars().all(|c| c.is_alphabetic() || between(c)) {
        return false;
    }
    let words: Vec<&str> = words(text).collect();
    let is_full = |word: &&&str| word.chars().count() >= 2 && is_capitalised(word);
    words.iter().filter(is_full).count() >= 2
        && words
            .iter()
            .all(|word| !NOT_NAMES.contains(&word.to_lowercase().as_str()))
}

fn only_letters(text: &str) -> bool {
    text.chars().filter(|c| c.is_alphabetic()).count() >= 2
        && text.chars().all(|c| {
            c.is_alphabetic()
                || c.is_whitespace()
                || matches!(
                    c,
                    ',' | '\'' | '’' | '`' | '´' | '.' | '-' | '_' | '‐' | '–'
                )
        })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Names of nobody: words made up for these tests.
    #[test]
    fn names_are_known_by_their_shape() {
        for text in [
            "Nobody-Else",
            "Nobody_Else",
            "Nobody Else",
            "Else, Nobody",
            "Nobody-Ever-Else",
            "Nobody E Else",
            "O'Else",
            "O'Else Nobody",
            "McElse_Nobody",
            "dr-else",
            "Dr_Else",
            "Dr. Else",
            "MRS-ELSE",
            "Ms-Else",
            "Prof. E. Else",
            "Herr Sonstwer",
            "nobody else",
            "Sönstwer",
            "ÉLSE",
            "N. Else",
            "else.nobody",
            " Nobody Else ",
        ] {
            assert!(is_name(text), "{text}");
        }
    }

    #[test]
    fn pseudonyms_are_none() {
        for text in [
            "anna-1",
            "F1",
            "C-12",
            "P000123",
            "clinic-7-0042",
            "clinician-03",
            "Clinician-A",
            "Clinician-North",
            "Site-Alpha",
            "Team-Blue-2",
            "Patient-One",
            "dr-01",
            "dr-a1",
            "DR-7",
            "ms-nord",
            "Meier",
            "north-hill",
            "NORTH-HILL",
            "Qq-R",
            "visit 417",
            "n.a.",
            "not known",
            "unknown.",
            "keine Angabe",
            "-",
            ".",
            "",
            "A.",
            "8f14e45f-ceea-467f-a0e6-4f2d8a9b1c3e",
            "V1StGXR8_Z5jdHi6B-myT",
            "JBSW-Y3DP-EHPK",
            "X-Ray",
            "P.12",
        ] {
            assert!(!is_name(text), "{text}");
        }
    }
}
