//! An ingest killed at random moments. `FITCOHORT_KILLS=200` makes 200 of them; a few by default.
//!
//! ```sh
//! FITCOHORT_KILLS=200 cargo test --test integration crash::kills -- --nocapture
//! ```

use std::path::Path;
use std::process::{Child, Stdio};
use std::time::{Duration, Instant};

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::{assert_whole, in_force, ingest};
use crate::workspace::{Workspace, copy, files_below};

const BY_DEFAULT: u32 = 12;
/// Fittings of each delivery: the unoptimised program takes some tenths of a second for them.
const FITTINGS: &str = "400";

/// What the kills came upon.
#[derive(Debug, Default)]
struct Counts {
    old: u32,
    new: u32,
    ended_before: u32,
    while_reading: u32,
    with_staging: u32,
    with_successor: u32,
    with_snapshot_not_in_force: u32,
}

/// How long an undisturbed ingest takes, after how long it begins to write, and when its parts are done.
struct Pace {
    whole: Duration,
    writing_from: Duration,
    finishing_from: Duration,
}

/// There once parts are being written, and once they are done.
const WRITING: &str = "staging";
const FINISHING: &str = "staging/manifest.json";

fn start(workspace: &Workspace, delivery: &str, cohort: &str) -> Child {
    workspace
        .command(&["ingest", delivery, "--into", cohort])
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("the program starts")
}

/// Waits until the program has come to something or has ended.
fn until(name: &str, child: &mut Child, cohort: &Path) {
    let path = cohort.join(name);
    while !path.exists() && child.try_wait().expect("the program").is_none() {
        std::thread::sleep(Duration::from_micros(100));
    }
}

fn pace(workspace: &Workspace, delivery: &str, cohort: &str) -> Pace {
    let begun = Instant::now();
    let mut child = start(workspace, delivery, cohort);
    until(WRITING, &mut child, &workspace.path(cohort));
    let writing_from = begun.elapsed();
    until(FINISHING, &mut child, &workspace.path(cohort));
    let finishing_from = begun.elapsed();
    assert!(child.wait().expect("the program").success());
    Pace {
        whole: begun.elapsed(),
        writing_from,
        finishing_from,
    }
}

#[test]
fn an_ingest_killed_at_any_moment_leaves_the_snapshot_before_or_the_one_after() {
    let kills = std::env::var("FITCOHORT_KILLS").map_or(BY_DEFAULT, |text| {
        text.parse().expect("FITCOHORT_KILLS is a number")
    });
    let workspace = Workspace::new();
    for (delivery, seed) in [("first", "1"), ("second", "2")] {
        let arguments = [
            "synthesize",
            "--fittings",
            FITTINGS,
            "--seed",
            seed,
            "--out",
        ];
        workspace.ok(&[&arguments[..], &[delivery]].concat());
    }
    let paces = {
        let first = pace(&workspace, "first", "one");
        copy(&workspace.path("one"), &workspace.path("two"));
        [first, pace(&workspace, "second", "two")]
    };
    let mut random = ChaCha8Rng::seed_from_u64(20_260_817);
    let mut counts = Counts::default();
    for number in 0..kills {
        // In turn the first ingest of a cohort and a second one; at any moment, while parts are written, and in the
        // short time from the manifest to the end.
        let second = number % 2 == 1;
        let (delivery, after) = [("first", "one"), ("second", "two")][usize::from(second)];
        let pace = &paces[usize::from(second)];
        let name = format!("killed-{number}");
        let cohort = workspace.path(&name);
        if second {
            copy(&workspace.path("one"), &cohort);
        }
        let mut child = start(&workspace, delivery, &name);
        let rest = match number % 6 {
            0 | 1 => pace.whole,
            2 | 3 => {
                until(WRITING, &mut child, &cohort);
                pace.whole - pace.writing_from
            }
            _ => {
                until(FINISHING, &mut child, &cohort);
                pace.whole - pace.finishing_from
            }
        };
        std::thread::sleep(rest.mul_f64(random.random_range(0.0..1.1)));
        child.kill().expect("killed");
        let ended = child.wait().expect("the program").success();

        let left = |name: &str| cohort.join(name).exists();
        let found = in_force(&cohort);
        let expected = if second {
            [Some("000001"), Some("000002")]
        } else {
            [None, Some("000001")]
        };
        match expected
            .iter()
            .position(|snapshot| found.as_deref() == *snapshot)
        {
            Some(0) => counts.old += 1,
            Some(_) => counts.new += 1,
            None => panic!("snapshot {found:?} is in force"),
        }
        let successor = left("CURRENT.new");
        let never_in_force = left(if second {
            "snapshots/000002"
        } else {
            "snapshots/000001"
        }) && found.as_deref() == expected[0];
        counts.ended_before += u32::from(ended);
        counts.with_staging += u32::from(left("staging"));
        counts.with_successor += u32::from(successor);
        counts.with_snapshot_not_in_force += u32::from(never_in_force);
        counts.while_reading +=
            u32::from(!ended && !left("staging") && !successor && found.as_deref() == expected[0]);
        if found.is_some() {
            assert_whole(&cohort);
        }
        ingest(&workspace.path(delivery), &cohort);
        assert!(
            files_below(&cohort) == files_below(&workspace.path(after)),
            "kill {number}: not the files of an undisturbed cohort"
        );
        assert_eq!(assert_whole(&cohort).leftovers, [""; 0]);
        std::fs::remove_dir_all(&cohort).expect("removed");
    }
    println!("{kills} kills: {counts:?}");
    assert_eq!(counts.old + counts.new, kills);
}
