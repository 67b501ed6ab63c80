//! The permutation tests against full enumeration (rows "permutation" of `basic.csv`), and their determinism.

use super::super::permutation::{PermutationResult, Statistic, within_clusters};
use super::super::random::{below, stream};
use super::super::rank::{kendall, spearman};
use super::super::trend::permutation_p;
use super::pairs;
use super::reference::wanted;

const STATISTICS: [(Statistic, &str); 2] =
    [(Statistic::Spearman, "rho"), (Statistic::Kendall, "tau_b")];

/// Four standard errors of a Monte-Carlo share.
fn four_errors(p: f64, replicates: u64) -> f64 {
    4.0 * (p * (1.0 - p) / replicates as f64).sqrt()
}

/// All 7! orders of "seven" give p = 1/21 for rho and 1/15 for tau; "clusters" has 4! 3! 3! 2! arrangements.
#[test]
fn close_to_full_enumeration() {
    let replicates = 40_000;
    for case in ["seven", "clusters"] {
        let (cluster, x, y) = pairs(case);
        for (statistic, name) in STATISTICS {
            let exact = wanted(case, &format!("{name} permutation p"));
            let mean = wanted(case, &format!("{name} permutation mean"));
            let got = within_clusters(&x, &y, &cluster, replicates, 20_260, statistic).unwrap();
            assert!(
                (got.p - exact).abs() < four_errors(exact, replicates),
                "{case} {name}: {got:?} {exact}"
            );
            assert!(
                (got.expected - mean).abs() < 1e-12,
                "{case} {name}: {} against {mean}",
                got.expected
            );
            assert_eq!(
                got.p,
                (1 + got.at_least_as_extreme) as f64 / (1 + replicates) as f64
            );
        }
    }
    assert!((wanted("seven", "rho permutation p") - 1.0 / 21.0).abs() < 1e-15);
    assert!((wanted("seven", "tau_b permutation p") - 1.0 / 15.0).abs() < 1e-15);
}

/// The trend of two groups is a draw from the hypergeometric distribution.
#[test]
fn trend_close_to_hypergeometric() {
    let exact = wanted("1/9 6/10", "trend permutation p");
    let got = permutation_p(&[0.0, 1.0], &[1, 6], &[9, 10], 40_000, 5).unwrap();
    assert!(
        (got - exact).abs() < four_errors(exact, 40_000),
        "{got} against {exact}"
    );
}

/// Rows of clusters with different levels of both variables; `levels` distinct values of y.
fn made_up(rows: usize, clusters: u32, levels: u32, seed: u64) -> (Vec<f64>, Vec<f64>, Vec<u32>) {
    let mut rng = stream(seed, "made-up rows", 0);
    let mut data = (Vec::new(), Vec::new(), Vec::new());
    for _ in 0..rows {
        let label = below(&mut rng, clusters);
        let x = f64::from(below(&mut rng, 1000)) + 100.0 * f64::from(label % 5);
        let noise = f64::from(below(&mut rng, 1000));
        let y =
            ((0.2 * x + noise + 60.0 * f64::from(label % 5)) / 1700.0 * f64::from(levels)).floor();
        data.0.push(x);
        data.1.push(y);
        data.2.push(label);
    }
    data
}

fn run(data: &(Vec<f64>, Vec<f64>, Vec<u32>), statistic: Statistic) -> PermutationResult {
    within_clusters(&data.0, &data.1, &data.2, 300, 11, statistic).unwrap()
}

#[test]
fn bit_identical_for_any_number_of_threads_and_order_of_rows() {
    // Few levels, some, and many: each counting method of Kendall's statistic.
    for levels in [5, 20, 400] {
        let data = made_up(600, 12, levels, 3);
        let mut reversed = data.clone();
        reversed.0.reverse();
        reversed.1.reverse();
        reversed.2.reverse();
        for (statistic, _) in STATISTICS {
            let pool = |threads| {
                rayon::ThreadPoolBuilder::new()
                    .num_threads(threads)
                    .build()
                    .unwrap()
            };
            let one = pool(1).install(|| run(&data, statistic));
            assert_eq!(one, pool(2).install(|| run(&data, statistic)));
            assert_eq!(one, pool(5).install(|| run(&data, statistic)));
            let other = run(&reversed, statistic);
            assert_eq!(
                (one.p, one.at_least_as_extreme),
                (other.p, other.at_least_as_extreme)
            );
        }
    }
}

/// The expectation over shuffles, computed in closed form, is the mean of the statistic over shuffles done here by
/// another route: rows shuffled by sorting on random keys, the statistic recomputed from scratch.
#[test]
fn expectation_is_the_mean_over_shuffles() {
    // Fewer levels than clusters, and the reverse: both routes of the expectation for Kendall.
    for (clusters, levels) in [(12, 5), (4, 30)] {
        let (x, y, cluster) = made_up(120, clusters, levels, 9);
        let draws = 3000;
        let mut sums = [(0.0, 0.0); 2];
        for replicate in 0..draws {
            let mut rng = stream(1, "keys", replicate);
            let mut keyed: Vec<(u32, u32, usize)> = cluster
                .iter()
                .enumerate()
                .map(|(row, &k)| (k, below(&mut rng, u32::MAX), row))
                .collect();
            let mut homes: Vec<(u32, usize)> = cluster
                .iter()
                .enumerate()
                .map(|(row, &k)| (k, row))
                .collect();
            keyed.sort_unstable();
            homes.sort_unstable();
            let mut shuffled = y.clone();
            for (from, to) in keyed.iter().zip(&homes) {
                shuffled[to.1] = y[from.2];
            }
            let values = [
                spearman(&x, &shuffled).unwrap(),
                kendall(&x, &shuffled).unwrap().tau_b,
            ];
            for (sum, value) in sums.iter_mut().zip(values) {
                sum.0 += value;
                sum.1 += value * value;
            }
        }
        for ((statistic, name), (sum, squares)) in STATISTICS.into_iter().zip(sums) {
            let mean = sum / draws as f64;
            let error = ((squares / draws as f64 - mean * mean) / draws as f64).sqrt();
            let got = within_clusters(&x, &y, &cluster, 1, 0, statistic).unwrap();
            assert!(
                got.expected.abs() > 0.05,
                "{name}: the clusters differ by design"
            );
            assert!(
                (got.expected - mean).abs() < 4.0 * error,
                "{name}: {} against {mean} ± {error}",
                got.expected
            );
        }
    }
}

/// With no association within clusters the p-value is uniform: about 5 % of 400 data sets fall at or under 0.05,
/// although the clusters' means go together (binomial, four standard errors).
#[test]
fn differences_between_clusters_alone_are_not_called() {
    for (statistic, name) in STATISTICS {
        let sets = 400;
        let mut small = 0;
        for set in 0..sets {
            let mut rng = stream(set, "null", 0);
            let cluster: Vec<u32> = (0..48).map(|row| row % 6).collect();
            let draw = |rng: &mut _| {
                cluster
                    .iter()
                    .map(|k| f64::from(below(rng, 4)) + f64::from(*k))
                    .collect::<Vec<f64>>()
            };
            let (x, y) = (draw(&mut rng), draw(&mut rng));
            assert!(
                spearman(&x, &y).unwrap() > 0.3,
                "the clusters differ by design"
            );
            let got = within_clusters(&x, &y, &cluster, 199, set, statistic).unwrap();
            small += u32::from(got.p <= 0.05);
        }
        let error = (0.05 * 0.95 / sets as f64).sqrt();
        assert!(
            (f64::from(small) / sets as f64) < 0.05 + 4.0 * error,
            "{name}: {small} of {sets}"
        );
        assert!(small > 0, "{name}");
    }
}

/// An association within clusters that runs against the one between them is found all the same.
#[test]
fn association_within_is_found_against_the_one_between() {
    let cluster: Vec<u32> = (0..60).map(|row| row / 10).collect();
    let x: Vec<f64> = (0..60)
        .map(|row| f64::from(row % 10) + 5.0 * f64::from(row / 10))
        .collect();
    let y: Vec<f64> = (0..60)
        .map(|row| -f64::from(row % 10) + 9.0 * f64::from(row / 10))
        .collect();
    assert!(spearman(&x, &y).unwrap() > 0.5);
    for (statistic, name) in STATISTICS {
        let got = within_clusters(&x, &y, &cluster, 999, 1, statistic).unwrap();
        assert_eq!(got.at_least_as_extreme, 0, "{name}");
        assert_eq!(got.p, 0.001);
        assert!(got.observed < got.expected, "{name}");
    }
}
