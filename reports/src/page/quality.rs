//! Data quality: every row read is stored, set aside or an exact repeat.

use fitcohort_queries::review::Review;
use fitcohort_queries::table::Table;
use maud::{Markup, html};

use super::number::number;
use super::tables::grid;
use crate::drawing::text::clean;

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

fn balance(table: &Table, row: usize) -> Markup {
    let of = |name: &str| number("quality", table, row, name);
    let repeats = match table.integer_at("exact_repeats", row) {
        Some(1) => "exact repeat",
        _ => "exact repeats",
    };
    html! {
        (clean(table.text_at("table_name", row).unwrap_or("table"))) ": "
        (of("rows_read")) " read = " (of("rows_stored")) " stored + " (of("rows_set_aside")) " set aside + "
        (of("exact_repeats")) " " (repeats)
    }
}
