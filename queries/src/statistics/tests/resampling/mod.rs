//! Tests of the resampling family: bootstrap, partial rank correlation, exact p-values.

mod bootstrap;
mod exact;
mod law_school;
mod partial;
mod properties;
mod refusals;
mod weighted;

use super::super::exact_rank::{kendall_s_p, kendall_without_ties};
use super::super::partial_rank::{freedman_lane, partial_spearman};
use super::super::rank_bootstrap::prepare;
use super::super::resampling::{Levels, Replicates, bca_level, bias_correction};
use super::pairs;
use super::reference::{DISTRIBUTION, EXACT, Ours, compare};

const REFERENCE: &str = include_str!("../../../../../tests/reference/resampling.csv");
const LAW_SCHOOL: &str = include_str!("../../../../../tests/reference/data/law_school.csv");
const LAW_SCHOOL_CDF: &str = include_str!("../../../../../tests/reference/data/law_school_cdf.csv");
const BIRTHS: &str = include_str!("../../../../../tests/reference/data/birthwt.csv");
const RANK_ROWS: &str = include_str!("../../../../../tests/reference/data/rank_rows.csv");

/// The columns of a table of numbers, comments left out.
fn columns(text: &str) -> Vec<Vec<f64>> {
    let mut columns: Vec<Vec<f64>> = Vec::new();
    for line in text.lines().filter(|line| !line.starts_with('#')) {
        for (k, field) in line.split(',').enumerate() {
            if columns.len() <= k {
                columns.push(Vec::new());
            }
            columns[k].push(field.parse().unwrap());
        }
    }
    columns
}

/// Rows with covariates, clusters and weights.
#[derive(Clone)]
struct Rows {
    x: Vec<f64>,
    y: Vec<f64>,
    numeric: Vec<Vec<f64>>,
    factors: Vec<Vec<u32>>,
    cluster: Vec<u32>,
    whole: Vec<f64>,
    fraction: Vec<f64>,
}

impl Rows {
    fn numeric(&self) -> Vec<&[f64]> {
        self.numeric.iter().map(Vec::as_slice).collect()
    }

    fn factors(&self) -> Vec<&[u32]> {
        self.factors.iter().map(Vec::as_slice).collect()
    }

    fn prepared(&self) -> super::super::rank_bootstrap::RankData {
        prepare(
            &self.x,
            &self.y,
            &self.numeric(),
            &self.factors(),
            &self.cluster,
        )
        .unwrap()
    }

    /// The same rows in another order, or some of them.
    fn picked(&self, rows: &[usize]) -> Self {
        let pick = |values: &[f64]| rows.iter().map(|&row| values[row]).collect::<Vec<f64>>();
        let labels = |values: &[u32]| rows.iter().map(|&row| values[row]).collect::<Vec<u32>>();
        Self {
            x: pick(&self.x),
            y: pick(&self.y),
            numeric: self.numeric.iter().map(|v| pick(v)).collect(),
            factors: self.factors.iter().map(|v| labels(v)).collect(),
            cluster: labels(&self.cluster),
            whole: pick(&self.whole),
            fraction: pick(&self.fraction),
        }
    }
}

/// One case of `rank_rows.csv`.
fn rank_rows(case: &str) -> Rows {
    let text: String = RANK_ROWS
        .lines()
        .filter_map(|line| line.strip_prefix(&format!("{case},")))
        .map(|line| format!("{line}\n"))
        .collect();
    let c = columns(&text);
    let labels = |values: &[f64]| values.iter().map(|v| *v as u32).collect::<Vec<u32>>();
    Rows {
        x: c[1].clone(),
        y: c[2].clone(),
        numeric: vec![c[3].clone(), c[4].clone()],
        factors: vec![labels(&c[5]), labels(&c[6])],
        cluster: labels(&c[0]),
        whole: c[7].clone(),
        fraction: c[8].clone(),
    }
}

/// A value of `resampling.csv`.
fn wanted(case: &str, quantity: &str) -> f64 {
    let start = format!("{case},{quantity},");
    let line = REFERENCE
        .lines()
        .find(|line| line.starts_with(&start))
        .expect("a known row");
    line.split(',').nth(2).unwrap().parse().unwrap()
}

/// The replicates that the script makes in the same way, with the jackknife of a mean.
fn kept_replicates() -> Replicates {
    let x: Vec<f64> = columns(LAW_SCHOOL)[0]
        .iter()
        .map(|v| v / 700.0 - 0.5)
        .collect();
    let sum: f64 = x.iter().sum();
    Replicates {
        estimate: sum / 15.0,
        values: (1..1000_u32)
            .map(|i| (f64::from(617 * i % 1009) / 1009.0).powi(2))
            .collect(),
        jackknife: x.iter().map(|v| (sum - v) / 14.0).collect(),
        failed: 0,
        jackknife_failed: 0,
    }
}

/// Every row of `resampling.csv`, which names its tool, version and call.
#[test]
fn every_reference_value_is_reproduced() {
    let mut ours = Ours::default();
    law_school::add(&mut ours);
    intervals(&mut ours);
    births(&mut ours);
    forty_rows(&mut ours);
    let (_, x, y) = pairs("hollander_wolfe");
    let p = kendall_without_ties(&x, &y).unwrap();
    ours.add("hollander_wolfe", "exact p", p, EXACT);
    for (n, step) in [
        (2, 1),
        (5, 2),
        (12, 5),
        (30, 7),
        (47, 13),
        (50, 3),
        (101, 44),
    ] {
        let x: Vec<f64> = (0..n).map(f64::from).collect();
        let y: Vec<f64> = (0..n).map(|i| f64::from(step * i % n)).collect();
        let p = kendall_without_ties(&x, &y).unwrap();
        // scipy counts in whole numbers, we add up probabilities: they agree to rounding.
        ours.add(&format!("{n} step {step}"), "exact p", p, EXACT);
    }
    let small = rank_rows("small");
    let result = freedman_lane(
        &small.x,
        &small.y,
        &small.numeric()[..1],
        &small.factors()[..1],
        &small.cluster,
        1,
        0,
    );
    let observed = result.unwrap().observed;
    ours.add("small", "partial rho within clusters", observed, EXACT);
    compare(REFERENCE, ours);
    assert_eq!(kendall_s_p(0, 4), Ok(1.0));
}

fn intervals(ours: &mut Ours) {
    let case = "kept replicates";
    let kept = kept_replicates();
    let expanded = Levels::Expanded { clusters: 15 };
    let error = kept.standard_error().unwrap();
    ours.add(case, "standard error", error, EXACT);
    for (levels, before) in [(Levels::Nominal, ""), (expanded, "expanded ")] {
        let percentile = kept.percentile(levels).unwrap();
        let bca = kept.bca(levels).unwrap();
        ours.add_interval(
            case,
            &format!("{before}percentile"),
            percentile,
            DISTRIBUTION,
        );
        ours.add_interval(case, &format!("{before}BCa"), bca, DISTRIBUTION);
    }
    for clusters in [2, 5, 15, 60, 2000] {
        let z = Levels::Expanded { clusters }.upper_z().unwrap();
        ours.add(
            &format!("{clusters} clusters"),
            "expanded z",
            z,
            DISTRIBUTION,
        );
    }
}

fn births(ours: &mut Ours) {
    let c = columns(BIRTHS);
    let labels = |k: usize| c[k].iter().map(|v| *v as u32).collect::<Vec<u32>>();
    let (race, smoke) = (labels(3), labels(4));
    let mut add = |given: &str, numeric: &[&[f64]], factors: &[&[u32]]| {
        let got = partial_spearman(&c[2], &c[9], numeric, factors).unwrap();
        ours.add("birthwt", &format!("lwt bwt given {given}"), got.rho, EXACT);
        ours.add(
            "birthwt",
            &format!("lwt bwt given {given} p"),
            got.p,
            DISTRIBUTION,
        );
    };
    add("age smoke", &[&c[1], &c[4]], &[]);
    add("age | smoke race", &[&c[1]], &[&smoke, &race]);
    add("nothing", &[], &[]);
}

fn forty_rows(ours: &mut Ours) {
    let case = "forty";
    let rows = rank_rows(case);
    let given = partial_spearman(&rows.x, &rows.y, &rows.numeric(), &rows.factors()).unwrap();
    ours.add(case, "partial rho", given.rho, EXACT);
    ours.add(case, "partial rho p", given.p, DISTRIBUTION);

    let whole = rows.prepared().estimates(Some(&rows.whole));
    ours.add(case, "rho of copies", whole.spearman.unwrap(), EXACT);
    ours.add(case, "tau_b of copies", whole.kendall.unwrap(), EXACT);
    ours.add(case, "partial rho of copies", whole.partial.unwrap(), EXACT);
    let mut fine = rows.clone();
    let (z1, z2) = (&rows.numeric[0], &rows.numeric[1]);
    for (i, y) in fine.y.iter_mut().enumerate() {
        *y = *y + z1[i] / 100.0 + z2[i] / 1000.0;
    }
    let tau = fine.prepared().estimates(Some(&rows.whole)).kendall;
    ours.add(case, "tau_b of copies fine", tau.unwrap(), EXACT);
    let partial = |numeric: Vec<Vec<f64>>, factors: Vec<Vec<u32>>| {
        let others = Rows {
            numeric,
            factors,
            ..rows.clone()
        };
        others
            .prepared()
            .estimates(Some(&rows.whole))
            .partial
            .unwrap()
    };
    let got = partial(Vec::new(), rows.factors.clone());
    ours.add(case, "partial rho of copies given factors", got, EXACT);
    let both = |of: fn(f64, f64) -> f64| z1.iter().zip(z2).map(|(a, b)| of(*a, *b)).collect();
    let five = vec![
        z1.clone(),
        z2.clone(),
        both(|a, b| a * b),
        both(|a, b| a - 9.0 * b),
        both(|a, _| (7.0 * a) % 11.0),
    ];
    let got = partial(five, Vec::new());
    ours.add(case, "partial rho of copies given five", got, EXACT);

    let weighted = rows.prepared().estimates(Some(&rows.fraction));
    ours.add(case, "weighted rho", weighted.spearman.unwrap(), EXACT);
    ours.add(case, "weighted tau_b", weighted.kendall.unwrap(), EXACT);
    let given = weighted.partial.unwrap();
    ours.add(case, "weighted partial rho", given, EXACT);
}
