//! Each figure parses, names itself, keeps its text inside and apart, and stays small.

use std::fs;
use std::path::Path;

use fitcohort_queries::review::{Reader, Review};
use fitcohort_reports::write_report;
use roxmltree::Document;

use super::boxes::letters;
use crate::common::{HOSTILE, HUGE, LARGE, MEDIUM, ONE, SMALL, empty, review, without_rows};

fn reviews() -> Vec<(String, Review)> {
    let mut out = Vec::new();
    for reader in Reader::ALL {
        for (name, shape) in [
            ("small", SMALL),
            ("one", ONE),
            ("medium", MEDIUM),
            ("large", LARGE),
            ("huge", HUGE),
            ("hostile", HOSTILE),
        ] {
            out.push((format!("{} {name}", reader.name()), review(reader, shape)));
        }
        out.push((format!("{} empty", reader.name()), empty(reader)));
        let rows = without_rows(review(reader, SMALL));
        out.push((format!("{} without rows", reader.name()), rows));
    }
    out
}

fn each_figure(mut test: impl FnMut(&str, &Path, &str)) {
    for (name, review) in reviews() {
        let folder = tempfile::tempdir().unwrap();
        let written = write_report(&review, folder.path()).unwrap();
        let figures: Vec<_> = written
            .files
            .iter()
            .filter(|file| file.extension().is_some_and(|end| end == "svg"))
            .collect();
        assert!(figures.len() >= 5, "{name}: {} figures", figures.len());
        for file in figures {
            let svg = fs::read_to_string(folder.path().join(file)).unwrap();
            test(&name, file, &svg);
        }
    }
}

#[test]
fn figures_parse_and_name_themselves() {
    each_figure(|name, file, svg| {
        let at = format!("{name}: {}", file.display());
        let document = Document::parse(svg).unwrap_or_else(|error| panic!("{at}: {error}"));
        let root = document.root_element();
        assert_eq!(root.attribute("role"), Some("img"), "{at}");
        for part in ["title", "desc"] {
            let node = root.children().find(|node| node.has_tag_name(part));
            let text = node.and_then(|node| node.text()).unwrap_or("");
            assert!(text.len() > 15, "{at}: {part} is {text:?}");
        }
        assert!(svg.len() < 200_000, "{at}: {} bytes", svg.len());
    });
}

#[test]
fn text_lies_inside_and_apart() {
    each_figure(|name, file, svg| {
        let at = format!("{name}: {}", file.display());
        let document = Document::parse(svg).unwrap();
        let view: Vec<f64> = document
            .root_element()
            .attribute("viewBox")
            .unwrap()
            .split(' ')
            .map(|part| part.parse().unwrap())
            .collect();
        let letters = letters(&document);
        for (place, one) in letters.iter().enumerate() {
            assert!(
                one.left >= 0.0 && one.top >= 0.0 && one.right <= view[2] && one.bottom <= view[3],
                "{at}: outside the view: {one:?}"
            );
            for other in &letters[place + 1..] {
                assert!(
                    !one.meets(other),
                    "{at}: {:?} over {:?}: {one:?}, {other:?}",
                    one.text,
                    other.text
                );
            }
        }
    });
}

#[test]
fn text_is_legible_at_half_the_width_of_a4() {
    // Half of 180 mm printable width is 255 pt; six point is the customary least size in print
    // (common practice, no source). Numbers in cells may go to 5.5 pt.
    each_figure(|name, file, svg| {
        let document = Document::parse(svg).unwrap();
        let wide: f64 = document
            .root_element()
            .attribute("width")
            .unwrap()
            .parse()
            .unwrap();
        for node in document
            .descendants()
            .filter(|node| node.has_tag_name("text"))
        {
            let size: f64 = node.attribute("font-size").unwrap().parse().unwrap();
            let points = size / 10.0 / wide * 255.0;
            assert!(points >= 5.5, "{name} {}: {points}", file.display());
        }
    });
}

#[test]
fn a_missing_table_leaves_one_sentence_in_its_figure() {
    for reader in Reader::ALL {
        let whole = review(reader, MEDIUM);
        for key in whole.tables.keys() {
            let mut without = whole.clone();
            without.tables.remove(key);
            let folder = tempfile::tempdir().unwrap();
            write_report(&without, folder.path()).unwrap();
        }
    }
    let mut without = review(Reader::Trainer, MEDIUM);
    without.tables.remove("signature");
    let folder = tempfile::tempdir().unwrap();
    write_report(&without, folder.path()).unwrap();
    let file = folder.path().join("figures/signature-by-frequency.svg");
    let svg = fs::read_to_string(file).unwrap();
    assert!(svg.contains("No clinician has enough ears"));
    assert!(
        !svg.contains("<line"),
        "no axis is drawn where there is nothing to show"
    );
}

#[test]
fn titles_state_the_answer() {
    let folder = tempfile::tempdir().unwrap();
    let review = review(Reader::Owner, MEDIUM);
    write_report(&review, folder.path()).unwrap();
    let file = folder
        .path()
        .join("figures/within-criterion-by-quarter.svg");
    let svg = fs::read_to_string(file).unwrap();
    let document = Document::parse(&svg).unwrap();
    let title = document
        .descendants()
        .find(|node| node.has_tag_name("title"))
        .and_then(|node| node.text().map(str::to_owned))
        .unwrap();
    let trends = review
        .table("trends")
        .where_text("measure", "within_criterion");
    let row = trends.rows() - 1;
    let percent = format!("{:.1}", trends.real_at("value", row).unwrap() * 100.0);
    let n = trends.integer_at("n", row).unwrap().to_string();
    assert!(title.starts_with(&percent), "{title}");
    assert!(title.contains("2026-Q3") && title.contains(&n), "{title}");
    assert!(title.contains("limit"), "{title}");
}

/// A fixture with every table full leaves no figure without a drawing.
#[test]
fn full_tables_leave_no_figure_empty() {
    for reader in Reader::ALL {
        let folder = tempfile::tempdir().unwrap();
        let written = write_report(&review(reader, MEDIUM), folder.path()).unwrap();
        for file in written
            .files
            .iter()
            .filter(|file| file.starts_with("figures"))
        {
            let svg = fs::read_to_string(folder.path().join(file)).unwrap();
            assert!(svg.contains("<line"), "{} is empty", file.display());
        }
    }
}
