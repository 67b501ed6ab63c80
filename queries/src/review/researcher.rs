//! The researcher's tables: does closer match predict satisfaction?

use std::collections::BTreeMap;

use crate::analysis::Analysis;
use crate::builder::{Builder, Cell, Kind, count_at, interval_of_mean, mean, share};
use crate::engine::FLOW;
use crate::error::QueryError;
use crate::fits::{Fits, Measure};
use crate::statistics::description::quantile;
use crate::statistics::multiplicity::holm;
use crate::study;
use crate::table::Table;
use crate::tables::association::row::{COLUMNS, Row};
use crate::tables::association::{found, spearman, table};
use fitcohort_pipeline::plan::Plan;

use super::study_report;
use super::study_report::{checklist, missing, sensitivity, table_one};

/// Edges of the bins of the RMS deviation, dB; the last bin is open. Fixed, so that axes do not move between reports.
const BINS: [f64; 9] = [0.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 10.0];

/// Edges of the histogram: half decibels up to 12, the last bin open.
const HISTOGRAM_BINS: u32 = 24;

/// The tables by key.
pub(super) fn tables(
    whole: &mut Analysis<'_>,
) -> Result<BTreeMap<&'static str, Table>, QueryError> {
    let flow = flow(whole)?;
    let outcomes = whole.query("outcomes")?;
    let variance = whole.variance_with_counts()?;
    let plan = whole.plan;
    study::check(plan, &whole.cohort.manifest.label_columns)?;
    let mut bands = Vec::new();
    for band in sensitivity::BANDS {
        bands.push((band, whole.fits_of_band(band)?));
    }
    let satisfied_from = plan.outcome.satisfied_from;
    let minimum = usize::try_from(plan.minimum_cell).unwrap_or(1);
    let fits = whole.fits()?;
    let all: Vec<usize> = (0..fits.len()).collect();
    let rows = study::rows(fits, plan, study::exposure(plan), &all);
    let found = found(fits, plan, &rows);
    let association = table(&[], std::iter::once((Vec::new(), found.rows.as_slice())));
    let secondary = secondary(fits, plan, &all);
    let is_estimated = found.rows.iter().any(|row| {
        row.method == plan.primary.method
            && row.weighted == plan.primary.weighted
            && row.estimate.is_some()
    });
    let mut tables = study_report::tables(plan, &found);
    tables.extend(table_one::tables(fits, plan, &rows));
    tables.extend([
        ("missing", missing::table(fits, plan, &rows)),
        (
            "sensitivity",
            sensitivity::table(fits, plan, &found, &secondary, &bands),
        ),
        ("checklist", checklist::table(is_estimated)),
        ("flow", flow),
        ("association", association),
        ("association_secondary", secondary_table(secondary)),
        ("dose_response", dose_response(fits, &rows, satisfied_from)),
        ("rms_by_answer", rms_by_answer(fits, &rows, satisfied_from)),
        (
            "rms_histogram",
            rms_histogram(fits, &rows, satisfied_from, minimum),
        ),
        (
            "response_by_match",
            response_by_match(fits, &rows, satisfied_from),
        ),
        ("outcomes", outcomes),
        ("variance", variance),
    ]);
    Ok(tables)
}

/// Flow of records, in order: what was delivered, what fell out at each step, and why.
fn flow(whole: &mut Analysis<'_>) -> Result<Table, QueryError> {
    let accounts = whole
        .cohort
        .manifest
        .deliveries
        .iter()
        .flat_map(|delivery| &delivery.accounts)
        .filter(|account| account.table == "fittings");
    let delivered: u64 = accounts.map(|account| account.rows_read).sum();
    let stored: u64 = whole
        .cohort
        .manifest
        .parts
        .iter()
        .filter(|part| part.table == "fittings")
        .map(|part| part.rows)
        .sum();
    let counts = whole.run_on_fits(FLOW, &[])?;
    let count = |name| count_at(&counts, name, 0);
    let plan = whole.plan;
    let exposure = study::exposure(plan);
    let fits = whole.fits()?;
    let all: Vec<usize> = (0..fits.len()).collect();
    let known = all
        .iter()
        .filter(|&&row| {
            fits.value(exposure, row, plan.outcome.satisfied_from)
                .is_some()
        })
        .count() as u64;
    let included = study::rows(fits, plan, exposure, &all);
    let analysed = included
        .iter()
        .filter(|&&row| fits.score(row).is_some())
        .count() as u64;
    let (eligible, eligible_reason) = match exposure {
        Measure::Rms => (
            "With a complete headline curve",
            "no curve at average input with 500, 1000, 2000 and 4000 Hz",
        ),
        _ => (
            "With a known exposure",
            "no curve at average input with the frequencies of the exposure",
        ),
    };
    let mut steps = vec![
        ("delivered", "Rows of fittings delivered", delivered, ""),
        (
            "stored",
            "Fittings stored",
            stored,
            "set aside by a rule, repeated or superseded",
        ),
        (
            "fitted",
            "With a fitted ear, up to the quarter",
            count("fitted"),
            "no ear fitted, or later than the quarter under review",
        ),
        (
            "verified",
            "Verified by a final response",
            count("verified"),
            "no final real-ear response",
        ),
        ("eligible", eligible, known, eligible_reason),
    ];
    if plan.unit != "fitting" || !plan.exclusions.is_empty() {
        steps.push((
            "included",
            "In the study by the plan",
            included.len() as u64,
            match plan.unit.as_str() {
                "fitting" => "left out by the plan",
                _ => "left out by the plan, or not the patient's latest",
            },
        ));
    }
    steps.push((
        "analysed",
        "With an answer on satisfaction",
        analysed,
        "no answer",
    ));
    let mut out = Builder::new(
        "flow",
        &[],
        &[
            ("step", Kind::Text),
            ("label", Kind::Text),
            ("n", Kind::Integer),
            ("lost", Kind::Integer),
            ("reason", Kind::Text),
        ],
    );
    let mut before = None;
    for (step, label, n, reason) in steps {
        let lost: Option<u64> = before.map(|before: u64| before.saturating_sub(n));
        out.row(
            &[],
            vec![
                step.into(),
                label.into(),
                n.into(),
                lost.map_or(Cell::Integer(None), Cell::from),
                reason.into(),
            ],
        );
        before = Some(n);
    }
    Ok(out.build())
}

/// Spearman's correlations of further exposures with the outcome item.
fn secondary(fits: &Fits, plan: &Plan, all: &[usize]) -> Vec<(Measure, Row)> {
    let primary = study::exposure(plan);
    [
        Measure::Rms,
        Measure::Signed,
        Measure::HighFrequency,
        Measure::ShareWithin,
    ]
    .into_iter()
    .filter(|exposure| *exposure != primary)
    .flat_map(|exposure| {
        spearman(fits, plan, all, exposure)
            .into_iter()
            .map(move |row| (exposure, row))
    })
    .collect()
}

/// The same as a table, with Holm's correction over all of them.
fn secondary_table(found: Vec<(Measure, Row)>) -> Table {
    let p: Vec<f64> = found.iter().filter_map(|(_, row)| row.p).collect();
    let mut corrected = holm(&p).unwrap_or_default().into_iter();
    let exposure = ["exposure".to_owned()];
    let columns = [&COLUMNS[..], &[("p_holm", Kind::Real)]].concat();
    let mut out = Builder::new("association_secondary", &exposure, &columns);
    for (exposure, row) in found {
        let p_holm = row.p.and_then(|_| corrected.next());
        let mut cells = row.cells();
        cells.push(p_holm.into());
        out.row(&[Some(exposure.name().to_owned())], cells);
    }
    out.build()
}

/// Fittings by bin of RMS deviation: lower edge, upper edge (none for the open bin), rows.
fn binned(
    fits: &Fits,
    study: &[usize],
    satisfied_from: f64,
) -> Vec<(f64, Option<f64>, Vec<usize>)> {
    let uppers = BINS.iter().skip(1).copied().map(Some).chain([None]);
    let mut bins: Vec<(f64, Option<f64>, Vec<usize>)> = BINS
        .iter()
        .zip(uppers)
        .map(|(lo, hi)| (*lo, hi, Vec::new()))
        .collect();
    for &row in study {
        if let Some(rms) = fits.value(Measure::Rms, row, satisfied_from)
            && let Some((_, _, rows)) = bins
                .iter_mut()
                .find(|(lo, hi, _)| rms >= *lo && hi.is_none_or(|hi| rms < hi))
        {
            rows.push(row);
        }
    }
    bins
}

/// Satisfaction by bin of RMS deviation, with intervals.
fn dose_response(fits: &Fits, study: &[usize], satisfied_from: f64) -> Table {
    let mut out = Builder::new(
        "dose_response",
        &[],
        &[
            ("bin_lo", Kind::Real),
            ("bin_hi", Kind::Real),
            ("rms_mean", Kind::Real),
            ("n", Kind::Integer),
            ("mean", Kind::Real),
            ("lo", Kind::Real),
            ("hi", Kind::Real),
            ("satisfied", Kind::Real),
            ("satisfied_lo", Kind::Real),
            ("satisfied_hi", Kind::Real),
        ],
    );
    for (lo, hi, rows) in binned(fits, study, satisfied_from) {
        let answered: Vec<(f64, f64)> = rows
            .iter()
            .filter_map(|&row| {
                Some((
                    fits.value(Measure::Rms, row, satisfied_from)?,
                    fits.score(row)?,
                ))
            })
            .collect();
        let scores: Vec<f64> = answered.iter().map(|(_, score)| *score).collect();
        let rms: Vec<f64> = answered.iter().map(|(rms, _)| *rms).collect();
        let interval = interval_of_mean(&scores);
        let satisfied = scores
            .iter()
            .filter(|score| **score >= satisfied_from)
            .count() as u64;
        let mut cells: Vec<Cell> = vec![
            lo.into(),
            hi.into(),
            mean(&rms).into(),
            scores.len().into(),
            mean(&scores).into(),
            interval.map(|i| i.lo).into(),
            interval.map(|i| i.hi).into(),
        ];
        cells.extend(share(satisfied, scores.len() as u64));
        out.row(&[], cells);
    }
    out.build()
}

/// RMS deviations by answer, sorted; answers in order.
fn by_answer(fits: &Fits, study: &[usize], satisfied_from: f64) -> BTreeMap<i64, Vec<f64>> {
    let mut found: BTreeMap<i64, Vec<f64>> = BTreeMap::new();
    for &row in study {
        if let (Some(rms), Some(score)) = (
            fits.value(Measure::Rms, row, satisfied_from),
            fits.table().integer_at("score", row),
        ) {
            found.entry(score).or_default().push(rms);
        }
    }
    for values in found.values_mut() {
        values.sort_unstable_by(f64::total_cmp);
    }
    found
}

/// A score in hundredths as the instrument has it.
fn score_of(hundredths: i64) -> f64 {
    hundredths as f64 / 100.0
}

/// Distribution of the RMS deviation by answer; `satisfied` where the plan counts the answer so.
fn rms_by_answer(fits: &Fits, study: &[usize], satisfied_from: f64) -> Table {
    let mut out = Builder::new(
        "rms_by_answer",
        &[],
        &[
            ("score", Kind::Real),
            ("satisfied", Kind::Flag),
            ("n", Kind::Integer),
            ("q05", Kind::Real),
            ("q25", Kind::Real),
            ("q50", Kind::Real),
            ("q75", Kind::Real),
            ("q95", Kind::Real),
            ("mean", Kind::Real),
        ],
    );
    for (score, values) in by_answer(fits, study, satisfied_from) {
        let at = |p| Cell::Real(quantile(&values, p).ok());
        out.row(
            &[],
            vec![
                score_of(score).into(),
                (score_of(score) >= satisfied_from).into(),
                values.len().into(),
                at(0.05),
                at(0.25),
                at(0.5),
                at(0.75),
                at(0.95),
                mean(&values).into(),
            ],
        );
    }
    out.build()
}

/// A bin of a histogram: lower edge, upper edge (none for the open bin), and how many are in it.
type Bin = (f64, Option<f64>, usize);

/// Joins bins with too few in them to their neighbours: those at the ends inwards, empty or not, and those between to the
/// next.
fn join_sparse(bins: &mut Vec<Bin>, minimum: usize) {
    while let [.., before, last] = bins.as_mut_slice()
        && last.2 < minimum
    {
        before.1 = last.1;
        before.2 += last.2;
        bins.pop();
    }
    let is_sparse = |at: usize, n: usize| n < minimum && (at == 0 || n > 0);
    let mut at = 0;
    while let [first, second, ..] = bins.get_mut(at..).unwrap_or_default() {
        if is_sparse(at, first.2) {
            second.0 = first.0;
            second.2 += first.2;
            bins.remove(at);
        } else {
            at += 1;
        }
    }
}

/// Histogram of the RMS deviation by answer, sparse bins joined; the last bin is open.
fn rms_histogram(fits: &Fits, study: &[usize], satisfied_from: f64, minimum: usize) -> Table {
    let mut out = Builder::new(
        "rms_histogram",
        &[],
        &[
            ("score", Kind::Real),
            ("bin_lo", Kind::Real),
            ("bin_hi", Kind::Real),
            ("n", Kind::Integer),
        ],
    );
    for (score, values) in by_answer(fits, study, satisfied_from) {
        let mut bins: Vec<Bin> = (0..=HISTOGRAM_BINS)
            .map(|bin| {
                let lo = f64::from(bin) * 0.5;
                let hi = (bin < HISTOGRAM_BINS).then_some(lo + 0.5);
                let inside = |rms: &&f64| **rms >= lo && hi.is_none_or(|hi| **rms < hi);
                (lo, hi, values.iter().filter(inside).count())
            })
            .collect();
        join_sparse(&mut bins, minimum);
        for (lo, hi, n) in bins {
            out.row(
                &[],
                vec![score_of(score).into(), lo.into(), hi.into(), n.into()],
            );
        }
    }
    out.build()
}

/// Answers returned by bin of RMS deviation.
fn response_by_match(fits: &Fits, study: &[usize], satisfied_from: f64) -> Table {
    let mut out = Builder::new(
        "response_by_match",
        &[],
        &[
            ("bin_lo", Kind::Real),
            ("bin_hi", Kind::Real),
            ("rms_mean", Kind::Real),
            ("n_fittings", Kind::Integer),
            ("n_answered", Kind::Integer),
            ("response_rate", Kind::Real),
            ("response_rate_lo", Kind::Real),
            ("response_rate_hi", Kind::Real),
        ],
    );
    for (lo, hi, rows) in binned(fits, study, satisfied_from) {
        let answered = rows
            .iter()
            .filter(|&&row| fits.score(row).is_some())
            .count() as u64;
        let rms: Vec<f64> = rows
            .iter()
            .filter_map(|&row| fits.value(Measure::Rms, row, satisfied_from))
            .collect();
        let mut cells: Vec<Cell> = vec![
            lo.into(),
            hi.into(),
            mean(&rms).into(),
            rows.len().into(),
            answered.into(),
        ];
        cells.extend(share(answered, rows.len() as u64));
        out.row(&[], cells);
    }
    out.build()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn joined(counts: &[usize]) -> Vec<Bin> {
        let mut bins: Vec<Bin> = counts
            .iter()
            .zip(0_u8..)
            .map(|(n, at)| (f64::from(at), Some(f64::from(at) + 1.0), *n))
            .collect();
        join_sparse(&mut bins, 5);
        bins
    }

    #[test]
    fn no_bin_is_left_with_too_few_unless_all_are() {
        let bins = joined(&[0, 1, 2, 9, 0, 3, 8, 30, 2, 1, 0]);
        assert_eq!(
            bins,
            [
                (0.0, Some(4.0), 12),
                (4.0, Some(5.0), 0),
                (5.0, Some(7.0), 11),
                (7.0, Some(11.0), 33),
            ]
        );
        assert_eq!(joined(&[1, 1, 1]), [(0.0, Some(3.0), 3)]);
        assert_eq!(joined(&[]), []);
    }
}
