//! Numbers in running text, each tied to its place in `results.json`, so that a reader can look up what was rounded and
//! a test can compare the two. Every number of a table or of the plan that a page writes comes from here.

use fitcohort_queries::review::Review;
use fitcohort_queries::table::{Table, Values};
use maud::{Markup, html};

use crate::drawing::text::clean;
use crate::{cells, format, results};

/// The number of a row and column of a table of the review (or of rows picked from it), as the page writes it: with its
/// unit, rounded, or what stands in its place where it is withheld or not estimable.
pub(super) fn number(key: &str, table: &Table, row: usize, column: &str) -> Markup {
    let (text, _) = cells::cell(key, table, column, row);
    match exact(table, row, column) {
        Some(value) => data(&value, &results::row_name(key, table, row), column, &text),
        None => html! { (clean(&text)) },
    }
}

/// "n = 612", from a column of counts; "n withheld" where it is.
pub(super) fn n(key: &str, table: &Table, row: usize, column: &str) -> Markup {
    match exact(table, row, column) {
        Some(_) => html! { "n\u{a0}=\u{a0}" (number(key, table, row, column)) },
        None => html! { "n " (number(key, table, row, column)) },
    }
}

/// "95 % interval 55.1 % to 67.2 %" from the columns of both ends; "no interval" where an end is missing.
pub(super) fn interval(key: &str, table: &Table, row: usize, [lo, hi]: [&str; 2]) -> Markup {
    match range(key, table, row, [lo, hi]) {
        Some(range) => html! { "95\u{202f}% interval " (range) },
        None => html! { "no interval" },
    }
}

/// "55.1 % to 67.2 %"; none where an end is missing.
pub(super) fn range(key: &str, table: &Table, row: usize, [lo, hi]: [&str; 2]) -> Option<Markup> {
    exact(table, row, lo).and(exact(table, row, hi))?;
    Some(html! { (number(key, table, row, lo)) " to " (number(key, table, row, hi)) })
}

/// "61.3 % (95 % interval 55.1 % to 67.2 %; n = 612)": an estimate, its interval and what it rests on.
pub(super) fn estimate(
    key: &str,
    table: &Table,
    row: usize,
    [value, lo, hi]: [&str; 3],
    count: &str,
) -> Markup {
    html! {
        (number(key, table, row, value))
        " (" (interval(key, table, row, [lo, hi])) "; " (n(key, table, row, count)) ")"
    }
}

/// A number of the plan or the run: `minimum_cell`, `permutations`, `resamples`, `seed`.
pub(super) fn of_context(review: &Review, name: &str) -> Markup {
    let found = results::context(&review.context)
        .into_iter()
        .find(|(known, _)| *known == name);
    match found {
        // A seed is a name rather than an amount: its digits stand together.
        Some((_, value)) if name == "seed" => data(
            &value.to_string(),
            results::CONTEXT,
            name,
            &value.to_string(),
        ),
        Some((_, value)) => data(
            &value.to_string(),
            results::CONTEXT,
            name,
            &format::count(i64::try_from(value).unwrap_or(i64::MAX)),
        ),
        None => html! { "unknown" },
    }
}

/// How many rows the table of that key has in the review: "1 row", "128 rows".
pub(super) fn rows(key: &str, table: &Table) -> Markup {
    html! {
        (row_count(key, table)) @if table.rows() == 1 { " row" } @else { " rows" }
    }
}

/// The same as a number alone.
pub(super) fn row_count(key: &str, table: &Table) -> Markup {
    let text = format::count(i64::try_from(table.rows()).unwrap_or(i64::MAX));
    let value = table.rows().to_string();
    data(&value, &results::size_name(key), "rows", &text)
}

fn data(value: &str, of: &str, column: &str, text: &str) -> Markup {
    html! { data value=(value) data-of=(clean(of)) data-column=(column) { (text) } }
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
