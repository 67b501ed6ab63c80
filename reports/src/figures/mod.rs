//! One module a figure. Each takes a review and gives back a drawing; none computes a statistic.

mod answers;
mod association;
mod by_answer;
mod clinics;
mod deviation;
mod dose_response;
mod drivers;
mod first_final;
mod flow;
mod forest;
mod funnel;
mod models;
mod own_quarters;
mod own_signature;
mod referrals;
mod response;
mod run_charts;
mod sensitivity;
mod shrunken;
mod signature;
mod spread;
mod strips;
mod trend;
mod two_ear;
mod verification;
mod within;

use std::cmp::Ordering;

use fitcohort_queries::review::{Reader, Review};
use fitcohort_queries::table::Table;

use crate::drawing::sheet::Figure;
pub(crate) use run_charts::{MEASURES as FIRST_PAGE, is_one as is_on_first_page};
pub(crate) use trend::Signal;

/// What a figure's module gives back.
pub(crate) type Drawn = Result<Figure, std::io::Error>;

/// The measures by which a clinic is called out, in the order of the page.
pub(crate) const MEASURES: [&str; 4] = ["within_criterion", "verified", "two_ear", "rms"];

/// A title compares groups only where each rests on this many.
const ENOUGH: i64 = 30;

/// The first and the last of a row of groups that rest on enough for a title; both the same where
/// only one does. Extremes are not sought, since on small numbers they are chance.
fn ends<T>(groups: &[T], n: impl Fn(&T) -> Option<i64>) -> Option<(&T, &T)> {
    let enough = |group: &&T| n(group).is_some_and(|n| n >= ENOUGH);
    Some((groups.iter().find(enough)?, groups.iter().rfind(enough)?))
}

/// Ids in the order in which people count: numbers inside them by value.
fn natural(one: &str, other: &str) -> Ordering {
    let key = |id: &str| {
        let mut parts: Vec<(String, u128)> = vec![(String::new(), 0)];
        let mut in_number = false;
        for character in id.chars() {
            let digit = character.to_digit(10);
            if digit.is_none() && in_number {
                parts.push((String::new(), 0));
            }
            in_number = digit.is_some();
            if let Some(part) = parts.last_mut() {
                match digit {
                    Some(digit) => {
                        part.1 = part.1.saturating_mul(10).saturating_add(u128::from(digit));
                    }
                    None => part.0.push(character),
                }
            }
        }
        parts
    };
    key(one).cmp(&key(other)).then_with(|| one.cmp(other))
}

/// How a fitting is judged by the criterion, for the notes of the figures that count such fittings.
const JUDGED: &str = "A fitting is outside where any fitted ear is, within where all are, otherwise left out. An \
                      incomplete curve can be judged outside but not within, so the share leans low.";

/// Every figure of a reader, in the order of the page.
///
/// # Errors
/// Where the drawing backend fails.
pub(crate) fn figures(review: &Review) -> Result<Vec<Figure>, std::io::Error> {
    let draw: &[fn(&Review) -> Drawn] = match review.reader {
        Reader::Owner => &[
            run_charts::within_criterion,
            run_charts::verified,
            run_charts::two_ear,
            run_charts::answered,
            run_charts::satisfied,
            drivers::figure,
            referrals::figure,
            within::figure,
            clinics::figure,
            deviation::figure,
            verification::figure,
            two_ear::by_quarter,
            two_ear::by_grade,
            answers::figure,
        ],
        Reader::Researcher => &[
            association::figure,
            dose_response::figure,
            by_answer::figure,
            models::figure,
            sensitivity::figure,
            flow::figure,
            response::figure,
        ],
        Reader::Trainer if review.context.clinician.is_some() => &[
            strips::shares,
            strips::levels,
            own_signature::figure,
            own_quarters::figure,
            strips::first_final,
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
        crate::words::in_full(context.criterion_source.trim_end_matches('.'))
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ids_stand_in_the_order_in_which_people_count() {
        let mut ids = vec!["c-10", "b", "c-2", "c-02", "c", "10", "9", "c-2-1"];
        ids.sort_by(|one, other| natural(one, other));
        assert_eq!(ids, ["9", "10", "b", "c", "c-02", "c-2", "c-2-1", "c-10"]);
    }

    #[test]
    fn a_title_compares_the_first_and_the_last_with_enough_records() {
        let of = |groups: &[i64]| ends(groups, |n| Some(*n)).map(|(one, other)| (*one, *other));
        assert_eq!(of(&[4, 30, 90, 31, 29]), Some((30, 31)));
        assert_eq!(of(&[4, 30, 29]), Some((30, 30)));
        assert_eq!(of(&[4, 29]), None);
        assert_eq!(of(&[]), None);
    }
}
