//! Deviation from target by frequency, the quarter under review.

use fitcohort_queries::review::Review;
use fitcohort_queries::table::Table;

use super::{Drawn, ENOUGH, count_range, criterion_source};
use crate::drawing::axes::{Plot, Room, frame};
use crate::drawing::canvas::{Area, Canvas, Hang, Lettering};
use crate::drawing::measures::Axis;
use crate::drawing::scale::Scale;
use crate::drawing::sheet::{Words, missing, sheet};
use crate::drawing::theme::{HAIR, Ink, LABEL, LINE, STRONG};
use crate::{format, words};

const KEY: &str = "deviation-by-frequency";
const HIGH: f64 = 330.0;
/// Half the width of a box, and of the tolerance behind it, px.
const BOX: f64 = 8.0;
const GATE: f64 = 14.0;

/// Box and whiskers at each frequency over the tolerance, a panel for each quantity.
pub(super) fn figure(review: &Review) -> Drawn {
    let table = headline_band(review.table("deviation"));
    let known = table.filtered(|table, row| table.real_at("q50", row).is_some());
    if known.rows() == 0 {
        return missing(
            KEY,
            "No deviation from target can be shown",
            "No frequency has enough ears with a target and a final response in this quarter.",
        );
    }
    let mut quantities: Vec<String> = (0..known.rows())
        .map(|row| {
            known
                .text_at("quantity", row)
                .unwrap_or("response")
                .to_owned()
        })
        .collect();
    quantities.sort();
    quantities.dedup();
    let band = known
        .text_at("input_band", 0)
        .unwrap_or("average")
        .to_owned();
    let n = count_range((0..known.rows()).filter_map(|row| known.integer_at("n_ears", row)));
    let title = title(review, &known);
    let note = format!(
        "Final responses at {band} input level. Bold line: median; box: middle half of the ears; \
         thin line: 5 % to 95 %; shaded: tolerance. Ears per frequency: {}.",
        n.map_or_else(|| "unknown".to_owned(), |n| format!("n\u{a0}=\u{a0}{n}"))
    );
    let words = Words {
        key: KEY,
        description: format!(
            "{title}. {note} The values are in tables/deviation.csv and tables/tolerance.csv."
        ),
        title,
        note,
        source: format!(
            "Deviation is measured minus target. {}",
            criterion_source(review)
        ),
    };
    let high = HIGH * quantities.len() as f64;
    sheet(&words, high, |canvas, area| {
        let mut top = area.top;
        for quantity in &quantities {
            let part = Area {
                top,
                bottom: top + HIGH - 12.0,
                ..area
            };
            let rows = known.filtered(|table, row| {
                table.text_at("quantity", row).unwrap_or("response") == quantity
            });
            panel(canvas, part, review, &rows, quantity);
            top += HIGH;
        }
    })
}

/// The average input level where it is there, otherwise the first that is.
fn headline_band(table: &Table) -> Table {
    let average = table.where_text("input_band", "average");
    if average.rows() > 0 {
        return average;
    }
    match table.text_at("input_band", 0) {
        Some(first) => table.where_text("input_band", first),
        None => table.clone(),
    }
}

/// The frequency whose median lies farthest from target, among those that the criterion names
/// (among all where it names none) and that rest on enough ears.
fn title(review: &Review, rows: &Table) -> String {
    let named: Vec<f64> = gates(review).into_iter().map(|(hertz, _)| hertz).collect();
    let counts = |row: usize| {
        rows.integer_at("n_ears", row).is_some_and(|n| n >= ENOUGH)
            && rows.real_at("frequency_hz", row).is_some_and(|hertz| {
                named.is_empty() || named.iter().any(|known| (known - hertz).abs() < 0.5)
            })
    };
    let farthest = (0..rows.rows())
        .filter(|row| counts(*row))
        .filter_map(|row| Some((rows.real_at("q50", row)?, row)))
        .max_by(|one, other| {
            let order = one.0.abs().total_cmp(&other.0.abs());
            order.then(other.1.cmp(&one.1))
        });
    let Some((value, row)) = farthest else {
        return format!(
            "Deviation from target in {}: no frequency of the criterion rests on as many as {ENOUGH} ears",
            super::quarter(review)
        );
    };
    let side = if format::fixed(value, 1) == "0.0" {
        "on target".to_owned()
    } else if value < 0.0 {
        format!("{} below target", format::decibel(-value))
    } else {
        format!("{} above target", format::decibel(value))
    };
    format!(
        "Of the frequencies of the criterion, the median ear is farthest from target at {} Hz: {} {side} in {} ({})",
        rows.integer_at("frequency_hz", row).unwrap_or_default(),
        words::of_quantity(rows.text_at("quantity", row).unwrap_or("response")),
        super::quarter(review),
        rows.integer_at("n_ears", row)
            .map_or_else(|| "n unknown".to_owned(), format::n)
    )
}

/// The criterion in use: frequency in Hz and limit in dB.
fn gates(review: &Review) -> Vec<(f64, f64)> {
    let tolerance = review
        .table("tolerance")
        .where_text("criterion", &review.context.criterion);
    (0..tolerance.rows())
        .filter_map(|row| {
            Some((
                tolerance.real_at("frequency_hz", row)?,
                tolerance.real_at("limit_db", row)?,
            ))
        })
        .collect()
}

fn panel(canvas: &mut Canvas, area: Area, review: &Review, rows: &Table, quantity: &str) {
    let gates = gates(review);
    let quantiles = ["q05", "q25", "q50", "q75", "q95"];
    let values: Vec<f64> = (0..rows.rows())
        .flat_map(|row| quantiles.map(|name| rows.real_at(name, row)))
        .flatten()
        .chain(gates.iter().flat_map(|(_, limit)| [*limit, -limit]))
        .collect();
    let (lo, hi) = values
        .iter()
        .fold((0.0_f64, 0.0_f64), |(lo, hi), x| (lo.min(*x), hi.max(*x)));
    // Room for the names of the limits above the highest whisker.
    let room_above = hi + (hi - lo) * 0.1;
    let y = Scale::of(Axis::Deviation, values.into_iter().chain([room_above]));
    let hertz = (0..rows.rows()).filter_map(|row| rows.real_at("frequency_hz", row));
    let x = Scale::frequencies(hertz.chain(gates.iter().map(|(hertz, _)| *hertz)));
    let name = format::capital(words::of_quantity(quantity));
    let y_title = format!("{name}: measured minus target, dB");
    let room = Room::default();
    let plot = frame(canvas, area, (x, "Frequency, Hz"), (y, &y_title), room);

    for (hertz, limit) in &gates {
        let gate = Area {
            left: plot.x(*hertz) - GATE,
            top: plot.y(*limit),
            right: plot.x(*hertz) + GATE,
            bottom: plot.y(-limit),
        };
        canvas.rectangle(gate, Ink::Band);
        for level in [gate.top, gate.bottom] {
            canvas.line(
                &[(gate.left, level), (gate.right, level)],
                Ink::Soft,
                HAIR * 1.5,
            );
        }
    }
    let nought = plot.y(0.0);
    let ends = [(plot.area.left, nought), (plot.area.right, nought)];
    canvas.line(&ends, Ink::Soft, LINE / 1.5);
    let medians: Vec<_> = (0..rows.rows())
        .filter_map(|row| {
            Some(plot.at(
                rows.real_at("frequency_hz", row)?,
                rows.real_at("q50", row)?,
            ))
        })
        .collect();
    for row in 0..rows.rows() {
        distribution(canvas, &plot, rows, row, quantiles);
    }
    canvas.line(&medians, Ink::Data, LINE / 2.0);
    name_limits(canvas, &plot, &gates, rows);
}

fn distribution(canvas: &mut Canvas, plot: &Plot, rows: &Table, row: usize, names: [&str; 5]) {
    let Some(hertz) = rows.real_at("frequency_hz", row) else {
        return;
    };
    let x = plot.x(hertz);
    let [q05, q25, q50, q75, q95] = names.map(|name| rows.real_at(name, row));
    if let (Some(low), Some(high)) = (q05, q95) {
        canvas.line(&[(x, plot.y(low)), (x, plot.y(high))], Ink::Data, LINE);
    }
    if let (Some(low), Some(high)) = (q25, q75) {
        let area = Area {
            left: x - BOX,
            top: plot.y(high),
            right: x + BOX,
            bottom: plot.y(low),
        };
        canvas.rectangle(area, Ink::Box);
    }
    if let Some(median) = q50 {
        let level = plot.y(median);
        canvas.line(
            &[(x - BOX - 1.0, level), (x + BOX + 1.0, level)],
            Ink::Data,
            STRONG * 1.4,
        );
    }
}

/// Names the tolerance where it starts and wherever it changes, above both its upper end and the
/// whisker there.
fn name_limits(canvas: &mut Canvas, plot: &Plot, gates: &[(f64, f64)], rows: &Table) {
    let mut last = f64::NAN;
    for (hertz, limit) in gates {
        if (limit - last).abs() > 1e-9 || last.is_nan() {
            let decimals = usize::from(limit.fract().abs() > 1e-9);
            let text = format!("±{} dB", format::fixed(*limit, decimals));
            let top = (0..rows.rows())
                .filter(|row| {
                    rows.real_at("frequency_hz", *row)
                        .is_some_and(|x| (x - hertz).abs() < 0.5)
                })
                .filter_map(|row| rows.real_at("q95", row))
                .fold(*limit, f64::max);
            let at = (plot.x(*hertz), plot.y(top) - LABEL * 0.4);
            let lettering = Lettering::new(&text, at, Hang::Middle, LABEL, Ink::Soft);
            let extent = lettering.extent();
            if canvas.is_free(extent) && plot.area.holds(extent) {
                canvas.write(lettering);
            }
        }
        last = *limit;
    }
}
