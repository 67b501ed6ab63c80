//! Who answered, by match; and the drawing of binned values that it shares.

use fitcohort_queries::review::Review;
use fitcohort_queries::table::Table;

use super::{Drawn, ends};
use crate::drawing::axes::{Room, frame};
use crate::drawing::canvas::{Area, Canvas, Hang, Lettering};
use crate::drawing::measures::Axis;
use crate::drawing::scale::Scale;
use crate::drawing::sheet::{Words, missing, sheet};
use crate::drawing::theme::{GAP, HAIR, Ink, LABEL, LINE, POINT};
use crate::format;

const KEY: &str = "response-by-match";

/// A value with its interval over a bin of RMS deviation, dB.
pub(super) struct Bin {
    from: Option<f64>,
    to: Option<f64>,
    at: f64,
    /// The value.
    pub(super) value: f64,
    lo: Option<f64>,
    hi: Option<f64>,
    /// Records behind it.
    pub(super) n: Option<i64>,
}

impl Bin {
    /// Reads a row; none where the value is missing or the bin has no place on the axis.
    pub(super) fn at(table: &Table, row: usize, names: [&str; 3], n: &str) -> Option<Self> {
        let [value, lo, hi] = names.map(|name| table.real_at(name, row));
        let from = table.real_at("bin_lo", row);
        let to = table.real_at("bin_hi", row);
        let middle = match (from, to) {
            (Some(from), Some(to)) => Some(f64::midpoint(from, to)),
            (one, other) => one.or(other),
        };
        Some(Self {
            from,
            to,
            at: table.real_at("rms_mean", row).or(middle)?,
            value: value?,
            lo,
            hi,
            n: table.integer_at(n, row),
        })
    }

    /// "at 2 to 3 dB": edges are chosen, not measured, so they carry no decimals that they do not need.
    pub(super) fn place(&self) -> String {
        let edge = |value: f64| format::fixed(value, usize::from(value.fract() != 0.0));
        match (self.from, self.to) {
            (Some(from), Some(to)) if from > 0.0 => format!("at {} to {} dB", edge(from), edge(to)),
            (Some(from), None) => format!("at {} dB and over", edge(from)),
            (_, Some(to)) => format!("below {} dB", edge(to)),
            (None, None) => format!("at {}", format::decibel(self.at)),
        }
    }
}

/// One place of a curve along the RMS deviation: where, the curve, and its band.
pub(super) struct CurvePoint {
    at: f64,
    fit: f64,
    lo: f64,
    hi: f64,
}

impl CurvePoint {
    /// Reads the rows of a table of curve points that have all of their values.
    pub(super) fn all(table: &Table) -> Vec<Self> {
        (0..table.rows())
            .filter_map(|row| {
                let [at, fit, lo, hi] =
                    ["at", "fit", "lo", "hi"].map(|name| table.real_at(name, row));
                Some(Self {
                    at: at?,
                    fit: fit?,
                    lo: lo?,
                    hi: hi?,
                })
            })
            .collect()
    }
}

/// Draws bins as points with both extents and the n under each, over a curve with its band where there is one.
pub(super) fn binned(
    canvas: &mut Canvas,
    area: Area,
    bins: &[Bin],
    curve: &[CurvePoint],
    measure: Axis,
    y_title: &str,
) {
    let across = bins
        .iter()
        .flat_map(|bin| [bin.from, bin.to, Some(bin.at)])
        .flatten();
    // Shares fill their axis anyway. Of scores only means move an axis out: an interval on a few answers may leave the scale.
    let up = bins
        .iter()
        .map(|bin| bin.value)
        .chain(curve.iter().map(|point| point.fit));
    let room = Room {
        right: GAP * 2.0,
        under: LABEL * 2.6,
    };
    let plot = frame(
        canvas,
        area,
        (
            Scale::of(Axis::Size, across),
            "RMS deviation from target, dB",
        ),
        (Scale::of(measure, up), y_title),
        room,
    );
    if curve.len() > 1 {
        let upper = curve.iter().map(|point| plot.at(point.at, point.hi));
        let lower = curve.iter().rev().map(|point| plot.at(point.at, point.lo));
        canvas.polygon(upper.chain(lower).collect(), Ink::Band);
        let line: Vec<_> = curve
            .iter()
            .map(|point| plot.at(point.at, point.fit))
            .collect();
        canvas.line(&line, Ink::Soft, LINE);
    }
    let down = plot.area.bottom + GAP + LABEL * 2.3;
    let at = (area.left, down);
    canvas.write(Lettering::new("n", at, Hang::Right, LABEL, Ink::Soft));
    for bin in bins {
        let at = plot.at(bin.at, bin.value);
        if let (Some(from), Some(to)) = (bin.from, bin.to) {
            let ends = [(plot.x(from), at.1), (plot.x(to), at.1)];
            canvas.line(&ends, Ink::Data, HAIR);
        }
        if let (Some(lo), Some(hi)) = (bin.lo, bin.hi) {
            canvas.line(&[(at.0, plot.y(lo)), (at.0, plot.y(hi))], Ink::Data, LINE);
        }
        canvas.disc(at, POINT, Ink::Data);
        if let Some(n) = bin.n {
            let text = format::count(n);
            // Where bins are narrow and numbers long, every other one stands a line lower.
            let places = [down, down + LABEL * 1.3]
                .map(|level| Lettering::new(&text, (at.0, level), Hang::Middle, LABEL, Ink::Soft));
            let free = places
                .into_iter()
                .find(|lettering| canvas.is_free(lettering.extent()));
            if let Some(lettering) = free {
                canvas.write(lettering);
            }
        }
    }
}

/// Share of fittings with an answer, by RMS deviation.
pub(super) fn figure(review: &Review) -> Drawn {
    let table = review.table("response_by_match");
    let names = ["response_rate", "response_rate_lo", "response_rate_hi"];
    let bins: Vec<Bin> = (0..table.rows())
        .filter_map(|row| Bin::at(table, row, names, "n_fittings"))
        .collect();
    if bins.is_empty() {
        return missing(
            KEY,
            "The response rate by match cannot be shown",
            "No bin of RMS deviation has enough fittings for a response rate.",
        );
    }
    let part = |bin: &Bin| {
        let n = bin.n.map_or_else(|| "n unknown".to_owned(), format::n);
        format!("{} {} ({n})", format::share(bin.value, bin.n), bin.place())
    };
    let title = match ends(&bins, |bin| bin.n) {
        Some((one, other)) if !std::ptr::eq(one, other) => format!(
            "By RMS deviation, an answer came back from {} and {}",
            part(one),
            part(other)
        ),
        Some((one, _)) => format!("An answer came back from {}", part(one)),
        None => format!(
            "Response rate by RMS deviation: no bin rests on as many as {} fittings",
            super::ENOUGH
        ),
    };
    let note = "Dot: share of fittings with an answer on satisfaction in a bin of RMS deviation; upright \
                bar: its 95 % interval; level bar: the bin. Where the rate changes with match, those who \
                answered are a selection.";
    let words = Words {
        key: KEY,
        description: format!("{title}. {note} The values are in tables/response_by_match.csv."),
        title,
        note: note.to_owned(),
        source:
            "Intervals: Wilson (1927). RMS deviation over 500, 1000, 2000, 4000 Hz, headline curve."
                .to_owned(),
    };
    sheet(&words, 310.0, |canvas, area| {
        binned(
            canvas,
            area,
            &bins,
            &[],
            Axis::Share,
            "Share of fittings with an answer",
        );
    })
}
