//! The page of one clinician: for a conversation, not for a verdict.

use fitcohort_queries::review::Review;
use fitcohort_queries::table::Table;
use maud::{Markup, html};

use super::number::number;
use crate::drawing::text::clean;
use crate::figures::Signal;
use crate::{format, words};

/// What the list says of each measure: code, and the words before the number.
const MEASURES: [(&str, &str); 8] = [
    (
        "within_criterion",
        "Fittings within the criterion, of those judged",
    ),
    ("verified", "Fittings verified by a final real-ear response"),
    ("two_ear", "Candidates fitted in both ears"),
    ("answered", "Fittings with an answer on satisfaction"),
    ("satisfied", "Satisfied, of those who answered"),
    ("rms", "Mean RMS deviation from target"),
    ("signed", "Mean deviation from target, with its sign"),
    (
        "spread",
        "Spread of the mean deviation between fittings (SD)",
    ),
];

/// Whether the page has nothing to show: no fitting, or fewer than the least that is shown.
pub(super) fn is_empty(review: &Review) -> bool {
    review.context.clinician.is_some()
        && review
            .table("rests_on")
            .integer_at("n_fittings", 0)
            .is_none_or(|n| n == 0)
}

/// The list of contents.
pub(super) fn contents(review: &Review) -> Vec<(&'static str, &'static str)> {
    let mut out = vec![("together", "To look at together")];
    if !is_empty(review) {
        out.extend([
            ("numbers", "Numbers"),
            ("figures", "Figures"),
            ("tables", "Tables"),
        ]);
    }
    out.extend([
        ("quality", "Data quality"),
        ("cautions", "How far this goes"),
    ]);
    out
}

/// What stands before the figures.
pub(super) fn opening(review: &Review) -> Markup {
    let least = format::count(review.context.minimum_cell);
    html! {
        section aria-labelledby="together" {
            h2 #together { "To look at together" }
            @if is_empty(review) {
                p { "Nothing is shown: fewer than " (least) " fittings of this clinician are stored, and numbers on so few people are withheld." }
            } @else {
                p { "This page is an invitation: for clinician and trainer to sit down beside each other, look at the same numbers, and ask what cases, couplings and habits may lie behind them. It is no assessment of a person." }
                p { (rests_on(review)) }
                p { "What it cannot say: why a number is what it is; whether the targets suited those who were fitted; whether the cases were harder than elsewhere, but for the covariates of the plan, which only the values drawn towards the practice take into account; and nothing about the treatment of any one person. There is no ranking on it, and the other clinicians stay unnamed." }
            }
        }
        @if !is_empty(review) {
            section aria-labelledby="numbers" {
                h2 #numbers { "Numbers" }
                ul {
                    @for (measure, label) in MEASURES {
                        li { (sentence(review, measure, label)) }
                    }
                    li { (fall(review)) }
                }
                p { (limits(review)) }
                p { "\"Drawn towards the practice\": the value once chance on so many fittings is allowed for, and once the covariates of the plan are where they can be. The fewer the fittings, the further it is drawn. Where its interval is wide, the number is a question and no answer." }
            }
        }
    }
}

fn rests_on(review: &Review) -> Markup {
    let table = review.table("rests_on");
    let text = |column| clean(table.text_at(column, 0).unwrap_or("–"));
    let (first, last) = (text("first_quarter"), text("last_quarter"));
    html! {
        "It rests on " (number("rests_on", table, 0, "n_fittings")) " fittings"
        @if first == last {
            " of " (first)
        } @else {
            " from " (first) " to " (last)
        }
        ". Each number below says how many of them it could be taken from."
    }
}

fn row_of(table: &Table, measure: &str) -> Option<usize> {
    (0..table.rows()).find(|row| table.text_at("measure", *row) == Some(measure))
}

/// Value, interval and n; the value drawn towards the practice; where the other clinicians lie.
fn sentence(review: &Review, measure: &str, label: &str) -> Markup {
    let table = review.table("clinician");
    let Some(row) = row_of(table, measure) else {
        return html! { (label) ": not part of this report." };
    };
    let known = |column: &str| table.real_at(column, row).is_some();
    let write = |column: &str| number("clinician", table, row, column);
    html! {
        (label) ": "
        @if known("value") {
            strong { (write("value")) }
            " ("
            @if known("lo") && known("hi") {
                "95\u{202f}% interval " (write("lo")) " to " (write("hi")) "; "
            }
            "n\u{a0}=\u{a0}" (write("n")) ")"
            @if known("shrunken") {
                "; drawn towards the practice " (write("shrunken"))
                @if known("shrunken_lo") && known("shrunken_hi") {
                    " (" (write("shrunken_lo")) " to " (write("shrunken_hi")) ")"
                }
            }
            @if Signal::at(table, row) != Signal::None {
                "; " (Signal::at(table, row).words()) " for a clinician with so many fittings, so worth a look together"
            }
            ". " (others(review, measure))
        } @else if table.integer_at("n", row) == Some(0) {
            "no fitting it could be taken from."
        } @else {
            "withheld or not estimable."
        }
    }
}

/// Where the other clinicians lie, for one measure.
fn others(review: &Review, measure: &str) -> Markup {
    let table = review.table("practice");
    let row = row_of(table, measure).filter(|row| table.real_at("q50", *row).is_some());
    html! {
        @if let Some(row) = row {
            "Of the " (number("practice", table, row, "n_others"))
            " other clinicians the middle half lie between " (number("practice", table, row, "q25"))
            " and " (number("practice", table, row, "q75")) "."
        } @else {
            "Too few other clinicians for a comparison without names."
        }
    }
}

/// From the first response to the final one.
fn fall(review: &Review) -> Markup {
    let table = review.table("clinician");
    let row = row_of(table, "rms_fall").filter(|row| table.real_at("value", *row).is_some());
    html! {
        "From the first response to the final one: "
        @if let Some(row) = row {
            "the RMS deviation fell by " strong { (number("clinician", table, row, "value")) }
            @if table.real_at("lo", row).is_some() {
                " (95\u{202f}% interval " (number("clinician", table, row, "lo")) " to "
                (number("clinician", table, row, "hi")) "; n\u{a0}=\u{a0}"
                (number("clinician", table, row, "n")) " fittings with both)"
            } @else {
                " (n\u{a0}=\u{a0}" (number("clinician", table, row, "n")) " fittings with both)"
            }
            "; below 0 it rose. " (others(review, "rms_fall"))
        } @else {
            "too few fittings with both."
        }
    }
}

/// Whether a measure lies beyond its limits, and what that means.
fn limits(review: &Review) -> Markup {
    let table = review.table("clinician");
    let outside: Vec<&str> = (0..table.rows())
        .filter(|row| Signal::at(table, *row) != Signal::None)
        .filter_map(|row| table.text_at("measure", row))
        .map(words::of_value)
        .collect();
    let has_limits = (0..table.rows()).any(|row| table.text_at("signal", row).is_some());
    html! {
        @if !has_limits {
            "There are no limits to hold these numbers against: that takes other clinicians with enough fittings."
        } @else if outside.is_empty() {
            "No measure lies beyond the 99.8\u{202f}% limits for a clinician with so many fittings. That is no proof that all is well."
        } @else {
            "Beyond the 99.8\u{202f}% limits for a clinician with so many fittings: " (outside.join(", "))
            ". That is more than chance as a rule gives, and says nothing about its cause; the limits take no account of who was fitted."
        }
    }
}
