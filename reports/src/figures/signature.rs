//! The signature of each clinician: mean deviation by frequency, as a heat map.

use std::collections::{BTreeMap, BTreeSet};

use fitcohort_queries::review::Review;
use fitcohort_queries::table::Table;

use super::trend::Signal;
use super::{Drawn, ENOUGH, count_range, natural};
use crate::drawing::canvas::{Area, Canvas, Hang, Lettering};
use crate::drawing::rows::{
    LABELLED, Row, RowPlot, TALL, height, label_note, pitch, row_chart, thin, thin_note,
};
use crate::drawing::scale::{Scale, Tick, Unit};
use crate::drawing::sheet::{Words, missing, sheet};
use crate::drawing::text::width;
use crate::drawing::theme::{GAP, HAIR, Ink, LABEL, SMALL, diverging};
use crate::format;

const KEY: &str = "signature-by-frequency";
/// Up to how many clinicians the cells carry their value.
const VALUES: usize = 40;
/// At most so many cells are drawn, so that the file stays small.
const CELLS: usize = 2500;
/// Height of the colour key, px.
const COLOUR_KEY: f64 = 46.0;

/// What is drawn: clinicians down, frequencies across.
struct Grid {
    clinicians: Vec<String>,
    hertz: Vec<i64>,
    /// Mean and number of ears, clinician by clinician.
    cells: Vec<Vec<Option<f64>>>,
    ears: Vec<Vec<i64>>,
}

/// A cell for each clinician and frequency, purple below target and orange above.
pub(super) fn figure(review: &Review) -> Drawn {
    let table = review.table("signature");
    let grid = grid(table);
    let known: Vec<f64> = grid.cells.iter().flatten().flatten().copied().collect();
    let (lo, hi) = known
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(lo, hi), value| {
            (lo.min(*value), hi.max(*value))
        });
    if known.is_empty() {
        return missing(
            KEY,
            "The signature by frequency cannot be shown",
            "No clinician has enough ears with a target and a final response at any frequency.",
        );
    }
    // Whole steps of 4 dB keep the key readable and the colours comparable between reports.
    let reach = ((lo.abs().max(hi.abs()) / 4.0).ceil() * 4.0).max(4.0);
    let all = grid.clinicians.len();
    let who = if all == 1 { "clinician" } else { "clinicians" };
    let title = match range_of_cells(table) {
        Some((cells, lo, hi)) => format!(
            "Mean deviation from target runs from {} to {} over the {cells} cells with {ENOUGH} fittings or more \
             ({all} {who}, {} frequencies)",
            format::decibel(lo),
            format::decibel(hi),
            grid.hertz.len()
        ),
        None => format!(
            "Mean deviation from target by clinician and frequency: no cell rests on as many as {ENOUGH} fittings"
        ),
    };
    let most = CELLS / grid.hertz.len().max(1);
    let signals = signals(review);
    let grid = drawn(grid, most, &signals);
    let rows = rows(&grid, &signals);
    let n = count_range(grid.ears.iter().flatten().copied()).map_or_else(String::new, |n| {
        format!(" Ears per cell: n\u{a0}=\u{a0}{n}.")
    });
    let cells = if all <= VALUES {
        "Cells hold the mean deviation in dB; a dash: too few ears."
    } else {
        "Cells without colour: too few ears."
    };
    let order = if by_similarity(table) {
        "Neighbours are alike: rows stand by similarity, from below target to above as far as that allows; no ranking."
    } else {
        "Clinicians stand in the order of their labels."
    };
    let note = format!(
        "{cells} {order}{}{}{n}",
        label_note(&rows),
        thin_note(all, most)
    );
    let words = Words {
        key: KEY,
        description: format!("{title}. {note} The values are in tables/signature.csv."),
        title,
        note,
        source: "Deviation is measured minus target, headline curve (final stage, average input level). \
                 Spread and numbers of ears are in the table."
            .to_owned(),
    };
    let pitch = pitch(rows.len());
    let high = height(rows.len(), pitch) + COLOUR_KEY;
    sheet(&words, high, |canvas, area| {
        colour_key(canvas, area, reach);
        let below = Area {
            top: area.top + COLOUR_KEY,
            ..area
        };
        // Columns are cells side by side, so the level axis only carries names.
        let mut scale = Scale::around([0.0, columns(&grid)], Unit::Plain, 1);
        scale.ticks.clear();
        let plot = row_chart(canvas, below, &rows, pitch, (scale, "Frequency, Hz"));
        draw(canvas, &plot, &grid, reach);
    })
}

fn columns(grid: &Grid) -> f64 {
    grid.hertz.len() as f64
}

/// How many cells rest on enough fittings for the title, with the least and the greatest of them.
fn range_of_cells(table: &Table) -> Option<(usize, f64, f64)> {
    let known: Vec<f64> = (0..table.rows())
        .filter(|row| {
            table
                .integer_at("n_fittings", *row)
                .is_some_and(|n| n >= ENOUGH)
        })
        .filter_map(|row| table.real_at("mean", row))
        .collect();
    let (first, rest) = known.split_first()?;
    let (lo, hi) = rest
        .iter()
        .fold((*first, *first), |(lo, hi), x| (lo.min(*x), hi.max(*x)));
    Some((known.len(), lo, hi))
}

/// Whether the table gives rows a place by similarity.
fn by_similarity(table: &Table) -> bool {
    (0..table.rows()).any(|row| table.integer_at("order", row).is_some())
}

fn grid(table: &Table) -> Grid {
    let mut hertz: Vec<i64> = (0..table.rows())
        .filter_map(|row| table.integer_at("frequency_hz", row))
        .collect();
    hertz.sort_unstable();
    hertz.dedup();
    let mut clinicians: Vec<String> = (0..table.rows())
        .filter_map(|row| table.text_at("clinician_id", row).map(str::to_owned))
        .collect();
    clinicians.sort_by(|one, other| natural(one, other));
    clinicians.dedup();
    // Those without a place come last, in the order of their labels.
    let order: BTreeMap<String, i64> = (0..table.rows())
        .filter_map(|row| {
            let id = table.text_at("clinician_id", row)?.to_owned();
            Some((id, table.integer_at("order", row)?))
        })
        .collect();
    clinicians.sort_by_key(|id| order.get(id).copied().unwrap_or(i64::MAX));
    let mut cells = vec![vec![None; hertz.len()]; clinicians.len()];
    let mut ears = vec![Vec::new(); clinicians.len()];
    let places: BTreeMap<&str, usize> = clinicians
        .iter()
        .enumerate()
        .map(|(place, id)| (id.as_str(), place))
        .collect();
    for row in 0..table.rows() {
        let place = table
            .text_at("clinician_id", row)
            .and_then(|id| places.get(id).copied());
        let column = table
            .integer_at("frequency_hz", row)
            .and_then(|value| hertz.binary_search(&value).ok());
        let (Some(place), Some(column)) = (place, column) else {
            continue;
        };
        let cell = cells.get_mut(place).and_then(|cells| cells.get_mut(column));
        if let Some(cell) = cell {
            *cell = table.real_at("mean", row);
        }
        if let (Some(ears), Some(n)) = (ears.get_mut(place), table.integer_at("n_ears", row)) {
            ears.push(n);
        }
    }
    Grid {
        clinicians,
        hertz,
        cells,
        ears,
    }
}

/// The clinicians that are drawn, see [`thin`].
fn drawn(grid: Grid, most: usize, signals: &BTreeSet<String>) -> Grid {
    let rows = grid.clinicians.into_iter().zip(grid.cells).zip(grid.ears);
    let mut out = Grid {
        clinicians: Vec::new(),
        hertz: grid.hertz,
        cells: Vec::new(),
        ears: Vec::new(),
    };
    let kept = thin(rows.collect(), most, |((id, _), _)| signals.contains(id));
    for ((id, cells), ears) in kept {
        out.clinicians.push(id);
        out.cells.push(cells);
        out.ears.push(ears);
    }
    out
}

/// Clinicians beyond the limits of a measure that a signature explains.
fn signals(review: &Review) -> BTreeSet<String> {
    let table = review.table("clinicians");
    (0..table.rows())
        .filter(|row| Signal::at(table, *row) != Signal::None)
        .filter(|row| {
            ["signed", "high_frequency", "rms"]
                .contains(&table.text_at("measure", *row).unwrap_or(""))
        })
        .filter_map(|row| table.text_at("clinician_id", row).map(str::to_owned))
        .collect()
}

fn rows(grid: &Grid, signals: &BTreeSet<String>) -> Vec<Row> {
    grid.clinicians
        .iter()
        .zip(&grid.ears)
        .map(|(id, ears)| Row {
            label: id.clone(),
            right: count_range(ears.iter().copied()).map_or_else(String::new, |range| {
                format!("n\u{a0}=\u{a0}{}", range.replace(" to ", "–"))
            }),
            called_out: signals.contains(id),
        })
        .collect()
}

fn draw(canvas: &mut Canvas, plot: &RowPlot, grid: &Grid, reach: f64) {
    let wide = plot.area.width() / columns(grid).max(1.0);
    let left_of = |column: usize| {
        let column = column as f64;
        plot.area.left + column * wide
    };
    let values = grid.clinicians.len() <= VALUES;
    let seam = if grid.clinicians.len() <= LABELLED {
        1.0
    } else {
        0.25
    };
    for (row, cells) in grid.cells.iter().enumerate() {
        let y = plot.y(row);
        for (column, cell) in cells.iter().enumerate() {
            let left = left_of(column);
            let area = Area {
                left: left + seam,
                top: y - plot.pitch / 2.0 + seam,
                right: left + wide - seam,
                bottom: y + plot.pitch / 2.0 - seam,
            };
            let (text, ink) = match cell {
                Some(mean) => {
                    let (ground, text) = diverging(mean / reach);
                    canvas.rectangle(area, ground);
                    (format::fixed(*mean, 1), text)
                }
                None => ("–".to_owned(), Ink::Soft),
            };
            if values && width(&text, SMALL, false) <= wide - 2.0 {
                let at = (left + wide / 2.0, y + SMALL * 0.35);
                canvas.write(Lettering::new(&text, at, Hang::Middle, SMALL, ink));
            }
        }
    }
    let names = names(grid);
    for (column, tick) in names.iter().enumerate() {
        let x = left_of(column) + wide / 2.0;
        canvas.line(
            &[(x, plot.area.bottom), (x, plot.area.bottom + 5.0)],
            Ink::Soft,
            HAIR,
        );
        let Some(label) = &tick.label else { continue };
        let at = (x, plot.area.bottom + GAP + LABEL);
        let lettering = Lettering::new(label, at, Hang::Middle, LABEL, Ink::Soft);
        if canvas.is_free(lettering.extent()) {
            canvas.write(lettering);
        }
        if plot.area.height() > TALL {
            let at = (x, plot.area.top - GAP);
            let lettering = Lettering::new(label, at, Hang::Middle, LABEL, Ink::Soft);
            if canvas.is_free(lettering.extent()) {
                canvas.write(lettering);
            }
        }
    }
}

fn names(grid: &Grid) -> Vec<Tick> {
    grid.hertz
        .iter()
        .map(|hertz| {
            let value = *hertz as f64;
            Tick {
                value,
                label: Some(format::frequency(value)),
            }
        })
        .collect()
}

/// The colours with their values, so that the map can be read without the cells' text.
fn colour_key(canvas: &mut Canvas, area: Area, reach: f64) {
    let cell = 22.0;
    let whole = cell * 17.0;
    let left = area.left + (area.width() - whole) / 2.0;
    for step in 0..17_u8 {
        let share = (f64::from(step) - 8.0) / 8.0;
        let from = left + f64::from(step) * cell;
        let part = Area {
            left: from,
            top: area.top + LABEL * 1.5,
            right: from + cell,
            bottom: area.top + LABEL * 1.5 + 10.0,
        };
        canvas.rectangle(part, diverging(share).0);
    }
    let baseline = area.top + LABEL;
    for (text, at, hang) in [
        (
            format!("{} dB below target", format::fixed(reach, 0)),
            left,
            Hang::Right,
        ),
        ("0".to_owned(), left + whole / 2.0, Hang::Middle),
        (
            format!("{} dB above target", format::fixed(reach, 0)),
            left + whole,
            Hang::Left,
        ),
    ] {
        canvas.write(Lettering::new(
            &text,
            (at, baseline),
            hang,
            LABEL,
            Ink::Soft,
        ));
    }
}
