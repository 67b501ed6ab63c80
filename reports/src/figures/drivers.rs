//! What drives the change of the share within criterion: mix and within-group parts, side by side.

use fitcohort_queries::review::Review;
use fitcohort_queries::table::Table;

use super::{Drawn, Signal, quarter};
use crate::drawing::axes::ticks_across;
use crate::drawing::canvas::{Area, Canvas, Hang, Lettering};
use crate::drawing::rows::thin;
use crate::drawing::scale::{Scale, Unit};
use crate::drawing::sheet::{Words, missing, sheet};
use crate::drawing::text::shorten;
use crate::drawing::theme::{GAP, HAIR, Ink, LABEL, LINE, POINT, SMALL};
use crate::{format, words};

const KEY: &str = "drivers-of-change";
const MEASURE: &str = "within_criterion";
const PITCH: f64 = 22.0;
/// At most so many groups of a grouping are drawn.
const GROUPS: usize = 14;
/// Widest label and room for the numbers of records, px.
const LABELS: f64 = 176.0;
const COUNTS: f64 = 78.0;
/// Between the two plots, px.
const BETWEEN: f64 = 44.0;
/// Ends of the axis, percentage points: the least that holds every value, so that it seldom moves.
const ENDS: [f64; 5] = [5.0, 10.0, 20.0, 50.0, 100.0];

/// One line of the drawing: a heading, or a row of the table.
enum Line {
    Heading(String),
    Group(usize),
}

/// Groups by clinic, coupling and grade; dots with intervals where there are any.
pub(super) fn figure(review: &Review) -> Drawn {
    let table = review.table("drivers").where_text("measure", MEASURE);
    let lines = lines(&table);
    if review.context.is_followed {
        return missing(
            KEY,
            "The change of the share within criterion is not taken apart here",
            "Of reports of several quarters made at once only the last takes its change apart.",
        );
    }
    if lines.is_empty() {
        return missing(
            KEY,
            "A change of the share within criterion cannot be taken apart",
            "It takes fittings judged by the criterion in this quarter and in the four before, in groups that can be shown.",
        );
    }
    let title = title(review, &table);
    let left_out =
        lines.iter().filter(|l| matches!(l, Line::Group(_))).count() < shown(&table).len();
    let note = format!(
        "Percentage points of the change of the whole. Mix: more or fewer fittings in groups that lie above or below the \
         rest. Within: the group's own share changed; bar: 95 % interval, triangle: beyond 99.8 % limits. n: fittings \
         judged now.{}",
        if left_out {
            " Of many groups only some are drawn; the table has all."
        } else {
            ""
        }
    );
    let words = Words {
        key: KEY,
        description: format!("{title}. {note} The values are in tables/drivers.csv."),
        title,
        note,
        source: "Decomposition: Kitagawa (1955), against the four quarters before, pooled. Intervals: Newcombe (1998) \
                 times the group's weight; they take fittings as independent. Allowance for over-dispersion where there \
                 are ten or more groups."
            .to_owned(),
    };
    let high = (lines.len() as f64 + 1.0) * PITCH + LABEL * 2.4 + GAP * 2.0;
    sheet(&words, high, |canvas, area| {
        draw(canvas, area, &table, &lines)
    })
}

/// Rows with a part that can be shown.
fn shown(table: &Table) -> Vec<usize> {
    (0..table.rows())
        .filter(|row| table.real_at("mix", *row).is_some())
        .collect()
}

fn lines(table: &Table) -> Vec<Line> {
    let mut out = Vec::new();
    let mut last = None;
    let all = shown(table);
    for row in &all {
        let grouping = table.text_at("grouping", *row).unwrap_or_default();
        if last == Some(grouping) {
            continue;
        }
        last = Some(grouping);
        out.push(Line::Heading(format::capital(words::of_value(grouping))));
        let rows: Vec<usize> = all
            .iter()
            .copied()
            .filter(|row| table.text_at("grouping", *row) == Some(grouping))
            .collect();
        let rows = thin(rows, GROUPS, |row| Signal::at(table, *row) != Signal::None);
        out.extend(rows.into_iter().map(Line::Group));
    }
    out
}

fn title(review: &Review, table: &Table) -> String {
    let moves = review.table("moves").where_text("measure", MEASURE);
    let change = moves.real_at("change", 0).map_or_else(
        || "The share within criterion".to_owned(),
        |change| {
            format!(
                "The share within criterion changed by {} against the four quarters before",
                format::points(change, moves.integer_at("n", 0))
            )
        },
    );
    let out: Vec<&str> = shown(table)
        .into_iter()
        .filter(|row| Signal::at(table, *row) != Signal::None)
        .map(|row| table.text_at("group", row).unwrap_or("not known"))
        .collect();
    let who = match out.as_slice() {
        [] => "no single group stands out".to_owned(),
        [one] => format!("{} stands out", shorten(one, LABEL, LABELS * 1.5)),
        _ => "several groups stand out".to_owned(),
    };
    format!("{change} in {}: {who}", quarter(review))
}

fn points(table: &Table, row: usize, column: &str) -> Option<f64> {
    table.real_at(column, row).map(|share| share * 100.0)
}

fn draw(canvas: &mut Canvas, area: Area, table: &Table, lines: &[Line]) {
    let farthest = lines
        .iter()
        .filter_map(|line| match line {
            Line::Group(row) => Some(*row),
            Line::Heading(_) => None,
        })
        .flat_map(|row| {
            ["mix", "within", "within_lo", "within_hi"].map(|column| points(table, row, column))
        })
        .flatten()
        .fold(0.0_f64, |most, value| most.max(value.abs()));
    let end = ENDS
        .into_iter()
        .find(|end| *end >= farthest)
        .unwrap_or(100.0);
    let scale = Scale::around([-end, end], Unit::Plain, 4);
    let wide = (area.width() - LABELS - COUNTS - BETWEEN - GAP * 4.0) / 2.0;
    let top = area.top + PITCH;
    let plot = |left: f64| Area {
        left,
        top,
        right: left + wide,
        bottom: top + lines.len() as f64 * PITCH,
    };
    let mix = plot(area.left + LABELS + GAP * 2.0);
    let within = plot(mix.right + BETWEEN);
    for (inner, name) in [(mix, "Mix"), (within, "Within the group")] {
        for tick in &scale.ticks {
            let x = inner.left + scale.fraction(tick.value) * inner.width();
            let ink = if tick.value.abs() < 1e-9 {
                Ink::Soft
            } else {
                Ink::Grid
            };
            canvas.line(&[(x, inner.top), (x, inner.bottom)], ink, HAIR);
        }
        ticks_across(canvas, inner, &scale, false);
        let at = (
            f64::midpoint(inner.left, inner.right),
            area.top + LABEL * 0.9,
        );
        canvas.write(Lettering::new(name, at, Hang::Middle, LABEL, Ink::Text).bold());
    }
    let middle = f64::midpoint(mix.left, within.right);
    let at = (middle, mix.bottom + LABEL * 2.0 + GAP * 2.0);
    canvas.write(Lettering::new(
        "Percentage points of the change",
        at,
        Hang::Middle,
        LABEL,
        Ink::Soft,
    ));
    let n = Lettering::new(
        "n",
        (area.right, area.top + LABEL * 0.9),
        Hang::Left,
        LABEL,
        Ink::Soft,
    );
    canvas.write(n);
    for (place, line) in lines.iter().enumerate() {
        let y = top + (place as f64 + 0.5) * PITCH;
        let baseline = y + LABEL * 0.35;
        let row = match line {
            Line::Heading(name) => {
                let at = (area.left, baseline);
                canvas.write(Lettering::new(name, at, Hang::Right, LABEL, Ink::Text).bold());
                continue;
            }
            Line::Group(row) => *row,
        };
        let label = table.text_at("group", row).unwrap_or("not known");
        let label = shorten(label, LABEL, LABELS - GAP);
        let at = (area.left + GAP, baseline);
        canvas.write(Lettering::new(&label, at, Hang::Right, LABEL, Ink::Text));
        if let Some(n) = table.integer_at("n", row) {
            let text = format::count(n);
            let at = (area.right, baseline);
            canvas.write(Lettering::new(&text, at, Hang::Left, SMALL, Ink::Soft));
        }
        let x = |inner: Area, value: f64| inner.left + scale.fraction(value) * inner.width();
        if let Some(value) = points(table, row, "mix") {
            canvas.diamond((x(mix, value), y), POINT, Ink::Data);
        }
        let [lo, hi] = ["within_lo", "within_hi"].map(|column| points(table, row, column));
        if let (Some(lo), Some(hi)) = (lo, hi) {
            canvas.line(&[(x(within, lo), y), (x(within, hi), y)], Ink::Data, LINE);
            if let Some(value) = points(table, row, "within") {
                let at = (x(within, value), y);
                match Signal::at(table, row) {
                    Signal::None => canvas.disc(at, POINT, Ink::Data),
                    side => {
                        canvas.triangle(at, POINT * 1.6, side == Signal::High, Ink::Signal);
                    }
                }
            }
        }
    }
}
