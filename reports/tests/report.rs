//! Reports of every size, checked from outside: as files, as XML, as text on a page.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "tests"
)]

mod common;
mod report {
    mod boxes;
    mod figures;
    mod numbers;
    mod owner;
    mod page;
    mod reading;
    mod shelf;
    mod sources;
    mod study;
}
