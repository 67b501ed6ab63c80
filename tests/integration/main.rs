//! Integration tests of the command line: one binary, a module a theme.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "tests say what they expect"
)]

mod architecture;
mod bad_input;
mod command_line;
mod deliveries;
mod forms;
mod identity;
mod numbers;
mod parquet_files;
mod readme;
mod reports;
mod review_numbers;
mod study;
mod tables;
mod truth;
mod workspace;
