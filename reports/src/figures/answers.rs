//! Answers that came back, what they said, and fittings returned, by quarter.

use fitcohort_queries::review::Review;

use super::{Drawn, trend};
use crate::drawing::canvas::Area;
use crate::drawing::sheet::{Words, missing, sheet};
use crate::format;

const KEY: &str = "answers-by-quarter";
const PANELS: [(&str, &str); 3] = [
    ("answered", "Share of fittings with an answer"),
    ("satisfied", "Share of answers that were satisfied"),
    ("returned", "Share of fittings returned"),
];
const HIGH: f64 = 215.0;

/// Three panels under each other.
pub(super) fn figure(review: &Review) -> Drawn {
    let panels: Vec<(Vec<trend::Point>, &str)> = PANELS
        .iter()
        .map(|(measure, title)| (trend::points(review, measure), *title))
        .collect();
    if panels.iter().all(|(points, _)| trend::is_empty(points)) {
        return missing(
            KEY,
            "No answers can be shown",
            "No quarter has enough answers or recorded returns for a share.",
        );
    }
    let phrase = |place: usize, what: &str| -> Option<String> {
        let point = trend::current(review, &panels.get(place)?.0)?;
        let n = point.n.map_or_else(String::new, format::n);
        Some(format!(
            "{} {what} ({n})",
            format::share(point.value?, point.n)
        ))
    };
    let parts: Vec<String> = [
        phrase(0, "of fittings brought an answer"),
        phrase(1, "of answers were satisfied"),
    ]
    .into_iter()
    .flatten()
    .collect();
    let quarter = super::quarter(review);
    let title = if parts.is_empty() {
        format!("No answers can be shown for {quarter}")
    } else {
        format!("{quarter}: {}", parts.join("; "))
    };
    let note = "Lines: shares by quarter. Shaded: limits about the centre line. Triangles: outside \
                their limits. Those who answer may differ from those who do not. Answers and returns of the \
                latest quarter may not all be in yet.";
    let words = Words {
        key: KEY,
        description: format!("{title}. {note} The values are in tables/trends.csv."),
        title,
        note: note.to_owned(),
        source: trend::LIMITS.to_owned(),
    };
    let high = HIGH * panels.len() as f64;
    sheet(&words, high, |canvas, area| {
        let mut top = area.top;
        for (points, title) in &panels {
            let part = Area {
                top,
                bottom: top + HIGH - 14.0,
                ..area
            };
            trend::panel(canvas, part, points, title);
            top += HIGH;
        }
    })
}
