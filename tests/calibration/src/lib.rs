//! Whether intervals cover and tests keep their level: simulation on data whose truth is known.
//!
//! A study draws data from a known truth many times, hands each to one function of
//! `fitcohort_queries::statistics`, and counts how often the truth was covered or a test said "yes". What it claims is
//! stated beside it, and holds or not by the rule of [`study::Claim`]. `docs/calibration.md` is the page of all studies;
//! `cargo test --release -p fitcohort-calibration --features slow` runs them in full and holds the page against them.
//!
//! | module | its studies |
//! |---|---|
//! | [`proportions`] | intervals of shares and their difference |
//! | [`levels`] | intervals of a mean and of a standard deviation |
//! | [`correlations`] | interval of Spearman's rho |
//! | [`clinicians`] | variance between clinicians, shrunken means |
//! | [`permutations`] | the test within clinicians: level and power |
//! | [`funnels`] | how often a clinician who differs by chance alone is called out |
//!
//! Every replicate has a random stream of its own and is counted in whole numbers, so results do not depend on threads.
#![cfg_attr(
    test,
    allow(
        clippy::unwrap_used,
        clippy::expect_used,
        reason = "tests say what they expect"
    )
)]

pub mod clinicians;
pub mod correlations;
mod draws;
pub mod funnels;
pub mod levels;
pub mod page;
pub mod permutations;
pub mod proportions;
pub mod study;

use study::{Effort, Family, Refused};

/// Every family of studies, in the order of the page.
///
/// # Errors
/// What a function under study refused to estimate: no study is set up so that this may happen.
pub fn families(effort: Effort) -> Result<Vec<Family>, Refused> {
    [
        proportions::family,
        levels::family,
        correlations::family,
        clinicians::family,
        permutations::family,
        funnels::family,
    ]
    .into_iter()
    .map(|family| family(effort))
    .collect()
}
