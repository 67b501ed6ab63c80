//! The primary estimate, and the same done otherwise in one respect at a time.

use std::collections::BTreeMap;

use fitcohort_pipeline::plan::Plan;

use crate::builder::{Builder, Kind};
use crate::fits::{Fits, Measure};
use crate::study;
use crate::table::Table;
use crate::tables::association::row::Row;
use crate::tables::association::sample::Sample;
use crate::tables::association::{Found, primary_of};

/// Input bands other than the headline's.
pub(crate) const BANDS: [&str; 2] = ["soft", "loud"];

/// Exposures that are tried in place of the plan's.
const EXPOSURES: [Measure; 6] = [
    Measure::WithinCriterion,
    Measure::WithinSecond,
    Measure::ShareWithin,
    Measure::Rms,
    Measure::Signed,
    Measure::HighFrequency,
];

/// What is done otherwise.
struct Variant {
    analysis: &'static str,
    exposure: Measure,
    band: &'static str,
    unit: &'static str,
    exclusions: bool,
}

/// On which side of 0 a closer match goes with a higher answer.
fn closer(exposure: Measure) -> &'static str {
    match exposure {
        Measure::Signed | Measure::HighFrequency => "signed",
        Measure::Rms => "below",
        _ => "above",
    }
}

/// The unit of analysis as a word that stays as long as the program runs.
fn unit(plan: &Plan) -> &'static str {
    match plan.unit.as_str() {
        "latest-fitting" => "latest-fitting",
        _ => "fitting",
    }
}

/// The table. `found` is the study's own analysis, `secondary` holds the plain Spearman correlations of further exposures
/// with their names, and `bands` the measures of match in the bands of [`BANDS`].
pub(crate) fn table(
    fits: &Fits,
    plan: &Plan,
    found: &Found,
    secondary: &[(Measure, Row)],
    bands: &[(&'static str, Fits)],
) -> Table {
    let mut out = Builder::new(
        "sensitivity",
        &[],
        &[
            ("analysis", Kind::Text),
            ("exposure", Kind::Text),
            ("input_band", Kind::Text),
            ("unit_of_analysis", Kind::Text),
            ("exclusions", Kind::Flag),
            ("method", Kind::Text),
            ("weighted", Kind::Flag),
            ("n", Kind::Integer),
            ("n_clusters", Kind::Integer),
            ("estimate", Kind::Real),
            ("lo", Kind::Real),
            ("hi", Kind::Real),
            ("closer", Kind::Text),
            ("interval", Kind::Text),
        ],
    );
    let mut add = |variant: &Variant, row: &Row| {
        out.row(
            &[],
            vec![
                variant.analysis.into(),
                variant.exposure.name().into(),
                variant.band.into(),
                variant.unit.into(),
                variant.exclusions.into(),
                row.method.into(),
                row.weighted.into(),
                row.n.into(),
                row.clusters.into(),
                row.estimate.into(),
                row.interval.map(|i| i.lo).into(),
                row.interval.map(|i| i.hi).into(),
                closer(variant.exposure).into(),
                row.how.as_str().into(),
            ],
        );
    };
    let primary = Variant {
        analysis: "primary",
        exposure: study::exposure(plan),
        band: "average",
        unit: unit(plan),
        exclusions: !plan.exclusions.is_empty(),
    };
    for (analysis, weighted) in [
        ("primary", plan.primary.weighted),
        ("weighting", !plan.primary.weighted),
    ] {
        let row = found
            .rows
            .iter()
            .find(|row| row.method == plan.primary.method && row.weighted == weighted);
        if let Some(row) = row {
            add(
                &Variant {
                    analysis,
                    ..primary
                },
                row,
            );
        }
    }
    for band in bands {
        let variant = Variant {
            analysis: "input_band",
            band: band.0,
            ..primary
        };
        let values = of_band(fits, plan, &band.1, primary.exposure);
        if let Some(row) = estimate(fits, plan, primary.exposure, |row| {
            values.get(row).copied().flatten()
        }) {
            add(&variant, &row);
        }
    }
    let (other_unit, plan_of_unit) = match primary.unit {
        "fitting" => ("latest-fitting", with_unit(plan, "latest-fitting")),
        _ => ("fitting", with_unit(plan, "fitting")),
    };
    let plan_without = Plan {
        exclusions: Vec::new(),
        ..plan.clone()
    };
    let mut plans = vec![(
        Variant {
            analysis: "unit",
            unit: other_unit,
            ..primary
        },
        &plan_of_unit,
    )];
    if primary.exclusions {
        plans.push((
            Variant {
                analysis: "no_exclusions",
                exclusions: false,
                ..primary
            },
            &plan_without,
        ));
    }
    for (variant, plan) in plans {
        if let Some(row) = of_measure(fits, plan, variant.exposure) {
            add(&variant, &row);
        }
    }
    // The secondary analyses are the same where the primary is a plain Spearman correlation.
    let is_spearman = plan.primary.method == "spearman" && !plan.primary.weighted;
    for exposure in EXPOSURES
        .into_iter()
        .filter(|exposure| *exposure != primary.exposure)
    {
        let known = secondary
            .iter()
            .find(|(measure, _)| is_spearman && *measure == exposure)
            .map(|(_, row)| row.clone());
        let row = known.or_else(|| of_measure(fits, plan, exposure));
        if let Some(row) = row {
            let variant = Variant {
                analysis: "exposure",
                exposure,
                ..primary
            };
            add(&variant, &row);
        }
    }
    out.build()
}

fn with_unit(plan: &Plan, unit: &str) -> Plan {
    Plan {
        unit: unit.to_owned(),
        ..plan.clone()
    }
}

/// The exposure of each fitting in one band, in the order of the fit-level table.
fn of_band(fits: &Fits, plan: &Plan, band: &Fits, exposure: Measure) -> Vec<Option<f64>> {
    let id = |fits: &'_ Fits, row| fits.table().text_at("fitting_id", row).map(str::to_owned);
    let values: BTreeMap<String, f64> = (0..band.len())
        .filter_map(|row| {
            let value = band.value(exposure, row, plan.outcome.satisfied_from)?;
            Some((id(band, row)?, value))
        })
        .collect();
    (0..fits.len())
        .map(|row| values.get(&id(fits, row)?).copied())
        .collect()
}

/// The primary estimate over all fittings that the plan lets in, with another exposure.
fn of_measure(fits: &Fits, plan: &Plan, exposure: Measure) -> Option<Row> {
    let satisfied_from = plan.outcome.satisfied_from;
    estimate(fits, plan, exposure, |row| {
        fits.value(exposure, row, satisfied_from)
    })
}

fn estimate(
    fits: &Fits,
    plan: &Plan,
    exposure: Measure,
    value: impl Fn(usize) -> Option<f64>,
) -> Option<Row> {
    let all: Vec<usize> = (0..fits.len()).collect();
    let rows = study::rows_with(fits, plan, &all, |row| value(row).is_some());
    let sample = Sample::with_exposure(fits, plan, &rows, value);
    primary_of(&sample, plan, exposure.name())
}
