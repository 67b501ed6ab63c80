//! Whether a headline measure moved: the quarter under review against the four before it.

use fitcohort_pipeline::quarter::Quarter;

use crate::builder::{Builder, Cell, Kind, count_at, interval_of_share, ratio};
use crate::fits::Measure;
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
}
