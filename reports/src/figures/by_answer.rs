//! RMS deviation among those who gave each answer on satisfaction.

use fitcohort_queries::review::Review;
use fitcohort_queries::table::Table;

use super::{Drawn, ENOUGH, ends};
use crate::drawing::canvas::{Area, Canvas};
use crate::drawing::measures::Axis;
use crate::drawing::rows::{Row, RowPlot, height, row_chart};
use crate::drawing::scale::Scale;
use crate::drawing::sheet::{Words, missing, sheet};
use crate::drawing::theme::{Ink, LINE, STRONG};
use crate::format;

const KEY: &str = "deviation-by-answer";
const PITCH: f64 = 62.0;
/// Fewer bins than this show no shape.
const SHAPE: usize = 3;
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
    if medians.is_empty() {
        return missing(
            KEY,
            "Deviation by answer cannot be shown",
            "No answer on satisfaction was given by enough people with a complete headline curve.",
        );
    }
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
    let title = match ends(&medians, |row| table.integer_at("n", *row)) {
        Some((best, worst)) if best != worst => format!(
            "Median RMS deviation was {} and {}",
            part(*best),
            part(*worst)
        ),
        Some((one, _)) => format!("Median RMS deviation was {}", part(*one)),
        None => format!("RMS deviation by answer: no answer was given as many as {ENOUGH} times"),
    };
    let shapes: Vec<Option<Vec<Bar>>> = rows
        .iter()
        .map(|row| densities(review.table("rms_histogram"), table.real_at("score", *row)))
        .collect();
    let note = format!(
        "Answers to {} (higher is better). Bold line: median; box: middle half; thin line: 5 % to 95 %.{}",
        review.context.outcome,
        shape_note(&shapes)
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
        let scale = Scale::of(Axis::Size, quantiles);
        let axis = (scale, "RMS deviation from target, dB");
        let plot = row_chart(canvas, area, &labels, PITCH, axis);
        for (place, row) in rows.iter().enumerate() {
            if let Some(Some(bars)) = shapes.get(place) {
                histogram(canvas, &plot, place, bars);
            }
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

/// A bin of a histogram; the last may be open upwards.
struct Bar {
    from: f64,
    to: Option<f64>,
    n: f64,
}

/// The histogram of an answer; none where too few bins hold a record, or where one of its bins is withheld:
/// a shape with a hole would be read as one without.
fn densities(table: &Table, score: Option<f64>) -> Option<Vec<Bar>> {
    let table = table.filtered(|table, row| same(table.real_at("score", row), score));
    let bars: Option<Vec<Bar>> = (0..table.rows())
        .map(|row| {
            Some(Bar {
                from: table.real_at("bin_lo", row)?,
                to: table.real_at("bin_hi", row),
                n: table.real_at("n", row)?,
            })
        })
        .collect();
    bars.filter(|bars| bars.iter().filter(|bar| bar.n > 0.0).count() >= SHAPE)
}

/// What the shapes are, and for how many answers there is none.
fn shape_note(shapes: &[Option<Vec<Bar>>]) -> String {
    let without = shapes.iter().filter(|shape| shape.is_none()).count();
    let mut out = String::new();
    if without < shapes.len() {
        out.push_str(
            " Shape above: share of the answer's records per dB, each answer to its own height; an open last \
             bin is spread to the end of the axis.",
        );
    }
    if without > 0 {
        out.push_str(
            " An answer without a shape has too few records over all or in one of its bins.",
        );
    }
    out
}

/// Areas in proportion to the records: bins differ in width.
fn histogram(canvas: &mut Canvas, plot: &RowPlot, place: usize, bars: &[Bar]) {
    let density = |bar: &Bar| {
        let wide = bar.to.unwrap_or_else(|| plot.x_end()) - bar.from;
        if wide > 0.0 { bar.n / wide } else { 0.0 }
    };
    let most = bars.iter().map(density).fold(0.0, f64::max);
    if most <= 0.0 {
        return;
    }
    let base = plot.y(place) + PITCH * 0.08;
    for bar in bars {
        let high = density(bar) / most * PITCH * 0.5;
        let area = Area {
            left: plot.x(bar.from),
            top: base - high,
            right: plot.x(bar.to.unwrap_or_else(|| plot.x_end())),
            bottom: base,
        };
        if high > 0.0 && area.width() > 0.2 {
            canvas.rectangle(area, Ink::Box);
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
