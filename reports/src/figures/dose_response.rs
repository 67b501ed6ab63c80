//! Mean satisfaction by RMS deviation, in bins.

use fitcohort_queries::review::Review;

use super::response::{Bin, CurvePoint, binned};
use super::{Drawn, ends};
use crate::drawing::measures::Axis;
use crate::drawing::sheet::{Words, missing, sheet};
use crate::format;

const KEY: &str = "satisfaction-by-deviation";

/// One point a bin with its interval and n.
pub(super) fn figure(review: &Review) -> Drawn {
    let table = review.table("dose_response");
    let bins: Vec<Bin> = (0..table.rows())
        .filter_map(|row| Bin::at(table, row, ["mean", "lo", "hi"], "n"))
        .collect();
    if bins.is_empty() {
        return missing(
            KEY,
            "Satisfaction by deviation cannot be shown",
            "No bin of RMS deviation has enough answers on satisfaction.",
        );
    }
    let part = |bin: &Bin| {
        let n = bin.n.map_or_else(|| "n unknown".to_owned(), format::n);
        format!("{} {} ({n})", format::fixed(bin.value, 1), bin.place())
    };
    let title = match ends(&bins, |bin| bin.n) {
        Some((one, other)) if !std::ptr::eq(one, other) => format!(
            "By RMS deviation, mean satisfaction was {} and {}",
            part(one),
            part(other)
        ),
        Some((one, _)) => format!("Mean satisfaction was {}", part(one)),
        None => format!(
            "Satisfaction by RMS deviation: no bin rests on as many as {} answers",
            super::ENOUGH
        ),
    };
    // The curve runs along the plan's exposure, which may be another.
    let curve = match review.context.exposure.as_str() {
        "rms" => CurvePoint::all(review.table("curve")),
        _ => Vec::new(),
    };
    let line = if curve.len() > 1 {
        " Line and ground: local lines over half of the fittings, with a 95 % band for clustered fittings."
    } else {
        ""
    };
    let note = format!(
        "Dot: mean answer to {} (higher is better) in a bin of RMS deviation; upright bar: its 95 % \
         interval, fittings taken as independent; level bar: the bin.{line} An interval that \
         leaves the axis ends with it.",
        review.context.outcome
    );
    let words = Words {
        key: KEY,
        description: format!(
            "{title}. {note} The values are in tables/dose_response.csv and tables/curve.csv."
        ),
        title,
        note,
        source: "RMS deviation over 500, 1000, 2000, 4000 Hz, headline curve (final stage, average input). \
                 Observed together; not a cause."
            .to_owned(),
    };
    sheet(&words, 330.0, |canvas, area| {
        let title = "Mean satisfaction, score";
        binned(canvas, area, &bins, &curve, Axis::Score, title);
    })
}
