//! Who was fitted in both ears, among people with both ears aidable: by quarter and by grade.

use fitcohort_queries::review::Review;
use fitcohort_queries::table::Table;

use super::{Drawn, ENOUGH, ends, trend};
use crate::drawing::measures::Axis;
use crate::drawing::rows::{Row, height, pitch, row_chart};
use crate::drawing::scale::Scale;
use crate::drawing::sheet::{Words, missing, sheet};
use crate::drawing::theme::{Ink, LINE, POINT};
use crate::format;

const NAME: &str = "Share fitted in both ears";
const QUARTERS: &str = "two-ear-by-quarter";
const GRADES: &str = "two-ear-by-grade";
const WHO: &str = "Denominator: people whose pure-tone average (500, 1000, 2000, 4000 Hz) reaches the plan's limit in both ears.";

/// Uptake by quarter.
pub(super) fn by_quarter(review: &Review) -> Drawn {
    let points = trend::points(review, "two_ear");
    if trend::is_empty(&points) {
        return missing(
            QUARTERS,
            "No two-ear uptake can be shown",
            "No quarter has enough two-ear candidates for a share.",
        );
    }
    let title = trend::title(
        review,
        &points,
        "of two-ear candidates were fitted in both ears",
        NAME,
    );
    let note = trend::note(&points, "candidates");
    let words = Words {
        key: QUARTERS,
        description: format!("{title}. {note} The values are in tables/trends.csv."),
        title,
        note,
        source: format!("{WHO} {}", trend::LIMITS),
    };
    sheet(&words, 270.0, |canvas, area| {
        trend::panel(canvas, area, &points, NAME);
    })
}

/// Uptake by grade of hearing loss.
pub(super) fn by_grade(review: &Review) -> Drawn {
    let table = review.table("two_ear_by_grade");
    let known = (0..table.rows())
        .filter(|row| table.real_at("two_ear", *row).is_some())
        .count();
    if known == 0 {
        return missing(
            GRADES,
            "No two-ear uptake by grade can be shown",
            "No grade of hearing loss has enough two-ear candidates for a share.",
        );
    }
    // A one-sided loss leaves no candidate by definition; its row says nothing where it holds none.
    let table = &table.filtered(|table, row| {
        is_by_severity(table, row) || table.integer_at("n_candidates", row) != Some(0)
    });
    let rows: Vec<Row> = (0..table.rows())
        .map(|row| Row {
            label: table.text_at("grade", row).unwrap_or("no grade").to_owned(),
            right: table
                .integer_at("n_candidates", row)
                .map_or_else(|| "withheld".to_owned(), format::n),
            called_out: true,
        })
        .collect();
    let title = by_grade_title(table);
    let note = "Dot: share of two-ear candidates fitted in both ears; bar: its 95 % interval. A grade \
                without a dot is withheld or has no candidates.";
    let words = Words {
        key: GRADES,
        description: format!("{title}. {note} The values are in tables/two_ear_by_grade.csv."),
        title,
        note: note.to_owned(),
        source: format!(
            "{WHO} Grades: WHO World Report on Hearing 2021, by the better ear. Intervals: Wilson (1927)."
        ),
    };
    let pitch = pitch(rows.len());
    sheet(&words, height(rows.len(), pitch), |canvas, area| {
        let columns = ["two_ear", "two_ear_lo", "two_ear_hi"];
        let values = (0..table.rows())
            .flat_map(|row| columns.map(|name| table.real_at(name, row)))
            .flatten();
        let scale = Scale::of(Axis::Share, values);
        let axis = (scale, "Share fitted in both ears");
        let plot = row_chart(canvas, area, &rows, pitch, axis);
        for row in 0..table.rows() {
            let y = plot.y(row);
            let [value, lo, hi] = columns.map(|name| table.real_at(name, row));
            if let (Some(lo), Some(hi)) = (lo, hi) {
                canvas.line(&[(plot.x(lo), y), (plot.x(hi), y)], Ink::Data, LINE);
            }
            if let Some(value) = value {
                canvas.disc((plot.x(value), y), POINT, Ink::Data);
            }
        }
    })
}

/// Whether the row is one of the grades that run from less to more loss.
fn is_by_severity(table: &Table, row: usize) -> bool {
    table
        .text_at("grade", row)
        .is_some_and(|grade| !grade.contains("unilateral"))
}

/// The mildest and the severest grade with enough candidates, each with its interval and n.
fn by_grade_title(table: &Table) -> String {
    let known: Vec<usize> = (0..table.rows())
        .filter(|row| is_by_severity(table, *row) && table.real_at("two_ear", *row).is_some())
        .collect();
    let n = |row: usize| table.integer_at("n_candidates", row);
    let words = |row: usize| {
        let interval = |name: &str| table.real_at(name, row).map(|x| format::share(x, n(row)));
        let mut details = Vec::new();
        if let (Some(lo), Some(hi)) = (interval("two_ear_lo"), interval("two_ear_hi")) {
            details.push(format!("interval {lo} to {hi}"));
        }
        details.extend(n(row).map(format::n));
        format!(
            "{} at grade {} ({})",
            table
                .real_at("two_ear", row)
                .map_or_else(String::new, |x| format::share(x, n(row))),
            table.text_at("grade", row).unwrap_or("unknown"),
            details.join(", ")
        )
    };
    match ends(&known, |row| n(*row)) {
        Some((one, other)) if one != other => {
            format!(
                "Both ears were fitted in {} and {}",
                words(*one),
                words(*other)
            )
        }
        Some((one, _)) => format!("Both ears were fitted in {}", words(*one)),
        None => format!("Two-ear fitting by grade: no grade has as many as {ENOUGH} candidates"),
    }
}
