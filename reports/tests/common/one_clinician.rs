//! Invented tables of one clinician's page.

use super::{Draws, Shape};
use fitcohort_queries::table::Table;
use std::collections::BTreeMap;

const HERTZ: [i64; 10] = [250, 500, 750, 1000, 1500, 2000, 3000, 4000, 6000, 8000];
/// Measure, whether it is a share, its middle, and whether it has a shrunken value.
const MEASURES: [(&str, bool, f64, bool); 13] = [
    ("within_criterion", true, 0.61, true),
    ("verified", true, 0.9, true),
    ("two_ear", true, 0.85, true),
    ("answered", true, 0.5, true),
    ("satisfied", true, 0.8, true),
    ("rms", false, 4.6, true),
    ("signed", false, -1.2, true),
    ("spread", false, 2.8, true),
    ("rms_first", false, 6.4, false),
    ("rms_last", false, 4.5, false),
    ("rms_fall", false, 1.9, false),
    ("within_first", true, 0.3, false),
    ("within_last", true, 0.6, false),
];

pub(crate) fn tables(shape: Shape, tables: &mut BTreeMap<String, Table>) {
    let quarters: Vec<String> = (0..shape.quarters).map(|k| shape.quarter(k)).collect();
    let some = |text: &str| vec![Some(text.to_owned())];
    tables.insert(
        "rests_on".into(),
        Table::new("rests_on")
            .integer("n_fittings", vec![Some(shape.fittings)])
            .text("first_quarter", some(&quarters[0]))
            .text("last_quarter", some(&quarters[quarters.len() - 1])),
    );
    tables.insert("clinician".into(), own(shape));
    let others = shape.clinicians - 1;
    let there = others >= 5;
    let names = |count: usize| {
        MEASURES
            .iter()
            .flat_map(move |one| vec![Some(one.0.to_owned()); count])
            .collect::<Vec<_>>()
    };
    let at = |by: f64| {
        MEASURES
            .iter()
            .map(|one| there.then_some(one.2 + if one.1 { by * 0.05 } else { by }))
            .collect::<Vec<_>>()
    };
    tables.insert(
        "practice".into(),
        Table::new("practice")
            .text("measure", names(1))
            .integer("n_others", vec![there.then_some(others as i64); 13])
            .real("q25", at(-1.0))
            .real("q50", at(0.1))
            .real("q75", at(1.0)),
    );
    let mut draws = Draws::new(31);
    let shown = if there { others } else { 0 };
    let mut values = Vec::new();
    for (_, is_share, middle, _) in MEASURES {
        let mut some: Vec<f64> = (0..shown)
            .map(|_| {
                let value = middle + draws.normal() * if is_share { 0.08 } else { 1.3 };
                let steps = if is_share { 100.0 } else { 10.0 };
                let bounded = if is_share {
                    value.clamp(0.0, 1.0)
                } else {
                    value
                };
                (bounded * steps).round() / steps
            })
            .collect();
        some.sort_by(f64::total_cmp);
        values.extend(some.into_iter().map(Some));
    }
    tables.insert(
        "distribution".into(),
        Table::new("distribution")
            .text("measure", names(shown))
            .integer(
                "mark",
                (0..13 * shown)
                    .map(|row| Some((row % shown + 1) as i64))
                    .collect(),
            )
            .integer("n_others", vec![Some(others as i64); 13 * shown])
            .real("value", values),
    );
    signatures(shape, there, tables);
    by_quarter(shape, &quarters, there, tables);
}

fn own(shape: Shape) -> Table {
    let values: Vec<Option<f64>> = MEASURES
        .iter()
        .enumerate()
        .map(|(place, one)| shape.maybe(place, one.2 + if one.1 { 0.04 } else { 0.6 }))
        .collect();
    let column = |pick: &dyn Fn(f64, bool) -> Option<f64>| {
        values
            .iter()
            .zip(MEASURES)
            .map(|(value, one)| value.and_then(|value| pick(value, one.1)))
            .collect::<Vec<_>>()
    };
    let shift = |by: f64| {
        column(&move |value, is_share| {
            Some(if is_share {
                (value + by * 0.05).clamp(0.0, 1.0)
            } else {
                value + by * 0.4
            })
        })
    };
    let shrunken = |by: f64| {
        shift(by)
            .into_iter()
            .zip(MEASURES)
            .map(|(value, one)| value.filter(|_| one.3))
            .collect::<Vec<_>>()
    };
    let signals = (0..13)
        .map(|place| match place {
            1 => Some("low".to_owned()),
            5 => Some("high".to_owned()),
            0..=6 => Some("none".to_owned()),
            _ => None,
        })
        .collect();
    Table::new("clinician")
        .text(
            "measure",
            MEASURES.iter().map(|one| Some(one.0.to_owned())).collect(),
        )
        .integer("n", vec![Some(shape.fittings); 13])
        .real("value", shift(0.0))
        .real("lo", shift(-1.0))
        .real("hi", shift(1.0))
        .real("shrunken", shrunken(-0.2))
        .real("shrunken_lo", shrunken(-0.9))
        .real("shrunken_hi", shrunken(0.6))
        .real("limit_low", shrunken(-2.0))
        .real("limit_high", shrunken(2.0))
        .text("signal", signals)
}

fn signatures(shape: Shape, there: bool, tables: &mut BTreeMap<String, Table>) {
    let mut draws = Draws::new(37);
    let mean: Vec<Option<f64>> = (0..10)
        .map(|place| shape.maybe(place, 1.0 - place as f64 * 0.8 + draws.normal() * 0.5))
        .collect();
    let shift = |by: f64| mean.iter().map(|x| x.map(|x| x + by)).collect::<Vec<_>>();
    let hertz = || HERTZ.iter().map(|hertz| Some(*hertz)).collect::<Vec<_>>();
    tables.insert(
        "own_signature".into(),
        Table::new("own_signature")
            .integer("frequency_hz", hertz())
            .integer("n_fittings", vec![Some(shape.fittings); 10])
            .integer("n_ears", vec![Some(shape.fittings * 2); 10])
            .real("mean", mean.clone())
            .real("lo", shift(-0.7))
            .real("hi", shift(0.7)),
    );
    let line = |by: f64| {
        (0..10)
            .map(|place| there.then_some(by - f64::from(place) * 0.5))
            .collect::<Vec<_>>()
    };
    tables.insert(
        "practice_signature".into(),
        Table::new("practice_signature")
            .integer("frequency_hz", hertz())
            .integer(
                "n_others",
                vec![there.then_some(shape.clinicians as i64 - 1); 10],
            )
            .real("q25", line(-1.0))
            .real("q50", line(0.2))
            .real("q75", line(1.1)),
    );
}

fn by_quarter(
    shape: Shape,
    quarters: &[String],
    there: bool,
    tables: &mut BTreeMap<String, Table>,
) {
    let mut draws = Draws::new(41);
    let measures = [("within_criterion", 0.6), ("verified", 0.9), ("rms", 4.6)];
    let rows = measures.len() * quarters.len();
    let mut value = Vec::new();
    for (measure, middle) in measures {
        for place in 0..quarters.len() {
            let wide = if measure == "rms" { 0.8 } else { 0.05 };
            let found = middle + draws.normal() * wide;
            value.push(shape.maybe(
                place,
                if measure == "rms" {
                    found
                } else {
                    found.clamp(0.0, 1.0)
                },
            ));
        }
    }
    let table = |name: &str| {
        Table::new(name)
            .text(
                "measure",
                measures
                    .iter()
                    .flat_map(|one| vec![Some(one.0.to_owned()); quarters.len()])
                    .collect(),
            )
            .text(
                "quarter",
                (0..rows)
                    .map(|row| Some(quarters[row % quarters.len()].clone()))
                    .collect(),
            )
    };
    let scaled = |by: f64| {
        value
            .iter()
            .map(|x| x.map(|x| (x * by).min(9.0)))
            .collect::<Vec<_>>()
    };
    let n = value.iter().map(|x| x.map(|_| 17)).collect();
    tables.insert(
        "own_quarters".into(),
        table("own_quarters")
            .integer("n", n)
            .real("value", scaled(1.0))
            .real("lo", scaled(0.8))
            .real("hi", scaled(1.05)),
    );
    tables.insert(
        "practice_quarters".into(),
        table("practice_quarters")
            .integer("n", vec![there.then_some(170); rows])
            .integer("n_others", vec![there.then_some(9); rows])
            .real(
                "value",
                if there {
                    scaled(0.95)
                } else {
                    vec![None; rows]
                },
            ),
    );
}
