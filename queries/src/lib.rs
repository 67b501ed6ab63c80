//! Cohort in, numbers out.
//!
//! [`analysis::Analysis`] opens a snapshot under a plan and a selection and answers queries by name as
//! [`table::Table`]s. Grouped counts, exact sums and quantiles are SQL text in `queries/sql/`, run by the one
//! module that knows the query engine;
//! everything from there on is [`statistics`]: pure functions on slices that know no files and no query engine.
//! [`review`] gathers what each reader's report is made of.
//!
//! This crate draws nothing and writes nothing into a cohort.
#![cfg_attr(
    test,
    allow(
        clippy::unwrap_used,
        clippy::expect_used,
        clippy::panic,
        reason = "tests say what they expect"
    )
)]

pub mod analysis;
mod builder;
mod engine;
pub mod error;
pub mod export;
pub mod fits;
mod order;
pub mod review;
pub mod selection;
pub mod statistics;
pub mod table;
pub mod tables;

pub use error::QueryError;
