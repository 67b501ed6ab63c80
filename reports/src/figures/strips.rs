//! One clinician beside the others, who stay unnamed: a strip a measure, on a common axis.

use fitcohort_queries::review::Review;
use fitcohort_queries::table::Table;

use super::trend::Signal;
use super::{Drawn, criterion_source};
use crate::cells;
use crate::drawing::axes::ticks_across;
use crate::drawing::canvas::{Area, Canvas, Hang, Lettering};
use crate::drawing::scale::{Scale, Unit};
use crate::drawing::sheet::{Words, missing, sheet};
use crate::drawing::theme::{GAP, HAIR, Ink, LABEL, LINE, POINT, STRONG};
use crate::{format, words};

/// Height of a strip, px.
const STRIP: f64 = 74.0;
/// Height of the axis under the strips, px.
const AXIS: f64 = 44.0;
/// Height of the marks of the others, px.
const MARK: f64 = 11.0;

/// Up to so many of the others on one place, marks are all of one length.
const SAME: usize = 3;

/// One measure.
struct Strip {
    label: String,
    value: Option<f64>,
    interval: Option<(f64, f64)>,
    shrunken: Option<f64>,
    signal: Signal,
    /// Whether there are limits that it could lie beyond.
    has_limits: bool,
    /// What stands at the right: value, interval and n.
    text: String,
    others: Vec<f64>,
    quartiles: Option<[f64; 3]>,
}

/// Strips that share an axis.
struct Panel {
    strips: Vec<Strip>,
    unit: Unit,
    axis: &'static str,
}

impl Panel {
    fn of(review: &Review, measures: &[&str], unit: Unit, axis: &'static str) -> Self {
        let strips = measures
            .iter()
            .filter_map(|measure| strip(review, measure))
            .collect();
        Self { strips, unit, axis }
    }

    fn is_empty(&self) -> bool {
        self.strips.iter().all(|strip| strip.value.is_none())
    }

    fn height(&self) -> f64 {
        self.strips.len() as f64 * STRIP + AXIS
    }

    fn scale(&self) -> Scale {
        if self.unit == Unit::Share {
            // The same in every report, so that two of them can be laid side by side.
            return Scale::around([0.0, 1.0], Unit::Share, 5);
        }
        let values = self.strips.iter().flat_map(|strip| {
            let ends = strip
                .interval
                .map_or([None; 2], |(lo, hi)| [Some(lo), Some(hi)]);
            let quartiles = strip.quartiles.map_or(Vec::new(), |q| q.to_vec());
            ends.into_iter()
                .chain([strip.value, strip.shrunken])
                .flatten()
                .chain(quartiles)
                .chain(strip.others.iter().copied())
                .collect::<Vec<_>>()
        });
        Scale::around(values.chain([0.0]), self.unit, 6)
    }

    fn draw(&self, canvas: &mut Canvas, area: Area) {
        let scale = self.scale();
        let inner = Area {
            left: area.left + GAP * 2.0,
            right: area.right - GAP * 2.0,
            top: area.top,
            bottom: area.bottom - AXIS,
        };
        let x = |value: f64| inner.left + scale.fraction(value) * inner.width();
        for (place, strip) in self.strips.iter().enumerate() {
            let top = area.top + place as f64 * STRIP;
            for tick in &scale.ticks {
                let at = x(tick.value);
                canvas.line(&[(at, top + 24.0), (at, top + STRIP)], Ink::Grid, HAIR);
            }
            strip.draw(canvas, (area.left, area.right), top, x);
        }
        ticks_across(canvas, inner, &scale, false);
        let middle = f64::midpoint(inner.left, inner.right);
        let at = (middle, area.bottom - LABEL * 0.3);
        canvas.write(Lettering::new(
            self.axis,
            at,
            Hang::Middle,
            LABEL,
            Ink::Soft,
        ));
    }
}

impl Strip {
    fn draw(
        &self,
        canvas: &mut Canvas,
        (left, right): (f64, f64),
        top: f64,
        x: impl Fn(f64) -> f64,
    ) {
        let baseline = top + LABEL * 1.15;
        canvas.write(
            Lettering::new(&self.label, (left, baseline), Hang::Right, LABEL, Ink::Text).backed(),
        );
        let ink = match self.signal {
            Signal::None => Ink::Data,
            _ => Ink::Signal,
        };
        canvas
            .write(Lettering::new(&self.text, (right, baseline), Hang::Left, LABEL, ink).backed());
        let own = top + 35.0;
        let others = top + 55.0;
        if let Some([low, middle, high]) = self.quartiles {
            let area = Area {
                left: x(low),
                right: x(high).max(x(low) + 1.0),
                top: others - MARK * 0.75,
                bottom: others + MARK * 0.75,
            };
            canvas.rectangle(area, Ink::Box);
            canvas.line(
                &[(x(middle), area.top), (x(middle), area.bottom)],
                Ink::Text,
                STRONG,
            );
        }
        // Values are rounded, so a mark stands for all that fall on the same place, and grows with their number.
        let mut marks: Vec<(f64, usize)> = Vec::new();
        for at in self.others.iter().map(|value| x(*value)) {
            match marks.last_mut() {
                Some((last, count)) if at - *last < 1.0 => *count += 1,
                _ => marks.push((at, 1)),
            }
        }
        let most = marks.iter().map(|(_, count)| *count).max().unwrap_or(1);
        for (at, count) in marks {
            let share = if most > SAME {
                0.4 + 1.2 * count as f64 / most as f64
            } else {
                1.0
            };
            let bottom = others + MARK / 2.0;
            let ends = [(at, bottom - MARK * share), (at, bottom)];
            canvas.line(&ends, Ink::Soft, LINE);
        }
        if let Some((lo, hi)) = self.interval {
            canvas.line(&[(x(lo), own), (x(hi), own)], ink, LINE);
        }
        if let Some(shrunken) = self.shrunken {
            let at = (x(shrunken), own);
            canvas.diamond(at, POINT * 1.7, Ink::Text);
            canvas.diamond(at, POINT * 1.2, Ink::Paper);
        }
        if let Some(value) = self.value {
            let at = (x(value), own);
            match self.signal {
                Signal::None => canvas.disc(at, POINT, ink),
                outside => canvas.triangle(at, POINT * 1.7, outside == Signal::High, ink),
            }
        }
    }
}

fn row_of(table: &Table, measure: &str) -> Option<usize> {
    (0..table.rows()).find(|row| table.text_at("measure", *row) == Some(measure))
}

fn strip(review: &Review, measure: &str) -> Option<Strip> {
    let own = review.table("clinician");
    let row = row_of(own, measure)?;
    let real = |column: &str| own.real_at(column, row);
    let write = |column: &str| cells::cell("clinician", own, column, row).0;
    let value = real("value");
    let signal = Signal::at(own, row);
    let mut text = match (value, real("lo").zip(real("hi"))) {
        (None, _) if own.integer_at("n", row) == Some(0) => "no fitting".to_owned(),
        (None, _) => "withheld or not estimable".to_owned(),
        (Some(_), Some(_)) => format!("{} ({} to {})", write("value"), write("lo"), write("hi")),
        (Some(_), None) => write("value"),
    };
    if let Some(n) = own.integer_at("n", row).filter(|_| value.is_some()) {
        text.push_str(&format!(", {}", format::n(n)));
    }
    let practice = review.table("practice");
    let quartiles = row_of(practice, measure).and_then(|row| {
        let real = |column| practice.real_at(column, row);
        Some([real("q25")?, real("q50")?, real("q75")?])
    });
    let distribution = review.table("distribution").where_text("measure", measure);
    Some(Strip {
        label: format::capital(words::of_value(measure)),
        value,
        interval: real("lo").zip(real("hi")),
        shrunken: real("shrunken"),
        signal,
        has_limits: own.text_at("signal", row).is_some(),
        text,
        others: (0..distribution.rows())
            .filter_map(|row| distribution.real_at("value", row))
            .collect(),
        quartiles,
    })
}

/// How to read a strip, and how many clinicians the others are.
fn note(review: &Review, panels: &[&Panel]) -> String {
    let strips = || panels.iter().flat_map(|panel| &panel.strips);
    let mut out = String::from("Dot: this clinician; bar: 95 % interval.");
    if strips().any(|strip| strip.shrunken.is_some()) {
        out.push_str(
            " Diamond: the same, drawn towards the practice as far as the number of fittings asks.",
        );
    }
    if strips().any(|strip| strip.signal != Signal::None) {
        out.push_str(
            " Triangle in place of the dot: beyond the 99.8 % limits for so many fittings.",
        );
    }
    let practice = review.table("practice");
    let counts = (0..practice.rows())
        .filter(|row| practice.real_at("q50", *row).is_some())
        .filter_map(|row| practice.integer_at("n_others", row));
    match super::count_range(counts) {
        Some(range) if strips().any(|strip| !strip.others.is_empty()) => out.push_str(&format!(
            " Strokes: {range} other clinicians, unnamed, each on {} fittings or more, longer where many share a value; shaded: the middle half of them, with the median.",
            format::count(review.context.minimum_cell)
        )),
        _ => out.push_str(" Too few other clinicians to show them without names."),
    }
    out
}

/// Draws panels under each other.
fn drawn(
    review: &Review,
    key: &'static str,
    panels: &[Panel],
    title: String,
    source: String,
) -> Drawn {
    let there: Vec<&Panel> = panels.iter().filter(|panel| !panel.is_empty()).collect();
    if there.is_empty() {
        return missing(
            key,
            &format!("{}: nothing can be shown", words::of_figure(key)),
            "Too few fittings of this clinician have a value that can be shown.",
        );
    }
    let note = note(review, &there);
    let words = Words {
        key,
        description: format!(
            "{title}. {note} The values are in tables/clinician.csv, tables/practice.csv and tables/distribution.csv."
        ),
        title,
        note,
        source,
    };
    let gap = GAP * 2.0;
    let high = there.iter().map(|panel| panel.height() + gap).sum::<f64>() - gap;
    sheet(&words, high, |canvas, area| {
        let mut top = area.top;
        for panel in there {
            let bottom = top + panel.height();
            panel.draw(
                canvas,
                Area {
                    top,
                    bottom,
                    ..area
                },
            );
            top = bottom + gap;
        }
    })
}

/// "None of the 5 shares lies beyond …", as a title.
fn beyond(panels: &[Panel], what: [&str; 2]) -> String {
    let known = || {
        panels
            .iter()
            .flat_map(|panel| &panel.strips)
            .filter(|strip| strip.value.is_some() && strip.has_limits)
    };
    let (all, outside) = (
        known().count(),
        known().filter(|strip| strip.signal != Signal::None).count(),
    );
    let limits = "the 99.8 % limits for a clinician with so many fittings";
    match (all, outside) {
        (0, _) => format!(
            "This clinician's {}, without limits to hold them against",
            what[1]
        ),
        (1, 0) => format!(
            "The one {} with limits lies inside them, the 99.8 % limits for a clinician with so many fittings",
            what[0]
        ),
        (_, 0) => format!("None of {all} {} lies beyond {limits}", what[1]),
        (_, 1) => format!(
            "1 of {all} {} lies beyond {limits}: worth a look together",
            what[1]
        ),
        _ => format!(
            "{outside} of {all} {} lie beyond {limits}: worth a look together",
            what[1]
        ),
    }
}

/// Shares of fittings.
pub(super) fn shares(review: &Review) -> Drawn {
    let measures = [
        "within_criterion",
        "verified",
        "two_ear",
        "answered",
        "satisfied",
    ];
    let panels = [Panel::of(
        review,
        &measures,
        Unit::Share,
        "Share of fittings",
    )];
    let title = beyond(&panels, ["share", "shares"]);
    let source = format!(
        "Limits: exact binomial, widened for over-dispersion where there are ten or more clinicians (Spiegelhalter \
         2005). Intervals: Wilson. {}",
        criterion_source(review)
    );
    drawn(review, "shares-among-others", &panels, title, source)
}

/// Levels in dB.
pub(super) fn levels(review: &Review) -> Drawn {
    let panels = [Panel::of(
        review,
        &["rms", "signed", "spread"],
        Unit::Decibel,
        "dB",
    )];
    let title = beyond(&panels, ["level", "levels"]);
    let source = "Limits of RMS and mean deviation: normal, with additive over-dispersion where there are ten or more \
                  clinicians (Spiegelhalter 2005); the spread has none. Intervals: Student's t; of the spread, \
                  chi-square."
        .to_owned();
    drawn(review, "levels-among-others", &panels, title, source)
}

/// From the first response to the final one, over fittings that have both.
pub(super) fn first_final(review: &Review) -> Drawn {
    let panels = [
        Panel::of(
            review,
            &["rms_first", "rms_last", "rms_fall"],
            Unit::Decibel,
            "dB",
        ),
        Panel::of(
            review,
            &["within_first", "within_last"],
            Unit::Share,
            "Share of fittings judged at both",
        ),
    ];
    let table = review.table("clinician");
    let write = |row: usize, column: &str| cells::cell("clinician", table, column, row).0;
    let title = match row_of(table, "rms_fall").filter(|row| table.real_at("value", *row).is_some())
    {
        Some(row) if table.real_at("lo", row).is_some() => format!(
            "From first to final response, RMS deviation fell by {} ({} to {})",
            write(row, "value"),
            write(row, "lo"),
            write(row, "hi")
        ),
        Some(row) => format!(
            "From first to final response, RMS deviation fell by {}",
            write(row, "value")
        ),
        None => "From first to final response".to_owned(),
    };
    let source = format!(
        "Over fittings with both responses, RMS deviation over 500, 1000, 2000, 4000 Hz at average input level; the fall \
         is the mean of the fittings' own differences, below 0 where it rose. Intervals: Student's t, Wilson. {}",
        criterion_source(review)
    );
    drawn(review, "own-first-to-final", &panels, title, source)
}
