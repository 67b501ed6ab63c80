//! Records in, cohort store out.
//!
//! A *delivery* is a folder of tables (CSV or Parquet). [`ingest::ingest`] reads it, judges every row by the rules of
//! [`rules`], keeps the account of every row, and writes a new snapshot of the *cohort*: a folder of Parquet files in
//! fixed-point decibels with everything derived that does not depend on the plan. [`store::Cohort`] opens a snapshot
//! for the crates that query it.
//!
//! This crate knows no statistics and draws nothing.
#![cfg_attr(
    test,
    allow(
        clippy::unwrap_used,
        clippy::expect_used,
        clippy::panic,
        reason = "tests say what they expect"
    )
)]

pub mod audibility;
pub mod decimal;
pub mod delivery;
pub mod derive;
pub mod error;
pub mod fhir;
#[cfg(feature = "hostile")]
pub mod hostile;
pub mod identity;
pub mod ingest;
pub mod intake;
pub mod map;
pub mod plan;
pub mod quarter;
pub mod records;
pub mod rule_counts;
pub mod rules;
pub mod settle;
pub mod store;
pub mod table_schema;
pub mod vocabulary;
mod waiting;

pub use error::PipelineError;
