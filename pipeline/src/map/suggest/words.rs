//! Words that senders write for ours: a closed list. A proposal repeats these and no other value.

/// Yes and no.
const TRUTH: &[(&str, &str)] = &[
    ("y", "true"),
    ("yes", "true"),
    ("t", "true"),
    ("true", "true"),
    ("1", "true"),
    ("j", "true"),
    ("ja", "true"),
    ("wahr", "true"),
    ("oui", "true"),
    ("n", "false"),
    ("no", "false"),
    ("f", "false"),
    ("false", "false"),
    ("0", "false"),
    ("nein", "false"),
    ("falsch", "false"),
    ("non", "false"),
];

const MEANINGS: &[(&str, &[(&str, &str)])] = &[
    (
        "ear",
        &[
            ("l", "left"),
            ("le", "left"),
            ("li", "left"),
            ("left", "left"),
            ("links", "left"),
            ("r", "right"),
            ("re", "right"),
            ("right", "right"),
            ("rechts", "right"),
        ],
    ),
    ("fitted", TRUTH),
    ("returned", TRUTH),
    (
        "experience",
        &[
            ("new", "new"),
            ("first", "new"),
            ("first-time", "new"),
            ("neu", "new"),
            ("erstversorgung", "new"),
            ("experienced", "experienced"),
            ("exp", "experienced"),
            ("erfahren", "experienced"),
            ("folgeversorgung", "experienced"),
        ],
    ),
    (
        "medical_referral",
        &[
            ("none", "none"),
            ("no", "none"),
            ("keine", "none"),
            ("nein", "none"),
            ("advised", "advised"),
            ("empfohlen", "advised"),
            ("completed", "completed"),
            ("done", "completed"),
            ("erfolgt", "completed"),
            ("unknown", "unknown"),
            ("unbekannt", "unknown"),
        ],
    ),
    (
        "coupling",
        &[
            ("open", "open"),
            ("offen", "open"),
            ("vented", "vented"),
            ("closed", "closed"),
            ("geschlossen", "closed"),
            ("custom", "custom"),
        ],
    ),
    (
        "stage",
        &[
            ("first", "first"),
            ("initial", "first"),
            ("before", "first"),
            ("1", "first"),
            ("vorher", "first"),
            ("erste", "first"),
            ("final", "final"),
            ("last", "final"),
            ("after", "final"),
            ("2", "final"),
            ("nachher", "final"),
            ("letzte", "final"),
        ],
    ),
    ("quantity", &[("rear", "REAR"), ("reig", "REIG")]),
    (
        "instrument",
        &[
            ("ioi-ha", "ioi-ha"),
            ("ioi", "ioi-ha"),
            ("ioiha", "ioi-ha"),
            ("use-log", "use-log"),
        ],
    ),
];

/// What a word of the list means in a column of ours, in capitals or not.
pub(super) fn meaning(ours: &str, word: &str) -> Option<&'static str> {
    let lower = word.to_lowercase();
    let (_, words) = MEANINGS.iter().find(|(column, _)| *column == ours)?;
    words
        .iter()
        .find(|(theirs, _)| *theirs == lower)
        .map(|(_, ours)| *ours)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::delivery::columns::Kind;
    use crate::map::check::{forms, takes};
    use crate::vocabulary::TableName;

    #[test]
    fn every_word_means_what_its_column_takes() {
        for (column, words) in MEANINGS {
            let spec = TableName::ALL
                .iter()
                .flat_map(|table| forms(*table))
                .flatten()
                .find(|spec| spec.name == *column)
                .expect(column);
            for (theirs, ours) in *words {
                assert!(takes(spec.kind, ours.as_bytes()), "{column}: {ours}");
                assert_eq!(theirs.to_lowercase(), *theirs);
                assert_eq!(words.iter().filter(|(other, _)| other == theirs).count(), 1);
            }
            // Words of ours mean themselves.
            if let Kind::Words(known) = spec.kind {
                for word in known {
                    assert_eq!(meaning(column, word), Some(*word));
                }
            }
        }
    }
}
