//! One module a figure. Each takes a review and gives back a drawing; none computes a statistic.

mod answers;
mod association;
mod by_answer;
mod deviation;
mod dose_response;
mod first_final;
mod flow;
mod funnel;
mod referrals;
mod response;
mod shrunken;
mod signature;
mod spread;
mod trend;
mod two_ear;
mod verification;
mod within;

use fitcohort_queries::review::{Reader, Review};
use fitcohort_queries::table::Table;

use crate::drawing::sheet::Figure;
pub(crate) use trend::Signal;

/// What a figure's module gives back.
pub(crate) type Drawn = Result<Figure, std::io::Error>;

/// Every figure of a reader, in the order of the page.
///
/// # Errors
/// Where the drawing backend fails.
pub(crate) fn figures(review: &Review) -> Result<Vec<Figure>, std::io::Error> {
    let draw: &[fn(&Review) -> Drawn] = match review.reader {
        Reader::Owner => &[
            within::figure,
            deviation::figure,
            verification::figure,
            two_ear::by_quarter,
            two_ear::by_grade,
            answers::figure,
            referrals::figure,
        ],
        Reader::Researcher => &[
            association::figure,
            dose_response::figure,
            by_answer::figure,
            flow::figure,
            response::figure,
        ],
        Reader::Trainer => &[
            funnel::figure,
            shrunken::figure,
            signature::figure,
            spread::figure,
            first_final::figure,
        ],
    };
    draw.iter().map(|figure| figure(review)).collect()
}

/// Says where limits, criterion and interval come from, for the foot of a figure.
fn criterion_source(review: &Review) -> String {
    let context = &review.context;
    if context.criterion.is_empty() {
        return String::new();
    }
    format!(
        "Criterion {}: {}. Source: {}.",
        context.criterion,
        context.criterion_text.trim_end_matches('.'),
        context.criterion_source.trim_end_matches('.')
    )
}

/// Words for the quarter under review.
fn quarter(review: &Review) -> &str {
    review.context.quarter.as_deref().unwrap_or("this quarter")
}

/// The smallest and the greatest count, in words; one number where they are equal.
fn count_range(counts: impl IntoIterator<Item = i64>) -> Option<String> {
    let (lo, hi) = counts
        .into_iter()
        .fold((i64::MAX, i64::MIN), |(lo, hi), n| (lo.min(n), hi.max(n)));
    if lo > hi {
        None
    } else if lo == hi {
        Some(crate::format::count(lo))
    } else {
        Some(format!(
            "{} to {}",
            crate::format::count(lo),
            crate::format::count(hi)
        ))
    }
}

/// "3.1 (2.8 to 3.4)": an estimate with its interval, from three columns of a row.
fn with_interval(
    table: &Table,
    row: usize,
    columns: [&str; 3],
    write: impl Fn(f64) -> String,
    unit: &str,
) -> String {
    let [value, lo, hi] = columns.map(|name| table.real_at(name, row).map(&write));
    let interval = match (lo, hi) {
        (Some(lo), Some(hi)) => format!("{lo} to {hi}"),
        _ => "no interval".to_owned(),
    };
    format!("{}{unit} ({interval})", value.unwrap_or_default())
}
