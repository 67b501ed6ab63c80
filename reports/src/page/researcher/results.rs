//! The primary analysis, what is looked at beside it, and the primary estimate made otherwise.

use fitcohort_queries::review::Review;
use fitcohort_queries::table::Table;
use maud::{Markup, html};

use super::super::number::number;
use super::{figure, some_tables};
use crate::drawing::sheet::Figure;
use crate::drawing::text::clean;
use crate::{format, words};

/// The primary analysis, before all others and marked so.
pub(super) fn primary(review: &Review, figures: &[Figure]) -> Markup {
    let context = &review.context;
    let table = review.table("association");
    let is_estimated =
        words::primary_row(review).is_some_and(|row| table.real_at("estimate", row).is_some());
    html! {
        section aria-labelledby="primary" {
            h2 #primary { "Primary analysis" }
            div.primary {
                p { strong { "This is the one analysis that was fixed in the plan before any number was looked at." } }
                p.result { (primary_sentence(review)) }
                @if is_estimated { p { (direction(&context.exposure)) } }
                @if is_estimated && tests_within(review) {
                    p {
                        "The p-value tests only the association within clinicians: answers are shuffled among the fittings of the same clinician. Estimate and interval are over all fittings and hold differences between clinicians too. The two answer different questions, so they can disagree."
                    }
                }
            }
            (figure(figures, "association"))
            @if !context.covariates.is_empty() {
                p {
                    "Rows are of different fittings where their n differs: weighted and partial rows and the models leave out fittings for which a covariate is not known. A weighted estimate that differs from the plain one may do so for that reason too."
                }
            }
            (some_tables(review, &["association", "intervals"]))
        }
    }
}

/// Whether the p-value of the primary analysis is that of the association within clinicians.
fn tests_within(review: &Review) -> bool {
    let context = &review.context;
    let by_ranks = matches!(
        context.primary_method.as_str(),
        "spearman" | "kendall" | "partial"
    );
    by_ranks && !context.primary_weighted
}

/// The primary estimate with its interval, p-value, n and method, or why there is none.
pub(super) fn primary_sentence(review: &Review) -> Markup {
    let table = review.table("association");
    let key = "association";
    let Some(row) = words::primary_row(review) else {
        return html! { "It cannot be estimated." };
    };
    if table.real_at("estimate", row).is_none() {
        return html! { "It cannot be estimated" (reason(table, row)) "." };
    }
    let method = table.text_at("method", row).unwrap_or("estimate");
    let weighted = table.flag_at("weighted", row) == Some(true);
    html! {
        (format::capital(&words::of_method(method, weighted))) " of " (words::of_value(&review.context.exposure))
        " and " (clean(&review.context.outcome)) ": "
        strong { (number(key, table, row, "estimate")) }
        " ("
        @if table.real_at("lo", row).is_some() {
            "95\u{202f}% interval " (number(key, table, row, "lo")) " to " (number(key, table, row, "hi")) "; "
        } @else {
            "no interval; "
        }
        @if table.real_at("p", row).is_some() {
            (number(key, table, row, "p"))
            // Read in a summary, the p-value would else pass for one of the interval beside it.
            @if tests_within(review) { ", within clinicians" }
            "; "
        }
        "n\u{a0}=\u{a0}" (number(key, table, row, "n")) " fittings"
        @if let Some(how) = table.text_at("interval", row) { "; " (clean(how)) }
        ")."
    }
}

/// ": too few observations…", where the table says why.
fn reason(table: &Table, row: usize) -> String {
    table
        .text_at("interval", row)
        .and_then(|text| text.strip_prefix("not estimable: "))
        .map_or_else(String::new, |reason| format!(": {}", clean(reason)))
}

/// Which way an association points.
fn direction(exposure: &str) -> &'static str {
    match exposure {
        "share_within" => {
            "Above 0 means that more points within the limits go with a higher answer."
        }
        "signed" | "high_frequency" => {
            "The exposure has a sign: above 0 means that less shortfall from target, or more excess, goes with a higher answer."
        }
        _ => "Below 0 means that a greater deviation goes with a lower answer.",
    }
}

/// Everything beside the primary analysis.
pub(super) fn secondary(review: &Review, figures: &[Figure]) -> Markup {
    html! {
        section aria-labelledby="secondary" {
            h2 #secondary { "Secondary analyses" }
            p {
                "To be read beside the primary analysis. p-values of further measures of match are corrected for their number by Holm's method; no other p-value here is corrected, and none is a finding by itself."
            }
            div #dose-response { (figure(figures, "satisfaction-by-deviation")) }
            (figure(figures, "deviation-by-answer"))
            (some_tables(review, &["dose_response", "curve", "rms_by_answer", "outcomes"]))
            (figure(figures, "models-forest"))
            p {
                "The difference within clinicians compares fittings of the same clinician; that between clinicians compares their means, and is open to all else in which clinicians and their patients differ."
            }
            (some_tables(review, &["model", "proportionality", "association_secondary", "variance"]))
        }
    }
}

/// The primary estimate beside the same made otherwise.
pub(super) fn sensitivity(review: &Review, figures: &[Figure]) -> Markup {
    let table = review.table("sensitivity");
    html! {
        section aria-labelledby="sensitivity" {
            h2 #sensitivity { "Sensitivity" }
            @if table.rows() == 0 {
                p { "The primary estimate was made in no other way." }
            } @else {
                p {
                    "Each row changes one thing: the weights for answers that did not come back (which also leave out fittings for which a covariate is not known), the input level of the curves, the unit of analysis, or the measure of match, among them whether a fitting is within criterion "
                    (clean(&review.context.criterion)) " or " (clean(&review.context.second_criterion))
                    ". No p-value stands here: the rows share most of their fittings, and are there to show whether the answer hangs on a choice."
                }
            }
            (figure(figures, "sensitivity-forest"))
            (some_tables(review, &["sensitivity"]))
        }
    }
}
