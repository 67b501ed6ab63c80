//! The exact form of the trend test, and the rule that chooses a form.

use super::super::super::NotEstimable;
use super::super::super::random::{below, stream};
use super::super::super::trend::{TrendForm, cochran_armitage, exact_p, p_of_trend, permutation_p};
use super::super::close;

/// With two groups it is the two-sided Fisher test by distance: scipy 1.17.1, stats.hypergeom(19, 7, 10).pmf summed
/// over |k - mean| >= observed, as in `basic.csv`, `1/9 6/10`.
#[test]
fn two_groups_are_a_hypergeometric_tail() {
    let p = exact_p(&[0.0, 1.0], &[1, 6], &[9, 10]).unwrap();
    close(
        p,
        super::super::reference::wanted("1/9 6/10", "trend permutation p"),
        1e-12,
    );
}

#[test]
fn permutations_come_near_the_exact_value() {
    for case in 0..8 {
        let mut rng = stream(case, "trend tables", 0);
        let trials: Vec<u64> = (0..4).map(|_| 2 + u64::from(below(&mut rng, 8))).collect();
        let successes: Vec<u64> = trials
            .iter()
            .map(|&t| u64::from(below(&mut rng, t as u32 + 1)))
            .collect();
        let scores = [0.0, 1.0, 2.5, 3.0];
        let Ok(exact) = exact_p(&scores, &successes, &trials) else {
            continue;
        };
        let replicates = 4000;
        let near = permutation_p(&scores, &successes, &trials, replicates, case).unwrap();
        let error = (exact * (1.0 - exact) / replicates as f64).sqrt();
        assert!((near - exact).abs() < 4.0 * error + 3e-4, "{near} {exact}");

        // Order of groups, failures for successes, direction and scale of scores: all the same test.
        let back = |values: &[u64]| values.iter().rev().copied().collect::<Vec<u64>>();
        let turned = scores.map(|score| 7.0 - 2.0 * score);
        let failures: Vec<u64> = trials.iter().zip(&successes).map(|(t, s)| t - s).collect();
        close(
            exact_p(&[3.0, 2.5, 1.0, 0.0], &back(&successes), &back(&trials)).unwrap(),
            exact,
            1e-12,
        );
        close(exact_p(&turned, &successes, &trials).unwrap(), exact, 1e-12);
        close(exact_p(&scores, &failures, &trials).unwrap(), exact, 1e-12);
    }
}

#[test]
fn the_form_follows_from_the_counts() {
    // R 4.2.2, prop.trend.test(c(83, 90, 129, 70), c(86, 93, 136, 82)): p = 0.00413189747764149. The least expected
    // count is that of failures in the fourth group, 82 * 25 / 397 = 5.2.
    let (p, form) = p_of_trend(
        &[1.0, 2.0, 3.0, 4.0],
        &[83, 90, 129, 70],
        &[86, 93, 136, 82],
        99,
        1,
    )
    .unwrap();
    assert_eq!(form, TrendForm::Approximate);
    close(p, 0.00413189747764149, 1e-12);

    let small = (&[0.0, 1.0, 2.0], &[0_u64, 2, 3], &[6_u64, 7, 5]);
    assert_eq!(
        p_of_trend(small.0, small.1, small.2, 99, 1).unwrap(),
        (
            exact_p(small.0, small.1, small.2).unwrap(),
            TrendForm::Exact
        )
    );

    // Thirty groups of four: far too many tables.
    let scores: Vec<f64> = (0..30).map(f64::from).collect();
    let successes: Vec<u64> = (0..30).map(|group| group % 4).collect();
    let trials = vec![4; 30];
    assert!(matches!(
        exact_p(&scores, &successes, &trials),
        Err(NotEstimable::OutOfRange { .. })
    ));
    let (p, form) = p_of_trend(&scores, &successes, &trials, 199, 5).unwrap();
    assert_eq!(form, TrendForm::Permutation);
    assert_eq!(
        p,
        permutation_p(&scores, &successes, &trials, 199, 5).unwrap()
    );

    // Too many tables and too many trials.
    let mut trials = trials;
    trials[3] = 5_000_000;
    let (p, form) = p_of_trend(&scores, &successes, &trials, 199, 5).unwrap();
    assert_eq!(form, TrendForm::Approximate);
    assert_eq!(p, cochran_armitage(&scores, &successes, &trials).unwrap().p);
}

/// A group of a billion beside a group of three: few tables, so still exact. All three successes in the small group
/// have probability 1 / C(10^9 + 3, 3).
#[test]
fn large_trials_with_few_tables_are_exact() {
    let n = 1e9 + 3.0;
    let p = exact_p(&[0.0, 1.0], &[0, 3], &[1_000_000_000, 3]).unwrap();
    close(p * n * (n - 1.0) * (n - 2.0) / 6.0, 1.0, 1e-9);
    let huge = exact_p(&[0.0, 1.0], &[5, 3], &[u64::MAX, 4]);
    assert!(matches!(huge, Err(NotEstimable::OutOfRange { .. })));
}
