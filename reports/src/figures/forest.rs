//! A row an estimate with its interval, about the value of no effect.

use super::Drawn;
use crate::drawing::canvas::{Area, Canvas};
use crate::drawing::rows::{Row, Sides, height, row_chart_beside};
use crate::drawing::scale::Scale;
use crate::drawing::sheet::{Words, sheet};
use crate::drawing::theme::{Ink, LINE, POINT};
use crate::format;

const PITCH: f64 = 26.0;

/// One estimate.
pub(super) struct Estimate {
    /// What it is.
    pub(super) label: String,
    /// The estimate.
    pub(super) value: f64,
    /// Lower limit.
    pub(super) lo: Option<f64>,
    /// Upper limit.
    pub(super) hi: Option<f64>,
    /// Fittings behind it.
    pub(super) n: Option<i64>,
    /// Whether it is the primary analysis.
    pub(super) primary: bool,
}

impl Estimate {
    /// "−0.11 (−0.18 to −0.04)".
    fn number(&self) -> String {
        let value = format::coefficient(self.value);
        match (self.lo, self.hi) {
            (Some(lo), Some(hi)) => format!(
                "{value} ({} to {})",
                format::coefficient(lo),
                format::coefficient(hi)
            ),
            _ => format!("{value} (no interval)"),
        }
    }

    /// "−0.11 (95 % interval −0.18 to −0.04, n = 612)".
    pub(super) fn sentence(&self) -> String {
        let n = self
            .n
            .map_or_else(String::new, |n| format!(", {}", format::n(n)));
        let interval = match (self.lo, self.hi) {
            (Some(lo), Some(hi)) => format!(
                "95 % interval {} to {}",
                format::coefficient(lo),
                format::coefficient(hi)
            ),
            _ => "no interval".to_owned(),
        };
        format!("{} ({interval}{n})", format::coefficient(self.value))
    }

    /// Estimate and limits, for the scale.
    pub(super) fn values(&self) -> impl Iterator<Item = f64> {
        [Some(self.value), self.lo, self.hi].into_iter().flatten()
    }
}

/// Label at the left of each estimate, number at its right.
fn rows(estimates: &[&Estimate]) -> Vec<Row> {
    estimates
        .iter()
        .map(|estimate| Row {
            label: estimate.label.clone(),
            right: estimate.number(),
            called_out: true,
        })
        .collect()
}

/// Draws a panel with a line at the value of no effect.
fn panel(
    canvas: &mut Canvas,
    (area, sides): (Area, Sides),
    estimates: &[&Estimate],
    axis: (Scale, &str),
    no_effect: f64,
) {
    let rows = rows(estimates);
    let plot = row_chart_beside(canvas, area, &rows, (PITCH, sides), axis);
    let nought = plot.x(no_effect);
    let ends = [(nought, plot.area.top), (nought, plot.area.bottom)];
    canvas.line(&ends, Ink::Soft, LINE);
    for (row, estimate) in estimates.iter().enumerate() {
        let y = plot.y(row);
        if let (Some(lo), Some(hi)) = (estimate.lo, estimate.hi) {
            canvas.line(&[(plot.x(lo), y), (plot.x(hi), y)], Ink::Data, LINE);
        }
        let at = (plot.x(estimate.value), y);
        if estimate.primary {
            canvas.diamond(at, POINT * 1.8, Ink::Text);
        } else {
            canvas.disc(at, POINT, Ink::Data);
        }
    }
}

/// A figure of panels under each other, all as wide as the widest labels and numbers allow, each with its own estimates
/// and axis, about one value of no effect.
pub(super) fn figure(
    words: &Words,
    panels: &[(Vec<&Estimate>, Scale, &str)],
    no_effect: f64,
) -> Drawn {
    let high = |(estimates, _, _): &(Vec<&Estimate>, Scale, &str)| height(estimates.len(), PITCH);
    let all: Vec<Row> = panels
        .iter()
        .flat_map(|(estimates, _, _)| rows(estimates))
        .collect();
    let sides = Sides::of(&all);
    sheet(words, panels.iter().map(high).sum(), |canvas, area| {
        let mut top = area.top;
        for drawn in panels {
            let bottom = top + high(drawn);
            let part = Area {
                top,
                bottom,
                ..area
            };
            let (estimates, scale, title) = drawn;
            panel(
                canvas,
                (part, sides),
                estimates,
                (scale.clone(), *title),
                no_effect,
            );
            top = bottom;
        }
    })
}
