//! The trainer's tables: where do clinicians differ, and in what?

use std::collections::BTreeMap;

use crate::analysis::Analysis;
use crate::builder::{Builder, Cell, Kind, count_at, interval_of_mean, interval_of_share, mean};
use crate::covariates::not_estimable;
use crate::engine;
use crate::error::QueryError;
use crate::fits::{Fits, Measure};
use crate::selection::Selection;
use crate::statistics::description::{MeanSd, mean_sd};
use crate::statistics::log_spread::{self, GroupSpread};
use crate::statistics::spread::{brown_forsythe, sd_interval};
use crate::table::Table;
use crate::tables::units::{Funnel, INNER, OUTER, SHARES, UnitValues, share_counts};

/// The tables by key. The rows of the signature get their places after withholding, see [`super::similarity`].
pub(super) fn tables(
    whole: &mut Analysis<'_>,
) -> Result<BTreeMap<&'static str, Table>, QueryError> {
    let compared = whole.query("clinicians")?;
    let variance = whole.variance_with_counts()?;
    let funnel = funnel(whole)?;
    let signature = signature(whole)?;
    let satisfied_from = whole.plan.outcome.satisfied_from;
    let fits = whole.fits()?;
    Ok(BTreeMap::from([
        ("clinicians", compared),
        ("funnel", funnel),
        ("signature", signature),
        ("spread", spread(fits, satisfied_from)),
        ("first_final", first_final(fits, satisfied_from)),
        ("variance", variance),
    ]))
}

fn by_clinician() -> [String; 1] {
    ["clinician_id".to_owned()]
}

/// Limits of the funnels over a grid of sizes, for drawing: measure × n.
fn funnel(whole: &mut Analysis<'_>) -> Result<Table, QueryError> {
    let by = by_clinician();
    let satisfied_from = whole.plan.outcome.satisfied_from;
    let counts = whole.run_on_fits(engine::SHARES, &by)?;
    let fits = whole.fits()?;
    let units = fits.groups(&by);
    let mut out = Builder::new(
        "funnel",
        &[],
        &[
            ("measure", Kind::Text),
            ("n", Kind::Integer),
            ("centre", Kind::Real),
            ("lower_95", Kind::Real),
            ("upper_95", Kind::Real),
            ("lower_998", Kind::Real),
            ("upper_998", Kind::Real),
        ],
    );
    let mut draw = |measure: Measure, funnel: &Funnel, largest: u64| {
        for n in grid(largest) {
            let limits = |coverage| funnel.limits(n, coverage).ok();
            let (inner, outer) = (limits(INNER), limits(OUTER));
            out.row(
                &[],
                vec![
                    measure.name().into(),
                    n.into(),
                    funnel.target().into(),
                    inner.map(|i| i.lo).into(),
                    inner.map(|i| i.hi).into(),
                    outer.map(|i| i.lo).into(),
                    outer.map(|i| i.hi).into(),
                ],
            );
        }
    };
    for measure in SHARES {
        let pairs = share_counts(&counts, measure);
        let largest = pairs.iter().map(|(_, n)| *n).max().unwrap_or(0);
        if let Ok(funnel) = Funnel::of_share(&pairs) {
            draw(measure, &funnel, largest);
        }
    }
    for measure in Measure::LEVELS {
        let values = UnitValues::new(fits, &units, measure, satisfied_from).values;
        let largest = values.iter().map(Vec::len).max().unwrap_or(0) as u64;
        if let Ok(funnel) = Funnel::of_level(&values) {
            draw(measure, &funnel, largest);
        }
    }
    Ok(out.build())
}

/// Sizes from 2 to a tenth beyond the largest, each a twelfth greater than the one before: closer together where limits
/// bend, and the same for every cohort, so that the grid says no more of the largest than how far it goes.
fn grid(largest: u64) -> Vec<u64> {
    let end = (largest + largest / 10).max(10);
    std::iter::successors(Some(2_u64), |n| Some(n + (n / 12).max(1)))
        .take_while(|n| *n <= end)
        .collect()
}

/// Deviations of one clinician at one frequency.
#[derive(Default)]
struct Sum {
    n: u64,
    fittings: u64,
    total: f64,
    squares: f64,
}

/// Mean deviation by clinician and frequency, over headline curves.
pub(super) fn signature(whole: &Analysis<'_>) -> Result<Table, QueryError> {
    let selection = Selection {
        by: by_clinician().to_vec(),
        ..whole.selection.clone()
    };
    let found = Analysis::open(whole.cohort, whole.plan, selection)?
        .matches_with_fittings()?
        .where_text("stage", "final")
        .where_text("input_band", "average");
    // Response and gain deviate by the same decibels, so both quantities count together, weighted by their numbers.
    let mut sums: BTreeMap<(Option<String>, i64), Sum> = BTreeMap::new();
    for row in 0..found.rows() {
        let key = (
            found.text_at("clinician_id", row).map(str::to_owned),
            found.integer_at("frequency_hz", row).unwrap_or(0),
        );
        let n = count_at(&found, "n_ears", row);
        let weight = n as f64;
        let mean = found.real_at("mean", row).unwrap_or(0.0);
        let square = found.real_at("rms", row).unwrap_or(0.0).powi(2);
        let sum = sums.entry(key).or_default();
        sum.n += n;
        sum.total += weight * mean;
        sum.squares += weight * square;
        // A fitting may have both quantities; counting it once too few is on the safe side of withholding.
        sum.fittings = sum.fittings.max(count_at(&found, "n_fittings", row));
    }
    let mut out = Builder::new(
        "signature",
        &[],
        &[
            ("clinician_id", Kind::Text),
            ("frequency_hz", Kind::Integer),
            ("n_fittings", Kind::Integer),
            ("n_ears", Kind::Integer),
            ("mean", Kind::Real),
            ("sd", Kind::Real),
        ],
    );
    for ((clinician, frequency), sum) in sums {
        let count = sum.n as f64;
        let mean = sum.total / count;
        let scatter = (sum.squares - count * mean * mean).max(0.0);
        let sd = (sum.n > 1).then(|| (scatter / (count - 1.0)).sqrt());
        out.row(
            &[],
            vec![
                Cell::Text(clinician),
                frequency.into(),
                sum.fittings.into(),
                sum.n.into(),
                mean.into(),
                sd.into(),
            ],
        );
    }
    Ok(out.build())
}

/// How far a clinician's fittings lie apart: SD of the fittings' mean signed deviation with its interval, and the same
/// drawn towards the typical SD as far as the number of fittings asks.
pub(super) fn spread(fits: &Fits, satisfied_from: f64) -> Table {
    let mut out = Builder::new(
        "spread",
        &by_clinician(),
        &[
            ("n", Kind::Integer),
            ("sd", Kind::Real),
            ("lo", Kind::Real),
            ("hi", Kind::Real),
            ("shrunken", Kind::Real),
            ("shrunken_lo", Kind::Real),
            ("shrunken_hi", Kind::Real),
            ("how", Kind::Text),
        ],
    );
    let groups = fits.groups(&by_clinician());
    let values: Vec<Vec<f64>> = groups
        .iter()
        .map(|group| {
            group
                .rows
                .iter()
                .filter_map(|&row| fits.value(Measure::Signed, row, satisfied_from))
                .collect()
        })
        .collect();
    let summaries: Vec<Option<MeanSd>> = values.iter().map(|v| mean_sd(v).ok()).collect();
    // A clinician whose fittings are all alike has no place on a logarithmic scale.
    let (places, spreads): (Vec<usize>, Vec<GroupSpread>) = summaries
        .iter()
        .enumerate()
        .filter_map(|(place, summary)| {
            let MeanSd { n, sd, .. } = summary.filter(|summary| summary.sd > 0.0)?;
            Some((place, GroupSpread { n, sd }))
        })
        .unzip();
    let compared = log_spread::compare(&spreads);
    let how = match &compared {
        Ok(found) => format!(
            "SD with a chi-square interval; shrunken on the logarithmic scale (Paule-Mandel), SD between logarithms {:.2}; \
             {}",
            found.var_between.sqrt(),
            equality(&values)
        ),
        Err(reason) => not_estimable(reason, &[]),
    };
    let shrunken = |place: usize| {
        let position = places.iter().position(|other| *other == place)?;
        compared.as_ref().ok()?.groups.get(position)
    };
    for (place, (group, summary)) in groups.iter().zip(&summaries).enumerate() {
        let interval = summary.and_then(|s| sd_interval(s.n, s.sd).ok());
        let drawn = shrunken(place);
        out.row(
            &group.labels,
            vec![
                values.get(place).map_or(0, Vec::len).into(),
                summary.map(|s| s.sd).into(),
                interval.map(|i| i.lo).into(),
                interval.map(|i| i.hi).into(),
                drawn.map(|d| d.sd).into(),
                drawn.map(|d| d.sd_limits.lo).into(),
                drawn.map(|d| d.sd_limits.hi).into(),
                how.as_str().into(),
            ],
        );
    }
    out.build()
}

/// Whether spreads are equal, by the test of Brown and Forsythe, in words.
fn equality(values: &[Vec<f64>]) -> String {
    let groups: Vec<&[f64]> = values
        .iter()
        .filter(|v| v.len() > 1)
        .map(Vec::as_slice)
        .collect();
    match brown_forsythe(&groups) {
        Ok(found) => format!(
            "equality of spreads by Brown-Forsythe: W {:.2}, {}",
            found.w,
            if found.p < 0.001 {
                "p below 0.001".to_owned()
            } else {
                format!("p {:.3}", found.p)
            }
        ),
        Err(reason) => format!("equality of spreads {}", not_estimable(&reason, &[])),
    }
}

/// The first measurement against the final one, by clinician, over the fittings that have both; `rms_fall` is the mean of
/// the fittings' own differences, first minus final, so above 0 where the match came closer.
pub(super) fn first_final(fits: &Fits, satisfied_from: f64) -> Table {
    let mut out = Builder::new(
        "first_final",
        &by_clinician(),
        &[
            ("n_first", Kind::Integer),
            ("n_final", Kind::Integer),
            ("rms_first", Kind::Real),
            ("rms_first_lo", Kind::Real),
            ("rms_first_hi", Kind::Real),
            ("rms_final", Kind::Real),
            ("rms_final_lo", Kind::Real),
            ("rms_final_hi", Kind::Real),
            ("rms_fall", Kind::Real),
            ("rms_fall_lo", Kind::Real),
            ("rms_fall_hi", Kind::Real),
            ("n_within", Kind::Integer),
            ("within_first", Kind::Real),
            ("within_first_lo", Kind::Real),
            ("within_first_hi", Kind::Real),
            ("within_final", Kind::Real),
            ("within_final_lo", Kind::Real),
            ("within_final_hi", Kind::Real),
        ],
    );
    for group in fits.groups(&by_clinician()) {
        let final_value = |measure, row| fits.value(measure, row, satisfied_from);
        let rows = || group.rows.iter().copied();
        let (rms_first, rms_final): (Vec<f64>, Vec<f64>) = rows()
            .filter_map(|row| Some((fits.first_rms(row)?, final_value(Measure::Rms, row)?)))
            .unzip();
        let (within_first, within_final): (Vec<f64>, Vec<f64>) = rows()
            .filter_map(|row| {
                let last = final_value(Measure::WithinCriterion, row)?;
                Some((fits.first_within(row)?, last))
            })
            .unzip();
        let falls: Vec<f64> = rms_first
            .iter()
            .zip(&rms_final)
            .map(|(first, last)| first - last)
            .collect();
        let mut cells: Vec<Cell> = vec![rms_first.len().into(), rms_final.len().into()];
        for values in [&rms_first, &rms_final, &falls] {
            let interval = interval_of_mean(values);
            cells.extend([
                mean(values).into(),
                interval.map(|i| i.lo).into(),
                interval.map(|i| i.hi).into(),
            ]);
        }
        cells.push(within_final.len().into());
        for values in [&within_first, &within_final] {
            let share = mean(values);
            let interval = share.and_then(|share| interval_of_share(share, values.len() as u64));
            cells.extend([
                share.into(),
                interval.map(|i| i.lo).into(),
                interval.map(|i| i.hi).into(),
            ]);
        }
        out.row(&group.labels, cells);
    }
    out.build()
}
