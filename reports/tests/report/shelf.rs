//! A folder of reports: what its index lists, where its links lead, and that nothing in it is guessed or overwritten.

use std::fs;
use std::path::{Path, PathBuf};

use fitcohort_queries::review::Reader;
use fitcohort_reports::{ReportError, admits, arrange, write_report};

use crate::common::{SMALL, review};

/// Writes the report of a reader about a quarter to a place in the folder.
fn put(folder: &Path, place: &str, reader: Reader, quarter: &str) {
    let mut review = review(reader, SMALL);
    review.context.quarter = Some(quarter.to_owned());
    write_report(&review, &folder.join(place).join(reader.name())).unwrap();
}

fn read(folder: &Path, name: &str) -> String {
    fs::read_to_string(folder.join(name)).unwrap()
}

/// The links of a page to other pages: relation ("" where there is none), address.
fn links(html: &str) -> Vec<(String, String)> {
    html.split("<a ")
        .skip(1)
        .filter_map(|piece| piece.split('>').next())
        .filter(|tag| tag.contains("index.html"))
        .map(|tag| {
            let of = |name: &str| {
                tag.split(&format!("{name}=\""))
                    .nth(1)
                    .and_then(|rest| rest.split('"').next())
                    .unwrap_or("")
                    .to_owned()
            };
            (of("rel"), of("href"))
        })
        .collect()
}

/// Every page below the folder.
fn pages(folder: &Path) -> Vec<PathBuf> {
    let mut out = Vec::new();
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            out.extend(pages(&path));
        } else if path.ends_with("index.html") {
            out.push(path);
        }
    }
    out.sort();
    out
}

#[test]
fn pages_link_to_the_quarter_before_and_after_and_no_link_is_broken() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    for quarter in ["2025-Q4", "2026-Q1", "2026-Q3"] {
        for reader in Reader::ALL {
            put(root, quarter, reader, quarter);
        }
    }
    let shelf = arrange(root).unwrap();
    assert_eq!(shelf.index, Some(root.join("index.html")));
    assert_eq!(shelf.reports, 9);
    // The quarter that is not there is passed over; the ends have one neighbour.
    let of = |name: &str| links(&read(root, name));
    let at = |relation: &str, place: &str| (relation.to_owned(), place.to_owned());
    let middle = of("2026-Q1/owner/index.html");
    assert!(
        middle.contains(&at("prev", "../../2025-Q4/owner/index.html")),
        "{middle:?}"
    );
    assert!(
        middle.contains(&at("next", "../../2026-Q3/owner/index.html")),
        "{middle:?}"
    );
    assert!(
        middle.contains(&at("", "../../2026-Q1/trainer/index.html")),
        "{middle:?}"
    );
    assert!(middle.contains(&at("", "../../index.html")), "{middle:?}");
    let relations = |name: &str| -> Vec<String> {
        of(name)
            .into_iter()
            .map(|(relation, _)| relation)
            .filter(|r| !r.is_empty())
            .collect()
    };
    assert_eq!(relations("2025-Q4/trainer/index.html"), ["next"]);
    assert_eq!(relations("2026-Q3/trainer/index.html"), ["prev"]);
    let mut followed = 0;
    for page in pages(root) {
        for (_, address) in links(&fs::read_to_string(&page).unwrap()) {
            assert!(
                !address.starts_with('/') && !address.contains(':'),
                "{address}"
            );
            let target = page.parent().unwrap().join(&address);
            assert!(target.is_file(), "{} from {}", address, page.display());
            followed += 1;
        }
    }
    // Nine from the index; of each page its neighbours (4 a reader), two other readers and the index.
    assert_eq!(followed, 9 + 3 * 4 + 9 * 3);
}

#[test]
fn a_second_run_changes_nothing_and_a_later_quarter_is_linked_from_the_one_before() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    put(root, "2026-Q1", Reader::Owner, "2026-Q1");
    arrange(root).unwrap();
    let bytes = || -> Vec<String> {
        pages(root)
            .iter()
            .map(|page| fs::read_to_string(page).unwrap())
            .collect()
    };
    let once = bytes();
    arrange(root).unwrap();
    assert!(once == bytes(), "the same reports give the same bytes");
    assert!(!read(root, "2026-Q1/owner/index.html").contains("rel=\"next\""));

    put(root, "2026-Q2", Reader::Owner, "2026-Q2");
    arrange(root).unwrap();
    let before = read(root, "2026-Q1/owner/index.html");
    assert!(before.contains("rel=\"next\""), "{before}");
    // Only the links differ from the page as it was written.
    let (_, linked) = before.split_once("<!--end of other reports-->").unwrap();
    assert!(once.iter().any(|page| page.ends_with(linked)));
    // The latest quarter comes first in the index.
    let index = read(root, "index.html");
    let place = |text: &str| index.find(text).unwrap();
    assert!(place("2026-Q2/owner/index.html") < place("2026-Q1/owner/index.html"));
}

#[test]
fn years_and_the_report_outside_a_quarter_folder_are_listed_by_what_they_say() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    for year in ["2025", "2026"] {
        let mut review = review(Reader::Owner, SMALL);
        review.context.quarter = Some(year.to_owned());
        review.context.year_only = true;
        write_report(&review, &root.join(year).join("owner")).unwrap();
    }
    put(root, "", Reader::Trainer, "2026-Q3");
    assert_eq!(arrange(root).unwrap().reports, 3);
    let index = read(root, "index.html");
    assert!(
        index.contains("href=\"2026/owner/index.html\">Year review 2026</a>"),
        "{index}"
    );
    assert!(
        index.contains("href=\"trainer/index.html\">Clinicians compared 2026-Q3</a>"),
        "{index}"
    );
    assert!(
        read(root, "2026/owner/index.html")
            .contains("href=\"../../2025/owner/index.html\" rel=\"prev\"")
    );
    assert!(read(root, "trainer/index.html").contains("href=\"../index.html\""));
    assert!(index.contains("Invented data."));
}

#[test]
fn reports_of_different_making_are_told_apart() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    put(root, "2026-Q1", Reader::Owner, "2026-Q1");
    arrange(root).unwrap();
    assert!(!read(root, "index.html").contains("made from different"));
    let mut review = review(Reader::Owner, SMALL);
    review.context.quarter = Some("2026-Q2".to_owned());
    review.context.snapshot = "000009".to_owned();
    review.context.invented = false;
    write_report(&review, &root.join("2026-Q2/owner")).unwrap();
    arrange(root).unwrap();
    let index = read(root, "index.html");
    assert!(index.contains("made from different snapshots:"), "{index}");
    assert!(
        index.contains("Some of these reports are of invented data"),
        "{index}"
    );
}

#[test]
fn what_is_no_report_is_not_listed_and_a_strange_index_is_left_alone() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    assert_eq!(arrange(root).unwrap().reports, 0);
    assert!(
        read(root, "index.html").contains("There is no quarter review, study report or comparison")
    );
    // Neither a page without provenance, nor provenance without a page, nor one that is another reader's.
    for (name, content) in [
        ("2026-Q1/owner/index.html", "a page"),
        (
            "2026-Q2/owner/provenance.json",
            "{\"reader\":\"owner\",\"quarter\":\"2026-Q2\"}",
        ),
        ("2026-Q3/owner/provenance.json", "{\"reader\":\"trainer\"}"),
        ("2026-Q3/owner/index.html", "a page"),
        ("2026-Q4/owner/provenance.json", "no JSON"),
        ("2026-Q4/owner/index.html", "a page"),
        ("letters/owner/index.html", "a page"),
    ] {
        let path = root.join(name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, content).unwrap();
    }
    // A page of an earlier version has no marks for links, and is listed as it is.
    fs::write(root.join("2026-Q2/owner/index.html"), "an old page").unwrap();
    fs::write(root.join("index.html"), "somebody's own").unwrap();
    let shelf = arrange(root).unwrap();
    assert_eq!((shelf.index, shelf.reports), (None, 1));
    assert_eq!(read(root, "index.html"), "somebody's own");
    assert_eq!(read(root, "2026-Q2/owner/index.html"), "an old page");
}

#[test]
fn pages_of_one_clinician_are_listed_apart_and_linked_to_nobody_else() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    put(root, "", Reader::Trainer, "2026-Q3");
    for (name, clinician) in [("clinician-A", "A"), ("clinician-B", "<B>")] {
        put(root, "2026-Q2", Reader::Trainer, "2026-Q2");
        let home = root.join("trainer").join(name);
        write_report(&review(Reader::Trainer, SMALL), &home).unwrap();
        let provenance = format!(
            "{{\"reader\":\"trainer\",\"quarter\":\"2026-Q3\",\"clinician\":\"{clinician}\"}}"
        );
        fs::write(home.join("provenance.json"), provenance).unwrap();
    }
    assert_eq!(arrange(root).unwrap().reports, 4);
    let index = read(root, "index.html");
    assert!(
        index.contains("href=\"trainer/clinician-A/index.html\">Clinician A, up to 2026-Q3</a>")
    );
    assert!(index.contains("Clinician &lt;B&gt;, up to"), "{index}");
    assert_eq!(
        links(&read(root, "trainer/clinician-A/index.html")),
        [
            (String::new(), "../../trainer/index.html".to_owned()),
            (String::new(), "../../index.html".to_owned())
        ]
    );
    // The comparison of all leads to the quarter before it and not to a single clinician.
    let of_all = links(&read(root, "trainer/index.html"));
    assert!(
        of_all
            .iter()
            .all(|(_, address)| !address.contains("clinician-")),
        "{of_all:?}"
    );
    assert!(
        of_all.iter().any(|(relation, _)| relation == "prev"),
        "{of_all:?}"
    );
}

/// Reports with letters and reports with ids do not stand in one folder, wherever in it they are.
#[test]
fn a_folder_admits_one_kind_of_reports() {
    for letters in [true, false] {
        for (place, reader, clinician) in [
            ("owner", Reader::Owner, None),
            ("2026-Q3/trainer", Reader::Trainer, None),
            ("2025/trainer/clinician-A", Reader::Trainer, Some("A")),
        ] {
            let folder = tempfile::tempdir().unwrap();
            let root = folder.path();
            for kind in [true, false] {
                assert!(admits(root, kind).is_ok(), "an empty folder");
                assert!(admits(&root.join("none"), kind).is_ok(), "no folder");
            }
            let mut review = review(reader, SMALL);
            review.context.letters = letters;
            review.context.clinician = clinician.map(str::to_owned);
            write_report(&review, &root.join(place)).unwrap();
            assert!(admits(root, letters).is_ok());
            let error = admits(root, !letters).unwrap_err();
            assert!(
                matches!(&error, ReportError::Letters { letters: found, .. } if *found == letters),
                "{error}"
            );
            assert!(error.to_string().contains("another folder"), "{error}");
            assert!(!root.join("index.html").exists(), "asking writes nothing");
        }
    }
}
