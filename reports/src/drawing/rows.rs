//! Charts of one row an item: label at the left, number of records at the right, values on a level
//! axis. With many items the rows get low and only those that ask for a look keep their label.

use super::axes::ticks_across;
use super::canvas::{Area, Canvas, Hang, Lettering};
use super::labels::spread;
use super::scale::Scale;
use super::text::{shorten, width};
use super::theme::{GAP, HAIR, Ink, LABEL, LABEL_STEP};

/// Up to how many rows each has its label.
pub(crate) const LABELLED: usize = 60;
/// Up to how many rows are drawn.
pub(crate) const DRAWN: usize = 500;
/// Widest label, px.
const WIDEST: f64 = 205.0;
/// Rows higher than this together have the axis above them too, px.
pub(crate) const TALL: f64 = 500.0;
/// How many labels stand beside low rows at most.
const CALLED_OUT: usize = 40;

/// One row.
#[derive(Clone, Debug)]
pub(crate) struct Row {
    /// Its label.
    pub(crate) label: String,
    /// Text at its right end, as a rule the number of records.
    pub(crate) right: String,
    /// Whether the label is shown however many rows there are.
    pub(crate) called_out: bool,
}

/// Where the rows are.
pub(crate) struct RowPlot {
    /// The space of the values.
    pub(crate) area: Area,
    /// Height of a row, px.
    pub(crate) pitch: f64,
    scale: Scale,
}

impl RowPlot {
    /// Middle of a row, counted from the top.
    pub(crate) fn y(&self, row: usize) -> f64 {
        let row = row as f64;
        self.area.top + (row + 0.5) * self.pitch
    }

    /// The greatest value of the axis.
    pub(crate) fn x_end(&self) -> f64 {
        self.scale.hi()
    }

    /// Place of a value across.
    pub(crate) fn x(&self, value: f64) -> f64 {
        self.area.left + self.scale.fraction(value) * self.area.width()
    }
}

/// Height of one of so many rows, px.
pub(crate) fn pitch(rows: usize) -> f64 {
    if rows <= 12 {
        26.0
    } else if rows <= LABELLED {
        20.0
    } else {
        6.5
    }
}

/// Space above rows of so many px together: tall charts repeat the axis there.
fn above(high: f64) -> f64 {
    if high > TALL {
        LABEL * 2.2
    } else {
        LABEL * 0.6
    }
}

/// Height that the chart needs, px.
pub(crate) fn height(rows: usize, pitch: f64) -> f64 {
    let rows = rows as f64;
    above(rows * pitch) + rows * pitch + LABEL * 2.4 + GAP * 2.0
}

/// Space at both sides of the values that a chart leaves at least, px, so that charts under each other stand in line.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Sides {
    /// For the labels.
    pub(crate) left: f64,
    /// For what stands at the right end.
    pub(crate) right: f64,
}

impl Sides {
    /// What some rows need.
    pub(crate) fn of<'a>(rows: impl IntoIterator<Item = &'a Row>) -> Self {
        rows.into_iter().fold(Self::default(), |sides, row| Self {
            left: sides
                .left
                .max(width(&shorten(&row.label, LABEL, WIDEST), LABEL, false)),
            right: sides.right.max(width(&row.right, LABEL, false)),
        })
    }
}

/// Draws labels, grid and the level axis (above and below where the chart is tall).
pub(crate) fn row_chart(
    canvas: &mut Canvas,
    area: Area,
    rows: &[Row],
    pitch: f64,
    axis: (Scale, &str),
) -> RowPlot {
    row_chart_beside(canvas, area, rows, (pitch, Sides::default()), axis)
}

/// The same with at least so much space at the sides.
pub(crate) fn row_chart_beside(
    canvas: &mut Canvas,
    area: Area,
    rows: &[Row],
    (pitch, sides): (f64, Sides),
    (scale, title): (Scale, &str),
) -> RowPlot {
    let all = pitch >= LABEL_STEP;
    let shown = |row: &Row| all || row.called_out;
    let labels: Vec<Option<String>> = rows
        .iter()
        .map(|row| shown(row).then(|| shorten(&row.label, LABEL, WIDEST)))
        .collect();
    let widest = labels
        .iter()
        .flatten()
        .map(|label| width(label, LABEL, false))
        .fold(sides.left, f64::max);
    let right = if all {
        rows.iter()
            .map(|row| width(&row.right, LABEL, false))
            .fold(sides.right, f64::max)
    } else {
        0.0
    };
    let leader = if all { 0.0 } else { 24.0 };
    let high = rows.len() as f64 * pitch;
    let inner = Area {
        left: area.left + widest + leader + GAP * 2.0,
        top: area.top + above(high),
        right: area.right - right - GAP * 3.0,
        bottom: area.top + above(high) + high,
    };
    for tick in &scale.ticks {
        let place = inner.left + scale.fraction(tick.value) * inner.width();
        canvas.line(
            &[(place, inner.top), (place, inner.bottom)],
            Ink::Grid,
            HAIR,
        );
    }
    ticks_across(canvas, inner, &scale, false);
    // The title keeps within the sheet also where it is wider than the plot.
    let half = width(title, LABEL, false) / 2.0;
    let middle = f64::midpoint(inner.left, inner.right)
        .min(area.right - half)
        .max(area.left + half);
    canvas.write(Lettering::new(
        title,
        (middle, inner.bottom + LABEL * 2.0 + GAP * 2.0),
        Hang::Middle,
        LABEL,
        Ink::Soft,
    ));
    if high > TALL {
        ticks_across(canvas, inner, &scale, true);
    }
    let plot = RowPlot {
        area: inner,
        pitch,
        scale,
    };
    if all {
        for (place, (row, label)) in rows.iter().zip(&labels).enumerate() {
            let baseline = plot.y(place) + LABEL * 0.35;
            if let Some(label) = label {
                let at = (inner.left - GAP * 1.5, baseline);
                canvas.write(Lettering::new(label, at, Hang::Left, LABEL, Ink::Text));
            }
            let at = (area.right, baseline);
            canvas.write(Lettering::new(&row.right, at, Hang::Left, LABEL, Ink::Soft));
        }
    } else {
        call_out(canvas, &plot, &labels, inner.left - leader - GAP);
    }
    plot
}

/// Labels of low rows, moved apart, each with a line to its row.
fn call_out(canvas: &mut Canvas, plot: &RowPlot, labels: &[Option<String>], right: f64) {
    let named: Vec<(f64, &String)> = labels
        .iter()
        .enumerate()
        .filter_map(|(row, label)| Some((plot.y(row), label.as_ref()?)))
        .take(CALLED_OUT)
        .collect();
    let rows: Vec<f64> = named.iter().map(|(row, _)| *row).collect();
    let places = spread(&rows, LABEL_STEP, plot.area.top, plot.area.bottom);
    for ((row, label), place) in named.into_iter().zip(places) {
        canvas.line(
            &[
                (right + GAP / 2.0, place),
                (plot.area.left - GAP, row),
                (plot.area.left - 1.0, row),
            ],
            Ink::Soft,
            HAIR,
        );
        let at = (right, place + LABEL * 0.35);
        canvas.write(Lettering::new(label, at, Hang::Left, LABEL, Ink::Text));
    }
}

/// At most so many items: those to keep come first, the others are taken at even steps. The order
/// stays. A drawing of more would be larger than it is legible.
pub(crate) fn thin<T>(items: Vec<T>, most: usize, keep: impl Fn(&T) -> bool) -> Vec<T> {
    if items.len() <= most {
        return items;
    }
    let kept = items.iter().filter(|item| keep(item)).count().min(most);
    let others = items.len() - kept;
    let room = most - kept;
    let mut out = Vec::with_capacity(most);
    let (mut held, mut seen) = (0, 0);
    for item in items {
        if held < kept && keep(&item) {
            held += 1;
            out.push(item);
        } else {
            // An item is taken whenever its share of the room crosses a whole number.
            if (seen + 1) * room / others > seen * room / others {
                out.push(item);
            }
            seen += 1;
        }
    }
    out
}

/// Says that a drawing holds only some of the items; empty where it holds all.
pub(crate) fn thin_note(all: usize, most: usize) -> String {
    if all <= most {
        String::new()
    } else {
        format!(
            " Drawn: {most} of {all}, those that ask for a look first, the others at even steps."
        )
    }
}

/// A sentence on which rows have labels, for the note of the figure; empty where all have.
pub(crate) fn label_note(rows: &[Row]) -> String {
    if rows.len() <= LABELLED {
        return String::new();
    }
    let called = rows.iter().filter(|row| row.called_out).count();
    if called > CALLED_OUT {
        format!(
            " Of {called} beyond their limits the first {CALLED_OUT} carry their id; the table has all."
        )
    } else {
        " Only those beyond their limits carry their id; the table has all.".to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn thinning_keeps_order_number_and_what_asks_for_a_look() {
        let out = thin((0..1000).collect(), 100, |item| item % 97 == 3);
        assert_eq!(out.len(), 100);
        assert!(out.windows(2).all(|pair| pair[0] < pair[1]));
        assert!(
            (0..1000)
                .filter(|item| item % 97 == 3)
                .all(|item| out.contains(&item))
        );
        assert_eq!(thin(vec![1, 2, 3], 100, |_| false), [1, 2, 3]);
        assert_eq!(thin((0..50).collect(), 10, |_: &i32| true).len(), 10);
    }
}
