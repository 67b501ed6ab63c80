//! The kernels one by one: `cargo bench --bench kernels [-- NAME]`. Rows are invented here from numbered streams; times
//! say where to look and are no comparison with anything (`benches/compare/run.sh` is).
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    missing_docs,
    reason = "a bench stops where it cannot measure"
)]

use std::hint::black_box;
use std::path::Path;
use std::time::Duration;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use fitcohort_pipeline::delivery::{self, Delivery};
use fitcohort_pipeline::derive::curve_measures;
use fitcohort_pipeline::ingest::check;
use fitcohort_pipeline::intake::Intake;
use fitcohort_pipeline::plan::Plan;
use fitcohort_pipeline::records::{Curve, CurveKey, Place};
use fitcohort_pipeline::vocabulary::{Ear, N_FREQUENCIES, Quantity, Stage};
use fitcohort_queries::statistics::categorical::proportional_odds;
use fitcohort_queries::statistics::categorical::sandwich::cluster_robust;
use fitcohort_queries::statistics::description::quantile;
use fitcohort_queries::statistics::mixed::{self, gather};
use fitcohort_queries::statistics::permutation::{self, Statistic};
use fitcohort_queries::statistics::random::{below, stream};
use fitcohort_queries::statistics::rank_bootstrap::prepare;
use fitcohort_synthetic_data::{Scenario, write_delivery};
use rand_chacha::ChaCha8Rng;

const FITTINGS: u64 = 5_000;
const ROWS: usize = 100_000;
const CLINICIANS: u32 = 100;
const COVARIATES: usize = 8;
const REPLICATES: u64 = 100;

/// A number from -1 to 1 out of a stream, near a bell by adding four.
fn bell(draws: &mut ChaCha8Rng) -> f64 {
    (0..4)
        .map(|_| f64::from(below(draws, 10_001)) / 5_000.0 - 1.0)
        .sum::<f64>()
        / 4.0
}

/// Rows of a model: clinician, covariates, a level in dB, a score from 1 to 5.
struct Rows {
    clinician: Vec<u32>,
    x: Vec<Vec<f64>>,
    level: Vec<f64>,
    score: Vec<f64>,
}

fn rows() -> Rows {
    let mut draws = stream(1, "bench rows", 0);
    let clinician: Vec<u32> = (0..ROWS).map(|_| below(&mut draws, CLINICIANS)).collect();
    let x: Vec<Vec<f64>> = (0..COVARIATES)
        .map(|_| (0..ROWS).map(|_| bell(&mut draws)).collect())
        .collect();
    let level: Vec<f64> = clinician
        .iter()
        .zip(x.iter().flatten())
        .map(|(unit, x)| f64::from(unit % 7) / 7.0 + 0.3 * x + 2.0 * bell(&mut draws))
        .collect();
    let score = level
        .iter()
        .map(|level| {
            (3.0 - level + 2.0 * bell(&mut draws))
                .round()
                .clamp(1.0, 5.0)
        })
        .collect();
    Rows {
        clinician,
        x,
        level,
        score,
    }
}

fn slices(columns: &[Vec<f64>]) -> Vec<&[f64]> {
    columns.iter().map(Vec::as_slice).collect()
}

/// Reading a delivery: parse alone, then parse and judge.
fn records(criterion: &mut Criterion) {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = folder.path().join("delivery");
    write_delivery(&Scenario::demo(FITTINGS, 7), &path, &|_| {}).expect("a delivery");
    let plan = Plan::default();
    let intake = Intake::plain(&plan);
    let mut group = criterion.benchmark_group("records");
    group.throughput(Throughput::Bytes(bytes(&path)));
    group.bench_function("parse", |bench| {
        bench.iter(|| {
            let delivery = Delivery::open(&path, None).expect("a delivery");
            delivery::read(&delivery, &intake, &|_| {}).expect("its rows")
        });
    });
    group.bench_function("parse, validate, settle", |bench| {
        bench.iter(|| check(&path, &intake, &|_| {}).expect("a judgement"));
    });
    group.finish();
}

fn bytes(folder: &Path) -> u64 {
    Delivery::open(folder, None).expect("a delivery").bytes()
}

/// Measures of curves.
fn derive(criterion: &mut Criterion) {
    let mut draws = stream(1, "bench curves", 0);
    let key = CurveKey {
        fitting: 0,
        ear: Ear::Left,
        stage: Stage::Final,
        quantity: Quantity::Reig,
        input_level: 6_500,
    };
    let curves: Vec<Curve> = (0..10_000)
        .map(|_| {
            let mut curve = Curve::new(key, Place::default(), true);
            for position in 0..N_FREQUENCIES {
                let target = i16::try_from(below(&mut draws, 3_000)).expect("a level");
                let off = i16::try_from(below(&mut draws, 1_600)).expect("a level") - 800;
                curve.set(position, Some(target), Some(target + off));
            }
            curve
        })
        .collect();
    let mut group = criterion.benchmark_group("derive");
    group.throughput(Throughput::Elements(curves.len() as u64));
    group.bench_function("measures of curves", |bench| {
        bench.iter(|| {
            curves
                .iter()
                .filter_map(|curve| curve_measures(black_box(curve)).rms)
                .sum::<i64>()
        });
    });
    group.finish();
}

/// Quantiles of a sample that is not sorted yet.
fn quantiles(criterion: &mut Criterion) {
    let rows = rows();
    let mut group = criterion.benchmark_group("quantiles");
    group.throughput(Throughput::Elements(ROWS as u64));
    group.bench_function("sort and five quantiles", |bench| {
        bench.iter(|| {
            let mut sorted = rows.level.clone();
            sorted.sort_unstable_by(f64::total_cmp);
            [0.05, 0.25, 0.5, 0.75, 0.95].map(|p| quantile(&sorted, p).expect("a quantile"))
        });
    });
    group.finish();
}

/// Bootstrap over clinicians and permutation within them.
fn resampling(criterion: &mut Criterion) {
    let rows = rows();
    let numeric = slices(rows.x.get(..2).expect("two covariates"));
    let data = prepare(&rows.level, &rows.score, &numeric, &[], &rows.clinician).expect("ranks");
    let mut group = criterion.benchmark_group("resampling");
    group.throughput(Throughput::Elements(REPLICATES));
    group.bench_function("rank the rows once", |bench| {
        bench.iter(|| {
            prepare(&rows.level, &rows.score, &numeric, &[], &rows.clinician).expect("ranks")
        });
    });
    group.bench_function("bootstrap of three correlations", |bench| {
        bench.iter(|| data.bootstrap(REPLICATES, 1));
    });
    for (name, statistic) in [
        ("permutation of rho", Statistic::Spearman),
        ("permutation of tau-b", Statistic::Kendall),
    ] {
        group.bench_function(name, |bench| {
            bench.iter(|| {
                permutation::within_clusters(
                    &rows.level,
                    &rows.score,
                    &rows.clinician,
                    REPLICATES,
                    1,
                    statistic,
                )
                .expect("a test")
            });
        });
    }
    group.finish();
}

/// Models of six and eight covariates.
fn models(criterion: &mut Criterion) {
    let rows = rows();
    let linear = slices(rows.x.get(..6).expect("six covariates"));
    let ordinal = slices(&rows.x);
    let mut group = criterion.benchmark_group("models");
    group.throughput(Throughput::Elements(ROWS as u64));
    group.bench_function("REML: sums of groups", |bench| {
        bench.iter(|| gather(&rows.level, &linear, &rows.clinician).expect("sums"));
    });
    let sums = gather(&rows.level, &linear, &rows.clinician).expect("sums");
    group.bench_function("REML: fit to the sums", |bench| {
        bench.iter(|| mixed::fit(&sums, mixed::Criterion::Reml).expect("a fit"));
    });
    group.bench_function("proportional odds: fit", |bench| {
        bench.iter(|| proportional_odds::fit(&rows.score, &ordinal, None).expect("a fit"));
    });
    let fit = proportional_odds::fit(&rows.score, &ordinal, None).expect("a fit");
    group.bench_function("proportional odds: clustered errors", |bench| {
        bench.iter(|| {
            cluster_robust(&fit, &rows.score, &ordinal, None, &rows.clinician).expect("errors")
        });
    });
    group.finish();
}

criterion_group! {
    name = kernels;
    config = Criterion::default()
        .sample_size(20)
        .warm_up_time(Duration::from_secs(1))
        .measurement_time(Duration::from_secs(5));
    targets = records, derive, quantiles, resampling, models
}
criterion_main!(kernels);
