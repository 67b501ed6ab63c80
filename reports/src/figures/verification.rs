//! Share of fittings verified by a real-ear response, by quarter.

use fitcohort_queries::review::Review;

use super::{Drawn, trend};
use crate::drawing::sheet::{Words, missing, sheet};

const NAME: &str = "Share of fittings verified";
const KEY: &str = "verification-by-quarter";

/// Verified or not is whether any final response was recorded.
pub(super) fn figure(review: &Review) -> Drawn {
    let points = trend::points(review, "verified");
    if trend::is_empty(&points) {
        return missing(
            KEY,
            "No share of verified fittings can be shown",
            "No quarter has enough fittings for a share verified.",
        );
    }
    let title = trend::title(review, &points, "of fittings were verified", NAME);
    let note = trend::note(&points, "fittings");
    let words = Words {
        key: KEY,
        description: format!("{title}. {note} The values are in tables/trends.csv."),
        title,
        note,
        source: format!(
            "Verified: at least one final real-ear response is recorded. {}",
            trend::LIMITS
        ),
    };
    sheet(&words, 270.0, |canvas, area| {
        trend::panel(canvas, area, &points, NAME);
    })
}
