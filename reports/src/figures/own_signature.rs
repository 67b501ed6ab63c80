//! One clinician's signature: mean deviation by frequency with an interval, against the middle half of the others.

use fitcohort_queries::review::Review;
use fitcohort_queries::table::Table;

use super::{Drawn, count_range};
use crate::drawing::axes::{Plot, Room, frame};
use crate::drawing::canvas::{Canvas, Hang, Lettering};
use crate::drawing::labels::spread;
use crate::drawing::measures::Axis;
use crate::drawing::scale::Scale;
use crate::drawing::sheet::{Words, missing, sheet};
use crate::drawing::text::width;
use crate::drawing::theme::{GAP, Ink, LABEL, LABEL_STEP, LINE, POINT, STRONG};
use crate::format;

const KEY: &str = "own-signature";

struct Point {
    hertz: f64,
    value: f64,
    ends: Option<(f64, f64)>,
}

/// Points of a table by three columns: value and ends.
fn points(table: &Table, [value, lo, hi]: [&str; 3]) -> Vec<Point> {
    (0..table.rows())
        .filter_map(|row| {
            let real = |column: &str| table.real_at(column, row);
            Some(Point {
                hertz: real("frequency_hz")?,
                value: real(value)?,
                ends: real(lo).zip(real(hi)),
            })
        })
        .collect()
}

/// A line with intervals over a band.
pub(super) fn figure(review: &Review) -> Drawn {
    let table = review.table("own_signature");
    let own = points(table, ["mean", "lo", "hi"]);
    let others = points(review.table("practice_signature"), ["q50", "q25", "q75"]);
    let (Some(least), Some(most)) = (
        own.iter().min_by(|a, b| a.value.total_cmp(&b.value)),
        own.iter().max_by(|a, b| a.value.total_cmp(&b.value)),
    ) else {
        return missing(
            KEY,
            "The signature by frequency cannot be shown",
            "Too few fittings of this clinician have a target and a final response at any frequency.",
        );
    };
    let at = |point: &Point| {
        format!(
            "{} at {} Hz",
            format::decibel(point.value),
            format::fixed(point.hertz, 0)
        )
    };
    let title = if own.len() == 1 {
        format!("Mean deviation from target was {}", at(least))
    } else {
        format!(
            "Mean deviation from target runs from {} to {}",
            at(least),
            at(most)
        )
    };
    let fittings =
        count_range((0..table.rows()).filter_map(|row| table.integer_at("n_fittings", row)));
    let practice = review.table("practice_signature");
    let counts = (0..practice.rows())
        .filter(|row| practice.real_at("q50", *row).is_some())
        .filter_map(|row| practice.integer_at("n_others", row));
    let beside = match count_range(counts) {
        Some(range) => format!(
            " Shaded: the middle half of {range} other clinicians, with the median as a line."
        ),
        None => " Too few other clinicians to show them without names.".to_owned(),
    };
    let note = format!(
        "Dots: this clinician's means; bars: 95 % intervals over fittings. 0 dB: on target.{beside} Fittings per frequency: \
         n\u{a0}=\u{a0}{}.",
        fittings.unwrap_or_default()
    );
    let words = Words {
        key: KEY,
        description: format!(
            "{title}. {note} The values are in tables/own_signature.csv and tables/practice_signature.csv."
        ),
        title,
        note,
        source: "Deviation is measured minus target, headline curve (final stage, average input level). The two ears of a \
                 fitting are taken together in the intervals."
            .to_owned(),
    };
    sheet(&words, 340.0, |canvas, area| {
        let all = || own.iter().chain(&others);
        let levels = all()
            .flat_map(|point| {
                let (lo, hi) = point.ends.unwrap_or((point.value, point.value));
                [point.value, lo, hi]
            })
            .chain([0.0]);
        let x = Scale::frequencies(all().map(|point| point.hertz));
        let y = Scale::of(Axis::Deviation, levels);
        let mut names: Vec<(f64, &str, Ink)> = own
            .last()
            .map(|point| (point.value, "this clinician", Ink::Data))
            .into_iter()
            .chain(
                others
                    .last()
                    .map(|point| (point.value, "others", Ink::Soft)),
            )
            .chain([(0.0, "target", Ink::Soft)])
            .collect();
        names.sort_by(|one, other| other.0.total_cmp(&one.0));
        let right = names
            .iter()
            .map(|(_, text, _)| width(text, LABEL, true))
            .fold(0.0, f64::max);
        let room = Room {
            right: right + GAP * 2.0,
            under: 0.0,
        };
        let axes = ((x, "Frequency, Hz"), (y, "Mean deviation from target, dB"));
        let plot = frame(canvas, area, axes.0, axes.1, room);
        let target = [
            (plot.area.left, plot.y(0.0)),
            (plot.area.right, plot.y(0.0)),
        ];
        canvas.line(&target, Ink::Soft, LINE);
        band(canvas, &plot, &others);
        line(canvas, &plot, &own);
        let places: Vec<f64> = names.iter().map(|(value, ..)| plot.y(*value)).collect();
        let moved = spread(&places, LABEL_STEP, plot.area.top, plot.area.bottom);
        for ((_, text, ink), place) in names.into_iter().zip(moved) {
            let at = (plot.area.right + GAP, place + LABEL * 0.35);
            canvas.write(Lettering::new(text, at, Hang::Right, LABEL, ink));
        }
    })
}

fn band(canvas: &mut Canvas, plot: &Plot, others: &[Point]) {
    let edge = |pick: fn((f64, f64)) -> f64| {
        others
            .iter()
            .filter_map(move |point| Some(plot.at(point.hertz, pick(point.ends?))))
    };
    let mut outline: Vec<_> = edge(|ends| ends.1).collect();
    let mut below: Vec<_> = edge(|ends| ends.0).collect();
    below.reverse();
    outline.extend(below);
    canvas.polygon(outline, Ink::Box);
    let median: Vec<_> = others
        .iter()
        .map(|point| plot.at(point.hertz, point.value))
        .collect();
    canvas.line(&median, Ink::Soft, LINE);
}

fn line(canvas: &mut Canvas, plot: &Plot, own: &[Point]) {
    let means: Vec<_> = own
        .iter()
        .map(|point| plot.at(point.hertz, point.value))
        .collect();
    canvas.line(&means, Ink::Data, STRONG);
    for point in own {
        if let Some((lo, hi)) = point.ends {
            let ends = [plot.at(point.hertz, lo), plot.at(point.hertz, hi)];
            canvas.line(&ends, Ink::Data, LINE);
        }
        canvas.disc(plot.at(point.hertz, point.value), POINT, Ink::Data);
    }
}
