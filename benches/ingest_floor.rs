//! How much an ingest costs over merely parsing its bytes: `cargo bench --bench ingest_floor -- DELIVERY`.
//!
//! The floor is one core, the `csv` crate, every record read into the same buffer and dropped. Without a delivery one
//! of 100,000 fittings is invented in a temporary folder. The numbers are medians over several runs of each, in turn.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::print_stdout,
    reason = "a bench says what it measures and stops where it cannot"
)]

mod floor;

use std::path::PathBuf;
use std::time::{Duration, Instant};

use fitcohort_pipeline::ingest::ingest;
use fitcohort_pipeline::intake::Intake;
use fitcohort_pipeline::plan::Plan;
use fitcohort_pipeline::store::WhenLocked;
use fitcohort_synthetic_data::{Scenario, write_delivery};
use floor::parse_and_drop;

const RUNS: usize = 5;

fn main() {
    let temporary = tempfile::tempdir().expect("a temporary folder");
    let named = std::env::args()
        .skip(1)
        .find(|argument| !argument.starts_with('-'));
    let delivery = named.map_or_else(
        || {
            let folder = temporary.path().join("delivery");
            write_delivery(&Scenario::demo(100_000, 7), &folder, &|_| {}).expect("a delivery");
            folder
        },
        PathBuf::from,
    );
    let mut floors = Vec::new();
    let mut ingests = Vec::new();
    for run in 0..RUNS {
        let start = Instant::now();
        let (records, bytes) = parse_and_drop(&delivery);
        floors.push(start.elapsed());
        let cohort = temporary.path().join(format!("cohort-{run}"));
        let start = Instant::now();
        ingest(
            &delivery,
            &cohort,
            &Intake::plain(&Plan::default()),
            WhenLocked::Wait,
            &|_| {},
        )
        .expect("an ingest");
        ingests.push(start.elapsed());
        if run == 0 {
            println!("{records} records, {bytes} bytes of CSV");
        }
    }
    let (floor, ours) = (median(&mut floors), median(&mut ingests));
    println!("parse and drop, one core: {:.3} s", floor.as_secs_f64());
    println!("ingest, all cores:        {:.3} s", ours.as_secs_f64());
    println!(
        "ratio:                    {:.2}",
        ours.as_secs_f64() / floor.as_secs_f64()
    );
}

fn median(times: &mut [Duration]) -> Duration {
    times.sort_unstable();
    times[times.len() / 2]
}
