//! What counts are called, so that the same number has one name in every table and report.
//!
//! A unit is whom a count is of: `q:Q` a quarter, `before:T` the four before one, `upto:T` all up to one, `k:ID^T` a
//! clinician up to a quarter, `k:ID@Q` in one, `clinic_id:ID@Q` (and other groupings) a group in a quarter and
//! `clinic_id:ID before T` in the four before.

use super::published::Row;
use crate::elimination::System;

/// Measures whose value is a share, so that it times n is a count as well.
pub(super) const SHARES: [&str; 7] = [
    "within_criterion",
    "within_second",
    "verified",
    "two_ear",
    "answered",
    "satisfied",
    "returned",
];

/// The name of a count. Whether a response was measured and whether an answer came are shares of all fittings, and
/// whether somebody is satisfied is known of those who answered.
pub(super) fn count_of(measure: &str, unit: &str) -> String {
    match measure {
        "answered" => format!("n:verified/{unit}"),
        "satisfied" => format!("x:answered/{unit}"),
        other => format!("n:{other}/{unit}"),
    }
}

/// The name of the number of those of whom a share holds.
pub(super) fn hits_of(measure: &str, unit: &str) -> String {
    format!("x:{measure}/{unit}")
}

/// A count and a share of it in two columns of a row of measure × unit.
pub(super) fn unit(system: &mut System, row: &Row<'_>, unit: &str, [n, value]: [&str; 2]) {
    let measure = row.text("measure");
    let count = count_of(measure, unit);
    system.count(&count, row.text(n));
    bounded(system, measure, unit);
    if SHARES.contains(&measure) {
        row.share(system, value, &count, &hits_of(measure, unit));
    }
}

/// Of whom a measure is known at most: a match of those with a final response (its RMS of those whose mean is known), all
/// else of the fittings.
pub(super) fn bounded(system: &mut System, measure: &str, unit: &str) {
    let most = match measure {
        "rms" | "high_frequency" => count_of("signed", unit),
        "within_criterion" | "within_second" | "signed" => hits_of("verified", unit),
        _ => count_of("verified", unit),
    };
    system.at_most(&count_of(measure, unit), &most);
    system.at_most(&count_of("signed", unit), &hits_of("verified", unit));
}

/// Count and hits of a measure are parts of those of a whole.
pub(super) fn parts(system: &mut System, measure: &str, whole: &str, way: &str, part: &str) {
    system.part(&count_of(measure, whole), way, &count_of(measure, part));
    system.part(&hits_of(measure, whole), way, &hits_of(measure, part));
}

/// The count of all fittings in the words of an adjusted comparison: "235 of 243 fittings".
pub(super) fn fittings_in_words(how: &str) -> Option<(&str, &str)> {
    let (before, _) = how.split_once(" fittings")?;
    let (before, of) = before.rsplit_once(" of ")?;
    let n = before.rsplit(' ').next()?;
    let is_count = |text: &str| !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit());
    (is_count(n) && is_count(of)).then_some((n, of))
}
