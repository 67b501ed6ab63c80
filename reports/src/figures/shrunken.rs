//! Shrunken estimates of the clinicians with their intervals.

use fitcohort_queries::review::Review;

use super::trend::Signal;
use super::{Drawn, criterion_source, natural};
use crate::drawing::measures::Axis;
use crate::drawing::rows::{
    DRAWN, LABELLED, Row, height, label_note, pitch, row_chart, thin, thin_note,
};
use crate::drawing::scale::Scale;
use crate::drawing::sheet::{Words, missing, sheet};
use crate::drawing::text::clean;
use crate::drawing::theme::{HAIR, Ink, LINE, POINT};
use crate::{format, words};

const KEY: &str = "shrunken-estimates";
const MEASURE: &str = "within_criterion";
const COLUMNS: [&str; 3] = ["shrunken", "shrunken_lo", "shrunken_hi"];

/// One row a clinician, in the order of the ids, which ranks nobody.
pub(super) fn figure(review: &Review) -> Drawn {
    let table = review.table("clinicians").where_text("measure", MEASURE);
    let mut order: Vec<(f64, usize)> = (0..table.rows())
        .filter_map(|row| Some((table.real_at("shrunken", row)?, row)))
        .collect();
    let id = |row: usize| table.text_at("clinician_id", row).unwrap_or("?");
    order.sort_by(|one, other| {
        other
            .0
            .total_cmp(&one.0)
            .then(natural(id(one.1), id(other.1)))
    });
    let (Some(high), Some(low)) = (order.first(), order.last()) else {
        return missing(
            KEY,
            "Shrunken estimates cannot be shown",
            "No value can be drawn towards that of all: that takes several clinicians with several fittings judged by the criterion each.",
        );
    };
    let part = |row: usize| {
        let n = table.integer_at("n", row);
        super::with_interval(&table, row, COLUMNS, |x| format::share(x, n), "")
    };
    let title = if order.len() == 1 {
        format!(
            "The one clinician's shrunken share within criterion is {}",
            part(high.1)
        )
    } else {
        format!(
            "Shrunken shares within criterion run from {} to {} over {} clinicians",
            part(low.1),
            part(high.1),
            order.len()
        )
    };
    let all = order.len();
    order.sort_by(|one, other| natural(id(one.1), id(other.1)));
    let counts = order
        .iter()
        .filter_map(|(_, row)| table.integer_at("n", *row));
    let counts = super::count_range(counts);
    let order = thin(order, DRAWN, |(_, row)| {
        Signal::at(&table, *row) != Signal::None
    });
    let rows: Vec<Row> = order
        .iter()
        .map(|(_, row)| Row {
            label: id(*row).to_owned(),
            right: table
                .integer_at("n", *row)
                .map_or_else(String::new, format::n),
            called_out: Signal::at(&table, *row) != Signal::None,
        })
        .collect();
    let few = rows.len() <= LABELLED;
    let ring = if few { " Ring: share as observed." } else { "" };
    let n = counts.map_or_else(String::new, |n| {
        format!(" n\u{a0}=\u{a0}{n} fittings judged per clinician.")
    });
    let note = format!(
        "Dot: estimate drawn towards the mean, the more so the fewer the fittings; bar: its 95 % interval; \
         triangle: beyond the 99.8 % limits of the funnel; upright line: centre of the funnel.{ring} Bars take the variances as known, so they are too narrow where few \
         differences were found.{}{n}",
        label_note(&rows) + &thin_note(all, DRAWN)
    );
    let words = Words {
        key: KEY,
        description: format!(
            "{title}. {note} The values are in tables/clinicians.csv and tables/funnel.csv."
        ),
        title,
        note,
        source: format!(
            "{}. {}",
            format::capital(&clean(&words::in_full(
                table
                    .text_at("how", 0)
                    .unwrap_or("Random intercept by REML")
            ))),
            criterion_source(review)
        ),
    };
    let pitch = pitch(rows.len());
    sheet(&words, height(rows.len(), pitch), |canvas, area| {
        let values = order
            .iter()
            .flat_map(|(_, row)| {
                let observed = few.then(|| table.real_at("observed", *row)).flatten();
                let [value, lo, hi] = COLUMNS.map(|name| table.real_at(name, *row));
                [value, lo, hi, observed]
            })
            .flatten();
        let scale = Scale::of(Axis::Share, values);
        let axis = (scale, "Share of fittings judged that are within criterion");
        let plot = row_chart(canvas, area, &rows, pitch, axis);
        let funnel = review.table("funnel").where_text("measure", MEASURE);
        if let Some(centre) = funnel.real_at("centre", 0) {
            let x = plot.x(centre);
            let ends = [(x, plot.area.top), (x, plot.area.bottom)];
            canvas.line(&ends, Ink::Soft, LINE);
        }
        for (place, (value, row)) in order.iter().enumerate() {
            let y = plot.y(place);
            let [_, lo, hi] = COLUMNS.map(|name| table.real_at(name, *row));
            if let (Some(lo), Some(hi)) = (lo, hi) {
                let wide = if few { LINE } else { HAIR };
                canvas.line(&[(plot.x(lo), y), (plot.x(hi), y)], Ink::Data, wide);
            }
            if few && let Some(observed) = table.real_at("observed", *row) {
                canvas.ring((plot.x(observed), y), POINT * 0.9, Ink::Soft, HAIR);
            }
            let radius = if few { POINT } else { POINT * 0.5 };
            let at = (plot.x(*value), y);
            match Signal::at(&table, *row) {
                Signal::None => canvas.disc(at, radius, Ink::Data),
                outside => canvas.triangle(at, radius * 1.6, outside == Signal::High, Ink::Signal),
            }
        }
    })
}
