//! Axes: a frame with grid, tick labels and titles, and the way from values to places.

use super::canvas::{Area, Canvas, Hang, Lettering, Place};
use super::scale::Scale;
use super::text::width;
use super::theme::{GAP, HAIR, Ink, LABEL, LINE};

/// The plot inside its axes.
pub(crate) struct Plot {
    /// The frame.
    pub(crate) area: Area,
    x: Scale,
    y: Scale,
}

impl Plot {
    /// Place across.
    pub(crate) fn x(&self, value: f64) -> f64 {
        self.area.left + self.x.fraction(value) * self.area.width()
    }

    /// Place down; the greater value is higher.
    pub(crate) fn y(&self, value: f64) -> f64 {
        self.area.bottom - self.y.fraction(value) * self.area.height()
    }

    /// The greatest value of the level axis.
    pub(crate) fn x_end(&self) -> f64 {
        self.x.hi()
    }

    /// The place of a point.
    pub(crate) fn at(&self, x: f64, y: f64) -> Place {
        (self.x(x), self.y(y))
    }
}

/// Room that the frame must leave.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Room {
    /// For labels at the right, px.
    pub(crate) right: f64,
    /// For lines of text between the tick labels and the axis title, px.
    pub(crate) under: f64,
}

/// Draws both axes into an area. The title of the upright axis stands level above it, so that no
/// text is turned.
pub(crate) fn frame(
    canvas: &mut Canvas,
    area: Area,
    (x, x_title): (Scale, &str),
    (y, y_title): (Scale, &str),
    room: Room,
) -> Plot {
    let widest = y
        .ticks
        .iter()
        .filter_map(|tick| tick.label.as_deref())
        .map(|label| width(label, LABEL, false))
        .fold(0.0, f64::max);
    let inner = Area {
        left: area.left + widest + GAP,
        top: area.top + LABEL * 2.0,
        right: area.right - room.right,
        bottom: area.bottom - LABEL * 2.0 - GAP * 2.5 - room.under,
    };
    canvas.write(Lettering::new(
        y_title,
        (area.left, area.top + LABEL),
        Hang::Right,
        LABEL,
        Ink::Soft,
    ));
    canvas.write(Lettering::new(
        x_title,
        (
            f64::midpoint(inner.left, inner.right),
            area.bottom - LABEL * 0.3,
        ),
        Hang::Middle,
        LABEL,
        Ink::Soft,
    ));
    let plot = Plot { area: inner, x, y };
    for tick in &plot.y.ticks {
        let level = plot.y(tick.value);
        canvas.line(
            &[(inner.left, level), (inner.right, level)],
            Ink::Grid,
            HAIR,
        );
        if let Some(label) = &tick.label {
            let at = (inner.left - GAP, level + LABEL * 0.35);
            canvas.write(Lettering::new(label, at, Hang::Left, LABEL, Ink::Soft));
        }
    }
    ticks_across(canvas, inner, &plot.x, false);
    plot
}

/// Ticks, their labels and the base line of the level axis under (or above) an area. Labels that
/// would touch their neighbour are left out.
pub(crate) fn ticks_across(canvas: &mut Canvas, inner: Area, scale: &Scale, above: bool) {
    let (base, turn) = if above {
        (inner.top, -1.0)
    } else {
        (inner.bottom, 1.0)
    };
    canvas.line(
        &[(inner.left, base), (inner.right, base)],
        Ink::Soft,
        LINE / 2.0,
    );
    let mut free_from = f64::NEG_INFINITY;
    for tick in &scale.ticks {
        let place = inner.left + scale.fraction(tick.value) * inner.width();
        let long = if tick.label.is_some() { 6.0 } else { 3.0 };
        canvas.line(
            &[(place, base), (place, base + turn * long)],
            Ink::Soft,
            HAIR,
        );
        let Some(label) = &tick.label else { continue };
        let down = if above {
            base - GAP - 3.0
        } else {
            base + GAP + LABEL
        };
        let lettering = Lettering::new(label, (place, down), Hang::Middle, LABEL, Ink::Soft);
        let extent = lettering.extent();
        if extent.left >= free_from && canvas.area().holds(extent) {
            free_from = extent.right + GAP;
            canvas.write(lettering);
        }
    }
}
