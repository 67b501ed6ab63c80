//! The few numbers to read first, each with a sentence.

use fitcohort_queries::review::Review;
use fitcohort_queries::table::Table;
use maud::{Markup, html};

use crate::cells::{self, Unit};
use crate::drawing::text::clean;
use crate::figures::Signal;
use crate::format;

/// The section.
pub(super) fn section(review: &Review) -> Markup {
    let table = review.table("headline");
    html! {
        section aria-labelledby="numbers" {
            h2 #numbers { (heading(review)) }
            @if table.rows() == 0 {
                p { "There is no number to show: the cohort holds too few fittings." }
            } @else {
                ul.numbers {
                    @for row in 0..table.rows() {
                        li.outside[Signal::at(table, row) != Signal::None] {
                            strong { (value(table, row)) }
                            (sentence(table, row))
                        }
                    }
                }
            }
            (second(review))
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

fn unit(table: &Table, row: usize) -> Unit {
    Unit::named(table.text_at("unit", row).unwrap_or(""))
}

/// The number itself, or what stands in its place.
fn value(table: &Table, row: usize) -> String {
    let n = table.integer_at("n", row);
    match table.real_at("value", row) {
        Some(value) => cells::write(value, unit(table, row), n),
        None if table.flag_at("withheld", row) == Some(true) => "withheld".to_owned(),
        None => "–".to_owned(),
    }
}

/// What it is, its n, its interval, and whether it lies beyond its limits.
fn sentence(table: &Table, row: usize) -> String {
    let n = table.integer_at("n", row);
    let unit = unit(table, row);
    let write = |name: &str| {
        table
            .real_at(name, row)
            .map(|value| cells::write(value, unit, n))
    };
    let label = table
        .text_at("label", row)
        .or_else(|| table.text_at("measure", row))
        .unwrap_or("number");
    let mut out = clean(label);
    let mut details: Vec<String> = n.map(format::n).into_iter().collect();
    if let (Some(lo), Some(hi)) = (write("lo"), write("hi")) {
        details.push(format!("95\u{202f}% interval {lo} to {hi}"));
    }
    if !details.is_empty() {
        out.push_str(&format!(" ({})", details.join("; ")));
    }
    if let (Some(lower), Some(upper)) = (write("lower"), write("upper")) {
        let centre = write("centre").map_or_else(String::new, |value| format!("centre {value}, "));
        out.push_str(&format!(
            ": {} ({centre}{lower} to {upper})",
            Signal::at(table, row).words()
        ));
    }
    if table.real_at("value", row).is_none() {
        out.push_str(": withheld or not estimable");
    }
    out.push('.');
    out
}

/// The share under the second criterion, beside the first.
pub(super) fn second(review: &Review) -> Markup {
    let context = &review.context;
    let share = |measure: &str| -> Option<String> {
        let trends = review.table("trends").where_text("measure", measure);
        let headline = review.table("headline").where_text("measure", measure);
        let by_quarter = (0..trends.rows())
            .find(|row| trends.text_at("quarter", *row) == context.quarter.as_deref())
            .and_then(|row| Some((trends.real_at("value", row)?, trends.integer_at("n", row))));
        let (value, n) = by_quarter
            .or_else(|| Some((headline.real_at("value", 0)?, headline.integer_at("n", 0))))?;
        let n_words = n.map_or_else(String::new, |n| format!(" ({})", format::n(n)));
        Some(format!("{}{n_words}", format::share(value, n)))
    };
    html! {
        p {
            "Criterion in use: " (clean(&context.criterion)) ", " (clean(&context.criterion_text))
            " (" (clean(&context.criterion_source)) "). "
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
