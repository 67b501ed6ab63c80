//! The owner's page: whether a measure moved, in words that follow the table; who stands out; whom to look at again.

use std::fs;

use fitcohort_queries::review::{Reader, Review};
use fitcohort_reports::write_report;

use crate::common::{HUGE, MEDIUM, ONE, SMALL, empty, review};

fn page(review: &Review) -> String {
    let folder = tempfile::tempdir().unwrap();
    write_report(review, folder.path()).unwrap();
    fs::read_to_string(folder.path().join("index.html")).unwrap()
}

/// The text between two marks of the page, without tags and drawings.
fn text_between(html: &str, from: &str, to: &str) -> String {
    let piece = html.split_once(from).expect(from).1;
    let piece = piece.split_once(to).expect(to).0;
    let without_drawings: String = piece
        .split("<svg")
        .enumerate()
        .map(|(place, part)| match place {
            0 => part,
            _ => part.split_once("</svg>").expect("a closed drawing").1,
        })
        .collect();
    let mut pieces = without_drawings.split('<');
    let first = pieces.next().unwrap_or_default().to_owned();
    pieces.fold(first, |text, piece| {
        text + piece.split_once('>').map_or("", |(_, rest)| rest)
    })
}

/// The first page, from its id to the list of contents.
fn first_page(review: &Review) -> String {
    text_between(&page(review), "id=\"first-page\"", "<nav ")
}

#[test]
fn the_first_page_says_of_each_measure_whether_it_moved() {
    let found = first_page(&review(Reader::Owner, MEDIUM));
    for sentence in [
        "Quarter review, 2026-Q3",
        "Invented data.",
        "Within criterion61.2\u{202f}%n\u{a0}=\u{a0}612; 95\u{202f}% interval 57.1\u{202f}% to 65.0\u{202f}%",
        "Inside its limits, and no move shown. −2.1\u{202f}points against the quarters before (63.3\u{202f}%, n\u{a0}=\u{a0}2\u{202f}448; \
         95\u{202f}% interval −6.5\u{202f}points to +2.2\u{202f}points); limits 54.2\u{202f}% to 69.2\u{202f}%.",
        "Moved beyond chance: below its lower limit. −6.4\u{202f}points",
        "More than sampling alone gives, within the usual swing from quarter to quarter. +5.2\u{202f}points",
    ] {
        assert!(found.contains(sentence), "{sentence}\nnot in\n{found}");
    }
    assert_eq!(found.matches("beyond chance").count(), 1, "{found}");
    assert_eq!(found.matches("no move shown").count(), 3, "{found}");
    assert!(
        found.contains("2026-Q2 lay above its upper limit."),
        "{found}"
    );
}

#[test]
fn too_few_quarters_are_said_to_be_too_few() {
    let found = first_page(&review(Reader::Owner, SMALL));
    assert!(
        found
            .contains("Too early to say: a value is there for only 1 of the four quarters before."),
        "{found}"
    );
    assert!(!found.contains("no move shown"));
    let found = first_page(&review(Reader::Owner, ONE));
    assert!(found.contains("Nothing to compare with: no quarter of the four before has a value."));
    let found = first_page(&empty(Reader::Owner));
    assert!(found.contains("There is no number to show"));
}

#[test]
fn a_move_that_is_withheld_or_has_no_limits_says_so() {
    let mut part = review(Reader::Owner, MEDIUM);
    let moves = part.tables.get_mut("moves").unwrap();
    for column in [
        "n",
        "n_before",
        "before",
        "change",
        "change_lo",
        "change_hi",
        "verdict",
    ] {
        moves.clear(column, 0);
    }
    let rows = moves.rows();
    *moves = moves
        .clone()
        .flag("withheld", (0..rows).map(|row| Some(row == 0)).collect());
    let found = first_page(&part);
    assert!(found.contains("Not compared: this quarter or one of those before rests on too few"));
    let mut part = review(Reader::Owner, MEDIUM);
    let moves = part.tables.get_mut("moves").unwrap().clone();
    let unknown = vec![Some("unknown".to_owned()); moves.rows()];
    let moves = moves.without(&["verdict"]).text("verdict", unknown);
    part.tables.insert("moves".into(), moves);
    assert!(first_page(&part).contains("Cannot be said: control limits are not estimable"));
    part.context.year_only = true;
    assert!(first_page(&part).contains("against the years before"));
    part.tables.remove("moves");
    assert!(first_page(&part).contains("Not compared."));
}

#[test]
fn the_first_page_holds_the_title_and_a_chart_a_measure() {
    let html = page(&review(Reader::Owner, MEDIUM));
    let first = html.split_once("id=\"first-page\"").unwrap().1;
    let first = first.split_once("<nav ").unwrap().0;
    assert_eq!(first.matches("<h1>").count(), 1);
    assert_eq!(first.matches("<svg").count(), 5);
    // Not drawn a second time among the figures.
    assert!(html.contains("figures/verification-by-quarter.svg"));
    assert!(!html.contains("figures/run-verified.svg"));
}

/// Five quarters from 0 to 100 %, whatever the values: nothing but the data moves from one quarter to the next.
#[test]
fn axes_of_the_run_charts_do_not_move() {
    let ticks = |review: &Review| -> Vec<String> {
        let folder = tempfile::tempdir().unwrap();
        write_report(review, folder.path()).unwrap();
        let svg = fs::read_to_string(folder.path().join("figures/run-verified.svg")).unwrap();
        let document = roxmltree::Document::parse(&svg).unwrap();
        let texts = document
            .descendants()
            .filter(|node| node.has_tag_name("text"));
        texts
            .filter(|node| {
                node.attribute("text-anchor") == Some("end")
                    || node.text().unwrap_or("").trim() == "2026-Q3"
            })
            .map(|node| {
                format!(
                    "{} {} {}",
                    node.text().unwrap().trim(),
                    node.attribute("x").unwrap(),
                    node.attribute("y").unwrap()
                )
            })
            .collect()
    };
    let medium = ticks(&review(Reader::Owner, MEDIUM));
    assert_eq!(medium.len(), 5, "{medium:?}");
    for shape in [SMALL, ONE, HUGE] {
        assert_eq!(ticks(&review(Reader::Owner, shape)), medium);
    }
}

#[test]
fn groups_that_stand_out_are_named_and_others_are_not() {
    let mut part = review(Reader::Owner, MEDIUM);
    let look = |review: &Review| text_between(&page(review), "id=\"look\"", "id=\"recheck\"");
    let found = look(&part);
    assert!(
        found.contains(
            "Within criterion, clinic clinic-000: from 61\u{202f}% (n\u{a0}=\u{a0}309) to 42\u{202f}% \
             (n\u{a0}=\u{a0}89). Its part of the change of the whole: −3.1\u{202f}points (95\u{202f}% interval \
             −4.9\u{202f}points to −1.4\u{202f}points)."
        ),
        "{found}"
    );
    assert_eq!(found.matches("Its part of the change").count(), 1);
    let drivers = part.tables.get_mut("drivers").unwrap();
    for row in 0..drivers.rows() {
        drivers.clear("signal", row);
    }
    assert!(look(&part).contains("No single group stands out"));
    part.tables.remove("driver_totals");
    assert!(look(&part).contains("No change can be taken apart"));
}

#[test]
fn the_list_to_look_at_again_says_why_how_far_and_where() {
    let mut part = review(Reader::Owner, MEDIUM);
    let list = |review: &Review| text_between(&page(review), "id=\"recheck\"", "id=\"referral\"");
    let found = list(&part);
    assert!(found.contains(
        "fitting-000clinic-000clinician-000low answer, far from target9.3\u{202f}dB RMS–"
    ));
    assert!(found.contains("on target at every point18 pointsleft ear"));
    assert_eq!(found.matches("fitting-0").count(), 20, "the first twenty");
    let all = part.table("recheck").rows();
    let said = format!("Of {all} the first 20 are shown.");
    assert!(
        found.contains(&said) && found.contains("tables/recheck.csv"),
        "{found}"
    );
    let recheck = part.tables.get_mut("recheck").unwrap();
    *recheck = recheck.where_text("reason", "outside_criterion");
    let found = list(&part);
    assert!(
        found.contains("outside the criterion12.3\u{202f}dB beyond the limit3\u{202f}000 Hz, right ear, below target"),
        "{found}"
    );
    assert!(!found.contains("are shown"));
    let recheck = part.tables.get_mut("recheck").unwrap();
    *recheck = recheck.filtered(|_, _| false);
    assert!(list(&part).contains("No fitting of this quarter is on the list."));
}

/// A level that has lasted is inside the limits; the first page says it only where it is a call.
#[test]
fn a_run_on_one_side_is_said_where_it_is_called() {
    let mut part = review(Reader::Owner, MEDIUM);
    assert!(!first_page(&part).contains("of the chart, which chance"));
    let moves = part.tables.get("moves").unwrap().clone();
    let rows = moves.rows();
    let calls = (0..rows).map(|row| Some(if row == 0 { "below" } else { "none" }.to_owned()));
    let moves = moves
        .without(&["n_run", "run"])
        .integer("n_run", vec![Some(9); rows])
        .text("run", calls.collect());
    part.tables.insert("moves".into(), moves);
    let found = first_page(&part);
    let said = "The last 9 quarters all lie below the centre of the chart";
    assert_eq!(found.matches(said).count(), 1, "{found}");
    assert_eq!(found.matches("of the chart, which chance").count(), 1);
}

/// Under letters the list has no clinicians: no empty column either.
#[test]
fn the_list_to_look_at_again_reads_without_clinicians() {
    let mut part = review(Reader::Owner, MEDIUM);
    let head = |review: &Review| {
        let page = page(review);
        let section = page.split("id=\"recheck\"").nth(1).unwrap();
        let table = section.split("</table>").next().unwrap().to_owned();
        let first = table.split("</tr>").nth(1).unwrap();
        (
            table.matches("scope=\"col\"").count(),
            1 + first.matches("<td").count(),
            table.contains("Clinician"),
        )
    };
    assert_eq!(head(&part), (6, 6, true));
    let recheck = part.tables.remove("recheck").unwrap();
    let recheck = recheck.without(&["clinician_id"]);
    part.tables.insert("recheck".into(), recheck);
    assert_eq!(head(&part), (5, 5, false));
}

/// Where every group is withheld nothing is said of any, least of all that none changed.
#[test]
fn groups_that_are_all_withheld_are_no_reassurance() {
    let mut practice = review(Reader::Owner, MEDIUM);
    let drivers = practice.tables.get_mut("drivers").unwrap();
    let rows = drivers.rows();
    for name in ["within", "outer_lo", "outer_hi", "signal"] {
        (0..rows).for_each(|row| drivers.clear(name, row));
    }
    *drivers = drivers
        .clone()
        .without(&["withheld"])
        .flag("withheld", vec![Some(true); rows]);
    let html = page(&practice);
    assert!(
        html.contains(
            "Of no group can it be said whether it changed within itself: none is shown."
        )
    );
    assert!(!html.contains("none changed within itself"));
}
