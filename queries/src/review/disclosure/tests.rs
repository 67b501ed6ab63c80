//! What is withheld, on small tables worked by hand.

use std::collections::BTreeMap;

use super::super::{Context, Reader, Review};
use super::withhold;
use crate::table::Table;

fn review(tables: &[(&str, Table)]) -> Review {
    Review {
        reader: Reader::Owner,
        context: Context {
            quarter: Some("2026-Q3".to_owned()),
            ..Context::default()
        },
        tables: tables
            .iter()
            .map(|(key, table)| ((*key).to_owned(), table.clone()))
            .collect::<BTreeMap<_, _>>(),
    }
}

fn named(values: &[&str]) -> Vec<Option<String>> {
    values.iter().map(|text| Some((*text).to_owned())).collect()
}

fn counted(values: &[i64]) -> Vec<Option<i64>> {
    values.iter().copied().map(Some).collect()
}

fn halves(rows: usize) -> Vec<Option<f64>> {
    vec![Some(0.5); rows]
}

fn grades(n: &[i64]) -> Table {
    let names: Vec<String> = (0..n.len()).map(|row| format!("grade {row}")).collect();
    let names: Vec<&str> = names.iter().map(String::as_str).collect();
    Table::new("two_ear_by_grade")
        .text("grade", named(&names))
        .integer("n_candidates", counted(n))
        .real("two_ear", halves(n.len()))
}

/// Rows of measure × unit.
fn measured(unit: &str, rows: &[(&str, &str, i64)]) -> Table {
    let measures: Vec<&str> = rows.iter().map(|row| row.0).collect();
    let units: Vec<&str> = rows.iter().map(|row| row.1).collect();
    let n: Vec<i64> = rows.iter().map(|row| row.2).collect();
    Table::new("measured")
        .text("measure", named(&measures))
        .text(unit, named(&units))
        .integer("n", counted(&n))
        .real("value", halves(rows.len()))
        .real("ewma", halves(rows.len()))
}

/// The rows whose counts are gone, and the rows whose findings are.
fn gone(table: &Table, count: &str, finding: &str) -> (Vec<usize>, Vec<usize>) {
    let rows = || 0..table.rows();
    (
        rows()
            .filter(|row| table.integer_at(count, *row).is_none())
            .collect(),
        rows()
            .filter(|row| table.real_at(finding, *row).is_none())
            .collect(),
    )
}

fn withheld(n: &[i64]) -> Vec<usize> {
    let mut reviews = [review(&[("two_ear_by_grade", grades(n))])];
    withhold(&mut reviews, 5);
    let table = reviews[0].table("two_ear_by_grade");
    let (counts, findings) = gone(table, "n_candidates", "two_ear");
    assert_eq!(counts, findings);
    for row in 0..table.rows() {
        assert_eq!(table.flag_at("withheld", row), Some(counts.contains(&row)));
    }
    counts
}

#[test]
fn a_single_small_cell_takes_the_next_smallest_along() {
    assert_eq!(withheld(&[40, 3, 12, 90]), [1, 2]);
}

/// 3 and 2 add up to 5, so that each would be 1 to 4: that is no secret. With 40 more each may be 1 to 43.
#[test]
fn small_cells_that_leave_each_other_no_room_take_another_along() {
    assert_eq!(withheld(&[40, 3, 2, 90]), [0, 1, 2]);
    assert_eq!(withheld(&[40, 4, 4, 4, 90]), [1, 2, 3]);
    assert_eq!(withheld(&[40, 50]), [0_usize; 0]);
}

#[test]
fn an_empty_cell_is_no_secret() {
    assert_eq!(withheld(&[40, 0, 50]), [0_usize; 0]);
}

/// Those who answered are the numerator of one share and the denominator of another.
#[test]
fn the_share_who_answered_does_not_tell_how_few_did() {
    let rows = [
        ("answered", "2026-Q1", 40),
        ("answered", "2026-Q2", 41),
        ("answered", "2026-Q3", 42),
        ("satisfied", "2026-Q1", 3),
        ("satisfied", "2026-Q2", 20),
        ("satisfied", "2026-Q3", 19),
    ];
    let headline = [("answered", "", 42), ("satisfied", "", 19)];
    let mut reviews = [
        review(&[("trends", measured("quarter", &rows))]),
        review(&[("headline", measured("label", &headline))]),
    ];
    withhold(&mut reviews, 5);
    let trends = reviews[0].table("trends");
    // The second is withheld as well, and not the quarter that the page is about, though it has fewer.
    assert_eq!(gone(trends, "n", "value"), (vec![3, 4], vec![0, 1, 3, 4]));
    // A smoothed series gives back what went into it.
    assert_eq!(gone(trends, "n", "ewma").1, [0, 1, 2, 3, 4, 5]);
    let headline = reviews[1].table("headline");
    assert_eq!(gone(headline, "n", "value"), (vec![], vec![]));
}

/// Of 8 and 8 fittings 4 and 8 were answered: that the second has at most 8 leaves at least 4 for the first, so a third is
/// needed.
#[test]
fn what_a_count_can_be_at_most_is_known() {
    let rows = [
        ("answered", "a", 8),
        ("answered", "b", 8),
        ("answered", "c", 30),
        ("satisfied", "a", 4),
        ("satisfied", "b", 8),
        ("satisfied", "c", 20),
    ];
    let mut reviews = [review(&[("clinicians", measured("clinician_id", &rows))])];
    withhold(&mut reviews, 5);
    let table = reviews[0].table("clinicians");
    assert_eq!(gone(table, "n", "value").0, [3, 4, 5]);
}

#[test]
fn what_one_reader_is_not_shown_another_is_not_shown_either() {
    let spread = Table::new("spread")
        .text("clinician_id", named(&["a", "b", "c"]))
        .integer("n", counted(&[3, 30, 20]))
        .real("sd", halves(3));
    // The same count, but company is needed here for two.
    let clinicians = measured(
        "clinician_id",
        &[("signed", "a", 3), ("signed", "b", 30), ("signed", "c", 20)],
    );
    let bins = Table::new("dose_response")
        .real("bin_lo", vec![Some(0.0), Some(2.0), Some(3.0)])
        .integer("n", counted(&[9, 4, 8]))
        .real("mean", halves(3));
    let response = Table::new("response_by_match")
        .real("bin_lo", vec![Some(0.0), Some(2.0), Some(3.0)])
        .integer("n_fittings", counted(&[20, 30, 40]))
        .integer("n_answered", counted(&[9, 4, 8]))
        .real("response_rate", halves(3));
    let mut reviews = [
        review(&[("clinicians", clinicians), ("spread", spread)]),
        review(&[("dose_response", bins), ("response_by_match", response)]),
    ];
    withhold(&mut reviews, 5);
    assert_eq!(gone(reviews[0].table("spread"), "n", "sd").0, [0, 2]);
    assert_eq!(gone(reviews[0].table("clinicians"), "n", "value").0, [0, 2]);
    assert_eq!(
        gone(reviews[1].table("dose_response"), "n", "mean").0,
        [1, 2]
    );
    let response = reviews[1].table("response_by_match");
    assert_eq!(gone(response, "n_fittings", "response_rate").0, [1, 2]);
    assert_eq!(response.real_at("bin_lo", 1), Some(2.0), "the bin is named");
}

#[test]
fn parts_go_with_their_whole_and_the_flow_keeps_no_difference() {
    let scores = Table::new("rms_by_answer")
        .real("score", vec![Some(1.0), Some(2.0), Some(3.0)])
        .integer("n", counted(&[3, 12, 30]))
        .real("mean", halves(3));
    let bins = Table::new("rms_histogram")
        .real("score", vec![Some(1.0), Some(2.0), Some(2.0), Some(3.0)])
        .real("bin_lo", vec![Some(0.0); 4])
        .integer("n", counted(&[3, 6, 6, 30]));
    let flow = Table::new("flow")
        .text("step", named(&["fitted", "analysed", "last"]))
        .integer("n", counted(&[40, 3, 0]))
        .integer("lost", vec![None, Some(37), Some(3)]);
    let mut reviews = [review(&[
        ("rms_by_answer", scores),
        ("rms_histogram", bins),
        ("flow", flow),
    ])];
    withhold(&mut reviews, 5);
    assert_eq!(
        gone(reviews[0].table("rms_by_answer"), "n", "mean").0,
        [0, 1]
    );
    assert_eq!(
        gone(reviews[0].table("rms_histogram"), "n", "bin_lo"),
        (vec![0, 1, 2], vec![])
    );
    let flow = reviews[0].table("flow");
    assert_eq!(gone(flow, "n", "none").0, [1]);
    assert_eq!(gone(flow, "lost", "none").0, [0, 1, 2]);
}

#[test]
fn the_funnel_ends_where_what_is_shown_ends() {
    let clinicians = measured(
        "clinician_id",
        &[
            ("verified", "a", 3),
            ("verified", "b", 80),
            ("verified", "c", 20),
            ("verified", "d", 30),
        ],
    );
    let sizes: Vec<i64> = (2..90).collect();
    let funnel = Table::new("funnel")
        .text("measure", vec![Some("verified".to_owned()); sizes.len()])
        .integer("n", counted(&sizes))
        .real("centre", halves(sizes.len()));
    let all = [
        ("clinicians", clinicians.clone()),
        ("funnel", funnel.clone()),
    ];
    let mut reviews = [review(&all)];
    withhold(&mut reviews, 5);
    assert_eq!(gone(reviews[0].table("clinicians"), "n", "value").0, [0, 2]);
    assert_eq!(reviews[0].table("funnel").rows(), 87, "up to 88");
    // Where all but the small ones go, nothing is left to draw.
    let few = clinicians.filtered(|table, row| table.integer_at("n", row).unwrap() < 30);
    let mut reviews = [review(&[("clinicians", few), ("funnel", funnel)])];
    withhold(&mut reviews, 5);
    assert_eq!(reviews[0].table("funnel").rows(), 0);
}

/// The same over the reports of several quarters made at once.
mod several_quarters {
    use super::*;

    fn of(quarter: &str, tables: &[(&str, Table)]) -> Review {
        let mut out = review(tables);
        out.context.quarter = Some(quarter.to_owned());
        out
    }

    fn quarters(rows: &[(&str, i64)]) -> Table {
        let rows: Vec<(&str, &str, i64)> = rows.iter().map(|row| ("rms", row.0, row.1)).collect();
        measured("quarter", &rows)
    }

    /// In the last report the first quarter takes 2026-Q1 along; the report of 2026-Q2, left to itself, would show that
    /// and take none, since its own quarter is what its page is about.
    #[test]
    fn a_quarter_withheld_in_one_report_is_in_all() {
        let early = [("2025-Q4", 3), ("2026-Q1", 20), ("2026-Q2", 30)];
        let late = [&early[..], &[("2026-Q3", 40)]].concat();
        let mut reviews = [
            of("2026-Q2", &[("trends", quarters(&early))]),
            of("2026-Q3", &[("trends", quarters(&late))]),
        ];
        withhold(&mut reviews, 5);
        for review in &reviews {
            let hidden = gone(review.table("trends"), "n", "value");
            assert_eq!(hidden, (vec![0, 1], vec![0, 1]));
        }
    }

    /// Clinic b had 3 fittings in 2026-Q2 and takes clinic a along there. In 2026-Q3 both have plenty, but the sums over
    /// the quarters before would give the 3 back. What was withheld two years ago is in no sum.
    #[test]
    fn a_sum_over_quarters_goes_where_one_of_them_is_withheld() {
        let clinics = |n: [i64; 3]| {
            let rows = [("rms", "a", n[0]), ("rms", "b", n[1]), ("rms", "c", n[2])];
            ("clinics", measured("clinic_id", &rows))
        };
        let drivers = || {
            Table::new("drivers")
                .text("measure", named(&["rms"; 3]))
                .text("grouping", named(&["clinic_id"; 3]))
                .text("group", named(&["a", "b", "c"]))
                .integer("n", counted(&[50, 60, 70]))
                .integer("n_before", counted(&[61, 63, 220]))
                .real("mix", halves(3))
        };
        let last = || of("2026-Q3", &[clinics([50, 60, 70]), ("drivers", drivers())]);
        let mut reviews = [of("2026-Q2", &[clinics([11, 3, 70])]), last()];
        withhold(&mut reviews, 5);
        let early = gone(reviews[0].table("clinics"), "n", "value");
        assert_eq!(early, (vec![0, 1], vec![0, 1]));
        let sums = gone(reviews[1].table("drivers"), "n_before", "mix");
        assert_eq!(sums, (vec![0, 1], vec![0, 1]));

        let mut reviews = [of("2024-Q2", &[clinics([11, 3, 70])]), last()];
        withhold(&mut reviews, 5);
        let sums = gone(reviews[1].table("drivers"), "n_before", "mix");
        assert_eq!(sums, (vec![], vec![]));
    }
}
