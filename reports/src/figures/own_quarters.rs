//! One clinician by quarter, against the practice.

use fitcohort_queries::review::Review;
use fitcohort_queries::table::Table;

use super::{Drawn, criterion_source};
use crate::cells;
use crate::drawing::axes::{Plot, Room, frame};
use crate::drawing::canvas::{Area, Canvas, Hang, Lettering};
use crate::drawing::labels::spread;
use crate::drawing::measures::Axis;
use crate::drawing::scale::{Scale, Unit};
use crate::drawing::sheet::{Words, missing, nothing, sheet};
use crate::drawing::text::width;
use crate::drawing::theme::{GAP, HAIR, Ink, LABEL, LABEL_STEP, LINE, POINT, STRONG};
use crate::format;

const KEY: &str = "own-quarters";
/// Measure, unit and axis of the panels.
const PANELS: [(&str, Unit, &str); 3] = [
    ("within_criterion", Unit::Share, "Fittings within criterion"),
    ("verified", Unit::Share, "Fittings verified"),
    ("rms", Unit::Decibel, "Mean RMS deviation, dB"),
];
/// Height of a panel, px.
const PANEL: f64 = 205.0;
/// At most so many quarters are drawn, the last ones, so that the file stays small.
const DRAWN: usize = 80;
/// Up to how many quarters each is labelled.
const FEW: usize = 6;

struct Point {
    place: f64,
    value: f64,
    ends: Option<(f64, f64)>,
}

/// A quarter's number on the axis; a year's where only years are kept.
fn number(quarter: &str) -> Option<f64> {
    if let Ok(year) = quarter.parse::<u16>() {
        return Some(year.into());
    }
    let (year, quarter) = quarter.split_once("-Q")?;
    let year = f64::from(year.parse::<u16>().ok()?);
    Some(year * 4.0 + f64::from(quarter.parse::<u8>().ok()?))
}

fn points(table: &Table, measure: &str, quarters: &[(f64, String)]) -> Vec<Point> {
    let table = table.where_text("measure", measure);
    let mut out: Vec<Point> = (0..table.rows())
        .filter_map(|row| {
            let quarter = table.text_at("quarter", row)?;
            let (place, _) = quarters.iter().find(|(_, name)| name == quarter)?;
            let real = |column: &str| table.real_at(column, row);
            Some(Point {
                place: *place,
                value: real("value")?,
                ends: real("lo").zip(real("hi")),
            })
        })
        .collect();
    out.sort_by(|one, other| one.place.total_cmp(&other.place));
    out
}

/// Every quarter of both tables, in time; at most the last [`DRAWN`].
fn quarters(review: &Review) -> Vec<(f64, String)> {
    let mut names: Vec<String> = ["own_quarters", "practice_quarters"]
        .iter()
        .flat_map(|key| {
            let table = review.table(key);
            (0..table.rows()).filter_map(|row| table.text_at("quarter", row).map(str::to_owned))
        })
        .collect();
    names.sort_unstable();
    names.dedup();
    names.drain(..names.len().saturating_sub(DRAWN));
    let calendar: Option<Vec<f64>> = names.iter().map(|name| number(name)).collect();
    let places = calendar.unwrap_or_else(|| (0..names.len()).map(|place| place as f64).collect());
    places.into_iter().zip(names).collect()
}

/// Three panels on a common axis of quarters.
pub(super) fn figure(review: &Review) -> Drawn {
    let own = review.table("own_quarters");
    let quarters = quarters(review);
    let is_there = |row: &usize| own.real_at("value", *row).is_some();
    let Some(last) = (0..own.rows())
        .filter(|row| own.text_at("measure", *row) == Some("within_criterion"))
        .filter(is_there)
        .max_by_key(|row| own.text_at("quarter", *row))
        .or_else(|| (0..own.rows()).rfind(is_there))
    else {
        return missing(
            KEY,
            "No quarter can be shown",
            "No quarter has enough fittings of this clinician for a value of its own.",
        );
    };
    let write = |column: &str| cells::cell("own_quarters", own, column, last).0;
    let interval = if own.real_at("lo", last).is_some() {
        format!("{} to {}, ", write("lo"), write("hi"))
    } else {
        String::new()
    };
    let title = format!(
        "{} in {}: {} ({interval}{})",
        format::capital(crate::words::of_value(
            own.text_at("measure", last).unwrap_or("value")
        )),
        own.text_at("quarter", last).unwrap_or("–"),
        write("value"),
        format::n(own.integer_at("n", last).unwrap_or(0)),
    );
    let counts = (0..own.rows()).filter_map(|row| own.integer_at("n", row));
    let n = super::count_range(counts).unwrap_or_default();
    let withheld = (0..own.rows()).filter(|row| !is_there(row)).count();
    let gaps = if withheld == 0 {
        ""
    } else {
        " Gaps: quarters with too few fittings, or withheld with them."
    };
    let practice = review.table("practice_quarters");
    let beside = if (0..practice.rows()).any(|row| practice.real_at("value", row).is_some()) {
        " Grey line: the whole practice."
    } else {
        " Too few other clinicians to show the practice beside it."
    };
    let note = format!(
        "Dots: this clinician; bars: 95 % intervals; n\u{a0}=\u{a0}{n} fittings a quarter.{beside}{gaps} Where bars overlap, a \
         rise or a fall may be chance."
    );
    let words = Words {
        key: KEY,
        description: format!(
            "{title}. {note} The values are in tables/own_quarters.csv and tables/practice_quarters.csv."
        ),
        title,
        note,
        source: format!(
            "Intervals: Wilson, Student's t. {}",
            criterion_source(review)
        ),
    };
    sheet(&words, PANEL * PANELS.len() as f64, |canvas, area| {
        for (place, (measure, unit, title)) in PANELS.into_iter().enumerate() {
            let top = area.top + place as f64 * PANEL;
            let panel = Area {
                top,
                bottom: top + PANEL - GAP * 2.0,
                ..area
            };
            let own = points(own, measure, &quarters);
            let practice = points(practice, measure, &quarters);
            draw(canvas, panel, (&own, &practice), &quarters, (unit, title));
        }
    })
}

fn draw(
    canvas: &mut Canvas,
    area: Area,
    (own, practice): (&[Point], &[Point]),
    quarters: &[(f64, String)],
    (unit, title): (Unit, &str),
) {
    if own.is_empty() {
        canvas.rectangle(area, Ink::Band);
        let sentence = format!("{title}: no quarter has enough fittings of this clinician.");
        return nothing(canvas, area, &sentence);
    }
    let y = if unit == Unit::Share {
        Scale::of(Axis::Share, [])
    } else {
        let values = own.iter().chain(practice).flat_map(|point| {
            let (lo, hi) = point.ends.unwrap_or((point.value, point.value));
            [point.value, lo, hi]
        });
        Scale::of(Axis::Size, values)
    };
    let mut names: Vec<(f64, &str, Ink)> = own
        .last()
        .map(|point| (point.value, "this clinician", Ink::Data))
        .into_iter()
        .chain(
            practice
                .last()
                .map(|point| (point.value, "practice", Ink::Soft)),
        )
        .collect();
    names.sort_by(|one, other| other.0.total_cmp(&one.0));
    let room = Room {
        right: width("this clinician", LABEL, true) + GAP * 2.0,
        under: 0.0,
    };
    let x = Scale::quarters(quarters, FEW);
    let plot = frame(canvas, area, (x, "Quarter"), (y, title), room);
    run(canvas, &plot, practice, Ink::Soft, LINE);
    run(canvas, &plot, own, Ink::Data, STRONG);
    let wide = if own.len() > 24 { HAIR } else { LINE };
    for point in own {
        if let Some((lo, hi)) = point.ends {
            let ends = [plot.at(point.place, lo), plot.at(point.place, hi)];
            canvas.line(&ends, Ink::Data, wide);
        }
        let radius = if own.len() > 24 { POINT * 0.7 } else { POINT };
        canvas.disc(plot.at(point.place, point.value), radius, Ink::Data);
    }
    let places: Vec<f64> = names.iter().map(|(value, ..)| plot.y(*value)).collect();
    let moved = spread(&places, LABEL_STEP, plot.area.top, plot.area.bottom);
    for ((_, text, ink), place) in names.into_iter().zip(moved) {
        let at = (plot.area.right + GAP, place + LABEL * 0.35);
        canvas.write(Lettering::new(text, at, Hang::Right, LABEL, ink));
    }
}

/// A line through quarters that follow each other; a quarter without a value is a gap.
fn run(canvas: &mut Canvas, plot: &Plot, points: &[Point], ink: Ink, wide: f64) {
    let mut places = Vec::new();
    let mut last = f64::NEG_INFINITY;
    for point in points {
        if point.place - last > 1.5 {
            canvas.line(&places, ink, wide);
            places.clear();
        }
        places.push(plot.at(point.place, point.value));
        last = point.place;
    }
    canvas.line(&places, ink, wide);
}
