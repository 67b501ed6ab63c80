//! Share of fittings within the criterion, by quarter.

use fitcohort_queries::review::Review;

use super::{Drawn, JUDGED, criterion_source, trend};
use crate::drawing::sheet::{Words, missing, sheet};

const NAME: &str = "Share of fittings judged that are within criterion";
const KEY: &str = "within-criterion-by-quarter";

/// The owner's first figure.
pub(super) fn figure(review: &Review) -> Drawn {
    let points = trend::points(review, "within_criterion");
    if trend::is_empty(&points) {
        return missing(
            KEY,
            "No share within criterion can be shown",
            "No quarter has enough fittings judged by the criterion for a share within it.",
        );
    }
    let title = trend::title(
        review,
        &points,
        "of fittings judged were within criterion",
        NAME,
    );
    let note = format!(
        "{} {JUDGED}",
        trend::note(&points, "fittings judged by the criterion")
    );
    let words = Words {
        key: KEY,
        description: format!("{title}. {note} The values are in tables/trends.csv."),
        title,
        note,
        source: format!("{} {}", criterion_source(review), trend::LIMITS),
    };
    sheet(&words, 290.0, |canvas, area| {
        trend::panel(canvas, area, &points, NAME);
    })
}
