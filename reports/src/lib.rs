//! Numbers in, pages out: SVG figures, CSV tables and one page for each reader.
//!
//! The crate takes a [`Review`](fitcohort_queries::review::Review) and writes files. It reads no
//! cohort and computes no statistic: what is not in the review's tables is not on the page. The
//! same review always gives the same bytes.
#![cfg_attr(
    test,
    allow(
        clippy::unwrap_used,
        clippy::expect_used,
        clippy::panic,
        reason = "tests say what they expect"
    )
)]

mod cells;
mod drawing;
mod error;
mod figures;
mod format;
mod page;
mod provenance;
mod results;
mod shelf;
mod words;
mod write;

pub use error::ReportError;
pub use shelf::{Shelf, admits, arrange};
pub use write::{Written, folder, write_report};
