//! Reports through the command line: every file is there, the bytes hang on nothing but cohort, plan and seed.

use crate::workspace::{Workspace, files_below, small_practice};

#[test]
fn reports_are_byte_identical_whatever_the_threads() {
    let workspace = Workspace::invented(300, 7);
    workspace.ok(&["report", "c", "--out", "one", "--threads", "1"]);
    workspace.ok(&["report", "c", "--out", "two", "--threads", "2"]);
    let (one, two) = (
        files_below(&workspace.path("one")),
        files_below(&workspace.path("two")),
    );
    assert!(one.len() > 30, "{} files", one.len());
    for ((name, bytes), (other_name, other_bytes)) in one.iter().zip(&two) {
        assert_eq!(name, other_name);
        assert!(bytes == other_bytes, "{} differs", name.display());
    }
    assert_eq!(one.len(), two.len());
    for reader in ["owner", "researcher", "trainer"] {
        for file in ["index.html", "results.json", "provenance.json"] {
            assert!(
                workspace.path(&format!("one/{reader}/{file}")).is_file(),
                "{reader}/{file}"
            );
        }
    }
    let page = std::fs::read_to_string(workspace.path("one/owner/index.html")).unwrap();
    assert!(
        page.contains("nvented"),
        "the page says that the data is invented"
    );
}

#[test]
fn the_store_is_byte_identical_whatever_the_threads() {
    let workspace = Workspace::new();
    workspace.ok(&[
        "synthesize",
        "--fittings",
        "200",
        "--seed",
        "9",
        "--out",
        "d1",
        "--threads",
        "1",
    ]);
    workspace.ok(&[
        "synthesize",
        "--fittings",
        "200",
        "--seed",
        "9",
        "--out",
        "d2",
        "--threads",
        "2",
    ]);
    assert!(files_below(&workspace.path("d1")) == files_below(&workspace.path("d2")));
    workspace.ok(&["ingest", "d1", "--into", "c1", "--threads", "1"]);
    workspace.ok(&["ingest", "d2", "--into", "c2", "--threads", "2"]);
    assert!(files_below(&workspace.path("c1")) == files_below(&workspace.path("c2")));
}

#[test]
fn two_fittings_make_reports_that_say_what_is_missing() {
    let workspace = Workspace::new();
    workspace.delivery("d", &small_practice());
    workspace.ok(&["ingest", "d", "--into", "c"]);
    workspace.ok(&["report", "c", "--out", "r"]);
    for reader in ["owner", "researcher", "trainer"] {
        let page =
            std::fs::read_to_string(workspace.path(&format!("r/{reader}/index.html"))).unwrap();
        assert!(page.contains("</html>"));
        assert!(!page.contains("NaN"), "{reader}");
    }
}

#[test]
fn one_reader_and_one_quarter_can_be_asked_for() {
    let workspace = Workspace::invented(120, 2);
    workspace.ok(&[
        "report",
        "c",
        "--out",
        "r",
        "--reader",
        "owner",
        "--quarter",
        "2025-Q2",
    ]);
    let page = std::fs::read_to_string(workspace.path("r/owner/index.html")).unwrap();
    assert!(page.contains("2025-Q2"));
    assert!(
        !page.contains("2025-Q3"),
        "a page about a quarter does not know what came later"
    );
    assert!(!workspace.path("r/trainer").exists());
    let run = workspace.run(&["report", "c", "--out", "r", "--quarter", "2031-Q1"]);
    assert_eq!(run.code, 2, "{}", run.shown());
    assert!(run.stderr.contains("2024-Q4 to 2026-Q3"), "{}", run.shown());
}

#[test]
fn several_quarters_stand_side_by_side_under_an_index() {
    let workspace = Workspace::invented(120, 2);
    let owner = ["report", "c", "--out", "r", "--reader", "owner"];
    let with = |more: &[&str]| workspace.ok(&[&owner[..], more].concat());
    let read = |name: &str| std::fs::read_to_string(workspace.path(name)).unwrap();
    let run = with(&["--quarters", "2"]);
    assert!(run.stdout.contains("r/index.html"), "{}", run.shown());
    let last = read("r/2026-Q3/owner/index.html");
    assert!(last.contains("rel=\"prev\"") && !last.contains("rel=\"next\""));
    assert!(
        read("r/2026-Q2/owner/index.html")
            .contains("href=\"../../2026-Q3/owner/index.html\" rel=\"next\"")
    );
    assert!(!workspace.path("r/owner").exists());

    // Named one by one, in any order and twice over, they are the same; earlier ones stay and are linked.
    with(&[
        "--quarter",
        "2026-Q1",
        "--quarter",
        "2025-Q4",
        "--quarter",
        "2026-Q1",
    ]);
    let index = read("r/index.html");
    for quarter in ["2025-Q4", "2026-Q1", "2026-Q2", "2026-Q3"] {
        let link = format!("href=\"{quarter}/owner/index.html\"");
        assert_eq!(index.matches(&link).count(), 1, "{quarter}");
    }
    assert!(
        read("r/2026-Q2/owner/index.html")
            .contains("href=\"../../2026-Q1/owner/index.html\" rel=\"prev\"")
    );

    // In any order the same bytes; of an earlier quarter no more than of those made at once with it.
    let named = ["--quarter", "2026-Q3", "--quarter", "2026-Q2"];
    workspace.ok(&[
        &["report", "c", "--out", "s", "--reader", "owner"],
        &named[..],
    ]
    .concat());
    workspace.ok(&[
        "report",
        "c",
        "--out",
        "u",
        "--reader",
        "owner",
        "--quarters",
        "2",
    ]);
    assert!(files_below(&workspace.path("s")) == files_below(&workspace.path("u")));
    let drivers = |quarter: &str| read(&format!("u/{quarter}/owner/tables/drivers.csv"));
    assert_eq!(drivers("2026-Q2").lines().count(), 1, "the heads alone");
    assert!(drivers("2026-Q3").lines().count() > 1);
    assert!(
        read("u/2026-Q2/owner/index.html").contains("only the last takes its change apart"),
        "the page says why"
    );
    assert!(
        read("u/2026-Q2/owner/figures/drivers-of-change.svg").contains("is not taken apart here"),
        "so does the figure"
    );

    // A quarter that is not there leaves nothing half made; so do options that contradict each other.
    for arguments in [
        &["--out", "t", "--quarter", "2026-Q1", "--quarter", "2031-Q1"][..],
        &["--out", "t", "--quarter", "2026-Q1", "--quarters", "2"],
        &["--out", "t", "--quarters", "0"],
    ] {
        let run = workspace.run(&[&["report", "c"], arguments].concat());
        assert_eq!(run.code, 2, "{}", run.shown());
        assert!(!workspace.path("t").exists(), "{}", run.shown());
    }
}

/// What holds everything up to a quarter is made for the last of several, and the terminal says why.
#[test]
fn study_and_comparison_of_clinicians_are_made_for_the_last_quarter() {
    let workspace = Workspace::invented(120, 2);
    let run = workspace.ok(&["report", "c", "--out", "r", "--quarters", "3"]);
    assert!(
        run.stdout.contains("are made for the last"),
        "{}",
        run.shown()
    );
    for (quarter, cumulative) in [("2026-Q1", false), ("2026-Q2", false), ("2026-Q3", true)] {
        let is_there = |reader: &str| {
            let page = format!("r/{quarter}/{reader}/index.html");
            workspace.path(&page).is_file()
        };
        assert!(is_there("owner"), "{quarter}");
        assert_eq!(is_there("researcher"), cumulative, "{quarter}");
        assert_eq!(is_there("trainer"), cumulative, "{quarter}");
    }
    // One quarter, whichever, has all three.
    workspace.ok(&["report", "c", "--out", "s", "--quarter", "2026-Q1"]);
    assert!(workspace.path("s/trainer/index.html").is_file());
}

#[test]
fn cohorts_that_keep_years_have_a_report_a_year() {
    let workspace = Workspace::invented(120, 2);
    workspace.ok(&["ingest", "d", "--into", "years", "--year-only"]);
    workspace.ok(&[
        "report",
        "years",
        "--out",
        "r",
        "--reader",
        "owner",
        "--quarters",
        "all",
    ]);
    let index = std::fs::read_to_string(workspace.path("r/index.html")).unwrap();
    for year in ["2024", "2025", "2026"] {
        assert!(
            index.contains(&format!(
                "href=\"{year}/owner/index.html\">Year review {year}"
            )),
            "{index}"
        );
    }
}

#[test]
fn an_index_that_is_not_ours_is_left_alone() {
    let workspace = Workspace::invented(40, 2);
    workspace.write("r/index.html", "somebody's own page");
    let run = workspace.ok(&["report", "c", "--out", "r", "--reader", "owner"]);
    assert!(run.stdout.contains("left as it is"), "{}", run.shown());
    let index = std::fs::read_to_string(workspace.path("r/index.html")).unwrap();
    assert_eq!(index, "somebody's own page");
}
