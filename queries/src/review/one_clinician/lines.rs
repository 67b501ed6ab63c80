//! Own values along frequencies and quarters, and those of the practice beside them.

use std::collections::BTreeSet;

use fitcohort_pipeline::vocabulary::FREQUENCIES;

use super::{quartiles, rounded};
use crate::analysis::Analysis;
use crate::builder::{Builder, Cell, Kind, count_at, interval_of_mean, interval_of_share, mean};
use crate::engine;
use crate::error::QueryError;
use crate::fits::{Fits, Measure};
use crate::selection::Selection;
use crate::statistics::description::mean_over_clusters;
use crate::table::Table;

/// Measures followed by quarter.
const BY_QUARTER: [Measure; 3] = [Measure::WithinCriterion, Measure::Verified, Measure::Rms];
/// Hundredths of a dB in one.
const HUNDREDTHS: f64 = 100.0;

/// Mean deviation of headline curves by frequency with an interval over fittings: frequency_hz.
pub(super) fn own_signature(whole: &Analysis<'_>, clinician: &str) -> Result<Table, QueryError> {
    let mut selection = Selection {
        by: Vec::new(),
        ..whole.selection.clone()
    };
    selection
        .filters
        .push(("clinician_id".to_owned(), clinician.to_owned()));
    let mut analysis = Analysis::open(whole.cohort, whole.plan, selection)?;
    let mut out = Builder::new(
        "own_signature",
        &[],
        &[
            ("frequency_hz", Kind::Integer),
            ("n_fittings", Kind::Integer),
            ("n_ears", Kind::Integer),
            ("mean", Kind::Real),
            ("lo", Kind::Real),
            ("hi", Kind::Real),
        ],
    );
    for frequency in FREQUENCIES {
        let places = analysis
            .places(&[])
            .with("frequency", frequency.to_string());
        let found = analysis.run(engine::FITTING_POINTS, &[], &places)?;
        let sums: Vec<(u64, f64)> = (0..found.rows())
            .map(|row| {
                let total = found.real_at("total", row).unwrap_or(0.0);
                (count_at(&found, "n_ears", row), total / HUNDREDTHS)
            })
            .collect();
        let Ok(summary) = mean_over_clusters(&sums) else {
            continue;
        };
        out.row(
            &[],
            vec![
                i64::from(frequency).into(),
                summary.clusters.into(),
                summary.n.into(),
                summary.mean.into(),
                summary.interval.map(|i| i.lo).into(),
                summary.interval.map(|i| i.hi).into(),
            ],
        );
    }
    Ok(out.build())
}

/// Quartiles over the other clinicians' mean deviations: frequency_hz.
pub(super) fn practice_signature(signature: &Table, clinician: &str, minimum: u64) -> Table {
    let mut out = Builder::new(
        "practice_signature",
        &[],
        &[
            ("frequency_hz", Kind::Integer),
            ("n_others", Kind::Integer),
            ("q25", Kind::Real),
            ("q50", Kind::Real),
            ("q75", Kind::Real),
        ],
    );
    for frequency in FREQUENCIES.map(i64::from) {
        let mut values: Vec<f64> = (0..signature.rows())
            .filter(|&row| signature.integer_at("frequency_hz", row) == Some(frequency))
            .filter(|&row| signature.text_at("clinician_id", row) != Some(clinician))
            .filter(|&row| count_at(signature, "n_fittings", row) >= minimum)
            .filter_map(|row| Some(rounded(signature.real_at("mean", row)?, false)))
            .collect();
        values.sort_by(f64::total_cmp);
        let mut cells: Vec<Cell> = vec![frequency.into(), values.len().into()];
        cells.extend(quartiles(&values));
        out.row(&[], cells);
    }
    out.build()
}

/// By quarter, the clinician's own values, and those of the whole practice where others fitted too: measure × quarter.
pub(super) fn quarters(fits: &Fits, clinician: &str, satisfied_from: f64) -> (Table, Table) {
    let mut own = Builder::new(
        "own_quarters",
        &[],
        &[
            ("measure", Kind::Text),
            ("quarter", Kind::Text),
            ("n", Kind::Integer),
            ("value", Kind::Real),
            ("lo", Kind::Real),
            ("hi", Kind::Real),
        ],
    );
    let mut practice = Builder::new(
        "practice_quarters",
        &[],
        &[
            ("measure", Kind::Text),
            ("quarter", Kind::Text),
            ("n", Kind::Integer),
            ("n_others", Kind::Integer),
            ("value", Kind::Real),
        ],
    );
    let id = |row: usize| fits.table().text_at("clinician_id", row);
    let groups = fits.groups(&["quarter".to_owned()]);
    for measure in BY_QUARTER {
        for group in &groups {
            let quarter = Cell::Text(group.labels.first().cloned().flatten());
            let valued: Vec<(Option<&str>, f64)> = group
                .rows
                .iter()
                .filter_map(|&row| Some((id(row), fits.value(measure, row, satisfied_from)?)))
                .collect();
            let of_own = |(who, _): &&(Option<&str>, f64)| *who == Some(clinician);
            let values: Vec<f64> = valued.iter().filter(of_own).map(|(_, x)| *x).collect();
            let value = mean(&values);
            let interval = if measure == Measure::Rms {
                interval_of_mean(&values)
            } else {
                value.and_then(|share| interval_of_share(share, values.len() as u64))
            };
            if !values.is_empty() {
                own.row(
                    &[],
                    vec![
                        measure.name().into(),
                        quarter.clone(),
                        values.len().into(),
                        value.into(),
                        interval.map(|i| i.lo).into(),
                        interval.map(|i| i.hi).into(),
                    ],
                );
            }
            let others: BTreeSet<&str> = valued
                .iter()
                .filter_map(|(who, _)| who.filter(|who| *who != clinician))
                .collect();
            if !others.is_empty() {
                let all: Vec<f64> = valued.iter().map(|(_, x)| *x).collect();
                practice.row(
                    &[],
                    vec![
                        measure.name().into(),
                        quarter,
                        all.len().into(),
                        others.len().into(),
                        mean(&all).into(),
                    ],
                );
            }
        }
    }
    (own.build(), practice.build())
}

/// How many fittings of each clinician a measure is known of, by quarter: measure × clinician × quarter.
pub(super) fn clinician_quarters(fits: &Fits, satisfied_from: f64) -> Table {
    let mut out = Builder::new(
        "clinician_quarters",
        &[],
        &[
            ("measure", Kind::Text),
            ("clinician_id", Kind::Text),
            ("quarter", Kind::Text),
            ("n", Kind::Integer),
        ],
    );
    let groups = fits.groups(&["clinician_id".to_owned(), "quarter".to_owned()]);
    for measure in BY_QUARTER {
        for group in &groups {
            let n = group
                .rows
                .iter()
                .filter(|&&row| fits.value(measure, row, satisfied_from).is_some())
                .count();
            if n > 0 {
                let mut cells: Vec<Cell> = vec![measure.name().into()];
                cells.extend(group.labels.iter().cloned().map(Cell::Text));
                cells.push(n.into());
                out.row(&[], cells);
            }
        }
    }
    out.build()
}
