//! The rules a delivery is judged by: data, in one table. The list in the README is printed from it.

use crate::vocabulary::TableName;

/// What breaking a rule leads to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Consequence {
    /// The row is set aside; the rest of the file is read.
    RowSetAside,
    /// The delivery is refused whole, and the cohort stays as it was.
    DeliveryRefused,
    /// Said in the summary; nothing is refused.
    Noted,
}

impl Consequence {
    /// The words for the README and the summary.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::RowSetAside => "row set aside",
            Self::DeliveryRefused => "delivery refused",
            Self::Noted => "noted",
        }
    }
}

/// One line of the rule table.
#[derive(Clone, Copy, Debug)]
pub struct RuleText {
    /// The rule.
    pub rule: Rule,
    /// Its code, as stored and printed.
    pub code: &'static str,
    /// The tables it applies to.
    pub tables: &'static [TableName],
    /// What breaking it leads to.
    pub consequence: Consequence,
    /// The sentence; `{column}` stands for the column's name, `{allowed}` for what the column takes and `{class}`
    /// for a class of identifiers.
    pub sentence: &'static str,
}

/// Declares the rules once: the enum and the table come from the same lines.
macro_rules! rules {
    ($($(#[$meta:meta])* $name:ident, $code:literal, $tables:expr, $consequence:ident, $sentence:literal;)+) => {
        /// A rule that a delivery is judged by.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        #[repr(u8)]
        pub enum Rule { $($(#[$meta])* $name),+ }

        /// Every rule, in the order in which it is looked at.
        pub const RULES: &[RuleText] = &[
            $(RuleText {
                rule: Rule::$name,
                code: $code,
                tables: $tables,
                consequence: Consequence::$consequence,
                sentence: $sentence,
            }),+
        ];

        impl Rule {
            /// The rule's line in the table.
            #[must_use]
            pub const fn text(self) -> &'static RuleText {
                const TEXTS: &[RuleText] = RULES;
                &TEXTS[self as usize]
            }
        }
    };
}

use TableName::{Ears, Fittings, Outcomes, Responses};
const ALL: &[TableName] = &[Fittings, Ears, Responses, Outcomes];

rules! {
    /// None of the four tables is there, or no fittings where nothing is stored yet.
    MissingTable, "missing-table", ALL, DeliveryRefused,
        "There is no {column} table: without it no row of the delivery belongs to a fitting.";
    /// A table other than fittings is not delivered.
    TableNotDelivered, "table-not-delivered", &[Fittings, Ears, Responses, Outcomes], Noted,
        "The delivery has no {column} table.";
    /// A pattern of the column map that no file's name fits.
    UnmatchedFiles, "unmatched-files", ALL, DeliveryRefused,
        "No file of the delivery is named like {column}, which the column map reads; endings that are read are .csv, .tsv and .txt, each also with .gz or .zst, and .parquet.";
    /// A file named like a table that the column map does not read.
    UnmappedFile, "unmapped-file", ALL, DeliveryRefused,
        "The file is named like a table, and no [[source]] of the column map reads it: give it one (`files` and `table` alone read it as it stands), or take it out of the folder.";
    /// A file without any byte.
    EmptyFile, "empty-file", ALL, DeliveryRefused,
        "The file is empty: not even a header row is there.";
    /// A header and nothing else.
    HeaderOnly, "header-only", ALL, Noted,
        "The file has a header row and no other row.";
    /// A column that the column map reads is absent.
    MappedColumnMissing, "mapped-column-missing", ALL, DeliveryRefused,
        "The header row does not name what the column map reads: {column}.";
    /// A column of which the column map says nothing.
    UnmappedColumn, "unmapped-column", ALL, DeliveryRefused,
        "The column map says nothing of {column}: name it in `columns`, `where` or `unless_blank`, or in `leave_out` if it is not to be read.";
    /// A required column is absent.
    MissingColumn, "missing-column", ALL, DeliveryRefused,
        "The required column {column} is not in the header row.";
    /// A column that the table does not have.
    UnknownColumn, "unknown-column", ALL, DeliveryRefused,
        "The header row names a column that the table does not have: {column}. Extra labels of fittings are named x_….";
    /// A first row that is no header row: most often it holds data, so nothing of it is repeated.
    NoHeaderRow, "no-header-row", ALL, DeliveryRefused,
        "The first row names none of the columns of this table: the header row is missing, or something else than a comma stands between its columns.";
    /// A column named like a direct identifier.
    IdentifyingColumn, "identifying-column", ALL, DeliveryRefused,
        "By its name, the column {column} holds {class}: leave it out of the delivery.";
    /// A file whose name holds a direct identifier.
    IdentifyingFileName, "identifying-file-name", ALL, DeliveryRefused,
        "The name of a file of the {column} holds what looks like {class}: give the file another name.";
    /// A column named twice.
    RepeatedColumn, "repeated-column", ALL, DeliveryRefused,
        "The header row names the column {column} twice.";
    /// More columns than any table has.
    TooManyColumns, "too-many-columns", ALL, DeliveryRefused,
        "The header row names more than 256 columns, or brings the further labels of the delivery beyond 256.";
    /// Bytes that are no UTF-8.
    NotUtf8, "not-utf8", ALL, DeliveryRefused,
        "The text is not UTF-8 here: save the file again as UTF-8.";
    /// A quoted field that does not end.
    UnclosedQuote, "unclosed-quote", ALL, DeliveryRefused,
        "The row that begins here does not end within 64 KiB: most often a quote is missing.";
    /// A value shaped like a direct identifier.
    IdentifyingValue, "identifying-value", ALL, DeliveryRefused,
        "{column} holds what looks like {class}: leave it out, or let the identifier become a keyed pseudonym.";
    /// Rows that end in a carriage return alone.
    LineEnds, "line-ends", ALL, DeliveryRefused,
        "The rows end in carriage returns alone: save the file again with line feeds.";
    /// A file that breaks off or cannot be decompressed or decoded.
    DamagedFile, "damaged-file", ALL, DeliveryRefused,
        "The file is damaged or cut off: it cannot be decoded to its end.";
    /// A column that is to become pseudonyms, read as it is besides.
    ReadAsItIs, "read-as-it-is", ALL, DeliveryRefused,
        "The column {column} becomes pseudonyms, and the column map reads it as it is for another column besides.";
    /// Rows that the column map passes over.
    PassedOver, "passed-over", ALL, Noted,
        "The column map passes rows over, by `where` or `unless_blank`; they do not count as read.";
    /// A packed file that would grow beyond all measure, or take more memory than is given to it.
    OutOfProportion, "out-of-proportion", ALL, DeliveryRefused,
        "The file holds far more than its size on disk allows, or too much in one piece: send it as plain CSV, or in several files.";
    /// A Parquet column of lists or groups.
    NestedColumn, "nested-column", ALL, DeliveryRefused,
        "The column {column} holds lists or groups, where each row has one plain value.";
    /// JSON that is no Bundle.
    NotABundle, "not-a-bundle", &[Ears, Outcomes], DeliveryRefused,
        "The file is not a FHIR Bundle. Resources one a line belong into a file whose name ends in .ndjson.";
    /// Resources of types that are not read.
    ResourceIgnored, "resource-ignored", &[Ears, Outcomes], Noted,
        "FHIR resources of types that are not asked for are passed over.";
    /// Values under codes that the map does not name.
    CodeNotMapped, "code-not-mapped", &[Ears, Outcomes], Noted,
        "Values under a code or a question that the column map does not name are passed over.";
    /// Values said to be absent.
    ValueAbsent, "value-absent", &[Ears, Outcomes], Noted,
        "Values that a FHIR resource says are absent are passed over.";
    /// A resource of another structure.
    ResourceNotRead, "resource-not-read", &[Ears, Outcomes], RowSetAside,
        "The FHIR resource is not of the structure of R4, is longer than 1 MiB, or carries a modifier extension.";
    /// A resource that is not final.
    ResourceStatus, "resource-status", &[Ears, Outcomes], RowSetAside,
        "The FHIR resource has no status that stands: final, amended or corrected for an observation, completed or amended for a questionnaire response.";
    /// A resource that contradicts itself.
    ResourceDisagrees, "resource-disagrees", &[Ears, Outcomes], RowSetAside,
        "The FHIR resource says two things of {column} where one is due.";
    /// A quantity in another unit.
    UnitNotTaken, "unit-not-taken", &[Ears, Outcomes], RowSetAside,
        "{column} is not given in the unit that is due: dB HL for a threshold, what the column map says for an answer.";
    /// A value of another kind.
    ValueNotTaken, "value-not-taken", &[Ears, Outcomes], RowSetAside,
        "{column} is not given as a number, or as a coded answer whose score the column map names.";
    /// More or fewer fields than the header.
    FieldCount, "field-count", ALL, RowSetAside,
        "The row has another number of fields than the header row.";
    /// A required value is blank.
    Required, "required", ALL, RowSetAside,
        "{column} is blank, and it is required.";
    /// An identifier of another shape than a pseudonym.
    IdentifierShape, "identifier-shape", ALL, RowSetAside,
        "{column} is not a pseudonym of 1 to 64 characters out of A-Z a-z 0-9 _ -.";
    /// An identifier that is to become a pseudonym and is too long for one.
    IdentifierLength, "identifier-length", ALL, RowSetAside,
        "{column} is to become a keyed pseudonym and has more than 256 bytes.";
    /// Not a date, month or quarter.
    NotADate, "not-a-date", &[Fittings], RowSetAside,
        "{column} is not a date like 2026-08-17, a month like 2026-08 or a quarter like 2026-Q3.";
    /// Not a plain decimal number.
    NotANumber, "not-a-number", ALL, RowSetAside,
        "{column} is not a plain number with a decimal point, such as 25.3: no NaN, infinity, exponent, minus zero, thousands separator or decimal comma.";
    /// A threshold in dB SPL at a frequency without a reference level.
    NoReferenceLevel, "no-reference-level", &[Ears], RowSetAside,
        "{column} is in dB SPL at a frequency for which the column map gives no reference level.";
    /// A fraction where a whole number is due.
    NotWhole, "not-whole", ALL, RowSetAside,
        "{column} is not a whole number.";
    /// Outside the range of the column.
    OutOfRange, "out-of-range", ALL, RowSetAside,
        "{column} is outside its range ({allowed}).";
    /// A word that the column does not take.
    UnknownWord, "unknown-word", &[Fittings, Ears, Responses], RowSetAside,
        "{column} is none of the words it takes ({allowed}).";
    /// A label too long or with control characters.
    LabelShape, "label-shape", &[Fittings, Ears], RowSetAside,
        "{column} is not a label of at most 64 printable characters.";
    /// A point at another frequency.
    FrequencyNotKept, "frequency-not-kept", &[Ears, Responses], RowSetAside,
        "{column} is none of the ten frequencies that are kept (250, 500, 750, 1000, 1500, 2000, 3000, 4000, 6000, 8000 Hz).";
    /// A wide row without any measured value.
    NoMeasurement, "no-measurement", &[Responses], RowSetAside,
        "The row holds no measured value at any frequency.";
    /// An instrument neither built in nor declared.
    UnknownInstrument, "unknown-instrument", &[Outcomes], RowSetAside,
        "{column} is neither built in (ioi-ha, use-log) nor declared in the plan.";
    /// An item that the instrument does not have.
    UnknownItem, "unknown-item", &[Outcomes], RowSetAside,
        "{column} is not an item of its instrument.";
    /// A row whose fitting is not there.
    Orphan, "orphan", &[Ears, Responses, Outcomes], RowSetAside,
        "The fitting of this row is neither in the delivery nor in the cohort, or was itself set aside.";
    /// A response or a threshold whose ear is not there.
    OrphanEar, "orphan-ear", &[Ears, Responses], RowSetAside,
        "The ear of this row has no row in the ears table that says whether it was fitted.";
    /// A target without the rule it comes from.
    TargetWithoutPrescription, "target-without-prescription", &[Responses], RowSetAside,
        "The row gives a target, and its fitting does not say from which prescription.";
    /// Rows that say different things under the same key.
    Contradiction, "contradiction", ALL, RowSetAside,
        "Another row says something else under the same key; both are set aside.";
}

impl Rule {
    /// The rule's code.
    #[must_use]
    pub const fn code(self) -> &'static str {
        self.text().code
    }

    /// The rule of a code.
    #[must_use]
    pub fn from_code(code: &str) -> Option<Self> {
        let text = RULES.iter().find(|text| text.code == code)?;
        Some(text.rule)
    }

    /// Whether a row that breaks the rule waits for something that may come: its fitting, its ear, or a plan that knows
    /// its instrument.
    #[must_use]
    pub const fn waits(self) -> bool {
        matches!(
            self,
            Self::Orphan | Self::OrphanEar | Self::UnknownInstrument
        )
    }
}

/// The rule table as Markdown, for the README.
#[must_use]
pub fn rules_as_markdown() -> String {
    let mut out = String::from("| rule | tables | what follows | sentence |\n|---|---|---|---|\n");
    for text in RULES {
        let tables = if text.tables.len() == TableName::ALL.len() {
            "all".to_owned()
        } else {
            let words: Vec<&str> = text.tables.iter().map(|table| table.word()).collect();
            words.join(", ")
        };
        let sentence = text
            .sentence
            .replace("{column}", "*column*")
            .replace("{allowed}", "*what it takes*")
            .replace("{class}", "*a class of identifiers*");
        out.push_str(&format!(
            "| `{}` | {} | {} | {} |\n",
            text.code,
            tables,
            text.consequence.words(),
            sentence
        ));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_are_unique_and_in_step_with_the_enum() {
        for (position, text) in RULES.iter().enumerate() {
            assert_eq!(text.rule as usize, position);
            assert_eq!(text.rule.code(), text.code);
            assert_eq!(
                RULES.iter().filter(|other| other.code == text.code).count(),
                1
            );
        }
    }
}
