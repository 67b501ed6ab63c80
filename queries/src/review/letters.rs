//! Letters in the place of clinicians' labels: A, B, … Z, AA, …, in an order that tells nothing. The only place that
//! puts them in, so that pages, figures and files obey alike.

use std::collections::BTreeMap;

use fitcohort_pipeline::plan::Plan;
use fitcohort_pipeline::store::Cohort;

use super::Review;
use crate::statistics::random::{below, stream};
use crate::table::{Table, Values};

/// Columns whose whole cell is a label. A practice of one may bear the label of its one clinician.
const LABELS: [&str; 4] = ["clinician_id", "clinician", "clinic_id", "clinic"];
/// Columns that hold a label in some rows: the column that says what the row is about, and where it says so.
const LABELS_OF: [(&str, &str); 3] = [
    ("group", "grouping"),
    ("level", "variable"),
    ("term", "term"),
];

/// The letter of each clinician of a snapshot.
pub(super) struct Letters {
    of: BTreeMap<String, String>,
}

impl Letters {
    /// Deals the letters to all clinicians of a snapshot.
    ///
    /// The order is a shuffle after Fisher and Yates, keyed by the seed and by the hashes of the snapshot's files. The
    /// seed alone, which every page prints, would let anyone who has the labels deal again; the hashes of the files
    /// are only with the cohort. Sizes and labels do not come into it.
    pub(super) fn deal(cohort: &Cohort, seed: u64, mut clinicians: Vec<String>) -> Self {
        clinicians.sort_unstable();
        clinicians.dedup();
        let hashes: String = cohort
            .manifest
            .parts
            .iter()
            .map(|part| part.hash.as_str())
            .collect();
        let mut random = stream(seed, &format!("letters {hashes}"), 0);
        for last in (1..clinicians.len()).rev() {
            let bound = u32::try_from(last + 1).unwrap_or(u32::MAX);
            clinicians.swap(below(&mut random, bound) as usize, last);
        }
        let of = clinicians
            .into_iter()
            .enumerate()
            .map(|(place, id)| (id, letter(place)))
            .collect();
        Self { of }
    }

    /// The letter of a clinician.
    pub(super) fn of(&self, id: &str) -> Option<&str> {
        self.of.get(id).map(String::as_str)
    }

    /// The clinicians in the order of their letters.
    pub(super) fn in_order(&self) -> Vec<String> {
        let mut out: Vec<&String> = self.of.keys().collect();
        out.sort_by_key(|id| self.of(id).map(rank));
        out.into_iter().cloned().collect()
    }

    /// Puts the letters into everything that a review says.
    pub(super) fn put_into(&self, review: &mut Review, plan: &Plan) {
        for table in review.tables.values_mut() {
            *table = self.put_into_table(table);
        }
        let context = &mut review.context;
        context.letters = true;
        for text in context
            .exclusions
            .iter_mut()
            .chain([&mut context.hypothesis])
        {
            *text = self.in_text(text);
        }
        let mut lettered = plan.clone();
        for exclusion in &mut lettered.exclusions {
            exclusion.reason = self.in_text(&exclusion.reason);
            if exclusion.column == "clinician_id" {
                for value in &mut exclusion.values {
                    if let Some(letter) = self.of(value) {
                        *value = letter.to_owned();
                    }
                }
            }
        }
        lettered.primary.hypothesis = context.hypothesis.clone();
        context.plan_text = lettered.to_toml();
        if let Some(text) = &mut context.plan_file {
            *text = self.in_text(text);
        }
    }

    fn put_into_table(&self, table: &Table) -> Table {
        let mut out = table.clone();
        for column in &mut out.columns {
            let Values::Text(values) = &mut column.values else {
                continue;
            };
            let name = column.name.as_str();
            let about = LABELS_OF
                .iter()
                .find(|(known, _)| *known == name)
                .map(|(_, about)| *about);
            for (row, value) in values.iter_mut().enumerate() {
                let Some(value) = value else { continue };
                if LABELS.contains(&name) {
                    if let Some(letter) = self.of(value) {
                        *value = letter.to_owned();
                    }
                } else if let Some(about) = about
                    && table.text_at(about, row).is_some_and(names_people)
                {
                    *value = self.in_text(value);
                }
            }
        }
        by_letter(&out)
    }

    /// A text with every label in it replaced that stands alone, not as a part of a longer word.
    fn in_text(&self, text: &str) -> String {
        let in_label = |c: char| c.is_ascii_alphanumeric() || c == '_' || c == '-';
        let mut out = String::with_capacity(text.len());
        let mut rest = text;
        while let Some(start) = rest.find(in_label) {
            let (before, from) = rest.split_at(start);
            let end = from.find(|c: char| !in_label(c)).unwrap_or(from.len());
            let (word, after) = from.split_at(end);
            out.push_str(before);
            out.push_str(self.of(word).unwrap_or(word));
            rest = after;
        }
        out.push_str(rest);
        out
    }
}

/// Whether a row is about clinicians or clinics: elsewhere a word that is a label too is only a word.
fn names_people(about: &str) -> bool {
    ["clinician_id", "clinic_id"]
        .iter()
        .any(|column| about.starts_with(column))
}

/// The letter in a place: A to Z, then AA to AZ, BA and on.
fn letter(place: usize) -> String {
    let mut out = Vec::new();
    let mut left = place + 1;
    while left > 0 {
        left -= 1;
        out.push(char::from(b'A' + (left % 26) as u8));
        left /= 26;
    }
    out.iter().rev().collect()
}

/// Where letters stand among each other: Z before AA.
fn rank(letter: &str) -> (usize, &str) {
    (letter.len(), letter)
}

/// The rows in the order of the letters where they stood in that of the labels, which would give the labels' order away:
/// within each run of equal cells in the columns before the letters.
fn by_letter(table: &Table) -> Table {
    // The fittings to look at again stand by reason and size, which no label has a part in.
    if table.name == "recheck" {
        return table.clone();
    }
    let Some(place) = table
        .columns
        .iter()
        .position(|column| column.name == "clinician_id")
    else {
        return table.clone();
    };
    // Rows alike in the columns before keep the place of the first of them.
    let mut seen: BTreeMap<Vec<String>, usize> = BTreeMap::new();
    let mut group_of = Vec::with_capacity(table.rows());
    for row in 0..table.rows() {
        let before: Vec<String> = table
            .columns
            .iter()
            .take(place)
            .map(|column| {
                let name = column.name.as_str();
                match table.text_at(name, row) {
                    Some(text) => text.to_owned(),
                    None => format!(
                        "{:?} {:?}",
                        table.real_at(name, row),
                        table.flag_at(name, row)
                    ),
                }
            })
            .collect();
        let next = seen.len();
        group_of.push(*seen.entry(before).or_insert(next));
    }
    let mut rows: Vec<usize> = (0..table.rows()).collect();
    rows.sort_by_key(|row| {
        let letter = table.text_at("clinician_id", *row).map(rank);
        (group_of.get(*row).copied(), letter.is_none(), letter)
    });
    table.reordered(&rows)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn letters(ids: &[&str]) -> Letters {
        let of = ids
            .iter()
            .enumerate()
            .map(|(place, id)| ((*id).to_owned(), letter(place)))
            .collect();
        Letters { of }
    }

    #[test]
    fn letters_go_on_after_z() {
        let some: Vec<String> = [0, 1, 25, 26, 27, 51, 52, 701, 702].map(letter).into();
        assert_eq!(some, ["A", "B", "Z", "AA", "AB", "AZ", "BA", "ZZ", "AAA"]);
        let mut all: Vec<String> = (0..2000).map(letter).collect();
        assert!(all.windows(2).all(|pair| rank(&pair[0]) < rank(&pair[1])));
        all.dedup();
        assert_eq!(all.len(), 2000);
    }

    #[test]
    fn labels_in_texts_are_replaced_where_they_stand_alone() {
        let letters = letters(&["anna-1", "anna", "b_2"]);
        assert_eq!(
            letters.in_text("anna, \"anna-1\": not b_2x or anna-11 (b_2)"),
            "B, \"A\": not b_2x or anna-11 (C)"
        );
        assert_eq!(letters.in_text("ä anna ö"), "ä B ö");
        assert_eq!(letters.in_text(""), "");
    }

    #[test]
    fn rows_lose_the_order_of_the_labels() {
        let text = |cells: &[&str]| {
            cells
                .iter()
                .map(|c| Some((*c).to_owned()))
                .collect::<Vec<_>>()
        };
        // C, A, B by label; the two rows of one clinician stay as they were.
        let letters = letters(&["y", "z", "x"]);
        let table = Table::new("t")
            .text("clinician_id", text(&["x", "x", "y", "z"]))
            .text("measure", text(&["one", "two", "one", "one"]));
        let found = letters.put_into_table(&table);
        let column = |name| {
            (0..4)
                .map(|row| found.text_at(name, row).unwrap())
                .collect::<Vec<_>>()
        };
        assert_eq!(column("clinician_id"), ["A", "B", "C", "C"]);
        assert_eq!(column("measure"), ["one", "one", "one", "two"]);
        // Rows of single records keep the order of what stands before.
        let table = Table::new("t")
            .text("fitting_id", text(&["f2", "f1"]))
            .text("clinician_id", text(&["x", "y"]));
        let found = letters.put_into_table(&table);
        assert_eq!(found.text_at("fitting_id", 0), Some("f2"));
        assert_eq!(found.text_at("clinician_id", 0), Some("C"));
    }
}
