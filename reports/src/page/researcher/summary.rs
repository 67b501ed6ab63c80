//! The study in one paragraph of numbers.

use fitcohort_queries::review::Review;
use fitcohort_queries::table::Table;
use maud::{Markup, html};

use super::super::number::number;
use super::results::primary_sentence;
use super::span;
use crate::drawing::text::clean;
use crate::words;

/// What was asked, of whom, and what came out.
pub(super) fn section(review: &Review) -> Markup {
    let context = &review.context;
    let flow = review.table("flow");
    let step = |name: &str| (0..flow.rows()).find(|row| flow.text_at("step", *row) == Some(name));
    let exposure = words::of_value(&context.exposure);
    html! {
        section aria-labelledby="summary" {
            h2 #summary { "Summary" }
            p {
                "An observational study of routinely kept records of hearing-aid fittings, looking back over a cohort: does a closer match of the real-ear response to its target go with higher satisfaction? "
                @if let Some(span) = span(review) { (span) ". " }
                @if let (Some(stored), Some(eligible), Some(analysed)) = (step("stored"), step("eligible"), step("analysed")) {
                    "Of " (number("flow", flow, stored, "n")) " stored fittings, " (number("flow", flow, eligible, "n"))
                    " have a known exposure (" (exposure) "), and " (number("flow", flow, analysed, "n"))
                    " of the study also an answer (" (clean(&context.outcome)) "). "
                }
            }
            p.result {
                strong { "Primary analysis. " } (primary_sentence(review))
            }
            p {
                (satisfied(review))
                (adjusted(review))
                "The study observes and assigns nothing: what goes together here need not be cause and effect. What else was looked at stands below and is to be read beside the primary analysis, not in its place."
            }
        }
    }
}

/// The share satisfied of those who answered, and the bounds for all.
fn satisfied(review: &Review) -> Markup {
    let table = review.table("satisfied");
    let row = |name: &str| {
        (0..table.rows()).find(|row| {
            table.text_at("treatment", *row) == Some(name)
                && table.real_at("estimate", *row).is_some()
        })
    };
    html! {
        @if let Some(row) = row("answered") {
            "Of those who answered, " (number("satisfied", table, row, "estimate")) " were satisfied (n\u{a0}=\u{a0}"
            (number("satisfied", table, row, "n")) "; 95\u{202f}% interval " (number("satisfied", table, row, "lo")) " to "
            (number("satisfied", table, row, "hi")) ")"
            @if let Some(bounds) = bounds(table) { (bounds) }
            ". "
        }
    }
}

fn bounds(table: &Table) -> Option<Markup> {
    let row = (0..table.rows()).find(|row| {
        table.text_at("treatment", *row) == Some("bounds") && table.real_at("lo", *row).is_some()
    })?;
    Some(html! {
        "; whatever the others would have said, between " (number("satisfied", table, row, "lo")) " and "
        (number("satisfied", table, row, "hi")) " of all (n\u{a0}=\u{a0}" (number("satisfied", table, row, "n")) ")"
    })
}

/// The adjusted model, unless it is the primary analysis.
fn adjusted(review: &Review) -> Markup {
    let table = review.table("model");
    let row = (0..table.rows()).find(|row| {
        table.text_at("model", *row) == Some("adjusted")
            && table.text_at("term", *row) == Some(review.context.exposure.as_str())
            && table.real_at("odds_ratio_lo", *row).is_some()
    });
    let per = match review.context.exposure.as_str() {
        "share_within" => "more of the points within",
        _ => "dB more",
    };
    html! {
        @if let Some(row) = row {
            "In the ordinal model the odds ratio of a higher answer with " (number("model", table, row, "per")) " " (per)
            " is " (number("model", table, row, "odds_ratio")) " (95\u{202f}% interval "
            (number("model", table, row, "odds_ratio_lo")) " to " (number("model", table, row, "odds_ratio_hi"))
            "; n\u{a0}=\u{a0}" (number("model", table, row, "n")) "). "
        }
    }
}
