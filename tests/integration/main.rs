//! Integration tests of the command line: one binary, a module a theme.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "tests say what they expect"
)]

mod architecture;
mod arrivals;
mod bad_input;
mod broken_deliveries;
mod column_maps;
mod command_line;
mod crash;
mod data_package;
mod deliveries;
mod elimination;
mod export;
mod fhir;
mod forms;
mod fuzz_corpus;
mod identity;
mod large_deliveries;
mod numbers;
mod odd_cohorts;
mod one_clinician;
mod own_child;
mod owner_numbers;
mod page_numbers;
#[allow(dead_code, reason = "the reports' own tests use more of it")]
#[path = "../../reports/tests/common/pages.rs"]
mod pages;
mod parquet_bombs;
mod parquet_files;
mod readme;
mod recheck_numbers;
mod recovery;
mod reports;
mod review_numbers;
mod study;
mod study_report;
mod tables;
mod truth;
mod workspace;
