//! Letters in the place of clinicians' labels: A, B, … Z, AA, …, in an order that tells nothing. The only place that
//! puts them in, so that pages, figures and files obey alike.

mod text;

use std::collections::BTreeMap;

use fitcohort_pipeline::plan::Plan;
use fitcohort_pipeline::store::Cohort;

use super::Review;
use super::gather::in_words;
use crate::statistics::random::{below, stream};
use crate::table::{Table, Values};

/// Columns whose whole cell is a label. A practice of one may bear the label of its one clinician.
const LABELS: [&str; 4] = ["clinician_id", "clinician", "clinic_id", "clinic"];
/// Those of them that are about a clinician whatever the cell.
const CLINICIANS: [&str; 2] = ["clinician_id", "clinician"];
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
        let mut lettered = plan.clone();
        for exclusion in &mut lettered.exclusions {
            exclusion.reason = if names_people(&exclusion.column) {
                self.in_label(&exclusion.reason)
            } else {
                self.in_prose(&exclusion.reason)
            };
            for value in &mut exclusion.values {
                if let Some(letter) = self.of(value) {
                    *value = letter.to_owned();
                }
            }
        }
        lettered.primary.hypothesis = self.in_prose(&plan.primary.hypothesis);
        context.hypothesis = lettered.primary.hypothesis.clone();
        context.exclusions = lettered.exclusions.iter().map(in_words).collect();
        context.plan_text = lettered.to_toml();
        if let Some(text) = &mut context.plan_file {
            *text = self.in_plan_file(text, plan);
        }
    }

    /// A table under letters. Where it lists single records, the id of a fitting beside a letter would undo the letter for
    /// whoever looks the fitting up, so there clinicians are left out, and clinics that bear the label of one.
    fn put_into_table(&self, table: &Table) -> Table {
        let lists_records = table.column("fitting_id").is_some();
        let mut out = table.clone();
        // The first column with letters, and the letter of each of its rows.
        let mut first: Option<(usize, Vec<Option<String>>)> = None;
        for (place, column) in out.columns.iter_mut().enumerate() {
            let name = column.name.as_str();
            let Values::Text(values) = &mut column.values else {
                continue;
            };
            let about = LABELS_OF
                .iter()
                .find(|(known, _)| *known == name)
                .map(|(_, about)| *about);
            let mut letters: Vec<Option<String>> = vec![None; values.len()];
            for (row, (slot, letter)) in values.iter_mut().zip(&mut letters).enumerate() {
                let Some(value) = slot else { continue };
                if LABELS.contains(&name) {
                    *letter = self.of(value).map(str::to_owned);
                    if let Some(letter) = letter {
                        value.clone_from(letter);
                    }
                } else if let Some(about) = about
                    && table.text_at(about, row).is_some_and(names_people)
                {
                    *letter = self.first_in(value).map(str::to_owned);
                    *value = self.in_label(value);
                }
                if lists_records && letter.is_some() {
                    *slot = None;
                }
            }
            if first.is_none() && letters.iter().any(Option::is_some) {
                first = Some((place, letters));
            }
        }
        match first {
            _ if lists_records => out.without(&CLINICIANS),
            Some((place, letters)) => by_letter(&out, place, &letters),
            None => out,
        }
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
/// among rows with equal cells in the columns before the letters. Rows without a letter keep their places.
fn by_letter(table: &Table, place: usize, letters: &[Option<String>]) -> Table {
    let mut groups: BTreeMap<Vec<String>, Vec<usize>> = BTreeMap::new();
    for row in 0..table.rows() {
        if letters.get(row).is_none_or(Option::is_none) {
            continue;
        }
        let before = table
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
        groups.entry(before).or_default().push(row);
    }
    let mut rows: Vec<usize> = (0..table.rows()).collect();
    for places in groups.into_values() {
        let mut sorted = places.clone();
        sorted.sort_by_key(|row| letters.get(*row).and_then(Option::as_deref).map(rank));
        for (place, row) in places.into_iter().zip(sorted) {
            if let Some(slot) = rows.get_mut(place) {
                *slot = row;
            }
        }
    }
    table.reordered(&rows)
}

#[cfg(test)]
mod tests {
    use super::*;

    pub(super) fn letters(ids: &[&str]) -> Letters {
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
    }

    fn column(table: &Table, name: &str) -> Vec<String> {
        (0..table.rows())
            .map(|row| table.text_at(name, row).unwrap_or("-").to_owned())
            .collect()
    }

    fn text(cells: &[&str]) -> Vec<Option<String>> {
        cells.iter().map(|cell| Some((*cell).to_owned())).collect()
    }

    /// Beside the id of a fitting nothing tells whose it is, a clinic of one included; the order is that of the records.
    #[test]
    fn single_records_stand_without_clinicians() {
        let letters = letters(&["y", "z", "x"]);
        for name in ["clinician_id", "clinician"] {
            let table = Table::new("recheck")
                .text("fitting_id", text(&["f2", "f1"]))
                .text("clinic_id", text(&["x", "north"]))
                .text(name, text(&["x", "y"]));
            let found = letters.put_into_table(&table);
            assert_eq!(column(&found, "fitting_id"), ["f2", "f1"]);
            assert_eq!(column(&found, "clinic_id"), ["-", "north"]);
            assert!(found.column(name).is_none());
        }
    }

    /// Clinics that bear the label of their one clinician: their rows stand by letter, the others where they stood.
    #[test]
    fn clinics_of_one_lose_the_order_of_the_labels() {
        let letters = letters(&["zoe", "max", "anna"]);
        let clinics = Table::new("clinics")
            .text("clinic_id", text(&["anna", "anna", "east", "max", "zoe"]))
            .text("measure", text(&["one", "two", "one", "one", "one"]));
        let found = letters.put_into_table(&clinics);
        assert_eq!(column(&found, "clinic_id"), ["A", "B", "east", "C", "C"]);
        let measures = ["one", "one", "one", "one", "two"];
        assert_eq!(column(&found, "measure"), measures);
        let (of, whole) = ("clinic_id", "coupling");
        let drivers = Table::new("drivers")
            .text("measure", text(&["one", "one", "one", "two", "two"]))
            .text("grouping", text(&[of, of, whole, of, of]))
            .text("group", text(&["anna", "zoe", "max", "anna", "zoe"]));
        let found = letters.put_into_table(&drivers);
        assert_eq!(column(&found, "group"), ["A", "C", "max", "A", "C"]);
        assert_eq!(column(&found, "measure"), column(&drivers, "measure"));
    }
}
