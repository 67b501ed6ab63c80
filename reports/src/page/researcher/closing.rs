//! What cannot be concluded, where the items of the reporting guidelines are answered, and every file of the report.

use fitcohort_queries::review::Review;
use maud::{Markup, html};

use crate::drawing::sheet::Figure;
use crate::drawing::text::clean;
use crate::words;
use crate::write::file_name;

/// What the design does not allow to say.
pub(super) fn limits() -> Markup {
    html! {
        section aria-labelledby="limits" {
            h2 #limits { "What cannot be concluded" }
            p {
                "Fittings were not assigned to a match at random. People with losses that are hard to fit may be less satisfied whatever the match, those who answer differ from those who do not, and a target is itself a convention. An association here, or its absence, is therefore no statement on what a closer match would do. Covariates and weights take account of what was recorded, and of nothing else. A wide interval means that this cohort cannot tell, not that there is nothing to find."
            }
            p {
                "The records were made for care, not for this question. A deviation is measured with an error of its own, which as a rule draws associations towards none; who is verified at all, and whose answer is asked for, is decided in daily work; habits of recording change over time and differ between practices."
            }
        }
    }
}

/// The items of STROBE and RECORD, each with the section that answers it.
pub(super) fn checklist(review: &Review) -> Markup {
    let table = review.table("checklist");
    let text = |row: usize, name: &str| clean(table.text_at(name, row).unwrap_or_default());
    let caption = words::of_table("checklist");
    html! {
        section aria-labelledby="checklist" {
            h2 #checklist { "Reporting guidelines" }
            @if table.rows() == 0 {
                p { "The list of items is not part of this report." }
            } @else {
                p {
                    "Items of STROBE (von Elm et al. 2007) and of RECORD for routinely collected data (Benchimol et al. 2015), subjects in our words. A program knows the records and the plan; what only the authors know is marked so."
                }
                div.wide tabindex="0" role="region" aria-label=(caption) {
                    table {
                        caption { (caption) }
                        thead {
                            tr {
                                th scope="col" { "Item" }
                                th scope="col" { "Subject" }
                                th scope="col" { "Status" }
                                th scope="col" { "Where" }
                                th scope="col" { "To be added, or why not" }
                            }
                        }
                        tbody {
                            @for row in 0..table.rows() {
                                tr {
                                    th scope="row" { (text(row, "guideline")) "\u{a0}" (text(row, "item")) }
                                    td { (text(row, "topic")) }
                                    td .author[text(row, "status") == "for the author to add"] { (text(row, "status")) }
                                    td {
                                        @if let Some(section) = table.text_at("section", row) {
                                            a href=(format!("#{section}")) { (section_name(section)) }
                                        }
                                    }
                                    td { (text(row, "to_add")) }
                                }
                            }
                        }
                    }
                }
                p.soft { a href=(format!("tables/{}.csv", file_name("checklist"))) { "All as CSV" } }
            }
        }
    }
}

/// The name of a place on the page.
fn section_name(id: &str) -> String {
    let known = super::CONTENTS
        .iter()
        .find(|(known, _)| *known == id)
        .map(|(_, name)| *name);
    let other = match id {
        "objective" => "Objective and hypothesis",
        "design" => "Design and setting",
        "participants" => "Participants",
        "variables" => "Variables",
        "grouping" => "Grouping of numbers",
        "statistics" => "Statistics",
        "bias" => "Bias and missing values",
        "flow-of-records" => "Figure of the flow",
        "dose-response" => "Satisfaction by deviation",
        "provenance" => "Provenance",
        other => other,
    };
    clean(known.unwrap_or(other))
}

/// Every file of the report.
pub(super) fn downloads(review: &Review, figures: &[Figure]) -> Markup {
    html! {
        section aria-labelledby="downloads" {
            h2 #downloads { "Downloads" }
            p { "Everything on this page, unrounded, from the folder that it lies in." }
            h3 { "Tables (CSV)" }
            ul.files {
                @for key in review.tables.keys() {
                    li { a href=(format!("tables/{}.csv", file_name(key))) { (clean(words::of_table(key))) } }
                }
            }
            h3 { "Figures (SVG)" }
            ul.files {
                @for figure in figures {
                    li { a href=(format!("figures/{}.svg", figure.key)) { (words::of_figure(figure.key)) } }
                }
            }
            h3 #provenance { "Numbers and provenance (JSON)" }
            ul {
                li { a href="results.json" { "results.json" } ": every number by a stable key, with its n and interval" }
                li { a href="provenance.json" { "provenance.json" } ": version, plan, seed, snapshot and hashes of the deliveries. The plan names every rule by which exposure, outcome and covariates are made; the seed and the snapshot give the same numbers again." }
            }
        }
    }
}
