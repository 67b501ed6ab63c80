//! Invented tables of the study report that describe the study, its models and what was done otherwise.

use super::{ATTACK, Shape, words};
use fitcohort_queries::table::Table;
use std::collections::BTreeMap;

fn reals<const N: usize>(values: [f64; N]) -> Vec<Option<f64>> {
    values.into_iter().map(Some).collect()
}

pub(crate) fn tables(shape: Shape, tables: &mut BTreeMap<String, Table>) {
    let n = shape.fittings * shape.quarters as i64;
    let third = n / 3;
    tables.insert(
        "thirds".into(),
        Table::new("thirds")
            .text("third", words(&["low", "middle", "high"]))
            .text("unit", words(&["dB"; 3]))
            .integer("n", vec![Some(third); 3])
            .real("above", vec![None, Some(2.84), Some(4.41)])
            .real("up_to", vec![Some(2.84), Some(4.41), None]),
    );
    // Rows: variable, level, unit, and count, value and spread in the low third; the others lie beside it.
    let label = if shape.hostile { ATTACK } else { "coupling" };
    type Row<'a> = (
        &'a str,
        Option<&'a str>,
        &'a str,
        i64,
        Option<f64>,
        Option<f64>,
    );
    let rows: Vec<Row<'_>> = vec![
        ("fittings", None, "", third, None, None),
        ("rms", None, "dB", third, Some(2.11), Some(0.52)),
        (
            "age_years",
            None,
            "years",
            third - 2,
            Some(67.32),
            Some(11.08),
        ),
        ("pta4", None, "dB", third, Some(44.04), Some(9.71)),
        ("grade", None, "share", third, None, None),
        (
            "grade",
            Some("mild"),
            "share",
            third / 3,
            Some(0.3333),
            None,
        ),
        (
            "grade",
            Some("moderate"),
            "share",
            third / 2,
            Some(0.5),
            None,
        ),
        (
            "grade",
            Some("all others"),
            "share",
            third / 6,
            Some(0.1667),
            None,
        ),
        (label, Some("open"), "share", third / 4, Some(0.25), None),
        (label, Some("vented"), "share", third / 2, Some(0.75), None),
        (
            "ears_fitted",
            Some("both"),
            "share",
            third / 2,
            Some(0.5),
            None,
        ),
    ];
    let mut table = Table::new("table_one")
        .text(
            "variable",
            rows.iter().map(|row| Some(row.0.into())).collect(),
        )
        .text(
            "level",
            rows.iter().map(|row| row.1.map(str::to_owned)).collect(),
        )
        .text("unit", rows.iter().map(|row| Some(row.2.into())).collect());
    for (third, by) in [("low", 0.0), ("middle", 0.011), ("high", 0.043)] {
        let moved = |value: Option<f64>| value.map(|value| value * (1.0 + by));
        table = table
            .integer(
                &format!("n_{third}"),
                rows.iter().map(|row| Some(row.3)).collect(),
            )
            .real(third, rows.iter().map(|row| moved(row.4)).collect())
            .real(
                &format!("{third}_sd"),
                rows.iter().map(|row| moved(row.5)).collect(),
            );
    }
    let difference = rows.iter().map(|row| row.4.map(|_| 0.073)).collect();
    tables.insert("table_one".into(), table.real("difference", difference));
    tables.insert(
        "missing".into(),
        Table::new("missing")
            .text("variable", words(&["rms", "answered", "age_years", label]))
            .integer(
                "n",
                vec![Some(n), Some(third * 3), Some(third * 3), Some(third * 3)],
            )
            .integer(
                "n_missing",
                vec![Some(n / 9), Some(n / 2), Some(6), Some(0)],
            )
            .real("missing", reals([0.111, 0.5, 0.0098, 0.0]))
            .integer("n_answered", vec![Some(n / 2); 4])
            .integer(
                "n_missing_answered",
                vec![Some(n / 20), None, Some(2), Some(0)],
            )
            .real(
                "missing_answered",
                vec![Some(0.1), None, Some(0.0065), Some(0.0)],
            )
            .integer("n_unanswered", vec![Some(n / 2); 4])
            .integer(
                "n_missing_unanswered",
                vec![Some(n / 18), None, Some(4), Some(0)],
            )
            .real(
                "missing_unanswered",
                vec![Some(0.11), None, Some(0.013), Some(0.0)],
            ),
    );
    let terms = [
        "rms",
        "age_years",
        "pta4",
        label,
        "ordinal_within",
        "ordinal_between",
        "rms",
    ];
    let estimate = reals([-0.067, 0.004, -0.011, 0.22, -0.052, -0.121, -0.071]);
    let ratio = |by: f64| -> Vec<Option<f64>> {
        estimate
            .iter()
            .map(|value| value.map(|value| (value + by).exp()))
            .collect()
    };
    tables.insert(
        "model".into(),
        Table::new("model")
            .text(
                "model",
                words(&[
                    "adjusted", "adjusted", "adjusted", "adjusted", "split", "split", "weighted",
                ]),
            )
            .text("term", words(&terms))
            .integer("n", vec![Some(n / 2); 7])
            .real("estimate", estimate.clone())
            .real("lo", estimate.iter().map(|x| x.map(|x| x - 0.06)).collect())
            .real("hi", estimate.iter().map(|x| x.map(|x| x + 0.06)).collect())
            .real("p", vec![Some(0.02); 7])
            .real("per", reals([1.0, 10.0, 10.0, 1.0, 1.0, 1.0, 1.0]))
            .real("odds_ratio", ratio(0.0))
            .real("odds_ratio_lo", ratio(-0.06))
            .real("odds_ratio_hi", ratio(0.06))
            .text("how", words(&["proportional odds, adjusted"; 7])),
    );
    let analyses = [
        "primary",
        "weighting",
        "input_band",
        "input_band",
        "unit",
        "exposure",
        "exposure",
        "exposure",
        "exposure",
    ];
    let exposures = [
        "rms",
        "rms",
        "rms",
        "rms",
        "rms",
        "within_criterion",
        "within_second",
        "share_within",
        "high_frequency",
    ];
    let found = reals([
        -0.112, -0.118, -0.104, -0.09, -0.107, 0.081, 0.076, 0.094, 0.051,
    ]);
    let moved = |by: f64| found.iter().map(|x| x.map(|x| x + by)).collect::<Vec<_>>();
    tables.insert(
        "sensitivity".into(),
        Table::new("sensitivity")
            .text("analysis", words(&analyses))
            .text("exposure", words(&exposures))
            .text(
                "input_band",
                words(&[
                    "average", "average", "soft", "loud", "average", "average", "average",
                    "average", "average",
                ]),
            )
            .text(
                "unit_of_analysis",
                words(&[
                    "fitting",
                    "fitting",
                    "fitting",
                    "fitting",
                    "latest-fitting",
                    "fitting",
                    "fitting",
                    "fitting",
                    "fitting",
                ]),
            )
            .text("method", words(&["spearman"; 9]))
            .flag("weighted", (0..9).map(|row| Some(row == 1)).collect())
            .integer("n", (0..9).map(|row| Some(n / 2 - row)).collect())
            .integer("n_clusters", vec![Some(shape.clinicians as i64); 9])
            .real("estimate", moved(0.0))
            .real("lo", moved(-0.07))
            .real("hi", moved(0.066))
            .text(
                "closer",
                words(&[
                    "below", "below", "below", "below", "below", "above", "above", "above",
                    "signed",
                ]),
            )
            .text(
                "interval",
                words(&["percentile bootstrap over 14 clinicians, 2000 resamples"; 9]),
            ),
    );
    tables.insert(
        "satisfied".into(),
        Table::new("satisfied")
            .text("treatment", words(&["answered", "weighted", "bounds"]))
            .integer("n", vec![Some(n / 2), Some(n / 2), Some(n)])
            .real("estimate", reals([0.761, 0.744, 0.761]))
            .real("lo", reals([0.72, 0.70, 0.38]))
            .real("hi", reals([0.79, 0.78, 0.88]))
            .text(
                "how",
                words(&[
                    "percentile bootstrap",
                    "percentile bootstrap, weights anew",
                    "no sampling error",
                ]),
            ),
    );
    tables.insert(
        "checklist".into(),
        Table::new("checklist")
            .text("guideline", words(&["STROBE", "STROBE", "RECORD"]))
            .text("item", words(&["1a", "22", "7.1"]))
            .text("topic", words(&["Design", "Money", "Codes and rules"]))
            .text(
                "status",
                words(&["answered", "for the author to add", "answered"]),
            )
            .text(
                "section",
                vec![Some("summary".into()), None, Some("provenance".into())],
            )
            .text("to_add", vec![None, Some("funding".into()), None]),
    );
}
