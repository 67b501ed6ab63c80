//! Invented tables of the owner's first page and of what follows it: moves, drivers, fittings to look at again.

use super::{Shape, words};
use fitcohort_queries::table::Table;
use std::collections::BTreeMap;

/// Measure, value, change, signal, and verdict where four quarters are there.
type Move = (&'static str, f64, f64, &'static str, &'static str);

/// Measure, grouping, group and place.
type Driver = (&'static str, &'static str, String, usize);

const MOVES: [Move; 5] = [
    ("within_criterion", 0.6123, -0.021, "none", "none"),
    ("verified", 0.871, -0.064, "low", "outside"),
    ("two_ear", 0.74, 0.052, "none", "sampling"),
    ("answered", 0.552, 0.004, "none", "none"),
    ("satisfied", 0.803, -0.006, "none", "none"),
];

pub(crate) fn tables(shape: Shape, tables: &mut BTreeMap<String, Table>) {
    tables.insert("moves".into(), moves(shape));
    let drivers = drivers(shape);
    tables.insert("driver_totals".into(), totals(shape));
    tables.insert("drivers".into(), drivers);
    tables.insert("driver_frequencies".into(), frequencies(shape));
    tables.insert("recheck".into(), recheck(shape));
}

fn moves(shape: Shape) -> Table {
    let quarters = (shape.quarters - 1).min(4) as i64;
    let n = shape.fittings;
    let each = |pick: &dyn Fn(&Move) -> Option<f64>| MOVES.iter().map(pick).collect::<Vec<_>>();
    let counts = |value: i64| vec![(value > 0).then_some(value); MOVES.len()];
    let compared = |value: f64| (quarters > 0).then_some(value);
    Table::new("moves")
        .text("measure", words(&MOVES.map(|row| row.0)))
        .integer("n", vec![Some(n); MOVES.len()])
        .real("value", each(&|row| Some(row.1)))
        .real("lo", each(&|row| Some(row.1 - 0.041)))
        .real("hi", each(&|row| Some(row.1 + 0.038)))
        .integer("quarters_before", vec![Some(quarters); MOVES.len()])
        .integer("n_before", counts(n * quarters))
        .integer("n_least", counts(if quarters > 0 { n } else { 0 }))
        .real("before", each(&|row| compared(row.1 - row.2)))
        .real("change", each(&|row| compared(row.2)))
        .real("change_lo", each(&|row| compared(row.2 - 0.044)))
        .real("change_hi", each(&|row| compared(row.2 + 0.043)))
        .text("signal", words(&MOVES.map(|row| row.3)))
        .text(
            "verdict",
            words(&MOVES.map(|row| if quarters == 4 { row.4 } else { "unknown" })),
        )
        .integer("n_run", vec![Some(2); MOVES.len()])
        .text("run", words(&["none"; MOVES.len()]))
}

/// The groupings of a measure with their groups.
fn groups(shape: Shape) -> Vec<(&'static str, String)> {
    let clinics = shape.clinicians.div_ceil(5).max(3);
    let names = |grouping: &'static str, groups: &[&str]| {
        groups
            .iter()
            .map(|group| (grouping, (*group).to_owned()))
            .collect::<Vec<_>>()
    };
    let mut out: Vec<(&str, String)> = (0..clinics)
        .map(|clinic| ("clinic_id", shape.name("clinic", clinic)))
        .collect();
    out.extend(names(
        "coupling",
        &["closed", "custom", "mixed", "open", "vented"],
    ));
    out.extend(names(
        "grade",
        &["mild", "moderate", "moderately severe", "severe"],
    ));
    out
}

fn drivers(shape: Shape) -> Table {
    let rows: Vec<Driver> = MOVES
        .iter()
        .flat_map(|(measure, ..)| {
            groups(shape)
                .into_iter()
                .enumerate()
                .map(move |(place, (grouping, group))| (*measure, grouping, group, place))
        })
        .collect();
    let text = |pick: &dyn Fn(&Driver) -> String| {
        rows.iter().map(|row| Some(pick(row))).collect::<Vec<_>>()
    };
    // The first clinic stands out in the first measure.
    let is_out = |row: &Driver| row.3 == 0 && row.0 == "within_criterion";
    let within = |by: f64| {
        rows.iter()
            .map(|row| {
                let level = if is_out(row) {
                    -0.031
                } else {
                    0.004 * (row.3 as f64 % 5.0 - 2.0)
                };
                shape.maybe(row.3, level + by)
            })
            .collect::<Vec<_>>()
    };
    Table::new("drivers")
        .text("measure", text(&|row| row.0.to_owned()))
        .text("grouping", text(&|row| row.1.to_owned()))
        .text("group", text(&|row| row.2.clone()))
        .integer(
            "n",
            rows.iter().map(|_| Some(shape.fittings / 7 + 2)).collect(),
        )
        .integer(
            "n_before",
            rows.iter().map(|_| Some(shape.fittings / 2 + 3)).collect(),
        )
        .integer("n_all", rows.iter().map(|_| Some(shape.fittings)).collect())
        .real("share", rows.iter().map(|_| Some(0.42)).collect())
        .real("before", rows.iter().map(|_| Some(0.61)).collect())
        .real(
            "mix",
            rows.iter()
                .map(|row| shape.maybe(row.3, 0.003 * (row.3 as f64 % 3.0 - 1.0)))
                .collect(),
        )
        .real("within", within(0.0))
        .real("within_lo", within(-0.018))
        .real("within_hi", within(0.017))
        .real("outer_lo", within(-0.028))
        .real("outer_hi", within(0.027))
        .text(
            "signal",
            text(&|row| if is_out(row) { "low" } else { "none" }.to_owned()),
        )
}

fn totals(shape: Shape) -> Table {
    let rows: Vec<(&str, &str)> = MOVES
        .iter()
        .flat_map(|(measure, ..)| ["clinic_id", "coupling", "grade"].map(|by| (*measure, by)))
        .collect();
    let real = |value: f64| vec![Some(value); rows.len()];
    Table::new("driver_totals")
        .text(
            "measure",
            rows.iter().map(|row| Some(row.0.to_owned())).collect(),
        )
        .text(
            "grouping",
            rows.iter().map(|row| Some(row.1.to_owned())).collect(),
        )
        .integer("n", vec![Some(shape.fittings); rows.len()])
        .integer("n_before", vec![Some(shape.fittings * 4); rows.len()])
        .integer("n_groups", vec![Some(5); rows.len()])
        .real("change", real(-0.021))
        .real("mix", real(0.004))
        .real("within", real(-0.025))
        .text(
            "how",
            vec![Some("99.8 % limits by chance alone".to_owned()); rows.len()],
        )
}

fn frequencies(shape: Shape) -> Table {
    let hertz = [250, 500, 1000, 2000, 3000, 4000];
    let real = |value: f64| vec![Some(value); hertz.len()];
    let count = |value: i64| vec![Some(value); hertz.len()];
    Table::new("driver_frequencies")
        .text("quantity", vec![Some("REAR".to_owned()); hertz.len()])
        .integer("frequency_hz", hertz.iter().map(|f| Some(*f)).collect())
        .real(
            "limit_db",
            hertz
                .iter()
                .map(|f| Some(if *f < 3000 { 5.0 } else { 8.0 }))
                .collect(),
        )
        .integer("n_ears", count(shape.fittings * 2))
        .integer("n_fittings", count(shape.fittings))
        .integer("n_ears_before", count(shape.fittings * 8))
        .integer("n_fittings_before", count(shape.fittings * 4))
        .real("share", real(0.842))
        .real("before", real(0.861))
        .real("change", real(-0.019))
        .real("change_lo", real(-0.034))
        .real("change_hi", real(-0.004))
}

fn recheck(shape: Shape) -> Table {
    let reasons = [
        ("dissatisfied", "dB", 9.3, None, None),
        ("on_target", "points", 18.0, Some("left"), None),
        (
            "outside_criterion",
            "dB",
            12.34,
            Some("right"),
            Some("below"),
        ),
        ("unverified", "ears", 2.0, None, None),
    ];
    let list: Vec<usize> = (0..60).collect();
    let reason = |place: &usize| reasons[place * reasons.len() / list.len()];
    let each = |kind: &str| list.iter().map(|k| Some(shape.name(kind, *k))).collect();
    let text = |pick: &dyn Fn(&usize) -> Option<&'static str>| {
        list.iter()
            .map(|place| pick(place).map(str::to_owned))
            .collect::<Vec<_>>()
    };
    Table::new("recheck")
        .text("fitting_id", each("fitting"))
        .text("clinic_id", each("clinic"))
        .text("clinician_id", each("clinician"))
        .text("reason", text(&|place| Some(reason(place).0)))
        .real(
            "size",
            list.iter().map(|place| Some(reason(place).2)).collect(),
        )
        .text("unit", text(&|place| Some(reason(place).1)))
        .text("ear", text(&|place| reason(place).3))
        .integer(
            "frequency_hz",
            list.iter()
                .map(|place| reason(place).4.map(|_| 3000))
                .collect(),
        )
        .text("side", text(&|place| reason(place).4))
}
