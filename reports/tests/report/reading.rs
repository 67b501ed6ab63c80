//! What was seen when every figure and page was looked at: who reads them is not misled by order, rounding or what is left
//! out.

use std::fs;

use fitcohort_queries::review::{Reader, Review};
use fitcohort_queries::table::Table;
use fitcohort_reports::write_report;
use roxmltree::Document;

use super::boxes::letters;
use crate::common::{MEDIUM, review};

fn page(review: &Review) -> String {
    written(review, "index.html")
}

fn drawn(review: &Review, key: &str) -> String {
    written(review, &format!("figures/{key}.svg"))
}

fn written(review: &Review, file: &str) -> String {
    let folder = tempfile::tempdir().unwrap();
    write_report(review, folder.path()).unwrap();
    fs::read_to_string(folder.path().join(file)).unwrap()
}

/// The text of a page without its tags.
fn text(html: &str) -> String {
    html.split('<')
        .map(|piece| piece.split_once('>').map_or(piece, |(_, text)| text))
        .collect()
}

/// Nobody is ranked: in each figure of a row a clinician the rows stand in the order of the ids, whatever the values.
#[test]
fn clinicians_stand_in_the_order_of_their_ids_and_not_of_their_values() {
    let review = review(Reader::Trainer, MEDIUM);
    for key in [
        "shrunken-estimates",
        "spread-within-clinician",
        "first-to-final",
    ] {
        let svg = drawn(&review, key);
        let document = Document::parse(&svg).unwrap();
        let mut found: Vec<(f64, String)> = letters(&document)
            .into_iter()
            .filter(|one| one.text.starts_with("clinician-"))
            .map(|one| (one.top, one.text))
            .collect();
        found.sort_by(|one, other| one.0.total_cmp(&other.0));
        assert_eq!(found.len(), 14, "{key}");
        assert!(
            found.is_sorted_by(|one, other| one.1 < other.1),
            "{key}: {found:?}"
        );
    }
}

/// Panels under each other have their axes in line: the first tick of each stands at one place, and so does the last.
#[test]
fn panels_of_the_sensitivity_figure_stand_in_line() {
    let svg = drawn(&review(Reader::Researcher, MEDIUM), "sensitivity-forest");
    let document = Document::parse(&svg).unwrap();
    let mut lines: Vec<(i64, i64)> = document
        .descendants()
        .filter(|node| node.has_tag_name("text") && node.attribute("text-anchor") == Some("middle"))
        .filter_map(|node| {
            let text = node.text()?.trim().replace('−', "-");
            text.parse::<f64>().ok()?;
            let place = |name: &str| node.attribute(name)?.parse::<f64>().ok();
            Some((place("y")?.round() as i64, place("x")?.round() as i64))
        })
        .collect();
    lines.sort_unstable();
    let mut ends: Vec<(i64, i64, i64)> = Vec::new();
    for (y, x) in lines {
        match ends.last_mut() {
            Some((known, _, last)) if *known == y => *last = x,
            _ => ends.push((y, x, x)),
        }
    }
    assert!(ends.len() >= 2, "{ends:?}");
    assert!(
        ends.iter()
            .all(|(_, first, last)| (*first, *last) == (ends[0].1, ends[0].2)),
        "{ends:?}"
    );
}

/// Where no count can be drawn there is a sentence in the place of bars, and it does not claim that nobody meets a rule.
#[test]
fn a_referral_audit_without_a_bar_is_a_sentence() {
    let mut review = review(Reader::Owner, MEDIUM);
    let bare = review.table("referrals").clone().without(&["n_fittings"]);
    let rows = bare.rows();
    for (known, words) in [(rows, "meets a referral rule"), (1, "cannot be drawn")] {
        *review.tables.get_mut("referrals").unwrap() = bare.clone().integer(
            "n_fittings",
            (0..rows).map(|row| (row < known).then_some(0)).collect(),
        );
        let svg = drawn(&review, "referral-audit");
        assert!(svg.contains(words), "{known}: {svg}");
        assert!(!svg.contains("Number of fittings"), "{known}");
    }
}

/// 14 clinicians by seven measures are more rows than are shown at once: each measure has all of them.
#[test]
fn a_long_table_is_shown_a_measure_at_a_time_and_whole() {
    let review = review(Reader::Trainer, MEDIUM);
    assert_eq!(review.table("clinicians").rows(), 14 * 7);
    let html = page(&review);
    for name in [
        "within criterion",
        "RMS deviation",
        "verified",
        "fitted in both ears",
        "satisfied",
    ] {
        let part = html
            .split_once(&format!("<caption>Clinicians: {name}</caption>"))
            .unwrap_or_else(|| panic!("{name}"))
            .1;
        let part = part.split_once("</table>").unwrap().0;
        assert!(!part.contains(">Measure<"), "{name}");
        for clinician in 0..14 {
            let id = MEDIUM.name("clinician", clinician);
            assert_eq!(part.matches(&format!(">{id}<")).count(), 1, "{name}: {id}");
        }
    }
}

#[test]
fn how_many_rows_of_a_long_table_are_shown_is_said() {
    let html = page(&review(Reader::Trainer, MEDIUM));
    let rows = 14 * 10;
    assert!(text(&html).contains(&format!("Of the {rows} rows the first 40 are shown.")));
    assert!(!html.contains("Only the first"));
}

/// What a page calls REAR is spelled out before: in the text over the first table that has it, and in the figure.
#[test]
fn kinds_of_response_are_spelled_out_where_they_first_stand() {
    let review = review(Reader::Owner, MEDIUM);
    let html = page(&review);
    let place = |part: &str| html.find(part).unwrap_or_else(|| panic!("{part}"));
    assert!(place("Measured: real-ear aided response (REAR)") < place(">REAR<"));
    let svg = drawn(&review, "deviation-by-frequency");
    assert!(svg.contains("Real-ear aided response (REAR): measured minus target, dB"));
}

/// A page says in words what columns are called in the tables, and what was not looked up in print.
#[test]
fn a_page_speaks_in_words_and_not_in_names_of_columns() {
    let mut review = review(Reader::Trainer, MEDIUM);
    review.context.criterion_source = "A society's guidance, 2018 (from memory)".to_owned();
    let table = review.table("variance").clone();
    let how = "random intercept, adjusted for age_years, pta4, x_pta4; 35 of 37 fittings";
    let how = vec![Some(how.to_owned()); table.rows()];
    review
        .tables
        .insert("variance".into(), table.text("how", how));
    let html = page(&review);
    let prose = text(&html);
    assert!(
        prose.contains("2018 (not checked against the printed source)."),
        "{prose}"
    );
    assert!(prose.contains(
        "adjusted for age, pure-tone average of the better ear, x_pta4; 35 of 37 fittings."
    ));
    // The plan stands at the foot as it was given.
    assert!(
        !prose.contains("from memory") && !prose.contains("age_years"),
        "{prose}"
    );
}

/// An interval of 3.27 to 3.29 dB reads 3.3 to 3.3 with one decimal; its limits of 3.21 to 3.26 would read 3.2 to 3.3.
#[test]
fn levels_that_one_decimal_could_not_tell_apart_have_two() {
    let mut review = review(Reader::Owner, MEDIUM);
    let level = |lo: f64, hi: f64| {
        let one = |value: f64| vec![Some(value)];
        Table::new("headline")
            .text("measure", vec![Some("rms".to_owned())])
            .text("label", vec![Some("Mean RMS deviation".to_owned())])
            .text("unit", vec![Some("dB".to_owned())])
            .integer("n", vec![Some(65_000)])
            .real("value", one(3.281))
            .real("lo", one(lo))
            .real("hi", one(hi))
            .real("lower", one(3.211))
            .real("upper", one(3.262))
            .text("signal", vec![Some("high".to_owned())])
    };
    let mut said = |lo, hi| {
        review.tables.insert("headline".into(), level(lo, hi));
        text(&page(&review)).replace('\u{202f}', " ")
    };
    let narrow = said(3.274, 3.288);
    assert!(narrow.contains("3.28 dB"), "{narrow}");
    assert!(
        narrow.contains("95 % interval 3.27 dB to 3.29 dB"),
        "{narrow}"
    );
    assert!(narrow.contains("(3.21 dB to 3.26 dB)"), "{narrow}");
    let wide = said(3.2, 3.36);
    assert!(wide.contains("95 % interval 3.2 dB to 3.4 dB"), "{wide}");
    assert!(wide.contains("(3.2 dB to 3.3 dB)"), "{wide}");
}
