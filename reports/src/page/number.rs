//! A number of a table in running text, tied to its place in `results.json`, so that a reader can look up what was
//! rounded and a test can compare the two.

use fitcohort_queries::table::{Table, Values};
use maud::{Markup, html};

use crate::cells;
use crate::drawing::text::clean;
use crate::results;

/// The number of a row and column of a table of the review (or of rows picked from it), as the page writes it: with its
/// unit, rounded, or what stands in its place where it is withheld or not estimable.
pub(super) fn number(key: &str, table: &Table, row: usize, column: &str) -> Markup {
    let (text, _) = cells::cell(key, table, column, row);
    html! {
        @match exact(table, row, column) {
            Some(value) => {
                data value=(value) data-of=(results::row_name(key, table, row)) data-column=(column) { (text) }
            },
            None => (clean(&text)),
        }
    }
}

/// The number unrounded, as `results.json` has it; none where it is withheld or not estimable.
pub(super) fn exact(table: &Table, row: usize, column: &str) -> Option<String> {
    match &table.column(column)?.values {
        Values::Integer(_) => table.integer_at(column, row).map(|value| value.to_string()),
        // The text of a JSON number: the shortest that reads back as the same.
        Values::Real(_) => table
            .real_at(column, row)
            .map(|value| serde_json::json!(value).to_string()),
        Values::Text(_) | Values::Flag(_) => None,
    }
}
