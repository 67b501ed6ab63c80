//! `trends`: the headline measures by quarter, with control limits.

use std::collections::BTreeMap;

use crate::analysis::Analysis;
use crate::builder::{Builder, Cell, Kind, labels_at, mean, ratio};
use crate::covariates::not_estimable;
use crate::engine::SHARES;
use crate::error::QueryError;
use crate::fits::{Measure, groups};
use crate::statistics::Interval;
use crate::statistics::control_chart::{EwmaSettings, Point, Subgroup, ewma, p_chart, xbar_s};
use crate::statistics::description::mean_sd;
use crate::table::Table;

use super::units::{share_counts, signal};

/// One quarter of one measure.
#[derive(Clone, Copy)]
struct QuarterPoint {
    n: u64,
    value: Option<f64>,
    centre: Option<f64>,
    limits: Option<Interval>,
    ewma: Option<f64>,
}

/// The quarters of one measure, and how the limits were made or why there are none.
struct Chart {
    points: Vec<QuarterPoint>,
    how: String,
}

/// Shares by p-chart with Laney's correction, the RMS by X-bar chart: group × measure × quarter.
pub(super) fn trends(analysis: &mut Analysis<'_>) -> Result<Table, QueryError> {
    let by = analysis.by().to_vec();
    let strata: Vec<String> = by.iter().filter(|key| *key != "quarter").cloned().collect();
    let by_quarter = [strata.clone(), vec!["quarter".to_owned()]].concat();
    let satisfied_from = analysis.plan.outcome.satisfied_from;
    let counts = analysis.run_on_fits(SHARES, &by_quarter)?;
    let fits = analysis.fits()?;
    let fits_by_quarter: BTreeMap<_, _> = fits
        .groups(&by_quarter)
        .into_iter()
        .map(|group| (group.labels, group.rows))
        .collect();
    let mut columns = strata.clone();
    columns.extend(["measure".to_owned(), "quarter".to_owned()]);
    let mut out = Builder::new(
        "trends",
        &columns,
        &[
            ("n", Kind::Integer),
            ("value", Kind::Real),
            ("centre", Kind::Real),
            ("lower", Kind::Real),
            ("upper", Kind::Real),
            ("ewma", Kind::Real),
            ("signal", Kind::Text),
            ("how", Kind::Text),
        ],
    );
    for stratum in groups(&counts, &strata) {
        let part = counts.reordered(&stratum.rows);
        let quarters: Vec<Option<String>> = (0..part.rows())
            .map(|row| part.text_at("quarter", row).map(str::to_owned))
            .collect();
        let mut add = |measure: Measure, chart: Chart| {
            for (quarter, point) in quarters.iter().zip(chart.points) {
                let mut labels = stratum.labels.clone();
                labels.extend([Some(measure.name().to_owned()), quarter.clone()]);
                out.row(&labels, cells(point, &chart.how));
            }
        };
        for measure in Measure::SHARES {
            add(measure, share_points(&share_counts(&part, measure)));
        }
        // The levels' chart is made of the same quarters, from the fit-level rows.
        let values: Vec<Vec<f64>> = (0..part.rows())
            .map(|row| {
                let labels = labels_at(&part, &by_quarter, row);
                let rows = fits_by_quarter.get(&labels).map_or(&[][..], Vec::as_slice);
                rows.iter()
                    .filter_map(|&row| fits.value(Measure::Rms, row, satisfied_from))
                    .collect()
            })
            .collect();
        add(Measure::Rms, level_points(&values));
    }
    Ok(out.build())
}

fn cells(point: QuarterPoint, how: &str) -> Vec<Cell> {
    vec![
        point.n.into(),
        point.value.into(),
        point.centre.into(),
        point.limits.map(|l| l.lo).into(),
        point.limits.map(|l| l.hi).into(),
        point.ewma.into(),
        signal(point.value, point.limits),
        how.into(),
    ]
}

/// Points that have something in the denominator get limits; the others stay blank.
fn spread_out<T>(present: &[bool], made: &[T]) -> Vec<Option<T>>
where
    T: Copy,
{
    let mut made = made.iter().copied();
    present
        .iter()
        .map(|there| if *there { made.next() } else { None })
        .collect()
}

fn share_points(counts: &[(u64, u64)]) -> Chart {
    let present: Vec<bool> = counts.iter().map(|(_, n)| *n > 0).collect();
    let there: Vec<(u64, u64)> = counts.iter().copied().filter(|(_, n)| *n > 0).collect();
    // Quarters that happen to lie closer together than chance would have them are no reason for narrower limits.
    let chart = match p_chart(&there, true) {
        Ok(chart) if chart.sigma_z < 1.0 => p_chart(&there, false),
        other => other,
    };
    let how = match &chart {
        Ok(chart) if chart.sigma_z > 1.0 => format!(
            "p chart, limits widened {:.2} times for over-dispersion (Laney)",
            chart.sigma_z
        ),
        Ok(_) => "p chart".to_owned(),
        Err(reason) => not_estimable(reason, &[]),
    };
    let chart = chart.ok();
    let points: Vec<Point> = chart
        .as_ref()
        .map_or_else(Vec::new, |chart| chart.points.clone());
    let averages = chart.and_then(|chart| {
        let means: Vec<f64> = there.iter().filter_map(|&(k, n)| ratio(k, n)).collect();
        let sizes: Vec<u64> = there.iter().map(|(_, n)| *n).collect();
        let sigma = (chart.centre * (1.0 - chart.centre)).sqrt() * chart.sigma_z.max(1.0);
        ewma(&means, &sizes, chart.centre, sigma, EwmaSettings::default()).ok()
    });
    let averages = averages.unwrap_or_default();
    Chart {
        points: assemble(
            counts.iter().map(|&(k, n)| (n, ratio(k, n))),
            &spread_out(&present, &points),
            &spread_out(&present, &averages),
        ),
        how,
    }
}

fn level_points(values: &[Vec<f64>]) -> Chart {
    // An X-bar chart needs two values in a quarter.
    let summaries: Vec<Option<Subgroup>> = values
        .iter()
        .map(|v| {
            let found = mean_sd(v).ok()?;
            Some(Subgroup {
                n: found.n,
                mean: found.mean,
                sd: found.sd,
            })
        })
        .collect();
    let present: Vec<bool> = summaries.iter().map(Option::is_some).collect();
    let there: Vec<Subgroup> = summaries.iter().flatten().copied().collect();
    let chart = xbar_s(&there);
    let how = match &chart {
        Ok(_) => "X-bar chart, spread within quarters".to_owned(),
        Err(reason) => not_estimable(reason, &[]),
    };
    let chart = chart.ok();
    let points: Vec<Point> = chart
        .as_ref()
        .map_or_else(Vec::new, |chart| chart.means.clone());
    let averages = chart.and_then(|chart| {
        let means: Vec<f64> = there.iter().map(|s| s.mean).collect();
        let sizes: Vec<u64> = there.iter().map(|s| s.n).collect();
        ewma(
            &means,
            &sizes,
            chart.centre,
            chart.sigma,
            EwmaSettings::default(),
        )
        .ok()
    });
    let averages = averages.unwrap_or_default();
    Chart {
        points: assemble(
            values.iter().map(|v| (v.len() as u64, mean(v))),
            &spread_out(&present, &points),
            &spread_out(&present, &averages),
        ),
        how,
    }
}

fn assemble(
    values: impl Iterator<Item = (u64, Option<f64>)>,
    points: &[Option<Point>],
    averages: &[Option<Point>],
) -> Vec<QuarterPoint> {
    values
        .zip(points.iter().zip(averages))
        .map(|((n, value), (point, average))| QuarterPoint {
            n,
            value,
            centre: point.map(|p| p.centre),
            limits: point.map(|p| Interval {
                lo: p.lower,
                hi: p.upper,
            }),
            ewma: average.map(|p| p.value),
        })
        .collect()
}
