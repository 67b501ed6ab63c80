//! Cohort in, numbers out.
//!
//! `analysis::Analysis` opens a snapshot under a plan and a selection and answers queries by name as
//! `table::Table`s. Grouped counts, exact sums and quantiles are SQL text in `queries/sql/`, run by the one
//! module that knows the query engine;
//! everything from there on is [`statistics`]: pure functions on slices that know no files and no query engine.
//! `review` gathers what each reader's report is made of.
//!
//! The feature `tables` (on by default) is everything that reads a cohort; without it this crate is [`statistics`] alone,
//! which builds in seconds.
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

#[cfg(feature = "tables")]
pub mod analysis;
#[cfg(feature = "tables")]
mod builder;
#[cfg(feature = "tables")]
mod covariates;
#[cfg(feature = "tables")]
mod engine;
#[cfg(feature = "tables")]
pub mod error;
#[cfg(feature = "tables")]
pub mod export;
#[cfg(feature = "tables")]
pub mod fits;
#[cfg(feature = "tables")]
mod order;
#[cfg(feature = "tables")]
pub mod release;
#[cfg(feature = "tables")]
pub mod review;
#[cfg(feature = "tables")]
pub mod selection;
pub mod statistics;
#[cfg(feature = "tables")]
mod study;
#[cfg(feature = "tables")]
pub mod table;
#[cfg(feature = "tables")]
pub mod tables;

#[cfg(feature = "tables")]
pub use error::QueryError;
