//! What must not change when rows, units or labels change, and what must change with them.

use rand::Rng;

use super::super::super::analysis_of_variance::one_way;
use super::super::super::linear::{Correction, Linear, Robust, cluster_robust, fit, residuals};
use super::super::super::random::{below, stream};
use super::super::super::rater_agreement::intraclass;
use super::super::close;
use super::slices;

/// Made-up rows in clusters: labels, covariates, outcome.
type Rows = (Vec<u32>, Vec<Vec<f64>>, Vec<f64>);

fn rows(n: usize, covariates: usize, clusters: u32, replicate: u64) -> Rows {
    let mut rng = stream(41, "regression rows", replicate);
    let mut uniform = move || (rng.next_u64() >> 11) as f64 / (1_u64 << 53) as f64 - 0.5;
    let levels: Vec<f64> = (0..clusters).map(|_| uniform()).collect();
    let labels: Vec<u32> = (0..n)
        .map(|row| (row as u32 * 11 + row as u32 / 5) % clusters)
        .collect();
    let x: Vec<Vec<f64>> = (0..covariates)
        .map(|j| {
            let own = levels.clone();
            labels
                .iter()
                .map(|label| uniform() + j as f64 * own[*label as usize])
                .collect()
        })
        .collect();
    let y = (0..n)
        .map(|row| {
            let level = levels[labels[row] as usize];
            let sum: f64 = x.iter().zip(1..).map(|(x, b)| x[row] * f64::from(b)).sum();
            sum + 0.7 * level + uniform()
        })
        .collect();
    (labels, x, y)
}

fn robust(rows: &Rows) -> Robust {
    cluster_robust(
        &rows.2,
        &slices(&rows.1),
        true,
        &rows.0,
        Correction::Cr1Rows,
    )
    .unwrap()
}

fn shuffled(rows: &Rows, replicate: u64) -> Rows {
    let mut rng = stream(42, "regression order", replicate);
    let mut order: Vec<usize> = (0..rows.2.len()).collect();
    for last in (1..order.len()).rev() {
        order.swap(last, below(&mut rng, last as u32 + 1) as usize);
    }
    let pick = |values: &[f64]| order.iter().map(|row| values[*row]).collect::<Vec<f64>>();
    (
        order.iter().map(|row| rows.0[*row]).collect(),
        rows.1.iter().map(|x| pick(x)).collect(),
        pick(&rows.2),
    )
}

#[track_caller]
fn all_close(got: &[f64], wanted: &[f64], tolerance: f64) {
    assert_eq!(got.len(), wanted.len());
    for (got, wanted) in got.iter().zip(wanted) {
        close(*got, *wanted, tolerance);
    }
}

/// The condition here is below 10, so rounding moves the last digits only; 3000 rows make several blocks.
#[test]
fn order_of_rows_and_names_of_clusters_do_not_matter() {
    for (replicate, n) in [(0, 30), (1, 61), (2, 3000)] {
        let rows = rows(n, 3, 7, replicate);
        let before = robust(&rows);
        let mut after = shuffled(&rows, replicate);
        for label in &mut after.0 {
            *label = 1000 - 13 * *label;
        }
        let after = robust(&after);
        all_close(&after.fit.coefficients, &before.fit.coefficients, 1e-12);
        all_close(
            &after.fit.standard_errors,
            &before.fit.standard_errors,
            1e-12,
        );
        all_close(&after.standard_errors, &before.standard_errors, 1e-12);
        close(after.fit.r_squared, before.fit.r_squared, 1e-12);
        assert_eq!(after.clusters, before.clusters);
    }
}

/// Shifts and scales of the outcome and of a covariate move the coefficients by known amounts. Powers of two and
/// shifts by whole numbers keep the digits of the data, the rest is rounding at the shifted level of 4096.
#[test]
fn coefficients_follow_shift_and_scale() {
    for replicate in 0..5 {
        let rows = rows(200, 3, 9, replicate);
        let before = robust(&rows);
        let mut moved = rows.clone();
        for x in &mut moved.1[1] {
            *x = *x * 1024.0 + 4096.0;
        }
        for y in &mut moved.2 {
            *y = *y * -8.0 + 64.0;
        }
        let after = robust(&moved);
        let b = &before.fit.coefficients;
        let slope = -8.0 * b[2] / 1024.0;
        let wanted = [
            -8.0 * b[0] + 64.0 - slope * 4096.0,
            -8.0 * b[1],
            slope,
            -8.0 * b[3],
        ];
        all_close(&after.fit.coefficients, &wanted, 1e-11);
        for (after, before) in [
            (&after.standard_errors, &before.standard_errors),
            (&after.fit.standard_errors, &before.fit.standard_errors),
        ] {
            close(after[1], 8.0 * before[1], 1e-11);
            close(after[2] * 1024.0, 8.0 * before[2], 1e-11);
        }
        close(after.fit.residual_sd, 8.0 * before.fit.residual_sd, 1e-11);
        close(after.fit.r_squared, before.fit.r_squared, 1e-11);
        close(after.fit.f.unwrap(), before.fit.f.unwrap(), 1e-11);
    }
}

/// Values in steps of 2^-20 and the same at a level of 2^30, which f64 holds exactly: a large level costs no digits.
/// The mean of so many large values is itself rounded in the fourth decimal, so this also holds the fit to taking that
/// rounding back out.
#[test]
fn a_large_level_costs_no_digits() {
    let mut low = rows(20_000, 3, 9, 20);
    let step = 2f64.powi(-20);
    for values in low.1.iter_mut().chain([&mut low.2]) {
        for value in values {
            *value = (*value / step).round() * step;
        }
    }
    let mut high = low.clone();
    for values in high.1.iter_mut().chain([&mut high.2]) {
        for value in values {
            *value += 2f64.powi(30);
        }
    }
    let (low, high) = (robust(&low), robust(&high));
    // No more than the roundings of sums over 20000 rows.
    all_close(
        &high.fit.coefficients[1..],
        &low.fit.coefficients[1..],
        1e-12,
    );
    close(high.fit.residual_sd, low.fit.residual_sd, 1e-12);
    for j in 1..4 {
        let relative = high.standard_errors[j] / low.standard_errors[j];
        close(relative, 1.0, 1e-11);
    }
}

/// Every cluster twice: the same coefficients; CR0 errors smaller by root two, as their sums of squares double while
/// the cross product doubles too.
#[test]
fn doubling_the_clusters_shrinks_errors_by_root_two() {
    let rows = rows(50, 2, 6, 8);
    let mut twice = rows.clone();
    twice.0.extend(rows.0.iter().map(|label| label + 100));
    twice.2.extend_from_within(..);
    for x in &mut twice.1 {
        x.extend_from_within(..);
    }
    let errors = |rows: &Rows| {
        cluster_robust(&rows.2, &slices(&rows.1), true, &rows.0, Correction::Cr0).unwrap()
    };
    let (once, twice) = (errors(&rows), errors(&twice));
    all_close(&twice.fit.coefficients, &once.fit.coefficients, 1e-12);
    for (twice, once) in twice.standard_errors.iter().zip(&once.standard_errors) {
        close(twice * 2f64.sqrt(), *once, 1e-12);
    }
    // Rows doubled within their cluster tell nothing new, and the robust error says so.
    let mut within = rows.clone();
    within.0.extend_from_within(..);
    within.2.extend_from_within(..);
    for x in &mut within.1 {
        x.extend_from_within(..);
    }
    all_close(
        &errors(&within).standard_errors,
        &once.standard_errors,
        1e-12,
    );
}

/// What least squares means: residuals at right angles to every covariate and to the constant.
#[test]
fn residuals_are_orthogonal_to_the_design() {
    for (replicate, n) in [(0, 12), (1, 1025), (2, 5000)] {
        let (_, x, y) = rows(n, 4, 5, replicate);
        for intercept in [true, false] {
            let residuals = residuals(&y, &slices(&x), intercept).unwrap();
            let fit = fit(&y, &slices(&x), intercept).unwrap();
            let sum: f64 = residuals.iter().map(|r| r * r).sum();
            close(fit.residual_sd, (sum / fit.residual_degrees).sqrt(), 1e-12);
            for x in &x {
                let product: f64 = x.iter().zip(&residuals).map(|(x, r)| x * r).sum();
                assert!(product.abs() < 1e-12 * n as f64, "{product:e}");
            }
            if intercept {
                assert!(residuals.iter().sum::<f64>().abs() < 1e-12 * n as f64);
            }
        }
    }
}

/// A covariate of 0 and 1 compares two groups, so F must be that of the analysis of variance.
#[test]
fn two_groups_by_regression_and_by_analysis_of_variance() {
    for replicate in 0..5 {
        let (labels, _, y) = rows(40, 1, 2, replicate);
        let x: Vec<f64> = labels.iter().map(|label| f64::from(*label)).collect();
        let part = |wanted: u32| {
            y.iter()
                .zip(&labels)
                .filter(|(_, label)| **label == wanted)
                .map(|(y, _)| *y)
                .collect::<Vec<f64>>()
        };
        let variance = one_way(&[&part(0), &part(1)]).unwrap();
        let regression = fit(&y, &[&x], true).unwrap();
        close(regression.f.unwrap(), variance.f, 1e-11);
        close(regression.f_p.unwrap(), variance.p, 1e-11);
        close(regression.r_squared, variance.r_squared, 1e-11);
        close(regression.residual_sd, variance.residual_sd, 1e-12);
    }
}

#[test]
fn the_same_bits_with_any_number_of_threads() {
    let rows = rows(40_000, 3, 50, 3);
    let with = |threads| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build();
        pool.unwrap().install(|| robust(&rows))
    };
    let one = with(1);
    assert_eq!(one, with(2));
    assert_eq!(one, with(5));
}

/// Blocks and one piece give the same fit: the rows of the small sets repeated until they fill many blocks.
#[test]
fn many_blocks_agree_with_one() {
    let (_, x, y) = rows(640, 5, 4, 6);
    let once = fit(&y, &slices(&x), true).unwrap();
    let times = 40;
    let x: Vec<Vec<f64>> = x.iter().map(|x| x.repeat(times)).collect();
    let many: Linear = fit(&y.repeat(times), &slices(&x), true).unwrap();
    all_close(&many.coefficients, &once.coefficients, 1e-12);
    close(many.r_squared, once.r_squared, 1e-12);
    close(many.condition, once.condition, 1e-12);
    for (many, once) in many
        .unscaled_covariance
        .iter()
        .zip(&once.unscaled_covariance)
    {
        for (many, once) in many.iter().zip(once) {
            close(many * times as f64, *once, 1e-12);
        }
    }
}

#[test]
fn analysis_of_variance_ignores_order_level_and_unit() {
    let (labels, _, y) = rows(60, 1, 5, 11);
    let groups = |change: &dyn Fn(f64) -> f64| {
        let mut groups = vec![Vec::new(); 5];
        for (label, y) in labels.iter().zip(&y) {
            groups[*label as usize].push(change(*y));
        }
        groups
    };
    let before = one_way(&slices(&groups(&|y| y))).unwrap();
    let mut moved = groups(&|y| y * 1024.0 - 512.0);
    moved.reverse();
    moved.iter_mut().for_each(|group| group.reverse());
    let after = one_way(&slices(&moved)).unwrap();
    close(after.f, before.f, 1e-11);
    close(after.p, before.p, 1e-11);
    close(after.residual_sd, before.residual_sd * 1024.0, 1e-11);
}

/// Agreement does not depend on the unit, nor on the order of targets or judges; a judge's own level moves forms 1 and
/// 2, and leaves form 3 alone.
#[test]
fn agreement_follows_what_it_is_meant_to_follow() {
    let (_, x, _) = rows(25, 4, 3, 12);
    let table = |change: &dyn Fn(usize, f64) -> f64, turn: bool| {
        let mut table: Vec<Vec<f64>> = (0..25)
            .map(|target| {
                (0..4)
                    .map(|judge| change(judge, x[judge][target] + x[0][target]))
                    .collect()
            })
            .collect();
        if turn {
            table.reverse();
            table.iter_mut().for_each(|ratings| ratings.reverse());
        }
        intraclass(&slices(&table)).unwrap().forms
    };
    let plain = table(&|_, v| v, false);
    for (plain, moved) in plain.iter().zip(table(&|_, v| v * 512.0 + 64.0, true)) {
        let (plain, moved) = (plain.clone().unwrap(), moved.unwrap());
        close(moved.estimate, plain.estimate, 1e-11);
        close(moved.interval.unwrap().hi, plain.interval.unwrap().hi, 1e-9);
    }
    let levels = table(&|judge, v| v + judge as f64, false);
    for (index, (plain, moved)) in plain.iter().zip(&levels).enumerate() {
        let (plain, moved) = (plain.clone().unwrap(), moved.clone().unwrap());
        if index % 3 == 2 {
            close(moved.estimate, plain.estimate, 1e-12);
        } else {
            assert!(moved.estimate < plain.estimate - 0.01);
        }
    }
}
