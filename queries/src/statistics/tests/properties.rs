//! What must hold for any data, over seeded random cases.

use super::super::description::{Moments, mean_sd, quantile, sd_from_sums};
use super::super::multiplicity::{benjamini_hochberg, holm};
use super::super::proportion::{clopper_pearson, newcombe_difference, wilson};
use super::super::random::{below, stream};
use super::super::random_intercept::{Group, fit, intervals};
use super::super::rank::{kendall, spearman};
use super::super::spread::brown_forsythe;
use super::close;

const CASES: u64 = 60;

/// `n` whole numbers from 0 up to `levels`, so that ties are many.
fn draw(case: u64, column: &str, n: usize, levels: u32) -> Vec<f64> {
    let mut rng = stream(case, column, 0);
    (0..n).map(|_| f64::from(below(&mut rng, levels))).collect()
}

/// Tau-b from its definition, pair by pair: another route than the tree.
fn tau_by_pairs(x: &[f64], y: &[f64]) -> (i64, f64) {
    let (mut s, mut untied_x, mut untied_y) = (0, 0_i64, 0_i64);
    for i in 0..x.len() {
        for j in 0..i {
            let (dx, dy) = (x[i].total_cmp(&x[j]) as i64, y[i].total_cmp(&y[j]) as i64);
            s += dx * dy;
            untied_x += dx * dx;
            untied_y += dy * dy;
        }
    }
    (s, s as f64 / (untied_x as f64 * untied_y as f64).sqrt())
}

#[test]
fn tau_is_what_counting_pairs_gives() {
    for case in 0..CASES {
        let n = 3 + case as usize * 2;
        let levels = [2, 3, 5, 7, 29, 1000][case as usize % 6];
        let (x, y) = (draw(case, "x", n, 50), draw(case, "y", n, levels));
        let Ok(got) = kendall(&x, &y) else { continue };
        let (s, tau) = tau_by_pairs(&x, &y);
        assert_eq!(got.s, s, "case {case}");
        close(got.tau_b, tau, 1e-14);
    }
}

#[test]
fn rank_statistics_see_order_only() {
    for case in 0..CASES {
        let (x, y) = (draw(case, "x", 40, 30), draw(case, "y", 40, 5));
        let (rho, tau) = (spearman(&x, &y).unwrap(), kendall(&x, &y).unwrap());
        let stretched: Vec<f64> = x.iter().map(|v| (v / 7.0).exp() - 3.0).collect();
        assert_eq!(spearman(&stretched, &y).unwrap(), rho);
        assert_eq!(kendall(&stretched, &y).unwrap(), tau);
        close(spearman(&y, &x).unwrap(), rho, 1e-14);
        assert_eq!(kendall(&y, &x).unwrap().s, tau.s);
        let turned: Vec<f64> = x.iter().map(|v| -v).collect();
        close(spearman(&turned, &y).unwrap(), -rho, 1e-14);
        assert_eq!(kendall(&turned, &y).unwrap().s, -tau.s);
        // Perfect association is exactly 1, so that the intervals recognise their limit.
        assert_eq!(
            (spearman(&x, &stretched), spearman(&x, &turned)),
            (Ok(1.0), Ok(-1.0))
        );
        assert_eq!(kendall(&x, &stretched).unwrap().tau_b, 1.0);
        assert_eq!(kendall(&x, &turned).unwrap().tau_b, -1.0);
        let back = |values: &[f64]| values.iter().rev().copied().collect::<Vec<f64>>();
        close(spearman(&back(&x), &back(&y)).unwrap(), rho, 1e-14);
        assert_eq!(kendall(&back(&x), &back(&y)).unwrap(), tau);
    }
}

#[test]
fn description_shifts_and_scales() {
    for case in 0..CASES {
        let values = draw(case, "values", 30, 2000);
        let base = mean_sd(&values).unwrap();
        let moved: Vec<f64> = values.iter().map(|v| 1e6 - 3.0 * v).collect();
        let got = mean_sd(&moved).unwrap();
        close(got.mean, 1e6 - 3.0 * base.mean, 1e-14);
        close(got.sd, 3.0 * base.sd, 1e-12);
        // The exact integer route gives the same deviation.
        let whole: Vec<i128> = moved.iter().map(|v| *v as i128).collect();
        let sums = (whole.iter().sum(), whole.iter().map(|v| v * v).sum());
        close(sd_from_sums(30, sums.0, sums.1).unwrap(), got.sd, 1e-12);
        // Merging is free in the place of the cut.
        for cut in [0, 1, 13, 30] {
            let part = |slice: &[f64]| slice.iter().copied().collect::<Moments>();
            let both = part(&values[..cut]).merge(part(&values[cut..]));
            close(both.sd().unwrap(), base.sd, 1e-12);
            close(both.mean, base.mean, 1e-13);
        }
        let mut sorted = values;
        sorted.sort_unstable_by(f64::total_cmp);
        let quantiles: Vec<f64> = (0..=100)
            .map(|p| quantile(&sorted, f64::from(p) / 100.0).unwrap())
            .collect();
        assert!(quantiles.is_sorted());
    }
}

#[test]
fn proportions_are_symmetric_and_in_range() {
    for n in [1, 2, 7, 40, 1000] {
        for r in (0..=n).step_by((n / 7 + 1) as usize) {
            for method in [wilson, clopper_pearson] {
                let (got, turned) = (method(r, n).unwrap(), method(n - r, n).unwrap());
                assert!(
                    0.0 <= got.lo && got.lo < got.hi && got.hi <= 1.0,
                    "{r}/{n}: {got:?}"
                );
                assert!(got.contains(r as f64 / n as f64), "{r}/{n}: {got:?}");
                close(got.lo, 1.0 - turned.hi, 1e-9);
            }
            let (forward, back) = (
                newcombe_difference((r, n), (3, 9)),
                newcombe_difference((3, 9), (r, n)),
            );
            close(forward.unwrap().lo, -back.unwrap().hi, 1e-14);
        }
    }
}

/// The defining property of the exact limits, for every count of every sample up to 60: at the lower limit, r or more
/// successes have probability 0.025; at the upper, r or fewer (sums of binomial probabilities).
#[test]
fn exact_limits_leave_a_fortieth_in_each_tail() {
    for n in 1..=60_u64 {
        for r in 0..=n {
            let got = clopper_pearson(r, n).unwrap();
            let at = |share: f64, k: u64| {
                let choose: f64 = (1..=k).map(|i| (n - k + i) as f64 / i as f64).product();
                choose * share.powi(k as i32) * (1.0 - share).powi((n - k) as i32)
            };
            if r > 0 {
                close((r..=n).map(|k| at(got.lo, k)).sum(), 0.025, 1e-10);
            }
            if r < n {
                close((0..=r).map(|k| at(got.hi, k)).sum(), 0.025, 1e-10);
            }
        }
    }
}

/// Groups of unequal size around means that differ by `spread`.
fn random_groups(case: u64, spread: f64) -> Vec<Group> {
    let mut rng = stream(case, "groups", 0);
    let mut unit = move || f64::from(below(&mut rng, 100_001)) / 1e5;
    (0..25)
        .map(|_| {
            let n = 1 + (unit() * 12.0) as u64;
            let middle = 50.0 + spread * (unit() - 0.5);
            let moments: Moments = (0..n).map(|_| middle + 8.0 * (unit() - 0.5)).collect();
            Group {
                n,
                mean: moments.mean,
                ss: moments.m2,
            }
        })
        .collect()
}

#[test]
fn random_intercept_shifts_scales_and_ignores_order() {
    for case in 0..20 {
        let groups = random_groups(case, [0.0, 1.0, 4.0, 40.0][case as usize % 4]);
        let base = fit(&groups).unwrap();
        let limits = intervals(&groups, &base).unwrap();
        assert!(
            limits.between_sd.contains(base.var_between.sqrt()),
            "case {case}: {base:?} {limits:?}"
        );
        assert!(
            limits.within_sd.contains(base.var_within.sqrt()),
            "case {case}: {base:?} {limits:?}"
        );
        assert!(
            limits.icc.contains(base.icc),
            "case {case}: {base:?} {limits:?}"
        );
        let moved: Vec<Group> = groups
            .iter()
            .map(|g| Group {
                n: g.n,
                mean: 1000.0 - 2.0 * g.mean,
                ss: 4.0 * g.ss,
            })
            .collect();
        let got = fit(&moved).unwrap();
        close(got.mu, 1000.0 - 2.0 * base.mu, 1e-11);
        close(got.var_within, 4.0 * base.var_within, 1e-9);
        close(got.var_between, 4.0 * base.var_between, 1e-9);
        assert_eq!(got.var_between == 0.0, base.var_between == 0.0);
        let back: Vec<Group> = groups.iter().rev().copied().collect();
        close(fit(&back).unwrap().var_between, base.var_between, 1e-9);
        // Shrunken means lie between the group's own mean and the overall mean.
        for (group, shrunken) in groups.iter().zip(base.shrunken(&groups).unwrap()) {
            let (low, high) = (group.mean.min(base.mu), group.mean.max(base.mu));
            assert!(low - 1e-9 <= shrunken.estimate && shrunken.estimate <= high + 1e-9);
            assert!((0.0..1.0).contains(&shrunken.reliability) && shrunken.lo <= shrunken.hi);
        }
    }
}

#[test]
fn spread_test_ignores_units_and_place() {
    for case in 0..CASES {
        let groups = [
            draw(case, "a", 9, 40),
            draw(case, "b", 14, 60),
            draw(case, "c", 4, 50),
        ];
        let slices = |groups: &[Vec<f64>]| {
            brown_forsythe(&groups.iter().map(Vec::as_slice).collect::<Vec<_>>()).unwrap()
        };
        let base = slices(&groups);
        let moved: Vec<Vec<f64>> = groups
            .iter()
            .zip([5.0, -70.0, 0.5])
            .map(|(g, by)| g.iter().map(|v| 4.0 * v + by).collect())
            .collect();
        close(slices(&moved).w, base.w, 1e-11);
        assert!((0.0..=1.0).contains(&base.p));
    }
}

#[test]
fn adjusted_p_values_keep_order_and_grow() {
    for case in 0..CASES {
        let p: Vec<f64> = draw(case, "p", 20, 1001)
            .iter()
            .map(|v| v / 1000.0)
            .collect();
        let (family, screen) = (holm(&p).unwrap(), benjamini_hochberg(&p).unwrap());
        for i in 0..p.len() {
            assert!(p[i] <= screen[i] && screen[i] <= family[i] && family[i] <= 1.0);
            for j in 0..p.len() {
                assert!(p[i] > p[j] || (family[i] <= family[j] && screen[i] <= screen[j]));
            }
        }
    }
}
