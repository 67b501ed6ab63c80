//! The few numbers to read first, each with a sentence.

use fitcohort_queries::review::Review;
use fitcohort_queries::table::Table;
use maud::{Markup, html};

use super::number::{n, number, range};
use crate::drawing::text::clean;
use crate::figures::Signal;
use crate::words;

/// The section.
pub(super) fn section(review: &Review) -> Markup {
    let table = review.table("headline");
    html! {
        section aria-labelledby="numbers" {
            h2 #numbers { (heading(review)) }
            @if table.rows() == 0 {
                p { "There is no number to show: the cohort holds too few fittings." }
            } @else {
                (list(table, 0..table.rows(), true))
            }
            (second(review))
        }
    }
}

/// Some rows of the headline, each number with its sentence; `centre`: with the centre line of its limits.
pub(super) fn list(table: &Table, rows: impl IntoIterator<Item = usize>, centre: bool) -> Markup {
    html! {
        ul.numbers {
            @for row in rows {
                li.outside[Signal::at(table, row) != Signal::None] {
                    strong { (number("headline", table, row, "value")) }
                    (sentence(table, row, centre))
                }
            }
        }
    }
}

/// The heading names the quarter, since the page speaks of others too.
pub(super) fn heading(review: &Review) -> String {
    match &review.context.quarter {
        Some(quarter) => format!("Numbers of {quarter}"),
        None => "Numbers".to_owned(),
    }
}

/// What it is, its n, its interval, and whether it lies beyond its limits.
fn sentence(table: &Table, row: usize, centre: bool) -> Markup {
    let key = "headline";
    let label = table
        .text_at("label", row)
        .or_else(|| table.text_at("measure", row))
        .unwrap_or("number");
    let interval = range(key, table, row, ["lo", "hi"]);
    html! {
        (clean(label))
        " (" (n(key, table, row, "n"))
        @if let Some(interval) = interval { "; 95\u{202f}% interval " (interval) }
        ")"
        @if let Some(limits) = range(key, table, row, ["lower", "upper"]) {
            ": " (Signal::at(table, row).words()) " ("
            @if centre && table.real_at("centre", row).is_some() { "centre " (number(key, table, row, "centre")) ", " }
            (limits) ")"
        }
        @if table.real_at("value", row).is_none() { ": withheld or not estimable" }
        "."
    }
}

/// The share under the second criterion, beside the first.
pub(super) fn second(review: &Review) -> Markup {
    let context = &review.context;
    // The number of the quarter; where no trends are there, that of the headline.
    let share = |measure: &str| -> Option<Markup> {
        let shown = |key: &str, table: &Table| {
            table.real_at("value", 0)?;
            Some(html! { (number(key, table, 0, "value")) " (" (n(key, table, 0, "n")) ")" })
        };
        let quarter = context.quarter.as_deref().unwrap_or_default();
        let trends = review.table("trends").where_text("measure", measure);
        shown("trends", &trends.where_text("quarter", quarter)).or_else(|| {
            shown(
                "headline",
                &review.table("headline").where_text("measure", measure),
            )
        })
    };
    html! {
        p {
            "Criterion in use: " (clean(&context.criterion)) ", " (clean(context.criterion_text.trim_end_matches('.')))
            ". Source: " (clean(&words::in_full(context.criterion_source.trim_end_matches('.')))) ". "
            @if let Some(share) = share("within_criterion") {
                "Within it: " (share) " of the fittings judged by it. "
            }
            @if !context.second_criterion.is_empty() {
                "Second criterion, for comparison: " (clean(&context.second_criterion)) ", "
                (clean(&context.second_criterion_text)) ". "
                @if let Some(share) = share("within_second") {
                    "Within it: " (share) " of the fittings judged by it. "
                } @else {
                    "The share within it is not part of this report or is withheld. "
                }
            }
            "There is no single standard, so a share means little without its criterion."
        }
    }
}
