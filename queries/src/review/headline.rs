//! The few numbers that a page begins with: the quarter under review, with intervals and control limits.

use fitcohort_pipeline::plan::Plan;
use fitcohort_pipeline::quarter::Quarter;

use crate::builder::{Builder, Cell, Kind, count_at, interval_of_mean, interval_of_share};
use crate::fits::{Fits, Measure};
use crate::statistics::Interval;
use crate::table::Table;

/// The headline measures, with what the page calls them.
fn measures(plan: &Plan) -> [(Measure, String); 7] {
    [
        (
            Measure::WithinCriterion,
            "Fittings within the criterion, of those judged".to_owned(),
        ),
        (
            Measure::WithinSecond,
            "Fittings within the second criterion, of those judged".to_owned(),
        ),
        (
            Measure::Verified,
            "Fittings verified by a final real-ear response".to_owned(),
        ),
        (
            Measure::TwoEar,
            format!(
                "Fitted in both ears, of candidates (average from {} dB HL in each ear)",
                plan.candidate_limit_db
            ),
        ),
        (
            Measure::Answered,
            "Fittings with an answer on satisfaction".to_owned(),
        ),
        (
            Measure::Satisfied,
            format!(
                "Satisfied (score {} or more), of those who answered",
                plan.outcome.satisfied_from
            ),
        ),
        (Measure::Rms, "Mean RMS deviation from target".to_owned()),
    ]
}

/// The headline numbers of a quarter, from the trends; the interval of the mean from the fittings.
pub(super) fn headline(
    trends: &Table,
    fits: &Fits,
    plan: &Plan,
    quarter: Option<Quarter>,
) -> Table {
    let mut out = Builder::new(
        "headline",
        &[],
        &[
            ("measure", Kind::Text),
            ("label", Kind::Text),
            ("unit", Kind::Text),
            ("n", Kind::Integer),
            ("value", Kind::Real),
            ("lo", Kind::Real),
            ("hi", Kind::Real),
            ("centre", Kind::Real),
            ("lower", Kind::Real),
            ("upper", Kind::Real),
            ("signal", Kind::Text),
        ],
    );
    let quarter = quarter.map(|q| q.to_string());
    for (measure, label) in measures(plan) {
        let row = (0..trends.rows()).find(|&row| {
            trends.text_at("measure", row) == Some(measure.name())
                && trends.text_at("quarter", row) == quarter.as_deref()
        });
        let Some(row) = row else { continue };
        let n = count_at(trends, "n", row);
        let value = trends.real_at("value", row);
        let (unit, interval) = if measure == Measure::Rms {
            let in_quarter: Vec<usize> = (0..fits.len())
                .filter(|&fit| fits.table().text_at("quarter", fit) == quarter.as_deref())
                .collect();
            ("dB", interval_of_measure(fits, &in_quarter, measure, plan))
        } else {
            let interval = value.and_then(|share| interval_of_share(share, n));
            ("share", interval)
        };
        let real = |column| Cell::Real(trends.real_at(column, row));
        out.row(
            &[],
            vec![
                measure.name().into(),
                label.as_str().into(),
                unit.into(),
                n.into(),
                value.into(),
                interval.map(|i| i.lo).into(),
                interval.map(|i| i.hi).into(),
                real("centre"),
                real("lower"),
                real("upper"),
                Cell::Text(trends.text_at("signal", row).map(str::to_owned)),
            ],
        );
    }
    out.build()
}

/// Student's t interval of the mean of a measure over some fittings.
pub(super) fn interval_of_measure(
    fits: &Fits,
    rows: &[usize],
    measure: Measure,
    plan: &Plan,
) -> Option<Interval> {
    let values: Vec<f64> = rows
        .iter()
        .filter_map(|&row| fits.value(measure, row, plan.outcome.satisfied_from))
        .collect();
    interval_of_mean(&values)
}
