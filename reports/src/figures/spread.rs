//! How much one clinician's fittings differ among themselves.

use fitcohort_queries::review::Review;

use super::{Drawn, ENOUGH, ends, natural};
use crate::drawing::measures::Axis;
use crate::drawing::rows::{DRAWN, LABELLED, Row, height, pitch, row_chart, thin, thin_note};
use crate::drawing::scale::Scale;
use crate::drawing::sheet::{Words, missing, sheet};
use crate::drawing::theme::{HAIR, Ink, LINE, POINT};
use crate::format;

const KEY: &str = "spread-within-clinician";

/// The estimates drawn towards the typical spread, or those observed where nothing can be drawn.
const SHRUNKEN: [&str; 3] = ["shrunken", "shrunken_lo", "shrunken_hi"];
const OBSERVED: [&str; 3] = ["sd", "lo", "hi"];

/// Standard deviation within each clinician with its interval, in the order of the ids, which ranks nobody. The title
/// goes by the shrunken values: by those observed, whoever has few fittings would stand at one end by chance.
pub(super) fn figure(review: &Review) -> Drawn {
    let table = review.table("spread");
    let is_drawn = (0..table.rows()).any(|row| table.real_at("shrunken", row).is_some());
    let columns = if is_drawn { SHRUNKEN } else { OBSERVED };
    let mut order: Vec<(f64, usize)> = (0..table.rows())
        .filter_map(|row| Some((table.real_at(columns[0], row)?, row)))
        .collect();
    let id = |row: usize| table.text_at("clinician_id", row).unwrap_or("?");
    order.sort_by(|one, other| {
        one.0
            .total_cmp(&other.0)
            .then(natural(id(one.1), id(other.1)))
    });
    if order.is_empty() {
        return missing(
            KEY,
            "The spread within clinicians cannot be shown",
            "No clinician has enough fittings with a complete headline curve for a spread.",
        );
    }
    let part = |row: usize| {
        let [_, lo, hi] = columns.map(|name| table.real_at(name, row));
        let write = |x| format::fixed(x, format::level_decimals(lo, hi));
        super::with_interval(table, row, columns, write, "\u{202f}dB")
    };
    let n = |(_, row): &(f64, usize)| table.integer_at("n", *row);
    let enough = order
        .iter()
        .filter(|one| n(one).is_some_and(|n| n >= ENOUGH))
        .count();
    let title = match ends(&order, n) {
        Some((low, high)) if low.1 != high.1 => format!(
            "Within one clinician, fittings differ by an SD of {} to {} over the {enough} clinicians with \
             {ENOUGH} fittings or more",
            part(low.1),
            part(high.1)
        ),
        Some((one, _)) => format!(
            "Fittings differ by an SD of {} within the one clinician with {ENOUGH} fittings or more",
            part(one.1)
        ),
        None => format!("Spread within clinicians: none has as many as {ENOUGH} fittings"),
    };
    let all = order.len();
    let counts = super::count_range(order.iter().filter_map(n));
    order.sort_by(|one, other| natural(id(one.1), id(other.1)));
    let order = thin(order, DRAWN, |_| false);
    let rows: Vec<Row> = order
        .iter()
        .map(|(_, row)| Row {
            label: id(*row).to_owned(),
            right: table
                .integer_at("n", *row)
                .map_or_else(String::new, format::n),
            // A spread has no limits to lie beyond.
            called_out: false,
        })
        .collect();
    let few = rows.len() <= LABELLED;
    let ids = if few { "" } else { " The table has the ids." };
    let dot = match (is_drawn, few) {
        (true, true) => {
            "Dot: drawn towards the typical spread, the more so the fewer the fittings; bar: its 95 % interval; ring: as \
             observed."
        }
        (true, false) => {
            "Dot: drawn towards the typical spread, the more so the fewer the fittings; bar: its 95 % interval."
        }
        (false, _) => "Dot: as observed; bar: its 95 % interval.",
    };
    let n = counts.map_or_else(String::new, |n| {
        format!(" n\u{a0}=\u{a0}{n} per clinician.")
    });
    let note = format!(
        "Standard deviation of the fittings' mean signed deviation. {dot} A wide spread may come from mixed cases as well as \
         from method.{ids}{n}{}",
        thin_note(all, DRAWN)
    );
    let words = Words {
        key: KEY,
        description: format!("{title}. {note} The values are in tables/spread.csv."),
        title,
        note,
        source: "Headline curve: final stage, average input level. How the estimates are drawn stands under the table."
            .to_owned(),
    };
    let pitch = pitch(rows.len());
    sheet(&words, height(rows.len(), pitch), |canvas, area| {
        let values = order
            .iter()
            .flat_map(|(_, row)| {
                let observed = few.then(|| table.real_at("sd", *row)).flatten();
                let [value, lo, hi] = columns.map(|name| table.real_at(name, *row));
                [value, lo, hi, observed]
            })
            .flatten()
            .chain([0.0]);
        let scale = Scale::of(Axis::Spread, values);
        let axis = (scale, "SD of mean signed deviation within clinician, dB");
        let plot = row_chart(canvas, area, &rows, pitch, axis);
        for (place, (value, row)) in order.iter().enumerate() {
            let y = plot.y(place);
            let [_, lo, hi] = columns.map(|name| table.real_at(name, *row));
            if let (Some(lo), Some(hi)) = (lo, hi) {
                let wide = if few { LINE } else { HAIR };
                canvas.line(&[(plot.x(lo), y), (plot.x(hi), y)], Ink::Data, wide);
            }
            if is_drawn
                && few
                && let Some(observed) = table.real_at("sd", *row)
            {
                canvas.ring((plot.x(observed), y), POINT * 0.9, Ink::Soft, HAIR);
            }
            let radius = if few { POINT } else { POINT * 0.5 };
            canvas.disc((plot.x(*value), y), radius, Ink::Data);
        }
    })
}
