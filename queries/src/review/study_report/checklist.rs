//! Where the study report answers the items of the reporting guidelines for observational studies (STROBE: von Elm et al.
//! 2007, PLoS Med 4:e296 (from memory), 22 items; RECORD: Benchimol et al. 2015, PLoS Med 12:e1001885, 13 items on routinely collected
//! data). Numbers and subjects of the items are theirs, the words are ours.

use crate::builder::{Builder, Kind};
use crate::table::Table;

/// How far an item is answered by a program that knows the records and the plan, and nothing else.
#[derive(Clone, Copy)]
enum Status {
    Answered,
    InPart,
    /// Only those who made the study know.
    Author,
    /// There is nothing of the kind in a study of this design.
    NotApplicable,
}

impl Status {
    fn words(self) -> &'static str {
        match self {
            Self::Answered => "answered",
            Self::InPart => "in part",
            Self::Author => "for the author to add",
            Self::NotApplicable => "does not apply",
        }
    }
}

use Status::{Answered, Author, InPart, NotApplicable};

/// Item, subject, status, section of the page that has it (none for the author's own), what is left to add.
type Item = (
    &'static str,
    &'static str,
    Status,
    &'static str,
    &'static str,
);

const STROBE: [Item; 34] = [
    (
        "1a",
        "Design named in the title or summary",
        Answered,
        "summary",
        "",
    ),
    (
        "1b",
        "Summary of what was done and found",
        Answered,
        "summary",
        "",
    ),
    (
        "2",
        "Why the question is asked",
        Author,
        "",
        "background and earlier evidence",
    ),
    ("3", "Aim and hypothesis", Answered, "objective", ""),
    ("4", "Design", Answered, "design", ""),
    (
        "5",
        "Places and dates",
        InPart,
        "design",
        "region, kind of practices, how answers were asked for",
    ),
    (
        "6a",
        "Who could be in the study, and how chosen",
        InPart,
        "participants",
        "whom the practices see and refer",
    ),
    (
        "6b",
        "Matching of groups",
        NotApplicable,
        "",
        "no groups were matched",
    ),
    (
        "7",
        "Definitions of exposure, outcome and covariates",
        Answered,
        "variables",
        "",
    ),
    (
        "8",
        "How each was measured",
        InPart,
        "variables",
        "equipment, its calibration, the measuring protocol",
    ),
    (
        "9",
        "What was done about bias",
        InPart,
        "bias",
        "biases known from how the records came about",
    ),
    (
        "10",
        "How the size of the study came about",
        InPart,
        "participants",
        "whether a size was aimed at",
    ),
    ("11", "How numbers were grouped", Answered, "grouping", ""),
    (
        "12a",
        "Statistical methods and adjustment",
        Answered,
        "statistics",
        "",
    ),
    (
        "12b",
        "Subgroups and interactions",
        Answered,
        "statistics",
        "",
    ),
    (
        "12c",
        "How missing values were treated",
        Answered,
        "bias",
        "",
    ),
    (
        "12d",
        "How loss to follow-up or sampling was treated",
        Answered,
        "bias",
        "",
    ),
    (
        "12e",
        "Sensitivity analyses planned",
        Answered,
        "statistics",
        "",
    ),
    ("13a", "Numbers at each stage", Answered, "flow", ""),
    (
        "13b",
        "Why some fell out at each stage",
        Answered,
        "flow",
        "",
    ),
    (
        "13c",
        "Drawing of the flow",
        Answered,
        "flow-of-records",
        "",
    ),
    ("14a", "Who was in the study", Answered, "table-one", ""),
    ("14b", "Missing values by variable", Answered, "missing", ""),
    (
        "14c",
        "Length of follow-up",
        Author,
        "",
        "when answers were given; the weeks after fitting are in the records where delivered",
    ),
    ("15", "Answers on the outcome", Answered, "secondary", ""),
    (
        "16a",
        "Estimates, plain and adjusted, with intervals",
        Answered,
        "primary",
        "",
    ),
    (
        "16b",
        "Limits of the groups of numbers",
        Answered,
        "table-one",
        "",
    ),
    (
        "16c",
        "Relative risks as absolute ones",
        InPart,
        "dose-response",
        "shares satisfied by deviation are shown; no risk is modelled",
    ),
    (
        "17",
        "Further and sensitivity analyses",
        Answered,
        "sensitivity",
        "",
    ),
    (
        "18",
        "Main results against the aim",
        Answered,
        "summary",
        "",
    ),
    ("19", "Limitations", Answered, "limits", ""),
    (
        "20",
        "Interpretation with caution",
        InPart,
        "limits",
        "the place among other studies",
    ),
    (
        "21",
        "To whom the results apply",
        Author,
        "",
        "how far these practices and wearers stand for others",
    ),
    (
        "22",
        "Money and its part in the study",
        Author,
        "",
        "funding and interests; approval by an ethics board belongs here too",
    ),
];

const RECORD: [Item; 13] = [
    (
        "1.1",
        "Kind of data named in the title or summary",
        Answered,
        "summary",
        "",
    ),
    (
        "1.2",
        "Region and time in the title or summary",
        InPart,
        "summary",
        "region",
    ),
    (
        "1.3",
        "Linkage named in the title or summary",
        NotApplicable,
        "",
        "no databases were linked by this program",
    ),
    (
        "6.1",
        "Codes and rules by which people were chosen",
        Answered,
        "participants",
        "",
    ),
    (
        "6.2",
        "Validation of those codes and rules",
        Author,
        "",
        "any check of the records against another source",
    ),
    (
        "6.3",
        "Drawing of the linkage",
        NotApplicable,
        "",
        "no databases were linked by this program",
    ),
    (
        "7.1",
        "All codes and rules that define the variables",
        Answered,
        "provenance",
        "",
    ),
    (
        "12.1",
        "What of the database could be seen",
        Author,
        "",
        "how the delivery was drawn from the practices' system",
    ),
    ("12.2", "How data were cleaned", Answered, "quality", ""),
    (
        "12.3",
        "How data were linked",
        NotApplicable,
        "",
        "by the pseudonyms of the delivery alone",
    ),
    (
        "13.1",
        "Selection by quality and availability of data",
        Answered,
        "flow",
        "",
    ),
    (
        "19.1",
        "What follows from data not made for the study",
        Answered,
        "limits",
        "",
    ),
    (
        "22.1",
        "Where plan, data and programs can be had",
        InPart,
        "downloads",
        "who may see the records",
    ),
];

/// The table, in the order of the guidelines. Without a primary estimate the items that rest on it are answered in part.
pub(crate) fn table(is_estimated: bool) -> Table {
    let mut out = Builder::new(
        "checklist",
        &[],
        &[
            ("guideline", Kind::Text),
            ("item", Kind::Text),
            ("topic", Kind::Text),
            ("status", Kind::Text),
            ("section", Kind::Text),
            ("to_add", Kind::Text),
        ],
    );
    let items = STROBE
        .into_iter()
        .map(|item| ("STROBE", item))
        .chain(RECORD.into_iter().map(|item| ("RECORD", item)));
    let text = |text: &str| (!text.is_empty()).then(|| text.to_owned());
    for (guideline, (item, topic, status, section, to_add)) in items {
        let rests_on_it = ["1b", "16a", "18"].contains(&item) && !is_estimated;
        let (status, to_add) = if rests_on_it {
            (InPart, "too few records for an estimate")
        } else {
            (status, to_add)
        };
        out.row(
            &[],
            vec![
                guideline.into(),
                item.into(),
                topic.into(),
                status.words().into(),
                text(section).into(),
                text(to_add).into(),
            ],
        );
    }
    out.build()
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;

    /// STROBE has 22 items, RECORD 13 (both from the statements named above).
    #[test]
    fn every_item_is_there_once_and_says_where_or_what_is_to_be_added() {
        let table = table(true);
        let all: Vec<(&str, &str)> = (0..table.rows())
            .map(|row| {
                let text = |name| table.text_at(name, row).unwrap();
                (text("guideline"), text("item"))
            })
            .collect();
        assert_eq!(all.iter().collect::<BTreeSet<_>>().len(), all.len());
        let numbers: BTreeSet<u32> = all
            .iter()
            .filter(|(guideline, _)| *guideline == "STROBE")
            .map(|(_, item)| item.trim_end_matches(char::is_alphabetic).parse().unwrap())
            .collect();
        assert!(numbers.into_iter().eq(1..=22));
        assert_eq!(
            all.iter()
                .filter(|(guideline, _)| *guideline == "RECORD")
                .count(),
            13
        );
        for row in 0..table.rows() {
            let text = |name| table.text_at(name, row);
            match text("status").unwrap() {
                "answered" => assert!(text("section").is_some() && text("to_add").is_none()),
                "in part" => assert!(text("section").is_some() && text("to_add").is_some()),
                _ => assert!(text("section").is_none() && text("to_add").is_some()),
            }
        }
    }

    #[test]
    fn without_an_estimate_no_result_is_claimed() {
        let table = table(false);
        let status = |item| {
            table
                .where_text("item", item)
                .text_at("status", 0)
                .unwrap()
                .to_owned()
        };
        assert_eq!(status("16a"), "in part");
        assert_eq!(status("13a"), "answered");
    }
}
