//! What drives the change of the owner's measures: groups that stand out, then the tables.

use std::cmp::Ordering;

use fitcohort_queries::review::Review;
use fitcohort_queries::table::Table;
use maud::{Markup, html};

use super::number::{n, number, range};
use super::tables::{grid, is_withheld, named_grid};
use crate::drawing::text::clean;
use crate::figures::{FIRST_PAGE, Signal};
use crate::words;

/// At most so many groups are named.
const NAMED: usize = 6;

/// The part of the section on where to look.
pub(super) fn part(review: &Review) -> Markup {
    let table = review.table("drivers");
    let totals = review.table("driver_totals");
    let named = standing_out(table);
    html! {
        h3 { "Where the change sits" }
        @if review.context.is_followed {
            p { "Of reports of several quarters made at once only the last takes its change apart: the sums of a group over four quarters, less those of the next four, would give single fittings away. A report of this quarter alone has the parts." }
        } @else if totals.rows() == 0 {
            p { "No change can be taken apart: it takes fittings in this quarter and in one of the four before it." }
        } @else {
            p {
                "Each change against the four quarters before, pooled, taken apart by clinic, by coupling and by grade of loss (Kitagawa 1955). Mix: more or fewer of the fittings are in groups that lie above or below the rest. Within: the share inside a group changed. The parts of all groups add up to the change, but for rounding. Mix has no interval: it is arithmetic on how the fittings counted fell to the groups, describes those fittings and tests nothing. This says where a change sits, not why it came."
            }
            @if named.is_empty() {
                @if (0..table.rows()).all(|row| is_withheld(table, row)) {
                    p { "Of no group can it be said whether it changed within itself: none is shown." }
                } @else if (0..table.rows()).any(|row| is_withheld(table, row)) {
                    p { "Of the groups that are shown none changed within itself beyond its 99.8 % limits. Others are withheld." }
                } @else {
                    p { "No single group stands out: none changed within itself beyond its 99.8 % limits." }
                }
            } @else {
                p { "Changed within themselves beyond their 99.8 % limits, so worth a look:" }
                ul {
                    @for row in named.iter().take(NAMED) {
                        li { (group(table, *row)) }
                    }
                }
                @if named.len() > NAMED {
                    p { "The others are marked in the table." }
                }
            }
            (grid("driver_totals", &totals.clone().without(&["how"])))
            (by_group(table))
            (frequencies(review))
        }
    }
}

/// Rows beyond their outer limits, the greatest part first.
fn standing_out(table: &Table) -> Vec<usize> {
    let size = |row: &usize| table.real_at("within", *row).map_or(0.0, f64::abs);
    let mut rows: Vec<usize> = (0..table.rows())
        .filter(|row| Signal::at(table, *row) != Signal::None)
        .collect();
    rows.sort_by(|one, other| {
        let order = size(other).partial_cmp(&size(one));
        order.unwrap_or(Ordering::Equal).then(one.cmp(other))
    });
    rows
}

/// "Within criterion, clinic north: 61 % to 42 % (n = 210, then 52), −3.1 points of the change (95 % interval −5.0 points
/// to −1.2 points)."
fn group(table: &Table, row: usize) -> Markup {
    let measure = table.text_at("measure", row).unwrap_or_default();
    let name = FIRST_PAGE
        .iter()
        .find(|(known, _, _)| *known == measure)
        .map_or(measure, |(_, _, name)| *name);
    let grouping = words::of_value(table.text_at("grouping", row).unwrap_or_default());
    let value = |column: &str| number("drivers", table, row, column);
    html! {
        (name) ", " (grouping) " " (clean(table.text_at("group", row).unwrap_or("not known"))) ": from "
        (value("before")) " (" (n("drivers", table, row, "n_before")) ") to " (value("share"))
        " (" (n("drivers", table, row, "n")) "). Its part of the change of the whole: " (value("within"))
        @if let Some(interval) = range("drivers", table, row, ["within_lo", "within_hi"]) {
            " (95\u{202f}% interval " (interval) ")"
        }
        "."
    }
}

/// A table a measure, closed from the start.
fn by_group(table: &Table) -> Markup {
    html! {
        @for (measure, _, name) in FIRST_PAGE {
            @let rows = table.where_text("measure", measure);
            @if rows.rows() > 0 {
                @let name = format!("{name}: parts by group");
                details {
                    summary { (name) }
                    (named_grid("drivers", &name, &rows.without(&["outer_lo", "outer_hi"])))
                }
            }
        }
        p.soft {
            "The whole table, with 99.8 % limits: " a href="tables/drivers.csv" { "tables/drivers.csv" }
            ". 99.8 % limits allow for over-dispersion where ten or more groups can be compared. Two-ear fitting is not taken apart by coupling: two couplings in one fitting mean that two ears were fitted."
        }
    }
}

/// Points by frequency, now and before.
fn frequencies(review: &Review) -> Markup {
    let table = review.table("driver_frequencies");
    let mut quantities: Vec<&str> = (0..table.rows())
        .filter_map(|row| table.text_at("quantity", row))
        .map(words::of_quantity)
        .collect();
    quantities.dedup();
    html! {
        h3 { "By frequency" }
        @if table.rows() == 0 {
            p { "No point of a final response can be held against a limit in this quarter or the four before." }
        } @else {
            p {
                "Share of the points of final responses at average input level that lie inside the limit at their frequency. Ears of one person are alike and points of one ear are more so: the interval of the change is made over fittings, not points (Cochran 1977), and takes the fittings as independent. None is given below ten fittings in either span, or where all fittings of one have the same share. Of twenty such intervals one leaves out nought by chance alone."
                @if !quantities.is_empty() { " Measured: " (clean(&quantities.join(", "))) "." }
            }
            (grid("driver_frequencies", table))
        }
    }
}
