//! Deliveries as a reader of the published format sees them, against the truth that goes with them.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "tests"
)]

mod cohort;
mod determinism;
mod effects;
mod figures;
mod judge;
mod planted_rows;
mod refusals;
mod support;
