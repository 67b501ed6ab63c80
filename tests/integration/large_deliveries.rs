//! Deliveries made while testing: large in one direction, or with links in the file system. Time may not grow faster than
//! what is read, and memory has its bound.

use std::fmt::Write;
use std::path::Path;
use std::time::{Duration, Instant};

use fitcohort_pipeline::ingest;
use fitcohort_pipeline::intake::Intake;
use fitcohort_pipeline::plan::{Instrument, Plan};

use crate::own_child;
use crate::workspace::{EARS, FITTINGS, OUTCOMES, Workspace, small_practice};

/// Checks a delivery, and gives how long it took; that its accounts close is asked of every one.
fn timed(delivery: &Path, plan: &Plan) -> (ingest::Judgement, Duration) {
    let begin = Instant::now();
    let judgement = ingest::check(delivery, &Intake::plain(plan), &|_| {}).expect("a delivery");
    assert!(
        judgement
            .accounts
            .iter()
            .all(|(_, account)| account.closes())
    );
    (judgement, begin.elapsed())
}

/// Twice as much takes no more than about twice as long. A floor keeps the noise of short runs out.
fn grows_with_its_size(what: &str, mut run: impl FnMut(usize) -> Duration, size: usize) {
    // The best of two runs, each.
    let mut best = |size| run(size).min(run(size));
    let (once, four) = (best(size), best(4 * size));
    let bound = once.max(Duration::from_millis(30)) * 10;
    assert!(
        four < bound,
        "{what}: {once:?} for {size}, {four:?} for four times as much"
    );
}

#[test]
fn time_grows_with_what_is_read_and_no_faster() {
    let plan = Plan::default();
    let checked = |workspace: &Workspace| timed(&workspace.path("d"), &plan).1;
    let with = |table: &str, text: String| {
        let workspace = Workspace::new();
        workspace.delivery("d", &small_practice());
        workspace.write(&format!("d/{table}.csv"), text);
        workspace
    };
    grows_with_its_size(
        "strangers",
        |rows| {
            let mut text = OUTCOMES.to_owned();
            (0..rows).for_each(|row| writeln!(text, "S{row},ioi-ha,4,4,").unwrap());
            checked(&with("outcomes", text))
        },
        20_000,
    );
    grows_with_its_size(
        "rows that contradict each other under one key",
        |rows| {
            let mut text = OUTCOMES.to_owned();
            (0..rows).for_each(|row| writeln!(text, "F1,ioi-ha,5,{},", row % 5 + 1).unwrap());
            checked(&with("outcomes", text))
        },
        20_000,
    );
    grows_with_its_size(
        "points of one curve that contradict each other",
        |rows| {
            let mut text =
                "fitting_id,ear,quantity,input_level_db,frequency_hz,measured_db\n".to_owned();
            (0..rows).for_each(|row| writeln!(text, "F1,left,REIG,65,500,{}", row % 100).unwrap());
            checked(&with("responses", text))
        },
        20_000,
    );
    grows_with_its_size(
        "quotes",
        |rows| {
            let text = format!(
                "{EARS}{}",
                "F1,left,\"true\",\"\"\"\",\"a\"\"b\"\n".repeat(rows)
            );
            checked(&with("ears", text))
        },
        20_000,
    );
    grows_with_its_size(
        "blank lines",
        |rows| checked(&with("ears", format!("{EARS}{}", "\r\n".repeat(rows)))),
        200_000,
    );
    grows_with_its_size(
        "carriage returns in quotes",
        |rows| {
            checked(&with(
                "ears",
                format!("{EARS}F1,left,true,\"{}\"\n", "\rx".repeat(rows)),
            ))
        },
        8_000,
    );
    grows_with_its_size(
        "labels",
        |columns| {
            let names: String = (0..columns).map(|n| format!(",x_{n}")).collect();
            let mut text = FITTINGS
                .lines()
                .next()
                .unwrap()
                .replace(",x_region", &names);
            text.push('\n');
            for row in 0..500 {
                let values: String = (0..columns).map(|n| format!(",v{row}-{n}")).collect();
                writeln!(text, "F{row},P{row},north,anna-1,2026-Q3,,,,,{values}").unwrap();
            }
            checked(&with("fittings", text))
        },
        60,
    );
    grows_with_its_size(
        "files",
        |files| {
            let workspace = Workspace::new();
            workspace.delivery("d", &small_practice());
            for file in 0..files {
                workspace.write(&format!("d/outcomes-{file}.csv"), OUTCOMES);
            }
            checked(&workspace)
        },
        200,
    );
    grows_with_its_size(
        "members of a gzip file",
        |members| {
            let workspace = with("ears", EARS.to_owned());
            let member = |text: &[u8]| {
                use std::io::Write;
                let mut encoder =
                    flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
                encoder.write_all(text).unwrap();
                encoder.finish().unwrap()
            };
            let nothing = member(b"");
            let row = member(b"F1,ioi-ha,4,5,26\n");
            let all = [
                member(OUTCOMES.as_bytes()),
                nothing.repeat(members),
                row.repeat(members),
            ]
            .concat();
            workspace.write("d/outcomes-packed.csv.gz", all);
            checked(&workspace)
        },
        2_000,
    );
}

/// A row is looked up among the plan's instruments, however many there are.
#[test]
fn many_instruments_cost_a_row_no_more_than_few() {
    let plan = |instruments: usize| {
        let mut plan = Plan::default();
        for number in 0..instruments {
            let instrument = Instrument {
                items: vec!["one".to_owned(), "two".to_owned()],
                minimum: 0.0,
                maximum: 10.0,
                whole: true,
            };
            plan.instruments
                .insert(format!("own-{number:05}"), instrument);
        }
        plan.validate().expect("a plan");
        plan
    };
    let workspace = Workspace::new();
    workspace.delivery("d", &small_practice());
    let mut text = OUTCOMES.to_owned();
    (0..30_000).for_each(|row| writeln!(text, "F1,own-00000,two,4,{}", row % 500).unwrap());
    workspace.write("d/outcomes.csv", text);
    let (few, many) = (plan(1), plan(5_000));
    let (judgement, few) = timed(&workspace.path("d"), &few);
    assert_eq!(judgement.accounts[3].1.rows_stored, 4 + 500);
    let (_, many) = timed(&workspace.path("d"), &many);
    assert!(
        many < few.max(Duration::from_millis(100)) * 4,
        "{few:?} {many:?}"
    );
}

/// More different labels than a delivery may have, spread over files that have few each: numbers of labels are never
/// used twice.
#[test]
fn labels_of_all_files_together_have_a_limit() {
    let workspace = Workspace::new();
    workspace.delivery("d", &small_practice());
    for file in 0..3 {
        let names: String = (0..100).map(|n| format!(",x_{file}_{n}")).collect();
        let header = FITTINGS
            .lines()
            .next()
            .unwrap()
            .replace(",x_region", &names);
        workspace.write(&format!("d/fittings-{file}.csv"), format!("{header}\n"));
    }
    let run = workspace.run(&["check", "d"]);
    assert_eq!(run.code, 65, "{}", run.shown());
    assert!(
        run.stderr.contains("fittings-2.csv, line 1: "),
        "{}",
        run.shown()
    );
    assert!(run.stderr.contains("[too-many-columns]"), "{}", run.shown());
}

/// Millions of rows that are set aside, and millions of fittings that nobody delivered, in one file.
#[test]
fn millions_of_useless_rows_stay_within_bounded_memory() {
    if let Some(folder) = own_child::task() {
        let (judgement, took) = timed(Path::new(&folder), &Plan::default());
        own_child::say(&format!("took {took:?}"));
        assert_eq!(judgement.accounts[3].1.rows_set_aside, 2_000_000);
        own_child::say_peak_memory();
        return;
    }
    let workspace = Workspace::new();
    workspace.delivery("d", &small_practice());
    let mut text = OUTCOMES.to_owned();
    (0..1_000_000).for_each(|row| writeln!(text, "S{row},ioi-ha,4,4,\nx").unwrap());
    workspace.write("d/outcomes.csv", text);
    let printed = own_child::run(
        "large_deliveries::millions_of_useless_rows_stay_within_bounded_memory",
        workspace.path("d").to_str().unwrap(),
    );
    own_child::assert_bounded(&printed);
}

/// Links that lead in a circle or nowhere, pipes, and a link to a folder.
#[cfg(unix)]
#[test]
fn links_that_lead_nowhere_are_named_and_pipes_are_not_waited_for() {
    use std::os::unix::fs::symlink;

    let workspace = Workspace::new();
    workspace.delivery("d", &small_practice());
    // What is no table's is not even looked at.
    symlink("circle", workspace.path("d/circle")).unwrap();
    symlink("nowhere", workspace.path("d/.#fittings.csv")).unwrap();
    symlink(".", workspace.path("d/fittings-again.csv")).unwrap();
    let json = workspace.ok(&["check", "d", "--json"]).json();
    let not_read: Vec<&str> = json["not_read"]
        .as_array()
        .unwrap()
        .iter()
        .map(|name| name.as_str().unwrap())
        .collect();
    assert_eq!(not_read, [".#fittings.csv", "circle", "fittings-again.csv"]);
    let made = std::process::Command::new("mkfifo")
        .arg(workspace.path("d/ears-pipe.csv"))
        .status();
    if made.is_ok_and(|status| status.success()) {
        workspace.ok(&["check", "d"]);
    }
    for (target, code) in [("ears-circle.csv", 65), ("nowhere", 2)] {
        let link = workspace.path("d/ears-circle.csv");
        let _ = std::fs::remove_file(&link);
        symlink(target, &link).unwrap();
        for arguments in [&["check", "d"][..], &["ingest", "d", "--into", "c"]] {
            let run = workspace.run(arguments);
            assert_eq!(run.code, code, "{}", run.shown());
            assert!(
                run.stderr.contains("cannot read d/ears-circle.csv"),
                "{}",
                run.shown()
            );
        }
        assert!(!workspace.path("c").exists());
    }
}
