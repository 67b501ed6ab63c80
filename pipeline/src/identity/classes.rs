//! The 18 classes of identifiers of 45 CFR 164.514(b)(2)(i), and how each is met in a table.
//!
//! The list is `from memory`; its letters are those of the regulation.

/// A class of identifiers.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[repr(u8)]
pub enum Class {
    /// (A) Names.
    Name,
    /// (B) Places smaller than a state.
    Place,
    /// (C) Dates finer than the year, and ages over 89.
    Date,
    /// (D) Telephone numbers.
    Telephone,
    /// (E) Fax numbers.
    Fax,
    /// (F) E-mail addresses.
    Email,
    /// (G) Social security numbers, and the national numbers of other countries.
    NationalNumber,
    /// (H) Medical record numbers.
    MedicalRecord,
    /// (I) Health plan beneficiary numbers.
    HealthPlan,
    /// (J) Account numbers.
    Account,
    /// (K) Certificate and licence numbers.
    Licence,
    /// (L) Vehicle identifiers, licence plates among them.
    Vehicle,
    /// (M) Device identifiers and serial numbers.
    Device,
    /// (N) Addresses of web pages.
    Url,
    /// (O) Addresses on the Internet.
    IpAddress,
    /// (P) Fingerprints, voiceprints and the like.
    Biometric,
    /// (Q) Full-face photographs.
    Photograph,
    /// (R) Any other number, characteristic or code that is one person's alone.
    OtherCode,
}

/// What is known of a class.
#[derive(Clone, Copy, Debug)]
pub struct ClassText {
    /// The class.
    pub class: Class,
    /// Its letter in the regulation.
    pub letter: char,
    /// What a single one is called in a sentence.
    pub words: &'static str,
    /// How it is caught, and what of it is not.
    pub caught: &'static str,
}

/// Every class in the order of the regulation.
pub const CLASSES: &[ClassText] = &[
    text(
        Class::Name,
        'A',
        "a personal name",
        "by column name; in fitting_id, patient_id and clinician_id by shape: capitalised words, a title, or letters and blanks only. Not: a single word, words in lower case, names in labels without a title.",
    ),
    text(
        Class::Place,
        'B',
        "an address or a place smaller than a state",
        "by column name. Not by value: a place is a word like others.",
    ),
    text(
        Class::Date,
        'C',
        "a full date, or an age that can be read off one",
        "by column name and by shape anywhere but in fitted_on, of which the quarter or the year is kept; ages over 89 are kept as 90. Not: a date without its year, or with two digits for it outside the ids.",
    ),
    text(
        Class::Telephone,
        'D',
        "a telephone number",
        "by column name and by shape. Not: a number of 8 digits or fewer, or one written without separators behind letters.",
    ),
    text(
        Class::Fax,
        'E',
        "a fax number",
        "by column name; by shape it is a telephone number.",
    ),
    text(
        Class::Email,
        'F',
        "an e-mail address",
        "by column name and by shape.",
    ),
    text(
        Class::NationalNumber,
        'G',
        "a national number",
        "by column name; by shape where it is written in groups, has a check digit, or is 9 to 15 bare digits.",
    ),
    text(
        Class::MedicalRecord,
        'H',
        "a medical record number",
        "by column name; by value only as 9 to 15 bare digits. A shorter one looks like any running number: let it become a keyed pseudonym.",
    ),
    text(
        Class::HealthPlan,
        'I',
        "a health plan number",
        "by column name; by value as 9 to 15 bare digits, or by its check digit.",
    ),
    text(
        Class::Account,
        'J',
        "an account number",
        "by column name; by value as an international bank account number, or 9 to 15 bare digits.",
    ),
    text(
        Class::Licence,
        'K',
        "a certificate or licence number",
        "by column name. Not by value: they have no common shape.",
    ),
    text(
        Class::Vehicle,
        'L',
        "a vehicle number or licence plate",
        "by column name. Not by value: a plate looks like a pseudonym.",
    ),
    text(
        Class::Device,
        'M',
        "a device identifier or serial number",
        "by column name; by value as a hardware address. Not: serial numbers, which have no common shape.",
    ),
    text(
        Class::Url,
        'N',
        "the address of a web page",
        "by column name and by shape.",
    ),
    text(
        Class::IpAddress,
        'O',
        "an Internet address",
        "by column name and by shape. Not: four short numbers with dots (fewer than 7 digits), which are most often a version.",
    ),
    text(
        Class::Biometric,
        'P',
        "a biometric identifier",
        "by column name. Its data cannot occur: no column takes binary values, and no text of more than 64 characters is stored. Thresholds and responses are not taken for one.",
    ),
    text(
        Class::Photograph,
        'Q',
        "a photograph",
        "by column name. A picture itself cannot occur, as above.",
    ),
    text(
        Class::OtherCode,
        'R',
        "a number or code that is one person's alone",
        "by column name; by value as 9 to 15 bare digits. Not: codes in general, which look like pseudonyms.",
    ),
];

const fn text(class: Class, letter: char, words: &'static str, caught: &'static str) -> ClassText {
    ClassText {
        class,
        letter,
        words,
        caught,
    }
}

impl Class {
    /// What a single one is called in a sentence.
    #[must_use]
    pub fn words(self) -> &'static str {
        CLASSES
            .get(self as usize)
            .map_or("an identifier", |text| text.words)
    }
}

/// The classes as Markdown, for the README.
#[must_use]
pub fn classes_as_markdown() -> String {
    let mut out = String::from("| class | is | caught |\n|---|---|---|\n");
    for text in CLASSES {
        out.push_str(&format!(
            "| {} | {} | {} |\n",
            text.letter, text.words, text.caught
        ));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn there_are_eighteen_in_the_order_of_the_regulation() {
        assert_eq!(CLASSES.len(), 18);
        for ((position, text), letter) in CLASSES.iter().enumerate().zip('A'..) {
            assert_eq!(text.class as usize, position);
            assert_eq!(text.letter, letter);
            assert_eq!(text.class.words(), text.words);
        }
    }
}
