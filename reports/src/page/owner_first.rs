//! The owner's first page: five measures, each with its value, a run chart and a sentence whether it moved beyond chance.
//! It is one screen, and one sheet of paper.

use fitcohort_queries::review::Review;
use fitcohort_queries::table::Table;
use maud::{Markup, PreEscaped, html};

use super::number::{n, number, range};
use crate::drawing::sheet::Figure;
use crate::drawing::text::clean;
use crate::drawing::theme;
use crate::figures::{FIRST_PAGE, Signal};

/// The section; `heading` is the page's title.
pub(super) fn section(review: &Review, figures: &[Figure], heading: &Markup) -> Markup {
    html! {
        section #first-page aria-labelledby="numbers" {
            (heading)
            h2 #numbers { (super::headline::heading(review)) }
            @if review.table("headline").rows() == 0 {
                p { "There is no number to show: the cohort holds too few fittings." }
            } @else {
                div.measures {
                    @for (measure, key, name) in FIRST_PAGE {
                        (row(review, figures, measure, key, name))
                    }
                }
            }
            p.small {
                "Each " (period(review)) " against the four before it, pooled. Intervals are 95 % and take fittings as \
                 independent, though those of one clinic are alike. Limits come from this cohort's own "
                (period(review)) "s: inside them is no proof of good quality, beyond them is a reason to look. Answers of \
                 the latest " (period(review)) " may still come in."
            }
        }
    }
}

/// What the page calls a span of time.
fn period(review: &Review) -> &'static str {
    if review.context.year_only {
        "year"
    } else {
        "quarter"
    }
}

/// The row of a measure in a table; the rows past its end have no value.
fn row_of(table: &Table, measure: &str) -> usize {
    (0..table.rows())
        .find(|row| table.text_at("measure", *row) == Some(measure))
        .unwrap_or(usize::MAX)
}

fn row(review: &Review, figures: &[Figure], measure: &str, key: &str, name: &str) -> Markup {
    let table = review.table("headline");
    let row = row_of(table, measure);
    let figure = figures.iter().find(|figure| figure.key == key);
    html! {
        div.measure.outside[Signal::at(table, row) != Signal::None] {
            div {
                h3 { (name) }
                @if row == usize::MAX {
                    p { "Not known in this " (period(review)) "." }
                } @else {
                    strong { (number("headline", table, row, "value")) }
                    p {
                        (n("headline", table, row, "n"))
                        @if let Some(interval) = range("headline", table, row, ["lo", "hi"]) {
                            "; 95\u{202f}% interval " (interval)
                        }
                    }
                    p.soft { (clean(table.text_at("label", row).unwrap_or(measure))) }
                }
            }
            div.run {
                @if let Some(figure) = figure {
                    (PreEscaped(theme::with_variables(&figure.svg)))
                }
            }
            p { (moved(review, table, row, measure)) }
        }
    }
}

/// Whether the measure moved beyond chance, then by how much.
fn moved(review: &Review, headline: &Table, row: usize, measure: &str) -> Markup {
    let moves = review.table("moves");
    let at = row_of(moves, measure);
    let value = |column: &str| number("moves", moves, at, column);
    let period = period(review);
    html! {
        strong { (verdict(moves, headline, at, row, period)) } " "
        @if let Some(change) = range("moves", moves, at, ["change_lo", "change_hi"]) {
            (value("change")) " against the " (period) "s before (" (value("before")) ", "
            (n("moves", moves, at, "n_before")) "; 95\u{202f}% interval " (change) ")"
            @if let Some(limits) = range("headline", headline, row, ["lower", "upper"]) {
                "; limits " (limits)
            }
            "."
        }
        (outside_before(review, measure))
        @if let Some(side @ ("above" | "below")) = moves.text_at("run", at) {
            " The last " (value("n_run")) " " (period) "s all lie " (side)
            " the centre of the chart, which chance seldom does: a level that lasted is inside the limits."
        }
    }
}

/// Whether the limits of a share span all that it can be.
fn wide_open(headline: &Table, row: usize) -> bool {
    let is = |column: &str, end: f64| {
        headline
            .real_at(column, row)
            .is_some_and(|x| (x - end).abs() < 1e-9)
    };
    is("lower", 0.0) && is("upper", 1.0)
}

/// The quarters of the run chart before the one under review that lay outside, by name: a step that has lasted would else
/// pass for calm, since it is in the quarters compared with.
fn outside_before(review: &Review, measure: &str) -> Markup {
    let Some(now) = review.context.quarter.as_deref() else {
        return html! {};
    };
    let trends = review.table("trends").where_text("measure", measure);
    let mut before: Vec<(&str, Signal)> = (0..trends.rows())
        .filter_map(|row| Some((trends.text_at("quarter", row)?, Signal::at(&trends, row))))
        .filter(|(quarter, _)| *quarter < now)
        .collect();
    before.sort_unstable_by_key(|(quarter, _)| *quarter);
    html! {
        @for (quarter, signal) in before.iter().rev().take(4).rev().filter(|(_, signal)| *signal != Signal::None) {
            " " (clean(quarter)) " lay " (signal.words()) "."
        }
    }
}

fn verdict(moves: &Table, headline: &Table, at: usize, row: usize, period: &str) -> Markup {
    match moves.text_at("verdict", at) {
        Some("outside") => html! {
            "Moved beyond chance: " (Signal::at(headline, row).words()) "."
        },
        // Limits from nought to all can call nothing out, so being inside them says nothing.
        Some("none" | "sampling") if wide_open(headline, row) => html! {
            "Cannot be said: too few for limits that could tell."
        },
        Some("sampling") => html! {
            "More than sampling alone gives, within the usual swing from " (period) " to " (period) "."
        },
        Some("none") => html! { "Inside its limits, and no move shown." },
        Some(_) => match moves.integer_at("quarters_before", at) {
            Some(0) => {
                html! { "Nothing to compare with: no " (period) " of the four before has a value." }
            }
            Some(1..=3) => html! {
                "Too early to say: a value is there for only " (number("moves", moves, at, "quarters_before"))
                " of the four " (period) "s before."
            },
            _ => {
                html! { "Cannot be said: control limits are not estimable, or there is no value." }
            }
        },
        None if moves.flag_at("withheld", at) == Some(true) => html! {
            "Not compared: this " (period) " or one of those before rests on too few people to show."
        },
        None => html! { "Not compared." },
    }
}
