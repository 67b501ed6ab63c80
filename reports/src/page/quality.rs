//! Data quality: every row read is stored, set aside or an exact repeat.

use fitcohort_queries::review::Review;
use fitcohort_queries::table::Table;
use maud::{Markup, html};

use super::tables::grid;
use crate::format;

/// The balance of rows, and the criteria.
pub(super) fn section(review: &Review) -> Markup {
    let table = review.table("quality");
    let totals = table.filtered(|table, row| table.text_at("rule", row).is_none());
    html! {
        section aria-labelledby="quality" {
            h2 #quality { "Data quality" }
            @if table.rows() == 0 {
                p { "No delivery is recorded, so there is no balance of rows." }
            } @else {
                p { "Each row read is stored, set aside with its reason, or the exact repeat of another; no row goes missing:" }
                ul {
                    @for row in 0..totals.rows() {
                        li { (balance(&totals, row)) }
                    }
                }
                (grid("quality", table))
                p.soft { a href="tables/quality.csv" { "All as CSV" } }
            }
            @if review.table("tolerance").rows() > 0 {
                h3 { "Criteria" }
                (grid("tolerance", review.table("tolerance")))
            }
        }
    }
}

fn balance(table: &Table, row: usize) -> String {
    let of = |name: &str| {
        table
            .integer_at(name, row)
            .map_or_else(|| "unknown".to_owned(), format::count)
    };
    let repeats = match table.integer_at("exact_repeats", row) {
        Some(1) => "exact repeat",
        _ => "exact repeats",
    };
    format!(
        "{}: {} read = {} stored + {} set aside + {} {repeats}",
        table.text_at("table_name", row).unwrap_or("table"),
        of("rows_read"),
        of("rows_stored"),
        of("rows_set_aside"),
        of("exact_repeats")
    )
}
