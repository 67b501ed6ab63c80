//! What the study report shows beside the associations: who is in the study by thirds of the exposure, what is not known
//! of them, the models and their check, the weights, the share satisfied under each way to treat missing answers, the
//! curve, the intervals side by side, the primary estimate done otherwise, and where each item of the reporting guidelines
//! is answered.

pub(super) mod checklist;
pub(super) mod missing;
mod models;
pub(super) mod sensitivity;
pub(super) mod table_one;

use std::collections::BTreeMap;

use fitcohort_pipeline::plan::Plan;

use crate::builder::{Builder, Cell, Kind, ratio};
use crate::covariates::not_estimable;
use crate::statistics::description::quantile;
use crate::statistics::nonresponse::bounds::{ShareAnswers, of_share};
use crate::statistics::resampling::{Design, Levels, cluster_bootstrap};
use crate::statistics::smooth::{Rows, Settings, dose_response};
use crate::statistics::{Interval, NotEstimable};
use crate::study;
use crate::table::Table;
use crate::tables::association::ranks::NamedInterval;
use crate::tables::association::row::Resampling;
use crate::tables::association::sample::{Answered, Sample};
use crate::tables::association::weighting::Weighting;
use crate::tables::association::{Found, resampling};

/// Places of the curve between its ends.
const PLACES: u32 = 40;
/// The share of the fittings behind each local line of the curve.
const FRACTION: f64 = 0.5;
/// Below so many effective fittings a local line and its band say nothing.
const LEAST_EFFECTIVE: f64 = 30.0;
/// The ends of the curve: beyond them a local line rests on few.
const ENDS: [f64; 2] = [0.02, 0.98];

/// The tables by key.
pub(super) fn tables(plan: &Plan, found: &Found) -> BTreeMap<&'static str, Table> {
    let exposure = study::exposure(plan);
    let resampling = resampling(plan);
    let Found {
        sample,
        intervals,
        weighting: weighted,
        ..
    } = found;
    let everybody: Vec<usize> = (0..sample.len()).collect();
    let answered = sample.answered(&everybody);
    let adjusted = models::adjusted(sample, exposure.name());
    BTreeMap::from([
        (
            "model",
            models::model(&adjusted, exposure.name(), &found.rows),
        ),
        ("proportionality", models::proportionality(&adjusted)),
        ("weights", weights(weighted)),
        (
            "satisfied",
            satisfied(sample, &answered, weighted, plan, resampling),
        ),
        ("curve", curve(&answered, resampling)),
        ("intervals", side_by_side(intervals)),
    ])
}

/// How the weights of the answers are spread.
fn weights(weighted: &Result<Weighting, (NotEstimable, Vec<String>)>) -> Table {
    let mut out = Builder::new(
        "weights",
        &[],
        &[
            ("n", Kind::Integer),
            ("n_answered", Kind::Integer),
            ("effective", Kind::Real),
            ("mean", Kind::Real),
            ("largest", Kind::Real),
            ("largest_before", Kind::Real),
            ("truncated", Kind::Integer),
            ("smallest_probability", Kind::Real),
            ("how", Kind::Text),
        ],
    );
    match weighted {
        Ok(found) => {
            let spread = &found.model.summary;
            out.row(
                &[],
                vec![
                    spread.invited.into(),
                    spread.answered.into(),
                    spread.effective.into(),
                    spread.mean.into(),
                    spread.largest.into(),
                    spread.largest_before.into(),
                    spread.truncated.into(),
                    spread.smallest_probability.into(),
                    "logistic model of who answers; stabilised, cut at the 99th percentile".into(),
                ],
            );
        }
        Err((reason, names)) => {
            let mut cells = vec![Cell::Integer(None), Cell::Integer(None)];
            cells.extend((0..4).map(|_| Cell::Real(None)));
            cells.extend([
                Cell::Integer(None),
                Cell::Real(None),
                not_estimable(reason, names).as_str().into(),
            ]);
            out.row(&[], cells);
        }
    }
    out.build()
}

/// A share with its interval and how it was made, or why not.
type Share = Result<(f64, Interval, String), String>;

/// The share satisfied: of those who answered, weighted for the others, and the bounds that assume nothing.
fn satisfied(
    sample: &Sample,
    answered: &Answered,
    weighted: &Result<Weighting, (NotEstimable, Vec<String>)>,
    plan: &Plan,
    resampling: Resampling,
) -> Table {
    let from = plan.outcome.satisfied_from;
    let is_satisfied =
        |scores: &[f64]| -> Vec<bool> { scores.iter().map(|score| *score >= from).collect() };
    let mut out = Builder::new(
        "satisfied",
        &[],
        &[
            ("treatment", Kind::Text),
            ("n", Kind::Integer),
            ("estimate", Kind::Real),
            ("lo", Kind::Real),
            ("hi", Kind::Real),
            ("how", Kind::Text),
        ],
    );
    let mut add = |treatment: &str, n: u64, found: Share| {
        let (estimate, interval, how) = match found {
            Ok((estimate, interval, how)) => (Some(estimate), Some(interval), how),
            Err(reason) => (None, None, reason),
        };
        out.row(
            &[],
            vec![
                treatment.into(),
                n.into(),
                estimate.into(),
                interval.map(|i| i.lo).into(),
                interval.map(|i| i.hi).into(),
                how.as_str().into(),
            ],
        );
    };
    let flags = is_satisfied(&answered.score);
    let everybody: Vec<usize> = (0..sample.len()).collect();
    let cluster = sample.clusters_of(&answered.positions, answered.kind);
    let plain = bootstrapped(
        answered.clusters,
        &flags,
        resampling,
        "satisfied, answered",
        &|drawn, out| {
            for (slot, cluster) in out.iter_mut().zip(&cluster) {
                *slot = f64::from(drawn.get(*cluster as usize).copied().unwrap_or(0));
            }
            Ok(())
        },
    );
    let how = |kind: &str| {
        format!(
            "percentile bootstrap over {} {kind}, {} resamples",
            answered.clusters, resampling.resamples
        )
    };
    add(
        "answered",
        answered.n(),
        plain
            .map(|(share, interval)| (share, interval, how(answered.kind.words())))
            .map_err(|reason| not_estimable(&reason, &[])),
    );
    let (n, found) = match weighted {
        Err((reason, names)) => (answered.n(), Err(not_estimable(reason, names))),
        Ok(found) => {
            let made = bootstrapped(
                found.model.clusters() as u64,
                &is_satisfied(&found.answered.score),
                resampling,
                "satisfied, weighted",
                &|drawn, out| found.model.reweigh(drawn, out),
            );
            let how = format!(
                "percentile bootstrap over {} {}, {} resamples, weights anew in each",
                found.model.clusters(),
                found.answered.kind.words(),
                resampling.resamples
            );
            (
                found.answered.n(),
                made.map(|(share, interval)| (share, interval, how))
                    .map_err(|reason| not_estimable(&reason, &[])),
            )
        }
    };
    add("weighted", n, found);
    let counts = ShareAnswers {
        successes: flags.iter().filter(|flag| **flag).count() as u64,
        answered: answered.n(),
        missing: everybody.len() as u64 - answered.n(),
    };
    let bounds = of_share(counts);
    add(
        "bounds",
        everybody.len() as u64,
        match (&bounds, ratio(counts.successes, counts.answered)) {
            (Ok(bounds), Some(share)) => Ok((
                share,
                bounds.region,
                "from none to all of the missing answers satisfied; no sampling error".to_owned(),
            )),
            (Err(reason), _) => Err(not_estimable(reason, &[])),
            (_, None) => Err(not_estimable(
                &NotEstimable::TooFew { needed: 1, got: 0 },
                &[],
            )),
        },
    );
    out.build()
}

/// Fills one weight a row from how often each cluster was drawn.
type Weigh<'a> = &'a (dyn Fn(&[u32], &mut [f64]) -> Result<(), NotEstimable> + Sync);

/// A share under weights, bootstrapped over clusters.
fn bootstrapped(
    clusters: u64,
    flags: &[bool],
    resampling: Resampling,
    domain: &str,
    reweigh: Weigh<'_>,
) -> Result<(f64, Interval), NotEstimable> {
    let design = Design {
        clusters: clusters as usize,
        replicates: resampling.resamples,
        seed: resampling.seed,
        domain,
    };
    let [found] = cluster_bootstrap(
        design,
        || vec![0.0; flags.len()],
        |drawn, weights| {
            let share = reweigh(drawn, weights).and_then(|()| {
                let (mut yes, mut all) = (0.0, 0.0);
                for (weight, flag) in weights.iter().zip(flags) {
                    all += weight;
                    yes += if *flag { *weight } else { 0.0 };
                }
                if all > 0.0 {
                    Ok(yes / all)
                } else {
                    Err(NotEstimable::TooFew { needed: 1, got: 0 })
                }
            });
            [share]
        },
    )?;
    let found = found?;
    let interval = found.percentile(Levels::Expanded { clusters })?;
    let inside = |limit: f64| limit.clamp(0.0, 1.0);
    Ok((
        found.estimate,
        Interval {
            lo: inside(interval.lo),
            hi: inside(interval.hi),
        },
    ))
}

/// Mean answer along the exposure, with a band over clusters.
fn curve(answered: &Answered, resampling: Resampling) -> Table {
    let mut out = Builder::new(
        "curve",
        &[],
        &[
            ("at", Kind::Real),
            ("n", Kind::Integer),
            ("fit", Kind::Real),
            ("lo", Kind::Real),
            ("hi", Kind::Real),
        ],
    );
    let mut sorted = answered.exposure.clone();
    sorted.sort_unstable_by(f64::total_cmp);
    let [Ok(first), Ok(last)] = ENDS.map(|p| quantile(&sorted, p)) else {
        return out.build();
    };
    let grid: Vec<f64> = (0..=PLACES)
        .map(|place| first + (last - first) * f64::from(place) / f64::from(PLACES))
        .collect();
    // Rounded to a four-hundredth of its range, far finer than any window: equal places are summed.
    let step = (last - first) / 400.0;
    let rounded: Vec<f64> = answered
        .exposure
        .iter()
        .map(|x| {
            if step > 0.0 {
                (x / step).round() * step
            } else {
                *x
            }
        })
        .collect();
    let rows = Rows {
        x: &rounded,
        y: &answered.score,
        cluster: &answered.cluster,
        weights: None,
    };
    let settings = Settings {
        fraction: FRACTION,
        replicates: u32::try_from(resampling.resamples).unwrap_or(u32::MAX),
        seed: resampling.seed,
    };
    if let Ok(found) = dose_response(rows, &grid, settings, None) {
        for point in found
            .points
            .iter()
            .filter(|point| point.n_effective >= LEAST_EFFECTIVE)
        {
            out.row(
                &[],
                vec![
                    point.at.into(),
                    (point.n_effective.floor() as u64).into(),
                    point.fit.into(),
                    point.lo.into(),
                    point.hi.into(),
                ],
            );
        }
    }
    out.build()
}

/// The intervals of each rank correlation side by side.
fn side_by_side(intervals: &[NamedInterval]) -> Table {
    let mut out = Builder::new(
        "intervals",
        &[],
        &[
            ("method", Kind::Text),
            ("interval", Kind::Text),
            ("n", Kind::Integer),
            ("lo", Kind::Real),
            ("hi", Kind::Real),
        ],
    );
    for found in intervals {
        out.row(
            &[],
            vec![
                found.method.into(),
                found.how.as_str().into(),
                found.n.into(),
                found.interval.map(|i| i.lo).into(),
                found.interval.map(|i| i.hi).into(),
            ],
        );
    }
    out.build()
}
