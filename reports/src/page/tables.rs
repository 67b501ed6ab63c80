//! The tables of the review, with captions and headings.

use fitcohort_queries::review::Review;
use fitcohort_queries::table::{Table, Values};
use maud::{Markup, html};

use super::number::{number, of_context, rows};
use crate::drawing::text::clean;
use crate::words;
use crate::write::file_name;

/// Rows shown on the page, as the sentence under a table says; the rest is in the CSV file.
const ROWS: usize = 40;
/// The same where a long table is shown a measure at a time, so that most practices see each of their clinicians.
const ROWS_OF_A_MEASURE: usize = 100;
/// Up to so many rows a table is open from the start.
const OPEN: usize = 12;
/// A text of more characters is a sentence rather than a name.
const SENTENCE: usize = 32;
/// Shown in a section of their own, or only drawn.
const ELSEWHERE: [&str; 10] = [
    "quality",
    "tolerance",
    "funnel",
    "rms_histogram",
    "drivers",
    "driver_totals",
    "driver_frequencies",
    "recheck",
    "distribution",
    "rests_on",
];
/// Open from the start whatever its length: it says where to look.
const ALWAYS_OPEN: &str = "clinics";

/// Every table of the review that has rows.
pub(super) fn section(review: &Review) -> Markup {
    let shown: Vec<(&String, &Table)> = review
        .tables
        .iter()
        .filter(|(key, _)| !ELSEWHERE.contains(&key.as_str()))
        .collect();
    html! {
        section aria-labelledby="tables" {
            h2 #tables { "Tables" }
            p {
                "Whole and unrounded in the folder " code { "tables" }
                ". A dash: not estimable. Cells on fewer than " (of_context(review, "minimum_cell"))
                " people are withheld."
            }
            @for (key, table) in shown {
                (one(key, table))
            }
        }
    }
}

/// One table to be opened, with the way to its file.
pub(super) fn one(key: &str, table: &Table) -> Markup {
    html! {
        @if table.rows() == 0 {
            p { (words::of_table(key)) ": no rows." }
        } @else {
            details open[table.rows() <= OPEN || key == ALWAYS_OPEN] {
                summary {
                    (words::of_table(key)) " (" (rows(key, table)) ")"
                }
                @let told = by_measure(key, &without_how(table));
                @let parts = parts(&told);
                @if parts.is_empty() {
                    (grid(key, &told))
                } @else {
                    @for (place, (measure, part)) in parts.iter().enumerate() {
                        @let name = format!("{}: {measure}", words::of_table(key));
                        details open[key == ALWAYS_OPEN && place == 0] {
                            summary { (clean(&name)) }
                            (grid_of(key, &name, part, ROWS_OF_A_MEASURE, "measure"))
                        }
                    }
                }
                (how(table))
                p.soft {
                    @if parts.is_empty() && table.rows() > ROWS {
                        "Of the " (rows(key, table)) " the first 40 are shown. "
                    } @else if parts.iter().any(|(_, part)| part.rows() > ROWS_OF_A_MEASURE) {
                        "Of each measure the first 100 are shown. "
                    }
                    a href=(format!("tables/{}.csv", file_name(key))) { "All as CSV" }
                }
            }
        }
    }
}

/// Clinics with the share within criterion first, so that the rows shown hold every clinic's; the
/// CSV file keeps the order of the table.
fn by_measure(key: &str, table: &Table) -> Table {
    if key != ALWAYS_OPEN {
        return table.clone();
    }
    let mut rows: Vec<usize> = (0..table.rows()).collect();
    rows.sort_by_key(|row| {
        let measure = table.text_at("measure", *row);
        crate::figures::MEASURES
            .iter()
            .position(|known| Some(*known) == measure)
            .unwrap_or(usize::MAX)
    });
    table.reordered(&rows)
}

/// A table of several measures that is too long to be shown at once, a part a measure, so that each is whole: all
/// clinicians, or all quarters. None where the table fits.
fn parts(table: &Table) -> Vec<(String, Table)> {
    if table.rows() <= ROWS {
        return Vec::new();
    }
    let mut codes: Vec<&str> = Vec::new();
    for row in 0..table.rows() {
        match table.text_at("measure", row) {
            Some(code) if !codes.contains(&code) => codes.push(code),
            Some(_) => {}
            None => return Vec::new(),
        }
    }
    codes
        .iter()
        .map(|code| {
            let part = table.where_text("measure", code);
            (words::of_value(code).to_owned(), part)
        })
        .collect()
}

/// Whether a column says how its numbers were made, which is listed under the table rather than in every row.
fn says_how(name: &str) -> bool {
    name == "how" || name.ends_with("_how")
}

fn without_how(table: &Table) -> Table {
    let names: Vec<&str> = table
        .columns
        .iter()
        .map(|column| column.name.as_str())
        .filter(|name| says_how(name))
        .collect();
    table.clone().without(&names)
}

/// How the numbers were made, each way once, with the measures it holds for.
fn how(table: &Table) -> Markup {
    let mut ways: Vec<(String, Vec<String>)> = Vec::new();
    for column in table.columns.iter().filter(|column| says_how(&column.name)) {
        for row in 0..table.rows() {
            let Some(way) = table.text_at(&column.name, row) else {
                continue;
            };
            let of = ["measure", "treatment", "method"]
                .iter()
                .find_map(|name| table.text_at(name, row))
                .map(|code| words::of_value(code).to_owned());
            let place = ways.iter().position(|(known, _)| known == way);
            let place = place.unwrap_or_else(|| {
                ways.push((way.to_owned(), Vec::new()));
                ways.len() - 1
            });
            if let (Some((_, measures)), Some(of)) = (ways.get_mut(place), of)
                && !measures.contains(&of)
            {
                measures.push(of);
            }
        }
    }
    html! {
        @if !ways.is_empty() {
            ul.soft {
                @for (way, measures) in &ways {
                    li {
                        @if !measures.is_empty() { (clean(&measures.join(", "))) ": " }
                        (clean(&words::in_full(way))) "."
                    }
                }
            }
        }
    }
}

/// One table in a container of its own, so that a narrow screen scrolls only the table.
pub(super) fn grid(key: &str, table: &Table) -> Markup {
    named_grid(key, words::of_table(key), table)
}

/// The same under a name of its own, for one of several tables that are cut from one: no two parts of a page are called
/// the same. A sentence stands for a table of which every row is withheld.
pub(super) fn named_grid(key: &str, name: &str, table: &Table) -> Markup {
    grid_of(key, name, table, ROWS, "")
}

/// The first rows of a table, without the column that the name of the table says already.
fn grid_of(key: &str, name: &str, table: &Table, most: usize, said: &str) -> Markup {
    if table.rows() > 0 && (0..table.rows()).all(|row| is_wholly_withheld(table, row)) {
        return html! {
            p { (clean(name)) ": every row rests on too few people to show, or would give one that does away." }
        };
    }
    let table = &told(table);
    let long = sentences(table);
    let columns = || table.columns.iter().filter(|column| column.name != said);
    html! {
        div.wide tabindex="0" role="region" aria-label=(format!("Table: {name}")) {
            table {
                caption { (name) }
                thead {
                    tr {
                        @for column in columns() {
                            th scope="col" .number[is_number(&column.values)] {
                                (words::of_column(&column.name))
                            }
                        }
                    }
                }
                tbody {
                    @for row in 0..table.rows().min(most) {
                        tr {
                            @for (place, column) in columns().enumerate() {
                                // The first column names the row, where it is a name at all.
                                @if place == 0 && matches!(column.values, Values::Text(_)) {
                                    th scope="row" .words[long.contains(&column.name.as_str())] {
                                        (number(key, table, row, &column.name))
                                    }
                                } @else {
                                    td.number[is_number(&column.values)].words[long.contains(&column.name.as_str())] {
                                        (number(key, table, row, &column.name))
                                    }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

pub(super) fn is_withheld(table: &Table, row: usize) -> bool {
    table.flag_at("withheld", row) == Some(true)
}

/// Whether not even a number of records is left of a row.
fn is_wholly_withheld(table: &Table, row: usize) -> bool {
    let counts = |name: &str| name == "n" || name.starts_with("n_");
    is_withheld(table, row)
        && table
            .columns
            .iter()
            .all(|column| !counts(&column.name) || table.integer_at(&column.name, row).is_none())
}

/// The table without the column that says what is withheld, where nothing is.
fn told(table: &Table) -> Table {
    if (0..table.rows()).any(|row| is_withheld(table, row)) {
        table.clone()
    } else {
        table.clone().without(&["withheld"])
    }
}

/// The columns that hold sentences: they get room, where numbers beside them would squeeze them to a word a line.
fn sentences(table: &Table) -> Vec<&str> {
    let columns = table.columns.iter();
    let long = columns.filter(|column| {
        (0..table.rows().min(ROWS)).any(|row| {
            table
                .text_at(&column.name, row)
                .is_some_and(|text| text.chars().count() > SENTENCE)
        })
    });
    long.map(|column| column.name.as_str()).collect()
}

fn is_number(values: &Values) -> bool {
    matches!(values, Values::Integer(_) | Values::Real(_))
}
