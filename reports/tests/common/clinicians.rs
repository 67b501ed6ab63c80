//! Invented tables of the trainer's report.

use super::{Draws, Shape, headline, words};
use fitcohort_queries::table::Table;
use std::collections::BTreeMap;

const HERTZ: [i64; 10] = [250, 500, 750, 1000, 1500, 2000, 3000, 4000, 6000, 8000];

pub(crate) fn tables(shape: Shape, tables: &mut BTreeMap<String, Table>) {
    tables.insert(
        "headline".into(),
        headline(&[
            (
                "clinicians",
                "Clinicians compared",
                "count",
                shape.clinicians as i64,
                Some(shape.clinicians as f64),
                "none",
            ),
            (
                "within_criterion",
                "Fittings within criterion",
                "share",
                shape.fittings,
                Some(0.61),
                "none",
            ),
        ]),
    );
    let ids: Vec<String> = (0..shape.clinicians)
        .map(|k| shape.name("clinician", k))
        .collect();
    tables.insert("clinicians".into(), clinicians(shape, &ids));
    tables.insert("funnel".into(), funnel(shape));
    tables.insert("signature".into(), signature(shape, &ids));
    let mut draws = Draws::new(23);
    let sd: Vec<Option<f64>> = ids
        .iter()
        .enumerate()
        .map(|(k, _)| shape.maybe(k, 2.0 + draws.next() * 2.0))
        .collect();
    let scaled =
        |of: &[Option<f64>], by: f64| of.iter().map(|x| x.map(|x| x * by)).collect::<Vec<_>>();
    let id_column = || ids.iter().cloned().map(Some).collect::<Vec<_>>();
    let counts = || {
        ids.iter()
            .enumerate()
            .map(|(k, _)| Some(20 + k as i64 * 3))
            .collect::<Vec<_>>()
    };
    tables.insert(
        "spread".into(),
        Table::new("spread")
            .text("clinician_id", id_column())
            .integer("n", counts())
            .real("sd", sd.clone())
            .real("lo", scaled(&sd, 0.8))
            .real("hi", scaled(&sd, 1.3)),
    );
    let first: Vec<Option<f64>> = ids.iter().map(|_| Some(6.0 + draws.normal())).collect();
    let last: Vec<Option<f64>> = first
        .iter()
        .map(|x| x.map(|x| x * (0.55 + 0.5 * draws.next())))
        .collect();
    tables.insert(
        "first_final".into(),
        Table::new("first_final")
            .text("clinician_id", id_column())
            .integer("n_first", counts())
            .integer("n_final", counts())
            .real("rms_first", first)
            .real("rms_final", last.clone())
            .real("rms_final_lo", scaled(&last, 0.85))
            .real("rms_final_hi", scaled(&last, 1.15))
            .integer("n_within", counts())
            .real("within_first", ids.iter().map(|_| Some(0.3)).collect())
            .real("within_final", ids.iter().map(|_| Some(0.6)).collect())
            .real("within_final_lo", ids.iter().map(|_| Some(0.45)).collect())
            .real("within_final_hi", ids.iter().map(|_| Some(0.73)).collect()),
    );
    tables.insert(
        "variance".into(),
        Table::new("variance")
            .text(
                "measure",
                words(&["rms", "rms", "rms", "signed", "satisfied"]),
            )
            .text(
                "component",
                words(&["clinician", "residual", "icc", "icc", "clinician"]),
            )
            .integer("n", vec![Some(shape.fittings); 5])
            .integer("n_clinicians", vec![Some(shape.clinicians as i64); 5])
            .real(
                "estimate",
                vec![Some(0.81), Some(6.1), Some(0.117), None, Some(0.000_617_3)],
            )
            .real(
                "lo",
                vec![Some(0.3), Some(5.8), Some(0.05), None, Some(0.0001)],
            )
            .real(
                "hi",
                vec![Some(1.9), Some(6.4), Some(0.24), None, Some(0.0032)],
            ),
    );
}

fn funnel(shape: Shape) -> Table {
    let most = 20.0 + shape.clinicians as f64 * 3.0;
    let mut n: Vec<i64> = (1..=40)
        .map(|k| (5.0 + most * 1.2 * f64::from(k) / 40.0) as i64)
        .collect();
    n.dedup();
    let edge = |z: f64| {
        n.iter()
            .map(|n| Some((0.61 + z * (0.24 / *n as f64).sqrt()).clamp(0.0, 1.0)))
            .collect::<Vec<_>>()
    };
    Table::new("funnel")
        .text(
            "measure",
            n.iter()
                .map(|_| Some("within_criterion".to_owned()))
                .collect(),
        )
        .integer("n", n.iter().map(|n| Some(*n)).collect())
        .real("centre", n.iter().map(|_| Some(0.61)).collect())
        .real("lower_95", edge(-1.96))
        .real("upper_95", edge(1.96))
        .real("lower_998", edge(-3.09))
        .real("upper_998", edge(3.09))
}

fn clinicians(shape: Shape, ids: &[String]) -> Table {
    let mut draws = Draws::new(17);
    let measures = [
        "within_criterion",
        "rms",
        "signed",
        "high_frequency",
        "verified",
        "two_ear",
        "satisfied",
    ];
    let mut rows = Vec::new();
    for measure in measures {
        for (place, id) in ids.iter().enumerate() {
            let n = 20 + place as i64 * 3;
            let sd = (0.24 / n as f64).sqrt();
            let shares = !["rms", "signed", "high_frequency"].contains(&measure);
            let value = 0.61 + draws.normal() * sd * 1.7;
            let (low, high) = (0.61 - 3.09 * sd, 0.61 + 3.09 * sd);
            let signal = if value > high {
                "high"
            } else if value < low {
                "low"
            } else {
                "none"
            };
            let value = if shares {
                value.clamp(0.0, 1.0)
            } else {
                value * 7.0 - 4.3
            };
            rows.push((
                measure,
                id.clone(),
                n,
                shape.maybe(place, value),
                sd,
                signal,
                low,
                high,
            ));
        }
    }
    let real = |pick: fn(f64, f64) -> f64| {
        rows.iter()
            .map(|row| row.3.map(|value| pick(value, row.4)))
            .collect::<Vec<_>>()
    };
    Table::new("clinicians")
        .text(
            "clinician_id",
            rows.iter().map(|row| Some(row.1.clone())).collect(),
        )
        .text(
            "measure",
            rows.iter().map(|row| Some(row.0.to_owned())).collect(),
        )
        .integer("n", rows.iter().map(|row| Some(row.2)).collect())
        .real("observed", real(|value, _| value))
        .real("adjusted", real(|value, _| value * 0.99))
        .real("shrunken", real(|value, _| 0.61 + (value - 0.61) * 0.6))
        .real(
            "shrunken_lo",
            real(|value, sd| (0.61 + (value - 0.61) * 0.6 - 1.5 * sd).max(0.0)),
        )
        .real(
            "shrunken_hi",
            real(|value, sd| (0.61 + (value - 0.61) * 0.6 + 1.5 * sd).min(1.0)),
        )
        .real("limit_low", rows.iter().map(|row| Some(row.6)).collect())
        .real("limit_high", rows.iter().map(|row| Some(row.7)).collect())
        .text(
            "signal",
            rows.iter().map(|row| Some(row.5.to_owned())).collect(),
        )
}

fn signature(shape: Shape, ids: &[String]) -> Table {
    let mut draws = Draws::new(29);
    let mut id = Vec::new();
    let mut hertz = Vec::new();
    let mut mean = Vec::new();
    let mut ears = Vec::new();
    for (place, name) in ids.iter().enumerate() {
        let own = draws.normal() * 1.5;
        for (column, hz) in HERTZ.iter().enumerate() {
            id.push(Some(name.clone()));
            hertz.push(Some(*hz));
            let value = own - column as f64 * 0.7 + draws.normal();
            mean.push(shape.maybe(place * HERTZ.len() + column, value));
            ears.push(Some(40 + place as i64 * 6 - column as i64));
        }
    }
    let sd = mean.iter().map(|x| x.map(|_| 3.7)).collect();
    let fittings = ears.iter().map(|n| n.map(|n| n / 2 + 2)).collect();
    Table::new("signature")
        .text("clinician_id", id)
        .integer("frequency_hz", hertz)
        .integer("n_ears", ears)
        .integer("n_fittings", fittings)
        .real("mean", mean)
        .real("sd", sd)
}
