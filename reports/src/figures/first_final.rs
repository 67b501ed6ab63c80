//! From the first to the final response: what adjustment brought, clinician by clinician.

use fitcohort_queries::review::Review;

use super::{Drawn, natural};
use crate::drawing::measures::Axis;
use crate::drawing::rows::{DRAWN, LABELLED, Row, height, pitch, row_chart, thin, thin_note};
use crate::drawing::scale::Scale;
use crate::drawing::sheet::{Words, missing, sheet};
use crate::drawing::theme::{HAIR, Ink, LINE, POINT};
use crate::format;

const KEY: &str = "first-to-final";

/// RMS deviation first and final, joined, in the order of the ids, which ranks nobody.
pub(super) fn figure(review: &Review) -> Drawn {
    let table = review.table("first_final");
    let mut order: Vec<(f64, f64, usize)> = (0..table.rows())
        .filter_map(|row| {
            Some((
                table.real_at("rms_first", row)?,
                table.real_at("rms_final", row)?,
                row,
            ))
        })
        .collect();
    let id = |row: usize| table.text_at("clinician_id", row).unwrap_or("?");
    order.sort_by(|one, other| natural(id(one.2), id(other.2)));
    if order.is_empty() {
        return missing(
            KEY,
            "First and final responses cannot be compared",
            "No clinician has enough fittings with both a first and a final response.",
        );
    }
    let lower = order.iter().filter(|(first, last, _)| last < first).count();
    let all = order.len();
    let title = match (all, lower) {
        (1, 1) => "RMS deviation was lower at the final than at the first response".to_owned(),
        (1, _) => "RMS deviation was not lower at the final than at the first response".to_owned(),
        _ => format!(
            "RMS deviation was lower at the final than at the first response for {lower} of {all} clinicians"
        ),
    };
    let counts = super::count_range(
        order
            .iter()
            .filter_map(|(_, _, row)| table.integer_at("n_final", *row)),
    );
    let order = thin(order, DRAWN, |_| false);
    let rows: Vec<Row> = order
        .iter()
        .map(|(_, _, row)| Row {
            label: id(*row).to_owned(),
            right: table
                .integer_at("n_final", *row)
                .map_or_else(String::new, format::n),
            // Without a fall by chance alone on few fittings: nobody is called out for it.
            called_out: false,
        })
        .collect();
    let few = rows.len() <= LABELLED;
    let ids = if few { "" } else { " The table has the ids." };
    let n = counts.map_or_else(String::new, |n| {
        format!(" n\u{a0}=\u{a0}{n} fittings per clinician with both.")
    });
    let note = format!(
        "Ring: mean RMS deviation at the first response; dot: at the final, with its 95 % interval below; a dot to the right of its ring is a rise. The table has each fall with its interval.{ids}{n}{}",
        thin_note(all, DRAWN)
    );
    let words = Words {
        key: KEY,
        description: format!("{title}. {note} The values are in tables/first_final.csv."),
        title,
        note,
        source: "Means over fittings with both, RMS deviation over 500, 1000, 2000, 4000 Hz at average input \
                 level; intervals by Student's t."
            .to_owned(),
    };
    let pitch = pitch(rows.len());
    sheet(&words, height(rows.len(), pitch), |canvas, area| {
        let limits = order
            .iter()
            .filter_map(|(_, _, row)| table.real_at("rms_final_hi", *row));
        let values = order
            .iter()
            .flat_map(|(first, last, _)| [*first, *last])
            .chain(limits);
        let scale = Scale::of(Axis::Size, values);
        let axis = (scale, "RMS deviation from target, dB");
        let plot = row_chart(canvas, area, &rows, pitch, axis);
        for (place, (first, last, _)) in order.iter().enumerate() {
            let y = plot.y(place);
            let (from, to) = ((plot.x(*first), y), (plot.x(*last), y));
            canvas.line(&[from, to], Ink::Data, if few { LINE } else { HAIR });
            let radius = if few { POINT } else { POINT * 0.5 };
            canvas.ring(from, radius, Ink::Data, HAIR);
            let limit = |name: &str| {
                order
                    .get(place)
                    .and_then(|(_, _, row)| table.real_at(name, *row))
            };
            if let (Some(lo), Some(hi)) = (limit("rms_final_lo"), limit("rms_final_hi")) {
                // Below the joining line, which would hide it.
                let level = y + pitch * 0.3;
                canvas.line(&[(plot.x(lo), level), (plot.x(hi), level)], Ink::Soft, HAIR);
            }
            canvas.disc(to, radius, Ink::Data);
        }
    })
}
