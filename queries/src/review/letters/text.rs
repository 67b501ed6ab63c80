//! Letters in sentences and in the text of a plan file, where a label is one word among others.

use fitcohort_pipeline::plan::Plan;

use super::{Letters, names_people};

/// What stands for a comment of the plan file in which a label may stand.
const LEFT_OUT: &str = "# (a comment left out: a word in it is also a label)";

/// Marks of TOML strings, the long ones first, and whether a backslash escapes in them.
const QUOTES: [(&str, bool); 4] = [
    (r#"""""#, true),
    ("'''", false),
    (r#"""#, true),
    ("'", false),
];

/// Words of one or two letters that sentences are made of, and units.
const SHORT_WORDS: [&str; 31] = [
    "a", "am", "an", "as", "at", "be", "by", "db", "do", "go", "he", "hl", "hz", "i", "if", "in",
    "is", "it", "me", "my", "no", "of", "on", "or", "s", "so", "to", "up", "us", "vs", "we",
];

impl Letters {
    /// A text with every word in it replaced that is a label; a part of a longer word is none.
    pub(super) fn in_label(&self, text: &str) -> String {
        self.replaced(text, |word| self.of(word))
    }

    /// A sentence of the plan's author with the labels in it replaced, in whatever case they are written.
    ///
    /// A label must not come through, so a word that is a label too is taken for the label: a wrong letter in a sentence
    /// is the lesser evil. Only the words of [`may_be_a_word`] stay, which every sentence has, unless the sentence is
    /// nothing else: who calls a clinician `a` and writes of `a` in the hypothesis can be read.
    pub(super) fn in_prose(&self, text: &str) -> String {
        match self.of(text.trim()) {
            Some(letter) => letter.to_owned(),
            None => self.replaced(text, |word| {
                self.said(word).filter(|_| !may_be_a_word(word))
            }),
        }
    }

    /// The text of a plan file under letters: its strings and its comments.
    ///
    /// Keys, numbers and dates hold no label and stay, whatever the labels are. A string that is a label becomes its
    /// letter; a reason to leave clinicians or clinics out loses every label; other strings as [`Self::in_prose`]. A
    /// comment in which a label cannot be told from a plain word is left out whole.
    pub(super) fn in_plan_file(&self, text: &str, plan: &Plan) -> String {
        let mut out = String::with_capacity(text.len());
        let mut rest = text;
        while let Some(start) = rest.find(['"', '\'', '#']) {
            let (bare, from) = rest.split_at(start);
            let (part, after) = from.split_at(part_length(from));
            out.push_str(bare);
            out.push_str(&self.in_part(part, plan));
            rest = after;
        }
        out.push_str(rest);
        out
    }

    /// A comment or a string of a plan file, with its marks.
    fn in_part(&self, part: &str, plan: &Plan) -> String {
        if part.starts_with('#') {
            let is_open = |word: &str| self.said(word).is_some() && may_be_a_word(word);
            return if words(part).flatten().any(is_open) {
                LEFT_OUT.to_owned()
            } else {
                self.in_prose(part)
            };
        }
        let inner = QUOTES.iter().find_map(|(mark, _)| {
            let inner = part.strip_prefix(mark)?.strip_suffix(mark)?;
            Some((mark, inner))
        });
        let Some((mark, inner)) = inner else {
            return self.in_label(part);
        };
        let is_reason = plan
            .exclusions
            .iter()
            .any(|one| names_people(&one.column) && one.reason == inner);
        let inner = if is_reason {
            self.in_label(inner)
        } else {
            self.in_prose(inner)
        };
        format!("{mark}{inner}{mark}")
    }

    /// The first letter in a text.
    pub(super) fn first_in(&self, text: &str) -> Option<&str> {
        words(text).flatten().find_map(|word| self.of(word))
    }

    /// The letter of a label in whatever case.
    fn said(&self, word: &str) -> Option<&str> {
        self.of(word).or_else(|| {
            let mut known = self.of.iter();
            known
                .find(|(id, _)| id.eq_ignore_ascii_case(word))
                .map(|(_, letter)| letter.as_str())
        })
    }

    fn replaced<'a>(&'a self, text: &str, with: impl Fn(&str) -> Option<&'a str>) -> String {
        words(text)
            .map(|piece| match piece {
                Ok(word) => with(word).unwrap_or(word),
                Err(between) => between,
            })
            .collect()
    }
}

/// Whether a word of a sentence is more likely a plain word, or a number of one or two figures, than a label.
fn may_be_a_word(word: &str) -> bool {
    SHORT_WORDS.contains(&word.to_ascii_lowercase().as_str())
        || (word.len() <= 2 && word.bytes().all(|byte| byte.is_ascii_digit()))
}

/// The words of a text by the characters that ids are made of (`Ok`), and what is between them (`Err`), in order.
fn words(text: &str) -> impl Iterator<Item = Result<&str, &str>> {
    let in_id = |c: char| c.is_ascii_alphanumeric() || c == '_' || c == '-';
    let mut rest = text;
    std::iter::from_fn(move || {
        let is_word = rest.chars().next().map(in_id)?;
        let end = rest
            .find(|c: char| in_id(c) != is_word)
            .unwrap_or(rest.len());
        let (piece, after) = rest.split_at(end);
        rest = after;
        Some(if is_word { Ok(piece) } else { Err(piece) })
    })
}

/// The length of the comment or string that a text begins with, marks and all.
fn part_length(text: &str) -> usize {
    if text.starts_with('#') {
        return text.find('\n').unwrap_or(text.len());
    }
    let Some((mark, escapes)) = QUOTES.iter().find(|(mark, _)| text.starts_with(mark)) else {
        return text.len();
    };
    let mut is_escaped = false;
    for (at, letter) in text.char_indices().skip(mark.len()) {
        if is_escaped {
            is_escaped = false;
        } else if *escapes && letter == '\\' {
            is_escaped = true;
        } else if let Some(after) = text.get(at..).and_then(|rest| rest.strip_prefix(mark)) {
            // A string in three marks may end in one or two more of them, which are its own.
            let own = after.chars().take_while(|one| *one == letter).count();
            return at + mark.len() + if mark.len() == 3 { own.min(2) } else { 0 };
        }
    }
    text.len()
}

#[cfg(test)]
mod tests {
    use fitcohort_pipeline::plan::Exclusion;

    use super::super::tests::letters;
    use super::*;

    #[test]
    fn labels_in_texts_are_replaced_where_they_stand_alone() {
        let letters = letters(&["anna-1", "anna", "b_2"]);
        assert_eq!(
            letters.in_label("anna, \"anna-1\": not b_2x or anna-11 (b_2)"),
            "B, \"A\": not b_2x or anna-11 (C)"
        );
        assert_eq!(letters.in_label("ä anna ö"), "ä B ö");
        assert_eq!(letters.in_label(""), "");
    }

    /// Ids that are words too, initials, and numbers of one or two figures.
    #[test]
    fn sentences_stay_sentences_and_labels_do_not_come_through() {
        let letters = letters(&["a", "jd", "12", "Anna", "north"]);
        for (text, expected) in [
            ("A closer match goes with a better answer", None),
            ("at least 12 fittings, the 8 dB limit", None),
            (
                "jd and ANNA were in training",
                Some("B and D were in training"),
            ),
            ("not JD (north)", Some("not B (E)")),
            ("a", Some("A")),
            (" 12 ", Some("C")),
            ("annas, a-north, jds", None),
        ] {
            assert_eq!(letters.in_prose(text), expected.unwrap_or(text));
        }
    }

    #[test]
    fn a_plan_file_loses_labels_in_strings_and_comments_and_nothing_else() {
        let letters = letters(&["a", "jd", "12", "seed", "anna"]);
        let reason = "a and 12 are new";
        let plan = Plan {
            exclusions: vec![Exclusion {
                column: "clinician_id".to_owned(),
                values: Vec::new(),
                below: None,
                above: None,
                reason: reason.to_owned(),
            }],
            ..Plan::default()
        };
        for (line, expected) in [
            ("# anna and jd were ill", "# E and B were ill"),
            ("seed = 12 # of jd", "seed = 12 # of B"),
            ("minimum_cell = 12 # a look", "minimum_cell = 12 <left out>"),
            (
                r#"a = "it's \"anna\" # of jd" # anna"#,
                r#"a = "it's \"E\" # of B" # E"#,
            ),
            (
                r#"values = ["a", 'jd', '12', """jd"""]"#,
                r#"values = ["A", 'B', 'C', """B"""]"#,
            ),
            (
                "hypothesis = '''a closer\nmatch, not anna'''' # jd",
                "hypothesis = '''a closer\nmatch, not E'''' # B",
            ),
            ("reason = 'a and 12 are new'", "reason = 'A and C are new'"),
            (
                "reason = 'a look at 12 of them'",
                "reason = 'a look at 12 of them'",
            ),
            ("path = 'c:\\' # anna", "path = 'c:\\' # E"),
        ] {
            // Every line alone, and after another.
            let expected = expected.replace("<left out>", LEFT_OUT);
            assert_eq!(letters.in_plan_file(line, &plan), expected);
            let (two, both) = (format!("# jd\n{line}\n"), format!("# B\n{expected}\n"));
            assert_eq!(letters.in_plan_file(&two, &plan), both);
        }
        for open in ["x = \"anna", "'anna", "#anna", "'''anna''", "\"anna\\", ""] {
            let found = letters.in_plan_file(open, &plan);
            assert!(!found.contains("anna"), "{found}");
        }
    }
}
