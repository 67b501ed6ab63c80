//! Invented tables of the study report.

use super::{ATTACK, Draws, Shape, headline, words};
use fitcohort_queries::table::Table;
use std::collections::BTreeMap;

pub(crate) fn tables(shape: Shape, tables: &mut BTreeMap<String, Table>) {
    let n = shape.fittings * shape.quarters as i64;
    tables.insert(
        "headline".into(),
        headline(&[
            (
                "spearman",
                "Rank correlation of RMS deviation and satisfaction",
                "correlation",
                n / 2,
                Some(-0.112),
                "none",
            ),
            (
                "response_rate",
                "Fittings with an answer on satisfaction",
                "share",
                n,
                Some(0.553),
                "none",
            ),
        ]),
    );
    let reason = if shape.hostile {
        ATTACK
    } else {
        "no final response at average input level"
    };
    tables.insert(
        "flow".into(),
        Table::new("flow")
            .text("step", words(&["delivered", "stored", "fitted", "verified", "eligible", "analysed"]))
            .text("label", words(&[
                "Rows of fittings delivered", "Fittings stored", "With a fitted ear", "With a final response",
                "With a complete headline curve at the average input level", "With an answer on satisfaction",
            ]))
            .integer("n", vec![Some(n), Some(n - 9), Some(n - 12), Some(n - n / 8), Some(n - n / 5), Some(n / 2)])
            .integer("lost", vec![None, Some(9), Some(3), Some(n / 8 - 12), Some(n / 5 - n / 8), Some(n - n / 5 - n / 2)])
            .text("reason", vec![
                None, Some("set aside by a rule, or exact repeats of another row".into()), Some("no ear was fitted".into()),
                Some(reason.into()), Some("one of 500, 1000, 2000 or 4000 Hz has no target or no measured value in every fitted ear".into()),
                Some("nobody answered".into()),
            ]),
    );
    tables.insert("curve".into(), curve(n));
    let methods = [
        "spearman",
        "kendall",
        "partial",
        "ordinal",
        "ordinal_within",
        "ordinal_between",
    ];
    let estimate = [-0.112, -0.081, -0.094, -0.067, -0.052, -0.121];
    let shift = |by: f64| estimate.iter().map(|x| Some(x + by)).collect::<Vec<_>>();
    tables.insert(
        "association".into(),
        Table::new("association")
            .text("method", words(&methods))
            .integer("n", vec![Some(n / 2); 6])
            .integer("n_clusters", vec![Some(shape.clinicians as i64); 6])
            .real("estimate", shift(0.0))
            .real("lo", shift(-0.071))
            .real("hi", shift(0.068))
            .real(
                "p",
                vec![
                    Some(0.0021),
                    Some(0.03),
                    Some(0.0004),
                    Some(0.2),
                    None,
                    Some(0.6),
                ],
            )
            .text(
                "interval",
                words(&["percentile bootstrap over 14 clinicians, 2000 resamples"; 6]),
            )
            .flag(
                "weighted",
                vec![
                    Some(false),
                    Some(false),
                    Some(false),
                    Some(true),
                    Some(false),
                    Some(false),
                ],
            ),
    );
    let exposures = ["rms", "signed", "high_frequency", "share_within"];
    tables.insert(
        "association_secondary".into(),
        Table::new("association_secondary")
            .text("exposure", words(&exposures))
            .text(
                "method",
                words(&["kendall", "spearman", "spearman", "spearman"]),
            )
            .integer("n", vec![Some(n / 2); 4])
            .integer("n_clusters", vec![Some(shape.clinicians as i64); 4])
            .real(
                "estimate",
                vec![Some(-0.1), Some(0.05), Some(-0.13), shape.maybe(1, 0.09)],
            )
            .real(
                "lo",
                vec![Some(-0.18), Some(-0.03), Some(-0.21), Some(0.01)],
            )
            .real("hi", vec![Some(-0.02), Some(0.13), Some(-0.05), Some(0.17)])
            .real("p", vec![Some(0.02), Some(0.3), Some(0.001), Some(0.02)])
            .text("interval", words(&["Fisher z"; 4]))
            .real(
                "p_holm",
                vec![Some(0.06), Some(0.3), Some(0.004), Some(0.06)],
            ),
    );
    let mut draws = Draws::new(3);
    let bins = 9;
    let value: Vec<Option<f64>> = (0..bins)
        .map(|k| shape.maybe(k, 4.1 - k as f64 * 0.05 + 0.1 * draws.normal()))
        .collect();
    let rate: Vec<Option<f64>> = (0..bins)
        .map(|k| shape.maybe(k, 0.57 - k as f64 * 0.01))
        .collect();
    let edge = |by: f64| (0..bins).map(|k| Some(k as f64 + by)).collect::<Vec<_>>();
    // The last bin is open upwards.
    let mut open = edge(1.0);
    open[bins - 1] = None;
    let moved =
        |of: &[Option<f64>], by: f64| of.iter().map(|x| x.map(|x| x + by)).collect::<Vec<_>>();
    let counts = |of: i64| {
        (0..bins)
            .map(|k| Some(of / (k as i64 + 2)))
            .collect::<Vec<_>>()
    };
    tables.insert(
        "dose_response".into(),
        Table::new("dose_response")
            .real("bin_lo", edge(0.0))
            .real("bin_hi", open.clone())
            .real("rms_mean", edge(0.55))
            .integer("n", counts(n / 2))
            .real("mean", value.clone())
            .real("lo", moved(&value, -0.15))
            .real("hi", moved(&value, 0.14))
            .real("satisfied", rate.clone())
            .real("satisfied_lo", moved(&rate, -0.1))
            .real("satisfied_hi", moved(&rate, 0.1)),
    );
    tables.insert(
        "response_by_match".into(),
        Table::new("response_by_match")
            .real("bin_lo", edge(0.0))
            .real("bin_hi", open.clone())
            .real("rms_mean", edge(0.5))
            .integer("n_fittings", counts(n))
            .integer("n_answered", counts(n / 2))
            .real("response_rate", rate.clone())
            .real("response_rate_lo", moved(&rate, -0.06))
            .real("response_rate_hi", moved(&rate, 0.06)),
    );
    let score: Vec<Option<f64>> = (1..=5).map(|k| Some(f64::from(k))).collect();
    let level = |by: f64| {
        (0..5)
            .map(|k| shape.maybe(k, 5.0 - k as f64 * 0.2 + by))
            .collect::<Vec<_>>()
    };
    tables.insert(
        "rms_by_answer".into(),
        Table::new("rms_by_answer")
            .real("score", score)
            .integer("n", (1..=5).map(|k| Some(n / 40 * k)).collect())
            .real("q05", level(-3.1))
            .real("q25", level(-1.2))
            .real("q50", level(0.0))
            .real("q75", level(1.4))
            .real("q95", level(4.0))
            .real("mean", level(0.3)),
    );
    // Bins of half decibels, the first wider and the last open, as merged tails are.
    let cells: Vec<(i64, f64, Option<f64>, i64)> = (1..=5)
        .flat_map(|k| (0..17).map(move |b| (k, b)))
        .map(|(k, b)| {
            let from = if b == 0 {
                0.0
            } else {
                1.0 + f64::from(b) * 0.5
            };
            let gap = from - 5.0 + k as f64 * 0.2;
            (
                k,
                from,
                (b < 16).then_some(1.5 + f64::from(b) * 0.5),
                (100.0 * (-gap * gap / 4.0).exp()) as i64 + i64::from(b % 3) + 5,
            )
        })
        .collect();
    let few = |k: i64| shape.nulls > 0 && k == 2;
    tables.insert(
        "rms_histogram".into(),
        Table::new("rms_histogram")
            .real(
                "score",
                cells.iter().map(|cell| Some(cell.0 as f64)).collect(),
            )
            .real("bin_lo", cells.iter().map(|cell| Some(cell.1)).collect())
            .real("bin_hi", cells.iter().map(|cell| cell.2).collect())
            .integer(
                "n",
                cells
                    .iter()
                    .map(|cell| (!few(cell.0)).then_some(cell.3))
                    .collect(),
            )
            .flag(
                "withheld",
                cells.iter().map(|cell| Some(few(cell.0))).collect(),
            ),
    );
    tables.insert(
        "outcomes".into(),
        Table::new("outcomes")
            .text("instrument", words(&["ioi-ha", "use-log"]))
            .text("item", words(&["4", "hours_per_day"]))
            .integer("n_fittings", vec![Some(n); 2])
            .integer("n_answered", vec![Some(n / 2); 2])
            .real("response_rate", vec![Some(0.5); 2])
            .real("response_rate_lo", vec![Some(0.47); 2])
            .real("response_rate_hi", vec![Some(0.53); 2])
            .real("mean", vec![Some(3.94), Some(8.7)])
            .real("sd", vec![Some(0.9), Some(3.1)])
            .real("q50", vec![Some(4.0), Some(9.0)]),
    );
}

fn curve(n: i64) -> Table {
    let at: Vec<f64> = (4..=16).map(|half| f64::from(half) / 2.0).collect();
    let fit = |by: f64| at.iter().map(|x| Some(4.4 - x / 25.0 + by)).collect();
    Table::new("curve")
        .real("at", at.iter().copied().map(Some).collect())
        .integer("n", vec![Some(n / 2); at.len()])
        .real("fit", fit(0.0))
        .real("lo", fit(-0.1))
        .real("hi", fit(0.1))
}
