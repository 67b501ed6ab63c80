//! Who is in the study: flow, table one, and what is not known of them.

use fitcohort_queries::review::Review;
use fitcohort_queries::table::Table;
use maud::{Markup, html};

use super::super::number::number;
use super::{drawing, figure, some_tables};
use crate::drawing::sheet::Figure;
use crate::drawing::text::clean;
use crate::write::file_name;
use crate::{format, words};

/// The flow of records.
pub(super) fn flow(review: &Review, figures: &[Figure]) -> Markup {
    html! {
        section aria-labelledby="flow" {
            h2 #flow { "Flow of records" }
            (drawing(figures, "flow-of-records"))
            (some_tables(review, &["flow"]))
        }
    }
}

/// The columns of a third: its n, its value and the spread of that.
const THIRDS: [(&str, &str); 3] = [
    ("low", "Low third"),
    ("middle", "Middle third"),
    ("high", "High third"),
];

/// Table one, with a column a third of the exposure.
pub(super) fn table_one(review: &Review) -> Markup {
    let table = review.table("table_one");
    let exposure = words::of_value(&review.context.exposure);
    let is_there = |row: usize| {
        THIRDS
            .iter()
            .any(|(third, _)| table.integer_at(&count(third), row).is_some())
    };
    html! {
        section aria-labelledby="table-one" {
            h2 #table-one { "Who is in the study" }
            @if table.rows() == 0 {
                p { "No fitting has a known exposure, so nobody can be described." }
            } @else if !is_there(0) {
                p { "The study has fewer than " (format::count(review.context.minimum_cell)) " fittings in a third of the exposure, so table one is withheld." }
            } @else {
                p {
                    "The fittings of the study by thirds of the " (exposure) ", whether or not an answer came back. Means with their standard deviation, shares of what is known. The standardised difference, between the outer thirds, is the difference over the root of the mean of the two variances (Austin 2009); over all levels of a characteristic it is a distance, without sign (Yang and Dalton 2012). It describes these fittings and tests nothing; by custom less than 0.1 is called small (Austin 2009)."
                }
                (grid(review, table))
                p.soft { a href=(format!("tables/{}.csv", file_name("table_one"))) { "All as CSV" } }
                (some_tables(review, &["thirds"]))
            }
        }
    }
}

fn count(third: &str) -> String {
    format!("n_{third}")
}

fn grid(review: &Review, table: &Table) -> Markup {
    let name = words::of_table("table_one");
    html! {
        div.wide tabindex="0" role="region" aria-label=(name) {
            table {
                caption { (name) }
                thead {
                    tr {
                        th scope="col" { "Characteristic" }
                        @for (place, (_, third)) in THIRDS.iter().enumerate() {
                            th.number scope="col" { (third) " " (limits(review.table("thirds"), place)) }
                        }
                        th.number scope="col" { "Standardised difference, high less low" }
                    }
                }
                tbody {
                    @for row in 0..table.rows() {
                        tr {
                            th.row scope="row" .level[table.text_at("level", row).is_some()] { (heading(table, row)) }
                            @for (third, _) in THIRDS {
                                td.number { (cell(table, row, third)) }
                            }
                            td.number { (number("table_one", table, row, "difference")) }
                        }
                    }
                }
            }
        }
    }
}

/// "up to 3.1 dB", "above 3.1 up to 4.8 dB".
fn limits(thirds: &Table, row: usize) -> Markup {
    let has = |name: &str| thirds.real_at(name, row).is_some();
    html! {
        span.soft {
            @if has("above") { "above " (number("thirds", thirds, row, "above")) " " }
            @if has("up_to") { "up to " (number("thirds", thirds, row, "up_to")) }
        }
    }
}

/// What a row is: a characteristic, one of its levels under it, or both where the characteristic has no row of its own.
fn heading(table: &Table, row: usize) -> String {
    let variable = table.text_at("variable", row).unwrap_or_default();
    let Some(level) = table.text_at("level", row) else {
        return name(variable);
    };
    let has_own = (0..row).any(|above| {
        table.text_at("variable", above) == Some(variable)
            && table.text_at("level", above).is_none()
    });
    let level = clean(words::of_value(level));
    if has_own {
        level
    } else {
        format!("{}: {level}", name(variable))
    }
}

/// A label keeps its name.
fn name(variable: &str) -> String {
    match words::of_variable(variable) {
        other if other == variable => clean(other),
        known => format::capital(known),
    }
}

/// "61.2 (9.8), n = 204" or "41 % (84)"; a dash where nothing is known, and what is withheld says so.
fn cell(table: &Table, row: usize, third: &str) -> Markup {
    let key = "table_one";
    let n = count(third);
    let spread = format!("{third}_sd");
    let has = |column: &str| table.real_at(column, row).is_some();
    html! {
        @if !has(&n) || !has(third) {
            (number(key, table, row, &n))
        } @else if table.text_at("unit", row) == Some("share") {
            (number(key, table, row, &n)) " (" (number(key, table, row, third)) ")"
        } @else {
            (number(key, table, row, third))
            @if has(&spread) { " (" (number(key, table, row, &spread)) ")" }
            ", n\u{a0}=\u{a0}" (number(key, table, row, &n))
        }
    }
}

/// Missing values, and the answers that did not come back.
pub(super) fn missing(review: &Review, figures: &[Figure]) -> Markup {
    html! {
        section aria-labelledby="missing" {
            h2 #missing { "Missing values" }
            p {
                "How much is not known, over all fittings of the study and apart for those who answered and those who did not. The first row is over all fittings that the plan does not leave out. Where the two differ, those who answered are a selection; the shares satisfied below show how far that could go."
            }
            (some_tables(review, &["missing"]))
            (figure(figures, "response-by-match"))
            (some_tables(review, &["response_by_match", "weights", "satisfied"]))
        }
    }
}
