//! The clinics in the quarter under review: share within criterion against the limits for their size.

use fitcohort_queries::review::Review;
use fitcohort_queries::table::Table;

use super::trend::Signal;
use super::{Drawn, JUDGED, criterion_source, natural};
use crate::drawing::canvas::{Area, Place};
use crate::drawing::labels::beside;
use crate::drawing::measures::Axis;
use crate::drawing::rows::{
    DRAWN, LABELLED, Row, height, label_note, pitch, row_chart, thin, thin_note,
};
use crate::drawing::scale::Scale;
use crate::drawing::sheet::{Words, missing, sheet};
use crate::drawing::theme::{HAIR, Ink, LINE, POINT};
use crate::format;

const KEY: &str = "clinics-this-quarter";
const MEASURE: &str = "within_criterion";
const COLUMNS: [&str; 5] = ["observed", "lo", "hi", "limit_low", "limit_high"];

/// One row a clinic, in the order of their ids, so that a clinic keeps its place between quarters.
pub(super) fn figure(review: &Review) -> Drawn {
    let table = review.table("clinics").where_text("measure", MEASURE);
    let mut order: Vec<usize> = (0..table.rows())
        .filter(|row| table.real_at("observed", *row).is_some())
        .collect();
    if order.is_empty() {
        return missing(
            KEY,
            "Clinics cannot be compared this quarter",
            "No clinic has enough fittings judged by the criterion this quarter for a share within it.",
        );
    }
    let id = |row: usize| table.text_at("clinic_id", row).unwrap_or("no clinic");
    order.sort_by(|one, other| natural(id(*one), id(*other)));
    let all = order.len();
    let title = title(review, &table, &order);
    let is_outside = |row: &usize| Signal::at(&table, *row) != Signal::None;
    let order = thin(order, DRAWN, is_outside);
    let rows: Vec<Row> = order
        .iter()
        .map(|row| Row {
            label: id(*row).to_owned(),
            right: table
                .integer_at("n", *row)
                .map_or_else(String::new, format::n),
            called_out: is_outside(row),
        })
        .collect();
    let overall = overall(review);
    let upright = overall.map_or("", |_| " Upright line: share over all clinics.");
    let note = format!(
        "Dot: share of the clinic's fittings judged that are within criterion; bar: its 95 % interval; shaded: \
         99.8 % limits for its number of fittings; triangle: beyond them.{upright} {JUDGED}{}{}",
        label_note(&rows),
        thin_note(all, DRAWN)
    );
    let words = Words {
        key: KEY,
        description: format!(
            "{title}. {note} The values are in tables/clinics.csv and tables/headline.csv."
        ),
        title,
        note,
        source: format!(
            "Intervals: Wilson (1927). Limits: exact binomial, with allowance for over-dispersion where there are \
             ten or more clinics (Spiegelhalter 2005); with fewer than ten, no allowance is made. {}",
            criterion_source(review)
        ),
    };
    let pitch = pitch(rows.len());
    sheet(&words, height(rows.len(), pitch), |canvas, area| {
        let values = order
            .iter()
            .flat_map(|row| COLUMNS.map(|name| table.real_at(name, *row)))
            .chain([overall])
            .flatten();
        let scale = Scale::of(Axis::Share, values);
        let axis = (scale, "Share of fittings judged that are within criterion");
        let plot = row_chart(canvas, area, &rows, pitch, axis);
        for (place, row) in order.iter().enumerate() {
            let [_, _, _, low, high] = COLUMNS.map(|name| table.real_at(name, *row));
            if let (Some(low), Some(high)) = (low, high) {
                let y = plot.y(place);
                let band = Area {
                    left: plot.x(low),
                    top: y - pitch * 0.38,
                    right: plot.x(high),
                    bottom: y + pitch * 0.38,
                };
                canvas.rectangle(band, Ink::Band);
                for x in [band.left, band.right] {
                    canvas.line(&[(x, band.top), (x, band.bottom)], Ink::Soft, LINE);
                }
            }
        }
        if let Some(overall) = overall {
            let x = plot.x(overall);
            canvas.line(
                &[(x, plot.area.top), (x, plot.area.bottom)],
                Ink::Soft,
                LINE,
            );
        }
        let few = rows.len() <= LABELLED;
        for (place, row) in order.iter().enumerate() {
            let y = plot.y(place);
            let [value, lo, hi, low, high] = COLUMNS.map(|name| table.real_at(name, *row));
            let Some(value) = value else { continue };
            if let (Some(lo), Some(hi)) = (lo, hi) {
                let wide = if few { LINE } else { HAIR };
                canvas.line(&[(plot.x(lo), y), (plot.x(hi), y)], Ink::Data, wide);
            }
            let radius = if few { POINT } else { POINT * 0.5 };
            let at = (plot.x(value), y);
            match Signal::at(&table, *row) {
                Signal::None => canvas.disc(at, radius, Ink::Data),
                outside => {
                    canvas.triangle(at, radius * 1.6, outside == Signal::High, Ink::Signal);
                    if few {
                        // Beyond an end of the bar, since its text would hide the bar, a limit or the upright line.
                        let marks = [lo, hi, low, high, overall].into_iter().flatten();
                        let mut avoid: Vec<Place> = marks.map(|x| (plot.x(x), y)).collect();
                        avoid.push(at);
                        let text = format::share(value, table.integer_at("n", *row));
                        for end in [hi, lo].into_iter().flatten() {
                            let end = (plot.x(end), y);
                            if beside(canvas, plot.area, end, &text, Ink::Signal, &avoid) {
                                break;
                            }
                        }
                    }
                }
            }
        }
    })
}

fn title(review: &Review, table: &Table, order: &[usize]) -> String {
    let quarter = super::quarter(review);
    let outside = order
        .iter()
        .filter(|row| Signal::at(table, **row) != Signal::None)
        .count();
    let known = order.iter().any(|row| {
        table.real_at("limit_low", *row).is_some() && table.real_at("limit_high", *row).is_some()
    });
    let limits = "99.8 % limits of the share within criterion";
    match (outside, order.len()) {
        _ if !known => {
            format!("Share within criterion by clinic in {quarter}, limits not estimable")
        }
        (0, 1) => format!("The one clinic lies inside the {limits} in {quarter}"),
        (0, all) => format!("None of {all} clinics lies beyond its {limits} in {quarter}"),
        (1, all) => {
            format!("1 of {all} clinics lies beyond its {limits} in {quarter}: worth a look")
        }
        (_, all) => {
            format!(
                "{outside} of {all} clinics lie beyond their {limits} in {quarter}: worth a look"
            )
        }
    }
}

/// The share over all clinics in the quarter, where the headline has it.
fn overall(review: &Review) -> Option<f64> {
    let headline = review.table("headline").where_text("measure", MEASURE);
    headline.real_at("value", 0)
}
