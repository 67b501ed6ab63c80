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
//! | [`rank_bootstraps`] | rank correlations of rows in clusters, plain and partial |
//! | [`permutations`] | the test within clinicians: level and power |
//! | [`confounders`] | the same given a confounder: level |
//! | [`ordinal_models`] | the proportional-odds model on invented cohorts |
//! | [`regressions`] | linear and logistic regression of rows in clusters |
//! | [`dose_responses`] | the band of a dose-response curve |
//! | [`nonresponse`] | bias from answers that did not come back, weights, bounds |
//! | [`clinicians`] | variance between clinicians, shrunken means |
//! | [`mixed_models`] | the same beside covariates |
//! | [`spreads`] | how evenly clinicians fit |
//! | [`funnels`] | how often a clinician who differs by chance alone is called out |
//! | [`trends`] | trend in a share |
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
pub mod confounders;
pub mod correlations;
pub mod dose_responses;
mod draws;
pub mod funnels;
pub mod levels;
pub mod mixed_models;
pub mod nonresponse;
pub mod ordinal_models;
pub mod page;
pub mod permutations;
pub mod proportions;
pub mod rank_bootstraps;
mod rank_truth;
pub mod regressions;
pub mod spreads;
pub mod study;
pub mod trends;

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
        rank_bootstraps::family,
        permutations::family,
        confounders::family,
        ordinal_models::family,
        regressions::family,
        dose_responses::family,
        nonresponse::family,
        clinicians::family,
        mixed_models::family,
        spreads::family,
        funnels::family,
        trends::family,
    ]
    .into_iter()
    .map(|family| family(effort))
    .collect()
}
