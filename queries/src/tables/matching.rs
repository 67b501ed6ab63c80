//! `match`, `curves`, `verification`: how close responses came to their targets, and whether any was measured.

use std::collections::BTreeMap;

use fitcohort_pipeline::vocabulary::FREQUENCIES;

use crate::analysis::Analysis;
use crate::builder::{Builder, Cell, Kind, count_at, labels_at, ratio, share};
use crate::engine::{CURVES, CURVES_FITTINGS, MATCH, VERIFICATION};
use crate::error::QueryError;
use crate::order;
use crate::statistics::description::sd_from_sums;
use crate::table::Table;

/// Hundredths of a dB in one.
const HUNDREDTHS: f64 = 100.0;
/// Billionths of a dB in one.
const BILLIONTHS: f64 = 1e9;

const CURVE_ROW: [&str; 3] = ["stage", "quantity", "input_band"];

fn with_curve_row(by: &[String]) -> Vec<String> {
    by.iter()
        .cloned()
        .chain(CURVE_ROW.iter().map(|name| (*name).to_owned()))
        .collect()
}

/// A mean from an exact total; none without values.
pub(crate) fn mean_of(total: Option<i64>, n: u64, unit: f64) -> Option<f64> {
    (n > 0).then_some(())?;
    Some(total? as f64 / n as f64 / unit)
}

/// Standard deviation from exact totals, in the larger unit.
pub(crate) fn sd_of(n: u64, total: Option<i64>, squares: Option<i64>, unit: f64) -> Option<f64> {
    sd_from_sums(n, total?.into(), squares?.into())
        .ok()
        .map(|sd| sd / unit)
}

/// Distribution of the deviation: group × stage × quantity × input_band × frequency_hz; with the number of fittings
/// behind each row where that is asked for, which takes longer to count than ears do.
pub(super) fn matches(
    analysis: &mut Analysis<'_>,
    with_fittings: bool,
) -> Result<Table, QueryError> {
    let by = analysis.by().to_vec();
    let keys = with_curve_row(&by);
    let mut out = Builder::new(
        "match",
        &keys,
        &[
            ("frequency_hz", Kind::Integer),
            ("n_fittings", Kind::Integer),
            ("n_ears", Kind::Integer),
            ("mean", Kind::Real),
            ("sd", Kind::Real),
            ("rms", Kind::Real),
            ("q05", Kind::Real),
            ("q25", Kind::Real),
            ("q50", Kind::Real),
            ("q75", Kind::Real),
            ("q95", Kind::Real),
            ("within_5", Kind::Real),
            ("within_criterion", Kind::Real),
        ],
    );
    for (frequency, limit) in FREQUENCIES.iter().zip(analysis.criterion.limits) {
        let places = analysis
            .places(&by)
            .with("frequency", frequency.to_string())
            .with(
                "n_fittings",
                if with_fittings {
                    "COUNT(DISTINCT fitting_id)"
                } else {
                    "NULL"
                },
            )
            // Where the criterion does not look, a limit below zero counts nothing; a bare minus after the text's
            // own would begin a comment.
            .with(
                "limit",
                limit.map_or("(-1)".to_owned(), |limit| limit.to_string()),
            );
        let found = analysis.run(MATCH, &keys, &places)?;
        for row in 0..found.rows() {
            let n = count_at(&found, "n_ears", row);
            let total = found.integer_at("total", row);
            let squares = found.integer_at("total_of_squares", row);
            let level = |name| found.real_at(name, row).map(|x| x / HUNDREDTHS);
            out.row(
                &labels_at(&found, &keys, row),
                vec![
                    Cell::from(i64::from(*frequency)),
                    found.integer_at("n_fittings", row).into(),
                    n.into(),
                    mean_of(total, n, HUNDREDTHS).into(),
                    sd_of(n, total, squares, HUNDREDTHS).into(),
                    mean_of(squares, n, HUNDREDTHS * HUNDREDTHS)
                        .map(f64::sqrt)
                        .into(),
                    level("q05").into(),
                    level("q25").into(),
                    level("q50").into(),
                    level("q75").into(),
                    level("q95").into(),
                    ratio(count_at(&found, "n_within_5", row), n).into(),
                    limit
                        .and_then(|_| ratio(count_at(&found, "n_within_criterion", row), n))
                        .into(),
                ],
            );
        }
    }
    let mut order = keys;
    order.push("frequency_hz".to_owned());
    let table = order::sorted(&out.build(), &order);
    Ok(if with_fittings {
        table
    } else {
        table.without(&["n_fittings"])
    })
}

/// Measures of whole curves: group × stage × quantity × input_band.
pub(super) fn curves(analysis: &mut Analysis<'_>) -> Result<Table, QueryError> {
    let by = analysis.by().to_vec();
    let keys = with_curve_row(&by);
    // Where ears are told apart, a fitting is judged by those of its ears that are in the group.
    let ears_needed = if analysis.selection.tells_ears_apart() {
        "COUNT(*)"
    } else {
        "MAX(n_fitted)"
    };
    let places = analysis.places(&by).with("ears_needed", ears_needed);
    let found = analysis.run(CURVES, &keys, &places)?;
    let fittings = analysis.run(CURVES_FITTINGS, &keys, &places)?;
    let mut out = Builder::new(
        "curves",
        &keys,
        &[
            ("n_ears", Kind::Integer),
            ("n_complete", Kind::Integer),
            ("rms_mean", Kind::Real),
            ("rms_q50", Kind::Real),
            ("rms_q95", Kind::Real),
            ("signed_mean", Kind::Real),
            ("high_frequency_mean", Kind::Real),
            ("slope_mean", Kind::Real),
            ("within_criterion", Kind::Real),
            ("n_fittings", Kind::Integer),
            ("fittings_within", Kind::Real),
            ("fittings_within_lo", Kind::Real),
            ("fittings_within_hi", Kind::Real),
        ],
    );
    let by_labels: BTreeMap<_, usize> = (0..fittings.rows())
        .map(|row| (labels_at(&fittings, &keys, row), row))
        .collect();
    for row in 0..found.rows() {
        let labels = labels_at(&found, &keys, row);
        let n = |name| count_at(&found, name, row);
        let mean = |total, count| mean_of(found.integer_at(total, row), n(count), BILLIONTHS);
        let judged = by_labels.get(&labels).copied().unwrap_or(usize::MAX);
        let n_fittings = count_at(&fittings, "n_fittings", judged);
        let mut cells: Vec<Cell> = vec![
            n("n_ears").into(),
            n("n_complete").into(),
            mean("rms_total", "n_complete").into(),
            found.real_at("rms_q50", row).map(|x| x / BILLIONTHS).into(),
            found.real_at("rms_q95", row).map(|x| x / BILLIONTHS).into(),
            mean("signed_total", "n_signed").into(),
            mean("high_frequency_total", "n_high_frequency").into(),
            mean("slope_total", "n_slope").into(),
            ratio(n("n_within"), n("n_judged")).into(),
            n_fittings.into(),
        ];
        cells.extend(share(count_at(&fittings, "n_within", judged), n_fittings));
        out.row(&labels, cells);
    }
    Ok(out.build())
}

/// Fittings with any final response: group.
pub(super) fn verification(analysis: &mut Analysis<'_>) -> Result<Table, QueryError> {
    let by = analysis.by().to_vec();
    let found = analysis.run_on_fits(VERIFICATION, &by)?;
    let mut out = Builder::new(
        "verification",
        &by,
        &[
            ("n_fittings", Kind::Integer),
            ("n_verified", Kind::Integer),
            ("verified", Kind::Real),
            ("verified_lo", Kind::Real),
            ("verified_hi", Kind::Real),
        ],
    );
    for row in 0..found.rows() {
        let (n, verified) = (
            count_at(&found, "n_fittings", row),
            count_at(&found, "n_verified", row),
        );
        let mut cells: Vec<Cell> = vec![n.into(), verified.into()];
        cells.extend(share(verified, n));
        out.row(&labels_at(&found, &by, row), cells);
    }
    Ok(out.build())
}
