//! RMS deviation among those who gave each answer on satisfaction.

use fitcohort_queries::review::Review;

use super::Drawn;
use crate::drawing::canvas::{Area, Canvas};
use crate::drawing::rows::{Row, RowPlot, height, row_chart};
use crate::drawing::scale::{Scale, Unit};
use crate::drawing::sheet::{Words, missing, sheet};
use crate::drawing::theme::{Ink, LINE, STRONG};
use crate::format;

const KEY: &str = "deviation-by-answer";
const PITCH: f64 = 62.0;
const QUANTILES: [&str; 5] = ["q05", "q25", "q50", "q75", "q95"];

/// A histogram over a box with whiskers for each answer, the best on top.
pub(super) fn figure(review: &Review) -> Drawn {
    let table = review.table("rms_by_answer");
    let mut rows: Vec<usize> = (0..table.rows())
        .filter(|row| table.real_at("score", *row).is_some())
        .collect();
    rows.sort_by(|one, other| {
        let score = |row: usize| table.real_at("score", row).unwrap_or_default();
        score(*other).total_cmp(&score(*one))
    });
    rows.truncate(12);
    let medians: Vec<usize> = rows
        .iter()
        .copied()
        .filter(|row| table.real_at("q50", *row).is_some())
        .collect();
    let (Some(best), Some(worst)) = (medians.first(), medians.last()) else {
        return missing(
            KEY,
            "Deviation by answer cannot be shown",
            "No answer on satisfaction was given by enough people with a complete headline curve.",
        );
    };
    let part = |row: usize| {
        format!(
            "{} with answer {} ({})",
            table
                .real_at("q50", row)
                .map_or_else(String::new, format::decibel),
            table.real_at("score", row).map_or_else(String::new, answer),
            table
                .integer_at("n", row)
                .map_or_else(|| "n unknown".to_owned(), format::n)
        )
    };
    let title = if best == worst {
        format!("Median RMS deviation was {}", part(*best))
    } else {
        format!(
            "Median RMS deviation was {} and {}",
            part(*best),
            part(*worst)
        )
    };
    let note = format!(
        "Answers to {} (higher is better). Bold line: median; box: middle half; thin line: 5 % to 95 %; \
         shape above: histogram, each answer to its own height.",
        review.context.outcome
    );
    let words = Words {
        key: KEY,
        description: format!(
            "{title}. {note} The values are in tables/rms_by_answer.csv and tables/rms_histogram.csv."
        ),
        title,
        note,
        source: "RMS deviation over 500, 1000, 2000, 4000 Hz, headline curve (final stage, average input)."
            .to_owned(),
    };
    let labels: Vec<Row> = rows
        .iter()
        .map(|row| Row {
            label: format!(
                "Answer {}",
                table
                    .real_at("score", *row)
                    .map_or_else(String::new, answer)
            ),
            right: table
                .integer_at("n", *row)
                .map_or_else(|| "withheld".to_owned(), format::n),
            called_out: true,
        })
        .collect();
    sheet(&words, height(rows.len(), PITCH), |canvas, area| {
        let quantiles = rows
            .iter()
            .flat_map(|row| QUANTILES.map(|name| table.real_at(name, *row)))
            .flatten();
        // Deviations start at nought; a distribution cut at its edge would look narrower than it is.
        let scale = Scale::around(quantiles.chain([0.0]), Unit::Decibel, 7);
        let axis = (scale, "RMS deviation from target, dB");
        let plot = row_chart(canvas, area, &labels, PITCH, axis);
        for (place, row) in rows.iter().enumerate() {
            histogram(canvas, review, &plot, place, table.real_at("score", *row));
            let values = QUANTILES.map(|name| table.real_at(name, *row));
            boxed(canvas, &plot, plot.y(place) + PITCH * 0.26, values);
        }
    })
}

/// An answer as it is written: whole answers without decimals.
fn answer(score: f64) -> String {
    format::fixed(score, usize::from(score.fract().abs() > 1e-9))
}

/// Whether two answers are the same; both come from small whole numbers.
fn same(one: Option<f64>, other: Option<f64>) -> bool {
    matches!((one, other), (Some(one), Some(other)) if (one - other).abs() < 1e-9)
}

fn histogram(
    canvas: &mut Canvas,
    review: &Review,
    plot: &RowPlot,
    place: usize,
    score: Option<f64>,
) {
    let table = review
        .table("rms_histogram")
        .filtered(|table, row| same(table.real_at("score", row), score));
    let most = (0..table.rows())
        .filter_map(|row| table.real_at("n", row))
        .fold(0.0, f64::max);
    if most <= 0.0 {
        return;
    }
    let base = plot.y(place) + PITCH * 0.08;
    for row in 0..table.rows() {
        let (Some(from), Some(n)) = (table.real_at("bin_lo", row), table.real_at("n", row)) else {
            continue;
        };
        let to = table.real_at("bin_hi", row).unwrap_or(f64::MAX);
        let bar = Area {
            left: plot.x(from),
            top: base - n / most * PITCH * 0.5,
            right: plot.x(to),
            bottom: base,
        };
        if n > 0.0 && bar.right - bar.left > 0.2 {
            canvas.rectangle(bar, Ink::Box);
        }
    }
}

fn boxed(canvas: &mut Canvas, plot: &RowPlot, y: f64, values: [Option<f64>; 5]) {
    let [q05, q25, q50, q75, q95] = values;
    if let (Some(low), Some(high)) = (q05, q95) {
        canvas.line(&[(plot.x(low), y), (plot.x(high), y)], Ink::Data, LINE);
    }
    if let (Some(low), Some(high)) = (q25, q75) {
        let area = Area {
            left: plot.x(low),
            top: y - 5.0,
            right: plot.x(high),
            bottom: y + 5.0,
        };
        canvas.rectangle(area, Ink::Data);
    }
    if let Some(median) = q50 {
        let x = plot.x(median);
        canvas.line(&[(x, y - 7.5), (x, y + 7.5)], Ink::Text, STRONG * 1.2);
    }
}
