//! A measure by quarter with its centre and limits: the panel that the owner's figures share.

use fitcohort_queries::review::Review;
use fitcohort_queries::table::Table;

use crate::drawing::axes::{Plot, Room, frame};
use crate::drawing::canvas::{Area, Canvas, Hang, Lettering};
use crate::drawing::labels::{beside, spread};
use crate::drawing::measures::Axis;
use crate::drawing::scale::Scale;
use crate::drawing::sheet::nothing;
use crate::drawing::text::width;
use crate::drawing::theme::{GAP, Ink, LABEL, LABEL_STEP, LINE, POINT, STRONG};
use crate::format;

/// Up to how many quarters each is labelled and has its n under it.
const FEW: usize = 6;

/// At most so many quarters are drawn, the last ones, so that the file stays small.
const DRAWN: usize = 80;

/// On which side of its limits a value lies.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Signal {
    /// Inside.
    None,
    /// Above the upper limit.
    High,
    /// Below the lower limit.
    Low,
}

impl Signal {
    /// Reads the column `signal`.
    pub(crate) fn at(table: &Table, row: usize) -> Self {
        match table.text_at("signal", row) {
            Some("high") => Self::High,
            Some("low") => Self::Low,
            _ => Self::None,
        }
    }

    /// The signal in words.
    pub(crate) fn words(self) -> &'static str {
        match self {
            Self::None => "inside its limits",
            Self::High => "above its upper limit",
            Self::Low => "below its lower limit",
        }
    }
}

/// One quarter of one measure.
#[derive(Clone, Debug)]
pub(super) struct Point {
    pub(super) quarter: String,
    pub(super) n: Option<i64>,
    pub(super) value: Option<f64>,
    centre: Option<f64>,
    pub(super) lower: Option<f64>,
    pub(super) upper: Option<f64>,
    pub(super) signal: Signal,
}

impl Point {
    /// Whether there are limits that a share can lie beyond: those from nought to all call nothing out.
    pub(super) fn has_limits(&self) -> bool {
        let Some((lower, upper)) = self.lower.zip(self.upper) else {
            return false;
        };
        lower > 1e-9 || upper < 1.0 - 1e-9
    }
}

/// The quarters of a measure, rising; at most the last [`DRAWN`].
pub(super) fn points(review: &Review, measure: &str) -> Vec<Point> {
    let table = review.table("trends").where_text("measure", measure);
    let mut out: Vec<Point> = (0..table.rows())
        .filter_map(|row| {
            Some(Point {
                quarter: table.text_at("quarter", row)?.to_owned(),
                n: table.integer_at("n", row),
                value: table.real_at("value", row),
                centre: table.real_at("centre", row),
                lower: table.real_at("lower", row),
                upper: table.real_at("upper", row),
                signal: Signal::at(&table, row),
            })
        })
        .collect();
    out.sort_by(|one, other| one.quarter.cmp(&other.quarter));
    out.drain(..out.len().saturating_sub(DRAWN));
    out
}

/// The point of the quarter under review, where it has a value.
pub(super) fn current<'a>(review: &Review, points: &'a [Point]) -> Option<&'a Point> {
    points
        .iter()
        .find(|point| Some(point.quarter.as_str()) == review.context.quarter.as_deref())
        .filter(|point| point.value.is_some())
}

/// "61 % of fittings were within criterion in 2026-Q3 (n = 612), inside its limits".
/// Without a value: the name of the share, and that it cannot be shown.
pub(super) fn title(review: &Review, points: &[Point], what: &str, name: &str) -> String {
    let quarter = super::quarter(review);
    let Some(point) = current(review, points) else {
        return format!("{name}: no value can be shown for {quarter}");
    };
    let value = point
        .value
        .map_or_else(String::new, |value| format::share(value, point.n));
    let n = point
        .n
        .map_or_else(String::new, |n| format!(" ({})", format::n(n)));
    let limits = if point.has_limits() {
        point.signal.words()
    } else {
        "too few for limits"
    };
    format!("{value} {what} in {quarter}{n}, {limits}")
}

/// How many quarters lie outside their limits, how many are missing, and the range of n.
pub(super) fn note(points: &[Point], of: &str) -> String {
    let mut out = String::from("Line: share by quarter. Shaded: limits about the centre line.");
    if points.iter().any(|point| point.signal != Signal::None) {
        out.push_str(" Triangle: outside its limits.");
    }
    if let Some(range) = super::count_range(points.iter().filter_map(|point| point.n)) {
        out.push_str(&format!(" n per quarter: {range} {of}."));
    }
    if points.len() == DRAWN {
        out.push_str(&format!(" At most the last {DRAWN} quarters are drawn."));
    }
    let missing = points.iter().filter(|point| point.value.is_none()).count();
    if missing > 0 {
        out.push_str(&format!(
            " {missing} of {} quarters withheld or not estimable.",
            points.len()
        ));
    }
    out
}

/// Limits in words, for the foot of a figure.
pub(super) const LIMITS: &str = "Limits: control chart for proportions about the centre of all quarters; they allow for \
     over-dispersion where there is any (Laney 2002), and are never narrower than chance alone.";

/// Whether there is a value at all.
pub(super) fn is_empty(points: &[Point]) -> bool {
    points.iter().all(|point| point.value.is_none())
}

/// Draws one measure into an area.
pub(super) fn panel(canvas: &mut Canvas, area: Area, points: &[Point], y_title: &str) {
    if is_empty(points) {
        canvas.rectangle(area, Ink::Band);
        let sentence = format!("{y_title}: no quarter has a value that can be shown.");
        return nothing(canvas, area, &sentence);
    }
    let places = on_axis(points);
    let few = points.len() <= FEW;
    let values = points
        .iter()
        .flat_map(|point| [point.value, point.lower, point.upper, point.centre])
        .flatten();
    let names: Vec<(f64, String)> = places
        .iter()
        .zip(points)
        .map(|(place, point)| (*place, point.quarter.clone()))
        .collect();
    let end = end_labels(points);
    let right = end
        .iter()
        .map(|(_, text, _)| width(text, LABEL, true))
        .fold(0.0, f64::max)
        + GAP * 2.0;
    let room = Room {
        right,
        under: if few { LABEL * 1.3 } else { 0.0 },
    };
    let plot = frame(
        canvas,
        area,
        (Scale::quarters(&names, FEW), "Quarter"),
        (Scale::of(Axis::Share, values), y_title),
        room,
    );
    limits(canvas, &plot, &places, points);
    series(canvas, &plot, &places, points);
    name_ends(canvas, &plot, area, end);
    if few {
        counts_under(canvas, &plot, area, &places, points);
    }
    name_signals(canvas, &plot, &places, points);
}

/// Numbers of the quarters on the axis, by the calendar where all names allow it.
pub(super) fn on_axis(points: &[Point]) -> Vec<f64> {
    let calendar: Option<Vec<f64>> = points
        .iter()
        .map(|point| {
            // Where only years are kept, the name is one.
            if let Ok(year) = point.quarter.parse::<u16>() {
                return Some(year.into());
            }
            let (year, quarter) = point.quarter.split_once("-Q")?;
            let year: f64 = year.parse::<u16>().ok()?.into();
            let quarter: f64 = quarter.parse::<u8>().ok()?.into();
            Some(year * 4.0 + quarter)
        })
        .collect();
    calendar.unwrap_or_else(|| (0..points.len()).map(|place| place as f64).collect())
}

fn limits(canvas: &mut Canvas, plot: &Plot, places: &[f64], points: &[Point]) {
    for (place, point) in places.iter().zip(points) {
        let (left, right) = (plot.x(place - 0.5), plot.x(place + 0.5));
        if let (Some(lower), Some(upper)) = (point.lower, point.upper) {
            let (top, bottom) = (plot.y(upper), plot.y(lower));
            canvas.rectangle(
                Area {
                    left,
                    top,
                    right,
                    bottom,
                },
                Ink::Band,
            );
            for level in [top, bottom] {
                canvas.line(&[(left, level), (right, level)], Ink::Soft, LINE / 2.0);
            }
        }
    }
    for (place, point) in places.iter().zip(points) {
        if let Some(centre) = point.centre {
            let level = plot.y(centre);
            let ends = [(plot.x(place - 0.5), level), (plot.x(place + 0.5), level)];
            canvas.line(&ends, Ink::Soft, LINE);
        }
    }
}

fn series(canvas: &mut Canvas, plot: &Plot, places: &[f64], points: &[Point]) {
    let known: Vec<(f64, f64, Signal)> = places
        .iter()
        .zip(points)
        .filter_map(|(place, point)| Some((*place, point.value?, point.signal)))
        .collect();
    let mut run = Vec::new();
    let mut last = f64::NEG_INFINITY;
    for (place, value, _) in &known {
        // A quarter without a value is a gap, not a straight line across.
        if place - last > 1.5 {
            canvas.line(&run, Ink::Data, STRONG);
            run.clear();
        }
        run.push(plot.at(*place, *value));
        last = *place;
    }
    canvas.line(&run, Ink::Data, STRONG);
    for (place, value, signal) in known {
        let at = plot.at(place, value);
        match signal {
            Signal::None => canvas.disc(at, POINT, Ink::Data),
            outside => {
                canvas.disc(at, POINT * 2.1, Ink::Paper);
                canvas.triangle(at, POINT * 1.9, outside == Signal::High, Ink::Signal);
            }
        }
    }
}

/// What the right end of the panel names: value, centre, text and weight.
fn end_labels(points: &[Point]) -> Vec<(f64, String, bool)> {
    let mut out = Vec::new();
    if let Some(point) = points.last() {
        if let Some(value) = point.value {
            out.push((value, format::share(value, point.n), true));
        }
        for (value, text) in [
            (point.upper, "upper limit"),
            (point.centre, "centre"),
            (point.lower, "lower limit"),
        ] {
            if let Some(value) = value {
                out.push((value, text.to_owned(), false));
            }
        }
    }
    out.sort_by(|one, other| other.0.total_cmp(&one.0));
    out
}

fn name_ends(canvas: &mut Canvas, plot: &Plot, area: Area, end: Vec<(f64, String, bool)>) {
    let levels: Vec<f64> = end.iter().map(|(value, _, _)| plot.y(*value)).collect();
    let (from, to) = (plot.area.top, plot.area.bottom + LABEL);
    let moved = spread(&levels, LABEL_STEP, from, to.min(area.bottom));
    for ((_, text, strong), level) in end.into_iter().zip(moved) {
        let at = (plot.area.right + GAP, level + LABEL * 0.35);
        let ink = if strong { Ink::Data } else { Ink::Soft };
        let lettering = Lettering::new(&text, at, Hang::Right, LABEL, ink);
        canvas.write(if strong { lettering.bold() } else { lettering });
    }
}

fn counts_under(canvas: &mut Canvas, plot: &Plot, area: Area, places: &[f64], points: &[Point]) {
    let down = plot.area.bottom + GAP + LABEL * 2.3;
    canvas.write(Lettering::new(
        "n",
        (area.left, down),
        Hang::Right,
        LABEL,
        Ink::Soft,
    ));
    for (place, point) in places.iter().zip(points) {
        let Some(n) = point.n else { continue };
        let at = (plot.x(*place), down);
        let lettering = Lettering::new(&format::count(n), at, Hang::Middle, LABEL, Ink::Soft);
        if canvas.is_free(lettering.extent()) {
            canvas.write(lettering);
        }
    }
}

fn name_signals(canvas: &mut Canvas, plot: &Plot, places: &[f64], points: &[Point]) {
    let known: Vec<_> = places
        .iter()
        .zip(points)
        .filter_map(|(place, point)| Some(plot.at(*place, point.value?)))
        .collect();
    // Labels keep off the line too, so it is avoided at small steps.
    let mut avoid = known.clone();
    for (from, to) in known.iter().zip(known.iter().skip(1)) {
        avoid.extend((1..8_u8).map(|step| {
            let share = f64::from(step) / 8.0;
            (
                from.0 + (to.0 - from.0) * share,
                from.1 + (to.1 - from.1) * share,
            )
        }));
    }
    for (place, point) in places.iter().zip(points) {
        let (Some(value), true) = (point.value, point.signal != Signal::None) else {
            continue;
        };
        let text = format!("{} {}", point.quarter, format::share(value, point.n));
        let at = plot.at(*place, value);
        beside(canvas, plot.area, at, &text, Ink::Signal, &avoid);
    }
}
