//! The tables of one clinician's page: own values against those of the other clinicians, who stay unnamed.

mod lines;

use std::collections::BTreeMap;

use lines::{clinician_quarters, own_signature, practice_signature, quarters};

use super::{Review, trainer};
use crate::analysis::Analysis;
use crate::builder::{Builder, Cell, Kind, count_at, interval_of_mean, interval_of_share};
use crate::error::QueryError;
use crate::fits::{Fits, Measure};
use crate::statistics::Interval;
use crate::statistics::description::quantile;
use crate::table::Table;

/// Measures taken from the comparison of all clinicians, in the order of the page.
const COMPARED: [Measure; 6] = [
    Measure::WithinCriterion,
    Measure::Verified,
    Measure::TwoEar,
    Measure::Answered,
    Measure::Satisfied,
    Measure::Rms,
];

/// One clinician's value of a measure.
#[derive(Clone, Default)]
struct Value {
    n: u64,
    value: Option<f64>,
    interval: Option<Interval>,
    shrunken: [Option<f64>; 3],
    limits: [Option<f64>; 2],
    signal: Option<String>,
    how: Option<String>,
}

/// A measure of all clinicians, by id.
struct Compared {
    name: &'static str,
    is_share: bool,
    of: BTreeMap<String, Value>,
}

/// Tables that lie beside the page and are none of it: what is withheld on it depends on them.
const BESIDE: [&str; 6] = [
    "clinicians",
    "spread",
    "first_final",
    "signature",
    "trends",
    "clinician_quarters",
];

/// Takes away what was there for withholding alone.
pub(super) fn without_beside(review: &mut Review) {
    if review.tables.contains_key("rests_on") {
        review
            .tables
            .retain(|key, _| !BESIDE.contains(&key.as_str()));
        for table in review.tables.values_mut() {
            *table = table.clone().without(&["clinician_id"]);
        }
    }
}

/// The table with the clinician's id in every row, by which it is held against those of all.
fn with_id(table: Table, clinician: &str) -> Table {
    let ids = vec![Some(clinician.to_owned()); table.rows()];
    table.text("clinician_id", ids)
}

/// The tables by key, of a clinician who has a fitting, and those of [`BESIDE`].
pub(super) fn tables(
    whole: &mut Analysis<'_>,
    clinician: &str,
    trends: &Table,
) -> Result<BTreeMap<&'static str, Table>, QueryError> {
    let units = whole.query("clinicians")?;
    let signature = trainer::signature(whole)?;
    let own_signature = own_signature(whole, clinician)?;
    let satisfied_from = whole.plan.outcome.satisfied_from;
    let minimum = u64::try_from(whole.plan.minimum_cell).unwrap_or(0).max(1);
    let fits = whole.fits()?;
    let spread = trainer::spread(fits, satisfied_from);
    let paired = trainer::first_final(fits, satisfied_from);
    let compared = compared(fits, &units, [&spread, &paired], satisfied_from);
    let (own_quarters, practice_quarters) = quarters(fits, clinician, satisfied_from);
    Ok(BTreeMap::from([
        ("rests_on", with_id(rests_on(fits, clinician), clinician)),
        ("clinician", with_id(own(&compared, clinician), clinician)),
        ("practice", practice(&compared, clinician, minimum)),
        ("distribution", distribution(&compared, clinician, minimum)),
        ("own_signature", with_id(own_signature, clinician)),
        (
            "practice_signature",
            practice_signature(&signature, clinician, minimum),
        ),
        ("own_quarters", with_id(own_quarters, clinician)),
        ("practice_quarters", practice_quarters),
        (
            "clinician_quarters",
            clinician_quarters(fits, satisfied_from),
        ),
        ("clinicians", units),
        ("spread", spread),
        ("first_final", paired),
        ("signature", signature),
        ("trends", trends.clone()),
    ]))
}

/// What the page rests on: the clinician's fittings with a fitted ear, and from when to when.
fn rests_on(fits: &Fits, clinician: &str) -> Table {
    let mut out = Builder::new(
        "rests_on",
        &[],
        &[
            ("n_fittings", Kind::Integer),
            ("first_quarter", Kind::Text),
            ("last_quarter", Kind::Text),
        ],
    );
    let quarters: Vec<&str> = (0..fits.len())
        .filter(|&row| fits.table().text_at("clinician_id", row) == Some(clinician))
        .filter_map(|row| fits.table().text_at("quarter", row))
        .collect();
    let text = |quarter: Option<&&str>| Cell::Text(quarter.map(|quarter| (*quarter).to_owned()));
    out.row(
        &[],
        vec![
            quarters.len().into(),
            text(quarters.iter().min()),
            text(quarters.iter().max()),
        ],
    );
    out.build()
}

/// Every measure of every clinician; of those measured twice and of the spread from the trainer's tables.
fn compared(
    fits: &Fits,
    units: &Table,
    [spread, paired]: [&Table; 2],
    satisfied_from: f64,
) -> Vec<Compared> {
    let groups: BTreeMap<String, Vec<usize>> = fits
        .groups(&["clinician_id".to_owned()])
        .into_iter()
        .filter_map(|group| Some((group.labels.into_iter().next()??, group.rows)))
        .collect();
    let values = |measure: Measure, rows: &[usize]| -> Vec<f64> {
        rows.iter()
            .filter_map(|&row| fits.value(measure, row, satisfied_from))
            .collect()
    };
    let mut out: Vec<Compared> = COMPARED
        .into_iter()
        .chain([Measure::Signed])
        .map(|measure| {
            let is_share = measure != Measure::Rms && measure != Measure::Signed;
            let table = units.where_text("measure", measure.name());
            let of = (0..table.rows())
                .filter_map(|row| {
                    let id = table.text_at("clinician_id", row)?;
                    let n = count_at(&table, "n", row);
                    let value = table.real_at("observed", row);
                    let interval = if is_share {
                        value.and_then(|share| interval_of_share(share, n))
                    } else {
                        interval_of_mean(&values(measure, groups.get(id)?))
                    };
                    let real = |name: &str| table.real_at(name, row);
                    let found = Value {
                        n,
                        value,
                        interval,
                        shrunken: ["shrunken", "shrunken_lo", "shrunken_hi"].map(real),
                        limits: ["limit_low", "limit_high"].map(real),
                        signal: table.text_at("signal", row).map(str::to_owned),
                        how: table.text_at("how", row).map(str::to_owned),
                    };
                    Some((id.to_owned(), found))
                })
                .collect();
            Compared {
                name: measure.name(),
                is_share,
                of,
            }
        })
        .collect();
    out.push(Compared {
        name: "spread",
        is_share: false,
        of: from_table(spread, "n", ["sd", "lo", "hi"], true),
    });
    for (name, is_share, n, columns) in [
        (
            "rms_first",
            false,
            "n_first",
            ["rms_first", "rms_first_lo", "rms_first_hi"],
        ),
        (
            "rms_last",
            false,
            "n_final",
            ["rms_final", "rms_final_lo", "rms_final_hi"],
        ),
        (
            "rms_fall",
            false,
            "n_final",
            ["rms_fall", "rms_fall_lo", "rms_fall_hi"],
        ),
        (
            "within_first",
            true,
            "n_within",
            ["within_first", "within_first_lo", "within_first_hi"],
        ),
        (
            "within_last",
            true,
            "n_within",
            ["within_final", "within_final_lo", "within_final_hi"],
        ),
    ] {
        out.push(Compared {
            name,
            is_share,
            of: from_table(paired, n, columns, false),
        });
    }
    out
}

/// Values by clinician from three columns of a table: value and interval; the shrunken value too where there is one.
fn from_table(
    table: &Table,
    n: &str,
    [value, lo, hi]: [&str; 3],
    is_shrunken: bool,
) -> BTreeMap<String, Value> {
    (0..table.rows())
        .filter_map(|row| {
            let real = |name: &str| table.real_at(name, row);
            let found = Value {
                n: count_at(table, n, row),
                value: real(value),
                interval: real(lo).zip(real(hi)).map(|(lo, hi)| Interval { lo, hi }),
                shrunken: if is_shrunken {
                    ["shrunken", "shrunken_lo", "shrunken_hi"].map(real)
                } else {
                    [None; 3]
                },
                how: table.text_at("how", row).map(str::to_owned),
                ..Value::default()
            };
            Some((table.text_at("clinician_id", row)?.to_owned(), found))
        })
        .collect()
}

/// The clinician's own values with intervals, shrunken estimates and the 99.8 % limits of the funnel: measure.
fn own(compared: &[Compared], clinician: &str) -> Table {
    let mut out = Builder::new(
        "clinician",
        &[],
        &[
            ("measure", Kind::Text),
            ("n", Kind::Integer),
            ("value", Kind::Real),
            ("lo", Kind::Real),
            ("hi", Kind::Real),
            ("shrunken", Kind::Real),
            ("shrunken_lo", Kind::Real),
            ("shrunken_hi", Kind::Real),
            ("limit_low", Kind::Real),
            ("limit_high", Kind::Real),
            ("signal", Kind::Text),
            ("how", Kind::Text),
        ],
    );
    for measure in compared {
        let mut value = measure.of.get(clinician).cloned().unwrap_or_default();
        if measure.of.keys().all(|id| id == clinician) {
            // Limits made of one's own fittings alone compare with nobody.
            value.limits = [None; 2];
            value.signal = None;
        }
        let [shrunken, shrunken_lo, shrunken_hi] = value.shrunken;
        let [limit_low, limit_high] = value.limits;
        out.row(
            &[],
            vec![
                measure.name.into(),
                value.n.into(),
                value.value.into(),
                value.interval.map(|i| i.lo).into(),
                value.interval.map(|i| i.hi).into(),
                shrunken.into(),
                shrunken_lo.into(),
                shrunken_hi.into(),
                limit_low.into(),
                limit_high.into(),
                value.signal.into(),
                value.how.into(),
            ],
        );
    }
    out.build()
}

/// To the last digit that a page shows: an unrounded share gives away how many fittings a colleague has.
fn rounded(value: f64, is_share: bool) -> f64 {
    let steps = if is_share { 100.0 } else { 10.0 };
    (value * steps).round() / steps
}

/// The values of the other clinicians that rest on enough fittings, rounded, in rising order: nothing ties the values of
/// one of them together over measures.
fn others(measure: &Compared, clinician: &str, minimum: u64) -> Vec<f64> {
    let mut values: Vec<f64> = measure
        .of
        .iter()
        .filter(|(id, value)| id.as_str() != clinician && value.n >= minimum)
        .filter_map(|(_, value)| Some(rounded(value.value?, measure.is_share)))
        .collect();
    values.sort_by(f64::total_cmp);
    values
}

fn quartiles(sorted: &[f64]) -> [Cell; 3] {
    [0.25, 0.5, 0.75].map(|p| quantile(sorted, p).ok().into())
}

/// Where the other clinicians lie: measure, with how many of them and their quartiles.
fn practice(compared: &[Compared], clinician: &str, minimum: u64) -> Table {
    let mut out = Builder::new(
        "practice",
        &[],
        &[
            ("measure", Kind::Text),
            ("n_others", Kind::Integer),
            ("q25", Kind::Real),
            ("q50", Kind::Real),
            ("q75", Kind::Real),
        ],
    );
    for measure in compared {
        let values = others(measure, clinician, minimum);
        let mut cells: Vec<Cell> = vec![measure.name.into(), values.len().into()];
        cells.extend(quartiles(&values));
        out.row(&[], cells);
    }
    out.build()
}

/// The values of the other clinicians, unnamed: measure × mark, counted from the lowest value. Each row says how many there are, so that few are
/// withheld.
fn distribution(compared: &[Compared], clinician: &str, minimum: u64) -> Table {
    let mut out = Builder::new(
        "distribution",
        &[],
        &[
            ("measure", Kind::Text),
            ("mark", Kind::Integer),
            ("n_others", Kind::Integer),
            ("value", Kind::Real),
        ],
    );
    for measure in compared {
        let values = others(measure, clinician, minimum);
        for (place, value) in values.iter().enumerate() {
            out.row(
                &[],
                vec![
                    measure.name.into(),
                    (place + 1).into(),
                    values.len().into(),
                    (*value).into(),
                ],
            );
        }
    }
    out.build()
}
