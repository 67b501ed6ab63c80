//! Every figure names the tables it is drawn from, its labels are numbers of them, and its axes stay where they are from
//! quarter to quarter.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

use fitcohort_queries::review::{Reader, Review};
use fitcohort_queries::table::Values;
use fitcohort_reports::write_report;
use roxmltree::Document;

use crate::common::pages::is_rounded;
use crate::common::{MEDIUM, ONE, SMALL, Shape, review};

/// The figures of a report: key, drawing, and the keys of the tables that its description names.
fn figures(folder: &Path, review: &Review) -> Vec<(String, String, Vec<String>)> {
    let written = write_report(review, folder).unwrap();
    let drawings = written
        .files
        .iter()
        .filter(|file| file.starts_with("figures"));
    drawings
        .map(|file| {
            let svg = fs::read_to_string(folder.join(file)).unwrap();
            let document = Document::parse(&svg).unwrap();
            let description = document
                .descendants()
                .find(|node| node.has_tag_name("desc"))
                .and_then(|node| node.text().map(str::to_owned))
                .unwrap();
            let tables = description
                .split("tables/")
                .skip(1)
                .map(|piece| piece.split(".csv").next().unwrap().to_owned())
                .collect();
            let key = file.file_stem().unwrap().to_string_lossy().into_owned();
            (key, svg, tables)
        })
        .collect()
}

#[test]
fn a_figure_names_its_tables_and_the_page_links_to_them() {
    for reader in Reader::ALL {
        for shape in [SMALL, ONE, MEDIUM] {
            let review = review(reader, shape);
            let folder = tempfile::tempdir().unwrap();
            let figures = figures(folder.path(), &review);
            let page = fs::read_to_string(folder.path().join("index.html")).unwrap();
            for (key, svg, tables) in &figures {
                assert!(
                    !svg.contains("<line") || !tables.is_empty(),
                    "{key} names no table"
                );
                // Most figures have a box of their own, with the links under them.
                let part = match page.split(&format!("figure id=\"{key}\"")).nth(1) {
                    Some(part) => part.split("</figure>").next().unwrap(),
                    None => &page,
                };
                for table in tables {
                    let file = format!("tables/{table}.csv");
                    assert!(folder.path().join(&file).is_file(), "{key}: {file}");
                    assert!(part.contains(&format!("href=\"{file}\"")), "{key}: {file}");
                }
            }
        }
    }
}

/// Every number of some tables of a review.
fn numbers(review: &Review, tables: &[String]) -> Vec<f64> {
    let mut out = Vec::new();
    for table in tables.iter().map(|key| review.table(key)) {
        for column in &table.columns {
            match &column.values {
                Values::Integer(values) => {
                    out.extend(values.iter().flatten().map(|value| *value as f64));
                }
                Values::Real(values) => out.extend(values.iter().flatten()),
                Values::Text(_) | Values::Flag(_) => {}
            }
        }
    }
    out
}

/// Labels in the colours of data and of what asks for a look, bold ones, and all of the form "n = 612" are numbers of the
/// tables, rounded. Ticks and other small print are plain and soft.
#[test]
fn labels_of_a_figure_are_numbers_of_its_tables() {
    let mut seen = 0;
    for reader in Reader::ALL {
        let review = review(reader, MEDIUM);
        let folder = tempfile::tempdir().unwrap();
        for (key, svg, tables) in figures(folder.path(), &review) {
            let numbers = numbers(&review, &tables);
            let document = Document::parse(&svg).unwrap();
            for node in document
                .descendants()
                .filter(|node| node.has_tag_name("text"))
            {
                let text = node.text().unwrap_or("").trim();
                let count = text.strip_prefix("n\u{a0}=\u{a0}");
                let loud = matches!(node.attribute("fill"), Some("#00746C" | "#A85400"));
                let shown = count.unwrap_or(text).trim_end_matches(')');
                let is_number = shown.starts_with(|c: char| c.is_ascii_digit() || c == '−')
                    && !shown.contains(' ');
                if is_number && (count.is_some() || loud) {
                    seen += 1;
                    // "n = 31–40" names both ends.
                    for end in shown.split('–') {
                        assert!(
                            numbers.iter().any(|exact| is_rounded(end, *exact)),
                            "{key}: {text} is not in {tables:?}"
                        );
                    }
                }
            }
        }
    }
    assert!(seen > 50, "{seen} labels");
}

/// The labels of the ticks of shares and decibels, with their places across and down.
fn ticks(svg: &str) -> BTreeSet<(String, String)> {
    let document = Document::parse(svg).unwrap();
    document
        .descendants()
        .filter(|node| node.has_tag_name("text") && node.attribute("fill") == Some("#5A524A"))
        .filter_map(|node| {
            let text = node.text().unwrap_or("").trim().to_owned();
            let number = text.trim_end_matches('%').trim_end_matches('\u{202f}');
            number.replace('−', "-").parse::<f64>().ok()?;
            // The ends of lines are named at the right; ticks stand left of the plot or under it.
            let hang = node.attribute("text-anchor")?;
            let place = if hang == "middle" { "x" } else { "y" };
            Some((text, node.attribute(place)?.to_owned()))
        })
        .collect()
}

/// Figures whose axes are measured in shares or decibels. Those of counts and of coefficients go by the cohort.
const COMPARED: [&str; 9] = [
    "clinics-this-quarter",
    "deviation-by-answer",
    "deviation-by-frequency",
    "first-to-final",
    "shrunken-estimates",
    "spread-within-clinician",
    "two-ear-by-grade",
    "verification-by-quarter",
    "within-criterion-by-quarter",
];

#[test]
fn axes_do_not_move_from_quarter_to_quarter() {
    let mut compared = 0;
    for reader in Reader::ALL {
        let one = review(reader, MEDIUM);
        // The same practice with other numbers: each share and level a fifth less.
        let mut other = review(
            reader,
            Shape {
                fittings: 590,
                ..MEDIUM
            },
        );
        for table in other.tables.values_mut() {
            for column in &mut table.columns {
                if column.name.starts_with("bin_") || column.name == "score" {
                    continue;
                }
                if let Values::Real(values) = &mut column.values {
                    values.iter_mut().flatten().for_each(|value| *value *= 0.8);
                }
            }
        }
        let folder = tempfile::tempdir().unwrap();
        let before = figures(folder.path(), &one);
        let after = figures(folder.path(), &other);
        for ((key, svg, _), (_, later, _)) in before.iter().zip(&after) {
            if !COMPARED.contains(&key.as_str()) {
                continue;
            }
            compared += 1;
            assert_ne!(svg, later, "{key}");
            let (one, other) = (ticks(svg), ticks(later));
            assert!(one.len() > 3, "{key}: {one:?}");
            let names = |ticks: &BTreeSet<(String, String)>| -> Vec<String> {
                ticks.iter().map(|(name, _)| name.clone()).collect()
            };
            assert_eq!(names(&one), names(&other), "{key}");
        }
    }
    assert_eq!(compared, COMPARED.len());
}
