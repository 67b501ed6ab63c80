//! Run charts of the first page: a measure in the quarter under review and the four before it, with its limits.

use fitcohort_queries::review::Review;

use super::trend::{self, Point, Signal};
use super::{Drawn, quarter};
use crate::drawing::axes::ticks_across;
use crate::drawing::canvas::{Area, Canvas, Hang, Lettering};
use crate::drawing::scale::{Scale, Unit};
use crate::drawing::sheet::{Figure, nothing, tables_named};
use crate::drawing::theme::{GAP, HAIR, Ink, LABEL, LINE, POINT, SMALL, STRONG};
use crate::format;

/// The measures in the order of the page: code, key of the figure, name.
pub(crate) const MEASURES: [(&str, &str, &str); 5] = [
    (
        "within_criterion",
        "run-within-criterion",
        "Within criterion",
    ),
    ("verified", "run-verified", "Verified"),
    ("two_ear", "run-two-ear", "Both ears fitted"),
    ("answered", "run-answered", "Answered"),
    ("satisfied", "run-satisfied", "Satisfied"),
];

const WIDE: f64 = 540.0;
const HIGH: f64 = 132.0;
/// Quarters before the one under review that are drawn.
const BEFORE: f64 = 4.0;
/// Room for the ticks at the left and for the words at the right, px.
const LEFT: f64 = 56.0;
const RIGHT: f64 = 118.0;
/// Size of the numbers of records: eight digits fit under a quarter.
const COUNT: f64 = 13.0;

/// Fittings within criterion.
pub(super) fn within_criterion(review: &Review) -> Drawn {
    run(review, 0)
}

/// Fittings verified.
pub(super) fn verified(review: &Review) -> Drawn {
    run(review, 1)
}

/// Two-ear candidates fitted in both ears.
pub(super) fn two_ear(review: &Review) -> Drawn {
    run(review, 2)
}

/// Fittings with an answer.
pub(super) fn answered(review: &Review) -> Drawn {
    run(review, 3)
}

/// Answers that were satisfied.
pub(super) fn satisfied(review: &Review) -> Drawn {
    run(review, 4)
}

/// Whether a figure belongs to the first page.
pub(crate) fn is_one(figure: &Figure) -> bool {
    MEASURES.iter().any(|(_, key, _)| *key == figure.key)
}

fn run(review: &Review, measure: usize) -> Drawn {
    let (code, key, name) = MEASURES.get(measure).copied().unwrap_or(("", "run", ""));
    let all = trend::points(review, code);
    let places = trend::on_axis(&all);
    let now = all
        .iter()
        .zip(&places)
        .find(|(point, _)| Some(point.quarter.as_str()) == review.context.quarter.as_deref())
        .map(|(_, place)| *place);
    // Places from -4 to 0, by the calendar, so that a quarter without a fitting leaves a gap.
    let points: Vec<(f64, &Point)> = all
        .iter()
        .zip(&places)
        .filter_map(|(point, place)| Some((place - now?, point)))
        .filter(|(place, _)| (-BEFORE - 0.5..=0.5).contains(place))
        .collect();
    let mut canvas = Canvas::new(WIDE, HIGH);
    let area = canvas.area();
    let title = title(&points, name);
    let at = (GAP, SMALL + 2.0);
    canvas.write(Lettering::new(&title, at, Hang::Right, SMALL, Ink::Text).bold());
    if points.iter().all(|(_, point)| point.value.is_none()) {
        let panel = Area {
            top: LABEL * 1.8,
            ..area
        };
        canvas.rectangle(panel, Ink::Band);
        nothing(
            &mut canvas,
            panel,
            "No quarter has a value that can be shown.",
        );
    } else {
        chart(&mut canvas, &points);
    }
    let description = format!(
        "{title} in {}. Line: share in the quarter under review and up to four before it, 0 to 100 %, with the number of \
         records (n) under each. Shaded: limits. {} The values are in tables/trends.csv.",
        quarter(review),
        trend::LIMITS
    );
    Ok(Figure {
        key,
        tables: tables_named(&description),
        svg: canvas.render(&format!("{title} in {}", quarter(review)), &description)?,
    })
}

/// "Verified 92.1 %, inside its limits".
fn title(points: &[(f64, &Point)], name: &str) -> String {
    let now = points.iter().find(|(place, _)| place.abs() < 0.5);
    let Some((point, value)) = now.and_then(|(_, point)| Some((point, point.value?))) else {
        return format!("{name}: no value can be shown");
    };
    let limits = if point.has_limits() {
        point.signal.words()
    } else {
        "no limits"
    };
    format!("{name} {}, {limits}", format::share(value, point.n))
}

fn chart(canvas: &mut Canvas, points: &[(f64, &Point)]) {
    let inner = Area {
        left: LEFT,
        top: LABEL * 1.9,
        right: WIDE - RIGHT,
        bottom: HIGH - LABEL * 2.0 - GAP * 2.5,
    };
    let shares = Scale::around([0.0, 1.0], Unit::Share, 2);
    let x = |place: f64| inner.left + (place + BEFORE + 0.5) / (BEFORE + 1.0) * inner.width();
    let y = |share: f64| inner.bottom - shares.fraction(share) * inner.height();
    for (place, point) in points {
        // Limits from nought to all call nothing out, and are said to be none.
        if point.has_limits()
            && let (Some(lower), Some(upper)) = (point.lower, point.upper)
        {
            let band = Area {
                left: x(place - 0.5),
                top: y(upper),
                right: x(place + 0.5),
                bottom: y(lower),
            };
            canvas.rectangle(band, Ink::Band);
            for level in [band.top, band.bottom] {
                canvas.line(&[(band.left, level), (band.right, level)], Ink::Soft, HAIR);
            }
        }
    }
    for tick in &shares.ticks {
        let level = y(tick.value);
        canvas.line(
            &[(inner.left, level), (inner.right, level)],
            Ink::Grid,
            HAIR,
        );
        if let Some(label) = &tick.label {
            let at = (inner.left - GAP, level + SMALL * 0.35);
            canvas.write(Lettering::new(label, at, Hang::Left, SMALL, Ink::Soft));
        }
    }
    let names: Vec<(f64, String)> = points
        .iter()
        .map(|(place, point)| (*place, point.quarter.clone()))
        .collect();
    // The axis spans five quarters, however many of them hold a fitting.
    ticks_across(
        canvas,
        inner,
        &Scale::span(-BEFORE - 0.5, 0.5, &names),
        false,
    );
    let mut line = Vec::new();
    let mut last = f64::NEG_INFINITY;
    for (place, value) in points.iter().filter_map(|(at, p)| Some((*at, p.value?))) {
        if place - last > 1.5 {
            canvas.line(&line, Ink::Data, STRONG);
            line.clear();
        }
        line.push((x(place), y(value)));
        last = place;
    }
    canvas.line(&line, Ink::Data, STRONG);
    let down = inner.bottom + GAP + LABEL * 2.2;
    let at = (inner.left - GAP, down);
    canvas.write(Lettering::new("n", at, Hang::Left, COUNT, Ink::Soft));
    for (place, point) in points {
        if let Some(n) = point.n {
            let at = (x(*place), down);
            let text = format::count(n);
            canvas.write(Lettering::new(&text, at, Hang::Middle, COUNT, Ink::Soft));
        }
        let Some(value) = point.value else { continue };
        let at = (x(*place), y(value));
        match point.signal {
            Signal::None => canvas.disc(at, POINT, Ink::Data),
            side => canvas.triangle(at, POINT * 1.7, side == Signal::High, Ink::Signal),
        }
        // Above the point, or below it where it stands high.
        let below = value > 0.6;
        let shift = if below { SMALL + GAP } else { -GAP - 2.0 };
        let ink = match point.signal {
            Signal::None => Ink::Text,
            _ => Ink::Signal,
        };
        let text = format::share(value, point.n);
        let label = Lettering::new(&text, (at.0, at.1 + shift), Hang::Middle, SMALL, ink);
        canvas.write(if place.abs() < 0.5 {
            label.bold()
        } else {
            label
        });
    }
    side_words(
        canvas,
        inner,
        points.iter().any(|(_, point)| point.has_limits()),
    );
}

/// What the shading is, beside the plot.
fn side_words(canvas: &mut Canvas, inner: Area, limits: bool) {
    let words: &[&str] = if limits {
        &["Shaded: limits"]
    } else {
        &["No limits can", "be estimated"]
    };
    let mut baseline = inner.top + SMALL;
    for line in words {
        let at = (inner.right + GAP, baseline);
        canvas.write(Lettering::new(line, at, Hang::Right, COUNT, Ink::Soft));
        baseline += SMALL * 1.25;
    }
    canvas.line(
        &[(inner.left, inner.top), (inner.left, inner.bottom)],
        Ink::Grid,
        LINE / 2.0,
    );
}
