//! Share of fittings within the criterion, by quarter.

use fitcohort_queries::review::Review;

use super::{Drawn, criterion_source, trend};
use crate::drawing::sheet::{Words, missing, sheet};

const NAME: &str = "Share of fittings within criterion";
const KEY: &str = "within-criterion-by-quarter";

/// The owner's first figure.
pub(super) fn figure(review: &Review) -> Drawn {
    let points = trend::points(review, "within_criterion");
    if trend::is_empty(&points) {
        return missing(
            KEY,
            "No share within criterion can be shown",
            "No quarter has enough verified fittings for a share within criterion.",
        );
    }
    let title = trend::title(review, &points, "of fittings were within criterion", NAME);
    let note = trend::note(&points, "verified fittings");
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
