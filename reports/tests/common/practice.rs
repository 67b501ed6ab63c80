//! Invented tables of the owner's report.

use super::{ATTACK, Draws, Shape, headline, words};
use fitcohort_queries::table::Table;
use std::collections::BTreeMap;

pub(crate) fn tables(shape: Shape, tables: &mut BTreeMap<String, Table>) {
    let n = shape.fittings;
    let awkward = if shape.hostile {
        ATTACK
    } else {
        "Fittings within criterion"
    };
    tables.insert(
        "headline".into(),
        headline(&[
            (
                "within_criterion",
                awkward,
                "share",
                n,
                Some(0.6123),
                "none",
            ),
            ("rms", "Mean RMS deviation", "dB", n, Some(4.37), "none"),
            (
                "verified",
                "Fittings verified",
                "share",
                n,
                Some(0.871),
                "low",
            ),
            (
                "two_ear",
                "Two-ear candidates fitted in both ears",
                "share",
                n / 2,
                Some(0.74),
                "none",
            ),
            (
                "answered",
                "Fittings with an answer",
                "share",
                n,
                Some(0.552),
                "none",
            ),
            (
                "satisfied",
                "Satisfied, of those who answered",
                "share",
                n / 2,
                Some(0.803),
                "none",
            ),
            ("returned", "Fittings returned", "share", n, None, "none"),
        ]),
    );
    tables.insert("trends".into(), trends(shape));
    tables.insert("deviation".into(), deviation(shape));
    let grades = [
        "normal",
        "mild",
        "moderate",
        "moderately severe",
        "severe",
        "profound",
        "complete",
        "unilateral",
        "slight unilateral",
    ];
    let mut draws = Draws::new(5);
    let share: Vec<Option<f64>> = (0..grades.len())
        .map(|place| shape.maybe(place, 0.6 + 0.3 * draws.next()))
        .collect();
    let by = |shift: f64| {
        share
            .iter()
            .map(|x| x.map(|x| (x + shift).min(1.0)))
            .collect()
    };
    tables.insert(
        "two_ear_by_grade".into(),
        Table::new("two_ear_by_grade")
            .text("grade", words(&grades))
            .integer(
                "n_candidates",
                share.iter().map(|x| x.map(|_| n / 9 + 2)).collect(),
            )
            .integer(
                "n_two_ear",
                share.iter().map(|x| x.map(|_| n / 14)).collect(),
            )
            .real("two_ear", share.clone())
            .real("two_ear_lo", by(-0.09))
            .real("two_ear_hi", by(0.08)),
    );
    let rules = [
        "adjacent-15",
        "average-15",
        "contiguous-10",
        "three-k",
        "one-sided",
    ];
    let answers = [
        "none",
        "advised",
        "completed",
        "unknown",
        "cannot be evaluated",
    ];
    let mut rule = Vec::new();
    let mut answer = Vec::new();
    let mut count = Vec::new();
    for (place, name) in rules.iter().enumerate() {
        for (column, referral) in answers.iter().enumerate() {
            let name = if shape.hostile && place == 0 {
                ATTACK
            } else {
                name
            };
            rule.push(Some(name.to_owned()));
            answer.push(Some((*referral).to_owned()));
            let value = (draws.next() * n as f64 * 0.1) as i64;
            count.push(shape.maybe(place * 5 + column, 1.0).map(|_| value));
        }
    }
    tables.insert(
        "referrals".into(),
        Table::new("referrals")
            .text("rule", rule)
            .text("medical_referral", answer)
            .integer("n_fittings", count),
    );
    let list: Vec<usize> = (0..60).collect();
    let each = |kind: &str| list.iter().map(|k| Some(shape.name(kind, *k))).collect();
    tables.insert(
        "referral_list".into(),
        Table::new("referral_list")
            .text(
                "rule",
                list.iter()
                    .map(|_| Some("adjacent-15".to_owned()))
                    .collect(),
            )
            .text("fitting_id", each("fitting"))
            .text(
                "quarter",
                list.iter().map(|_| Some("2026-Q3".to_owned())).collect(),
            )
            .text("clinic_id", each("clinic"))
            .text("clinician_id", each("clinician"))
            .text(
                "medical_referral",
                list.iter().map(|_| Some("none".to_owned())).collect(),
            ),
    );
    tables.insert("clinics".into(), clinics(shape));
    tables.insert(
        "referral_rules".into(),
        Table::new("referral_rules")
            .text("rule", words(&["adjacent-15", "three-k"]))
            .text(
                "words",
                words(&[
                    "at least 15 dB at two adjacent",
                    "at least 15 dB at 3000 Hz",
                ]),
            )
            .text("source", words(&["one source", "another source"])),
    );
}

/// A clinic for every five clinicians: the first low, the second high, the others inside.
fn clinics(shape: Shape) -> Table {
    let count = shape.clinicians.div_ceil(5).max(3);
    let rows: Vec<(usize, &str, f64)> = ["within_criterion", "verified", "two_ear", "rms"]
        .into_iter()
        .flat_map(|measure| {
            (0..count).map(move |clinic| {
                let level = match (measure, clinic) {
                    ("rms", 0) => 6.2,
                    ("rms", _) => 4.4,
                    ("within_criterion", 0) => 0.24,
                    ("within_criterion", 1) => 0.93,
                    _ => 0.61,
                };
                (clinic, measure, level)
            })
        })
        .collect();
    let value = |by: f64| {
        rows.iter()
            .map(|row| {
                let wide = if row.1 == "rms" { by * 5.0 } else { by };
                shape.maybe(row.0, row.2 + wide)
            })
            .collect::<Vec<_>>()
    };
    let share = |by: f64| {
        rows.iter()
            .map(|row| (row.1 != "rms").then_some((row.2 + by).min(1.0)))
            .collect::<Vec<_>>()
    };
    let limit = |share: f64, level: f64| {
        rows.iter()
            .map(|row| Some(if row.1 == "rms" { level } else { share }))
            .collect::<Vec<_>>()
    };
    let signal = rows
        .iter()
        .map(|row| match (row.1, row.0) {
            ("within_criterion", 0) => "low",
            ("within_criterion", 1) | ("rms", 0) => "high",
            _ => "none",
        })
        .map(|signal| Some(signal.to_owned()))
        .collect();
    Table::new("clinics")
        .text(
            "clinic_id",
            rows.iter()
                .map(|row| Some(shape.name("clinic", row.0)))
                .collect(),
        )
        .text(
            "measure",
            rows.iter().map(|row| Some(row.1.to_owned())).collect(),
        )
        .integer(
            "n",
            rows.iter().map(|row| Some(38 + row.0 as i64)).collect(),
        )
        .real("observed", value(0.0))
        .real("lo", share(-0.11))
        .real("hi", share(0.12))
        .real("limit_low", limit(0.37, 3.2))
        .real("limit_high", limit(0.84, 5.5))
        .text("signal", signal)
}

fn trends(shape: Shape) -> Table {
    let measures = [
        ("within_criterion", 0.61),
        ("within_second", 0.83),
        ("rms", 4.4),
        ("verified", 0.9),
        ("two_ear", 0.72),
        ("answered", 0.55),
        ("satisfied", 0.8),
        ("returned", 0.05),
    ];
    let mut draws = Draws::new(11);
    let mut measure = Vec::new();
    let mut quarter = Vec::new();
    let mut n = Vec::new();
    let mut value = Vec::new();
    let mut signal = Vec::new();
    let (mut centre, mut lower, mut upper) = (Vec::new(), Vec::new(), Vec::new());
    for (name, level) in measures {
        for place in 0..shape.quarters {
            let wide = 0.08 * level;
            let drawn = level + draws.normal() * wide * 0.6;
            // Shares end at 1; the mean RMS deviation does not.
            let drawn = if name == "rms" { drawn } else { drawn.min(1.0) };
            measure.push(Some(name.to_owned()));
            quarter.push(Some(shape.quarter(place)));
            n.push(Some(
                (shape.fittings as f64 * (0.8 + 0.2 * draws.next())) as i64,
            ));
            value.push(shape.maybe(place, drawn));
            centre.push(Some(level));
            lower.push(Some(level - wide));
            upper.push(Some(level + wide * 0.9));
            let sign = if drawn > level + wide * 0.9 {
                "high"
            } else if drawn < level - wide {
                "low"
            } else {
                "none"
            };
            signal.push(Some(sign.to_owned()));
        }
    }
    Table::new("trends")
        .text("measure", measure)
        .text("quarter", quarter)
        .integer("n", n)
        .real("value", value)
        .real("centre", centre.clone())
        .real("lower", lower)
        .real("upper", upper)
        .real("ewma", centre)
        .text("signal", signal)
}

fn deviation(shape: Shape) -> Table {
    let hertz = [250, 500, 750, 1000, 1500, 2000, 3000, 4000, 6000, 8000];
    let rows: Vec<(&str, &str, i64, f64)> = ["REAR", "REIG"]
        .into_iter()
        .flat_map(|quantity| ["soft", "average"].map(|band| (quantity, band)))
        .flat_map(|(quantity, band)| {
            hertz
                .iter()
                .enumerate()
                .map(move |(place, hz)| (quantity, band, *hz, 1.2 - place as f64 * 0.6))
        })
        .collect();
    let text =
        |pick: fn(&(&str, &str, i64, f64)) -> String| rows.iter().map(|r| Some(pick(r))).collect();
    let real = |shift: f64| {
        rows.iter()
            .enumerate()
            .map(|(place, row)| {
                shape.maybe(place, row.3 + shift * (1.0 + place as f64 % 10.0 * 0.08))
            })
            .collect::<Vec<_>>()
    };
    Table::new("deviation")
        .text("stage", text(|_| "final".into()))
        .text("quantity", text(|row| row.0.into()))
        .text("input_band", text(|row| row.1.into()))
        .integer("frequency_hz", rows.iter().map(|row| Some(row.2)).collect())
        .integer(
            "n_ears",
            rows.iter()
                .map(|row| Some(shape.fittings * 2 - row.2 / 1000))
                .collect(),
        )
        .integer(
            "n_fittings",
            rows.iter().map(|_| Some(shape.fittings)).collect(),
        )
        .real("mean", real(0.1))
        .real("sd", rows.iter().map(|_| Some(3.9)).collect())
        .real("rms", rows.iter().map(|_| Some(4.6)).collect())
        .real("q05", real(-7.1))
        .real("q25", real(-2.8))
        .real("q50", real(0.0))
        .real("q75", real(2.9))
        .real("q95", real(6.8))
        .real("within_5", rows.iter().map(|_| Some(0.71)).collect())
        .real(
            "within_criterion",
            rows.iter().map(|_| Some(0.75)).collect(),
        )
}
