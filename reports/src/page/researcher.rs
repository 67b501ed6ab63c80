//! The researcher's page, in the order of a paper: summary, methods, results with the primary analysis before all others,
//! limits, where the items of the reporting guidelines are answered, and every file.

mod closing;
mod methods;
mod participants;
mod results;
mod summary;

use fitcohort_queries::review::Review;
use maud::{Markup, html};

use super::{cautions, headline, quality, tables};
use crate::drawing::sheet::Figure;
use crate::words;

/// Style of this page alone.
pub(super) const STYLE: &str = include_str!("researcher.css");

/// The sections that the list of contents names.
pub(super) const CONTENTS: [(&str, &str); 14] = [
    ("summary", "Summary"),
    ("methods", "Methods"),
    ("flow", "Flow of records"),
    ("table-one", "Who is in the study"),
    ("primary", "Primary analysis"),
    ("secondary", "Secondary analyses"),
    ("sensitivity", "Sensitivity"),
    ("missing", "Missing values"),
    ("numbers", "Numbers"),
    ("quality", "Data quality"),
    ("limits", "What cannot be concluded"),
    ("cautions", "How far this goes"),
    ("checklist", "Reporting guidelines"),
    ("downloads", "Downloads"),
];

/// Everything between the list of contents and the foot.
pub(super) fn sections(review: &Review, figures: &[Figure]) -> Markup {
    html! {
        (summary::section(review))
        (methods::section(review))
        (participants::flow(review, figures))
        (participants::table_one(review))
        (results::primary(review, figures))
        (results::secondary(review, figures))
        (results::sensitivity(review, figures))
        (participants::missing(review, figures))
        (headline::section(review))
        (quality::section(review))
        (closing::limits())
        (cautions::section(review))
        (closing::checklist(review))
        (closing::downloads(review, figures))
    }
}

/// One figure by its key, with a heading of the third level.
fn figure(figures: &[Figure], key: &str) -> Markup {
    html! {
        @if figures.iter().any(|figure| figure.key == key) {
            h3 { (words::of_figure(key)) }
        }
        (drawing(figures, key))
    }
}

/// The figure alone.
fn drawing(figures: &[Figure], key: &str) -> Markup {
    html! {
        @if let Some(figure) = figures.iter().find(|figure| figure.key == key) {
            (super::figure_box(figure))
        }
    }
}

/// "Fittings from 2024-Q4 to 2026-Q3"; none where there is no fitting.
fn span(review: &Review) -> Option<String> {
    let context = &review.context;
    match (&context.first_quarter, &context.last_quarter) {
        (Some(first), Some(last)) if first == last => Some(format!("Fittings of {first}")),
        (Some(first), Some(last)) => Some(format!("Fittings from {first} to {last}")),
        _ => None,
    }
}

/// Some tables of the review by their keys, each to be opened.
fn some_tables(review: &Review, keys: &[&str]) -> Markup {
    html! {
        @for key in keys {
            @if let Some(table) = review.tables.get(*key) {
                (tables::one(key, table))
            }
        }
    }
}
