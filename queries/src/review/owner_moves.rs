//! Whether a headline measure moved: the quarter under review against the four before it.

use fitcohort_pipeline::quarter::Quarter;

use crate::builder::{Builder, Cell, Kind, count_at, interval_of_share, ratio};
use crate::fits::Measure;
use crate::statistics::control_chart::{RUN, Side, run_at_end};
use crate::statistics::proportion::newcombe_difference;
use crate::table::Table;

/// The five measures of the first page, in its order.
pub(super) const MEASURES: [Measure; 5] = [
    Measure::WithinCriterion,
    Measure::Verified,
    Measure::TwoEar,
    Measure::Answered,
    Measure::Satisfied,
];

/// So many quarters before are compared with: a year, so that each season is in once.
const QUARTERS: u16 = 4;

/// The quarters (or years) just before one, the nearest first.
pub(super) fn before(quarter: Quarter) -> Vec<Quarter> {
    (1..=QUARTERS)
        .map(|back| {
            if quarter.is_year() {
                return Quarter {
                    year: quarter.year.saturating_sub(back),
                    number: 0,
                };
            }
            let place = (u32::from(quarter.year) * 4 + u32::from(quarter.number) - 1)
                .saturating_sub(u32::from(back));
            Quarter {
                year: u16::try_from(place / 4).unwrap_or(0),
                number: u8::try_from(place % 4 + 1).unwrap_or(1),
            }
        })
        .collect()
}

/// What can be said of a move.
fn verdict(signal: Option<&str>, compared: bool, change: Option<(f64, f64)>) -> &'static str {
    match (signal, compared, change) {
        (Some("high" | "low"), true, _) => "outside",
        (Some("none"), true, Some((lo, hi))) if lo > 0.0 || hi < 0.0 => "sampling",
        (Some("none"), true, Some(_)) => "none",
        _ => "unknown",
    }
}

/// The headline shares of the quarter against the four before it, pooled: measure.
///
/// `value` with its Wilson limits; `before` over `n_before`, of the `quarters_before` quarters (up to four) that have a
/// value, the smallest of which rests on `n_least`; `change` = value − before, shares, with Newcombe's limits (1998,
/// method 10); `signal` of the control chart in `trends`. Verdicts: `outside` beyond the control limits; `sampling` inside
/// them, while the limits of the change leave out 0; `none`; `unknown` where fewer than four quarters before have a value
/// or there are no control limits.
pub(super) fn moves(trends: &Table, quarter: Option<Quarter>) -> Table {
    let mut out = Builder::new(
        "moves",
        &[],
        &[
            ("measure", Kind::Text),
            ("n", Kind::Integer),
            ("value", Kind::Real),
            ("lo", Kind::Real),
            ("hi", Kind::Real),
            ("quarters_before", Kind::Integer),
            ("n_before", Kind::Integer),
            ("n_least", Kind::Integer),
            ("before", Kind::Real),
            ("change", Kind::Real),
            ("change_lo", Kind::Real),
            ("change_hi", Kind::Real),
            ("signal", Kind::Text),
            ("verdict", Kind::Text),
        ],
    );
    let Some(quarter) = quarter else {
        return out.build();
    };
    let earlier: Vec<String> = before(quarter).iter().map(Quarter::to_string).collect();
    let quarter = quarter.to_string();
    for measure in MEASURES {
        let rows = trends.where_text("measure", measure.name());
        let counted = |row: usize| -> (u64, u64) {
            let n = count_at(&rows, "n", row);
            let share = rows.real_at("value", row).unwrap_or(0.0);
            ((share * n as f64).round() as u64, n)
        };
        let named = |wanted: &dyn Fn(&str) -> bool| -> Vec<usize> {
            (0..rows.rows())
                .filter(|row| rows.text_at("quarter", *row).is_some_and(wanted))
                .collect()
        };
        let Some(&row) = named(&|name| name == quarter).first() else {
            continue;
        };
        let (successes, n) = counted(row);
        let pooled: Vec<(u64, u64)> = named(&|name| earlier.iter().any(|known| known == name))
            .into_iter()
            .map(counted)
            .filter(|(_, n)| *n > 0)
            .collect();
        let then = pooled
            .iter()
            .fold((0, 0), |sum, one| (sum.0 + one.0, sum.1 + one.1));
        let value = ratio(successes, n);
        let interval = value.and_then(|share| interval_of_share(share, n));
        let share_before = ratio(then.0, then.1);
        let change = value.zip(share_before).map(|(now, then)| now - then);
        let limits = newcombe_difference((successes, n), then).ok();
        let signal = rows.text_at("signal", row);
        out.row(
            &[],
            vec![
                measure.name().into(),
                n.into(),
                value.into(),
                interval.map(|i| i.lo).into(),
                interval.map(|i| i.hi).into(),
                pooled.len().into(),
                then.1.into(),
                Cell::Integer(
                    pooled
                        .iter()
                        .map(|(_, n)| i64::try_from(*n).unwrap_or(i64::MAX))
                        .min(),
                ),
                share_before.into(),
                change.into(),
                limits.map(|i| i.lo).into(),
                limits.map(|i| i.hi).into(),
                Cell::Text(signal.map(str::to_owned)),
                verdict(
                    signal,
                    pooled.len() == usize::from(QUARTERS),
                    limits.map(|i| (i.lo, i.hi)),
                )
                .into(),
            ],
        );
    }
    out.build()
}

/// The moves with a level that has lasted, which control limits take in: `n_run`, how many of the measure's last points
/// up to the quarter lie on one side of the centre of its chart, and `run`, `above` or `below` where that is a call (eight
/// or more, [`RUN`]), `none` where it is not; nulls where the quarter has no side.
///
/// `trends` as it is shown: a quarter that is withheld, or has no value, ends a run.
pub(super) fn with_runs(moves: Table, trends: &Table, quarter: Option<&str>) -> Table {
    let found: Vec<Option<(Side, usize)>> = (0..moves.rows())
        .map(|row| {
            let rows = trends.where_text("measure", moves.text_at("measure", row)?);
            let mut points: Vec<_> = (0..rows.rows())
                .filter_map(|row| {
                    let at = |column| rows.real_at(column, row);
                    Some((rows.text_at("quarter", row)?, at("value").zip(at("centre"))))
                })
                .filter(|(known, _)| quarter.is_some_and(|quarter| *known <= quarter))
                .collect();
            points.sort_by_key(|(quarter, _)| *quarter);
            let points: Vec<_> = points.into_iter().map(|(_, point)| point).collect();
            run_at_end(&points)
        })
        .collect();
    let told = |(side, length): &(Side, usize)| match side {
        _ if *length < RUN => "none",
        Side::Above => "above",
        Side::Below => "below",
    };
    let length = |(_, length): &(Side, usize)| i64::try_from(*length).ok();
    let lengths = found.iter().map(|run| run.as_ref().and_then(length));
    let calls = found.iter().map(|run| Some(told(run.as_ref()?).to_owned()));
    let (lengths, calls) = (lengths.collect(), calls.collect());
    moves.integer("n_run", lengths).text("run", calls)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn quarter(text: &str) -> Quarter {
        text.parse().unwrap()
    }

    fn names(text: &str) -> Vec<String> {
        before(quarter(text))
            .iter()
            .map(Quarter::to_string)
            .collect()
    }

    #[test]
    fn the_quarters_before_cross_the_turn_of_the_year() {
        assert_eq!(
            names("2026-Q3"),
            ["2026-Q2", "2026-Q1", "2025-Q4", "2025-Q3"]
        );
        assert_eq!(
            names("2026-Q1"),
            ["2025-Q4", "2025-Q3", "2025-Q2", "2025-Q1"]
        );
        assert_eq!(names("2026"), ["2025", "2024", "2023", "2022"]);
    }

    /// A quarter: name, successes, n, signal.
    type Row<'a> = (&'a str, u64, u64, Option<&'a str>);

    /// One measure over quarters.
    fn trends(quarters: &[Row<'_>]) -> Table {
        let each = |pick: &dyn Fn(&Row<'_>) -> Option<String>| {
            quarters.iter().map(pick).collect::<Vec<_>>()
        };
        Table::new("trends")
            .text("measure", each(&|_| Some("verified".to_owned())))
            .text("quarter", each(&|row| Some(row.0.to_owned())))
            .integer(
                "n",
                quarters
                    .iter()
                    .map(|row| i64::try_from(row.2).ok())
                    .collect(),
            )
            .real(
                "value",
                quarters.iter().map(|row| ratio(row.1, row.2)).collect(),
            )
            .text("signal", each(&|row| row.3.map(str::to_owned)))
    }

    fn only(quarters: &[Row<'_>]) -> Table {
        moves(&trends(quarters), Some(quarter("2026-Q3")))
    }

    /// The printed difference of Newcombe (1998), Stat Med 17:873, method 10: 56/70 - 48/80 is 0.0524 to 0.3339; here
    /// the 80 of before are spread over four quarters, and an older one is left out.
    #[test]
    fn the_change_is_the_printed_difference_of_pooled_shares() {
        let found = only(&[
            ("2025-Q2", 1, 999, Some("none")),
            ("2025-Q3", 10, 20, Some("none")),
            ("2025-Q4", 12, 20, Some("none")),
            ("2026-Q1", 15, 25, Some("none")),
            ("2026-Q2", 11, 15, Some("none")),
            ("2026-Q3", 56, 70, Some("none")),
        ]);
        assert_eq!(found.rows(), 1);
        assert_eq!(found.integer_at("n_before", 0), Some(80));
        assert_eq!(found.integer_at("n_least", 0), Some(15));
        assert_eq!(found.integer_at("quarters_before", 0), Some(4));
        assert!((found.real_at("before", 0).unwrap() - 0.6).abs() < 1e-15);
        for (column, printed) in [
            ("change", 0.2),
            ("change_lo", 0.0524),
            ("change_hi", 0.3339),
        ] {
            assert!(
                (found.real_at(column, 0).unwrap() - printed).abs() < 5e-5,
                "{column}"
            );
        }
        assert_eq!(found.text_at("verdict", 0), Some("sampling"));
    }

    #[test]
    fn verdicts_need_four_quarters_and_limits() {
        let year = |now: u64, signal| {
            [
                ("2025-Q3", 50, 100, Some("none")),
                ("2025-Q4", 50, 100, Some("none")),
                ("2026-Q1", 50, 100, Some("none")),
                ("2026-Q2", 50, 100, Some("none")),
                ("2026-Q3", now, 100, signal),
            ]
        };
        let verdict =
            |rows: &[Row<'_>]| only(rows).text_at("verdict", 0).map(str::to_owned).unwrap();
        assert_eq!(verdict(&year(51, Some("none"))), "none");
        assert_eq!(verdict(&year(75, Some("none"))), "sampling");
        assert_eq!(verdict(&year(75, Some("high"))), "outside");
        assert_eq!(verdict(&year(20, Some("low"))), "outside");
        assert_eq!(verdict(&year(51, None)), "unknown");
        assert_eq!(verdict(&year(75, Some("high"))[1..]), "unknown");
        // A quarter without anyone in the denominator does not count as one.
        let mut hollow = year(75, Some("high"));
        hollow[1] = ("2025-Q4", 0, 0, None);
        assert_eq!(verdict(&hollow), "unknown");
        assert_eq!(verdict(&year(75, Some("high"))[4..]), "unknown");
        let alone = only(&year(75, None)[4..]);
        assert_eq!(alone.integer_at("quarters_before", 0), Some(0));
        assert_eq!(alone.real_at("change", 0), None);
        assert_eq!(alone.real_at("change_lo", 0), None);
        assert_eq!(only(&year(75, None)[..4]).rows(), 0, "no such quarter");
        assert_eq!(moves(&trends(&[]), None).rows(), 0);
    }

    /// Nine quarters that end below a centre of 0.5, the eighth from the end with another value.
    #[test]
    fn a_level_that_lasts_is_called_from_eight_quarters_on() {
        let runs = |values: &[Option<f64>]| {
            let known: Vec<String> = (0..u16::try_from(values.len()).unwrap())
                .map(|place| format!("{}-Q{}", 2024 + place / 4, place % 4 + 1))
                .collect();
            let trends = Table::new("trends")
                .text("measure", vec![Some("verified".to_owned()); values.len()])
                // Not in time: quarters go by name.
                .text("quarter", known.iter().rev().cloned().map(Some).collect())
                .real("value", values.iter().rev().copied().collect())
                .real(
                    "centre",
                    values.iter().rev().map(|v| v.and(Some(0.5))).collect(),
                );
            let moves = Table::new("moves").text("measure", vec![Some("verified".to_owned())]);
            let found = with_runs(moves, &trends, known.last().map(String::as_str));
            (
                found.integer_at("n_run", 0),
                found.text_at("run", 0).map(str::to_owned),
            )
        };
        let with = |place: usize, value: Option<f64>| {
            let mut values = vec![Some(0.6); 1];
            values.extend([Some(0.4); 8]);
            values[place] = value;
            runs(&values)
        };
        let called = |length, call: &str| (Some(length), Some(call.to_owned()));
        assert_eq!(with(0, Some(0.6)), called(8, "below"));
        assert_eq!(with(0, Some(0.1)), called(9, "below"));
        assert_eq!(with(1, Some(0.6)), called(7, "none"));
        assert_eq!(
            with(1, None),
            called(7, "none"),
            "what is withheld ends a run"
        );
        assert_eq!(with(8, Some(0.6)), called(1, "none"));
        assert_eq!(with(8, Some(0.5)), (None, None));
        assert_eq!(with(8, None), (None, None));
        assert_eq!(runs(&[Some(0.7); 8]), called(8, "above"));
        assert_eq!(runs(&[]), (None, None));
    }
}
