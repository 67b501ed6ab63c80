//! The fittings to look at again, one line each.

use fitcohort_queries::review::Review;
use fitcohort_queries::table::Table;
use maud::{Markup, html};

use super::number::{number, row_count};
use crate::drawing::text::clean;
use crate::words;

/// Lines shown on the page, as the sentence under the table says; the rest is in the CSV file.
const LINES: usize = 20;

/// The section. How long the list is is said only where it is longer than what is shown and than the least cell: a short
/// one may be a cell too small to show.
pub(super) fn section(review: &Review) -> Markup {
    let table = review.table("recheck");
    // Under letters there is no such column: a fitting can be looked up.
    let is_named = table.column("clinician_id").is_some();
    html! {
        section aria-labelledby="recheck" {
            h2 #recheck { "Fittings to look at again" }
            @if table.rows() == 0 {
                p { "No fitting of this quarter is on the list." }
            } @else {
                p {
                    "By reason, the greatest first: a low answer with an RMS deviation of 5 dB or more (or of the criterion's limit); an ear whose every final point equals its target, which measurements hardly do; outside the criterion; fitted without any final response. A look at the record may explain it; nothing here is a finding about a person. It holds single records: keep it in the practice."
                }
                div.wide tabindex="0" role="region" aria-label=(words::of_table("recheck")) {
                    table {
                        caption { (words::of_table("recheck")) }
                        thead {
                            tr {
                                th scope="col" { "Fitting" }
                                th scope="col" { "Clinic" }
                                @if is_named { th scope="col" { "Clinician" } }
                                th scope="col" { "Why" }
                                th.number scope="col" { "By how much" }
                                th scope="col" { "Where" }
                            }
                        }
                        tbody {
                            @for row in 0..table.rows().min(LINES) {
                                (line(table, row))
                            }
                        }
                    }
                }
                p.soft {
                    @if table.rows() > LINES {
                        @if i64::try_from(table.rows()).is_ok_and(|rows| rows >= review.context.minimum_cell) {
                            "Of " (row_count("recheck", table)) " the first 20 are shown. "
                        } @else {
                            "The first 20 are shown. "
                        }
                    }
                    "All, with the same columns: " a href="tables/recheck.csv" { "tables/recheck.csv" } "."
                }
            }
        }
    }
}

fn line(table: &Table, row: usize) -> Markup {
    let text = |column: &str| clean(table.text_at(column, row).unwrap_or("–"));
    let reason = table.text_at("reason", row).unwrap_or_default();
    let unit = match reason {
        "dissatisfied" => " RMS",
        "outside_criterion" => " beyond the limit",
        "on_target" => " points",
        _ if table.real_at("size", row) == Some(1.0) => " ear fitted",
        _ => " ears fitted",
    };
    html! {
        tr {
            th scope="row" { (text("fitting_id")) }
            td { (text("clinic_id")) }
            @if table.column("clinician_id").is_some() { td { (text("clinician_id")) } }
            td { (words::of_value(reason)) }
            td.number { (number("recheck", table, row, "size")) (unit) }
            td { (place(table, row)) }
        }
    }
}

/// "3000 Hz, left, below target".
fn place(table: &Table, row: usize) -> Markup {
    let ear = table.text_at("ear", row).map(clean);
    let side = table.text_at("side", row).map(clean);
    html! {
        @if table.integer_at("frequency_hz", row).is_some() {
            (number("recheck", table, row, "frequency_hz")) " Hz, "
        }
        @if let Some(ear) = ear { (ear) " ear" } @else { "–" }
        @if let Some(side) = side { ", " (side) " target" }
    }
}
