//! Flow of records: from what was delivered to what was analysed.

use fitcohort_queries::review::Review;
use fitcohort_queries::table::Table;

use super::Drawn;
use crate::drawing::canvas::{Area, Canvas, Hang, Lettering};
use crate::drawing::sheet::{Words, missing, sheet};
use crate::drawing::text::wrap;
use crate::drawing::theme::{GAP, Ink, LABEL, LEADING, LINE};
use crate::format;

const KEY: &str = "flow-of-records";
const BOX: f64 = 62.0;
const STEP: f64 = 104.0;
const WIDE: f64 = 290.0;
/// More steps than this are left to the table.
const STEPS: usize = 12;

/// A box a step; what was lost on the way stands at the right.
pub(super) fn figure(review: &Review) -> Drawn {
    let table = review.table("flow");
    let steps = table.rows().min(STEPS);
    if (0..steps).all(|row| table.integer_at("n", row).is_none()) {
        return missing(
            KEY,
            "The flow of records cannot be shown",
            "The cohort has no record of what was delivered, stored and analysed.",
        );
    }
    let of = |row: usize| {
        let n = table.integer_at("n", row).map(format::count);
        n.unwrap_or_else(|| "a withheld number".to_owned())
    };
    let last = steps.saturating_sub(1);
    let stored = (0..steps).find(|row| table.text_at("step", *row) == Some("stored"));
    let title = match stored {
        Some(row) => format!(
            "{} of {} stored fittings reached the analysis",
            of(last),
            of(row)
        ),
        None => format!("{} of {} records reached the analysis", of(last), of(0)),
    };
    let words = Words {
        key: KEY,
        description: format!("{title}. The steps, losses and reasons are in tables/flow.csv."),
        title,
        note: "Boxes: records at each step. At the right: records that did not go on, and why."
            .to_owned(),
        source: "Nothing is dropped in silence: what is set aside is kept with its reason."
            .to_owned(),
    };
    let high = STEP * (steps as f64 - 1.0) + BOX + GAP;
    sheet(&words, high, |canvas, area| {
        let mut top = area.top;
        for row in 0..steps {
            step(canvas, area, top, table, row);
            top += STEP;
        }
    })
}

fn step(canvas: &mut Canvas, area: Area, top: f64, table: &Table, row: usize) {
    let frame = Area {
        left: area.left,
        top,
        right: area.left + WIDE,
        bottom: top + BOX,
    };
    let middle = f64::midpoint(frame.left, frame.right);
    if row > 0 {
        let from = top - (STEP - BOX);
        canvas.line(&[(middle, from), (middle, top - 6.0)], Ink::Soft, LINE);
        canvas.triangle((middle, top - 5.0), 5.0, false, Ink::Soft);
        loss(canvas, area, (middle, f64::midpoint(from, top)), table, row);
    }
    canvas.rectangle(frame, Ink::Band);
    let edge = [
        (frame.left, frame.top),
        (frame.right, frame.top),
        (frame.right, frame.bottom),
        (frame.left, frame.bottom),
        (frame.left, frame.top),
    ];
    canvas.line(&edge, Ink::Data, LINE);
    let label = table
        .text_at("label", row)
        .or_else(|| table.text_at("step", row))
        .unwrap_or("step");
    let n = table
        .integer_at("n", row)
        .map_or_else(|| "n withheld".to_owned(), format::n);
    let lines = cut(wrap(label, LABEL, false, WIDE - GAP * 3.0), 2);
    let mut baseline = f64::midpoint(frame.top, frame.bottom)
        - lines.len() as f64 * LABEL * 1.2 / 2.0
        + LABEL * 0.35;
    for line in &lines {
        let at = (frame.left + GAP * 1.5, baseline);
        canvas.write(Lettering::new(line, at, Hang::Right, LABEL, Ink::Text));
        baseline += LABEL * 1.2;
    }
    let at = (frame.left + GAP * 1.5, baseline);
    canvas.write(Lettering::new(&n, at, Hang::Right, LABEL, Ink::Text).bold());
}

fn loss(canvas: &mut Canvas, area: Area, from: (f64, f64), table: &Table, row: usize) {
    let lost = table.integer_at("lost", row);
    if lost == Some(0) {
        return;
    }
    let left = area.left + WIDE + GAP * 3.0;
    let text = format!(
        "{} lost{}",
        lost.map_or_else(|| "withheld number".to_owned(), format::count),
        table
            .text_at("reason", row)
            .map_or_else(String::new, |reason| format!(": {reason}"))
    );
    canvas.line(&[from, (left - GAP, from.1)], Ink::Soft, LINE);
    let lines = cut(wrap(&text, LABEL, false, area.right - left), 4);
    let mut baseline = from.1 - (lines.len() as f64 - 1.0) * LABEL * LEADING / 2.0 + LABEL * 0.35;
    for line in &lines {
        let at = (left, baseline);
        canvas.write(Lettering::new(line, at, Hang::Right, LABEL, Ink::Text));
        baseline += LABEL * LEADING;
    }
}

/// At most so many lines; the last says by an ellipsis that more was there.
fn cut(mut lines: Vec<String>, most: usize) -> Vec<String> {
    if lines.len() > most {
        lines.truncate(most);
        if let Some(last) = lines.last_mut() {
            last.pop();
            last.pop();
            last.push('…');
        }
    }
    lines
}
