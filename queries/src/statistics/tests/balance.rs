//! Standardised differences against worked examples, a second formula and their refusals.

use crate::statistics::NotEstimable;
use crate::statistics::balance::{of_categories, of_means, of_shares};
use crate::statistics::description::MeanSd;

fn group(n: u64, mean: f64, sd: f64) -> MeanSd {
    MeanSd { n, mean, sd }
}

#[test]
fn means_and_shares_are_those_worked_by_hand() {
    // (66 - 60) / sqrt((100 + 196) / 2) = 6 / sqrt(148) = 6 / 12.165525 = 0.493197.
    let found = of_means(&group(40, 60.0, 10.0), &group(7, 66.0, 14.0)).unwrap();
    assert!((found - 0.493_197).abs() < 5e-7, "{found}");
    // (0.3 - 0.5) / sqrt((0.25 + 0.21) / 2) = -0.2 / sqrt(0.23) = -0.417029.
    let found = of_shares(0.5, 0.3).unwrap();
    assert!((found + 0.417_029).abs() < 5e-7, "{found}");
}

/// Race in the right-heart-catheterisation data (585, 213, 2753 of 3551 against 335, 142, 1707 of 2184): squared
/// distance 0.001267793 as worked through with a general-purpose matrix program in public (stats.stackexchange.com,
/// question 519846), 0.036 as printed there from a package.
#[test]
fn a_published_distance_over_three_levels_is_reproduced() {
    let found = of_categories(&[585, 213, 2753], &[335, 142, 1707]).unwrap();
    assert!((found * found - 0.001_267_793).abs() < 5e-10, "{found}");
    assert_eq!(format!("{found:.3}"), "0.036");
}

#[test]
fn two_levels_are_a_share_and_the_order_of_levels_makes_no_difference() {
    let two = of_categories(&[30, 10], &[20, 60]).unwrap();
    assert!((two - of_shares(0.75, 0.25).unwrap().abs()).abs() < 1e-12);
    let (one, other) = ([12, 7, 30, 0, 4], [5, 21, 9, 0, 11]);
    let first = of_categories(&one, &other).unwrap();
    for turn in 1..5 {
        let (mut a, mut b) = (one, other);
        a.rotate_left(turn);
        b.rotate_left(turn);
        assert!((of_categories(&a, &b).unwrap() - first).abs() < 1e-12);
        assert!((of_categories(&b, &a).unwrap() - first).abs() < 1e-12);
    }
    assert!(of_categories(&[10, 20, 30], &[1, 2, 3]).unwrap() < 1e-12);
}

/// The squared distance is the greatest squared standardised difference of any score given to the levels (the extremal
/// property of Mahalanobis' distance): no score found by search may beat it, and the best must come close.
#[test]
fn no_score_of_the_levels_sets_the_groups_further_apart() {
    let (one, other) = ([12_u64, 7, 30], [5_u64, 21, 9]);
    let distance = of_categories(&one, &other).unwrap();
    let moments = |counts: [u64; 3], score: [f64; 3]| {
        let n: f64 = counts.iter().map(|n| *n as f64).sum();
        let mean: f64 = counts
            .iter()
            .zip(score)
            .map(|(n, x)| *n as f64 * x)
            .sum::<f64>()
            / n;
        let square: f64 = counts
            .iter()
            .zip(score)
            .map(|(n, x)| *n as f64 * x * x)
            .sum::<f64>()
            / n;
        (mean, square - mean * mean)
    };
    let mut best = 0.0_f64;
    for step in 0..20_000 {
        let angle = f64::from(step) / 20_000.0 * std::f64::consts::PI;
        let score = [angle.cos(), angle.sin(), 0.0];
        let ((m, v), (p, w)) = (moments(one, score), moments(other, score));
        best = best.max((p - m).abs() / f64::midpoint(v, w).sqrt());
    }
    assert!(
        best <= distance + 1e-9 && best > distance - 1e-6,
        "{best} {distance}"
    );
}

#[test]
fn what_has_no_spread_is_refused() {
    let still = group(5, 1.0, 0.0);
    assert_eq!(
        of_means(&still, &group(5, 2.0, 0.0)),
        Err(NotEstimable::NoVariation)
    );
    assert!(of_means(&still, &group(5, 2.0, -1.0)).is_err());
    assert!(of_means(&group(5, f64::NAN, 1.0), &still).is_err());
    assert_eq!(of_shares(0.0, 1.0), Err(NotEstimable::NoVariation));
    assert!(of_shares(-0.1, 0.5).is_err());
    assert_eq!(of_categories(&[4, 0], &[9, 0]), Err(NotEstimable::AllEqual));
    assert_eq!(
        of_categories(&[], &[]),
        Err(NotEstimable::TooFew { needed: 1, got: 0 })
    );
    assert_eq!(
        of_categories(&[4, 0], &[0, 9]),
        Err(NotEstimable::NoVariation)
    );
    assert!(of_categories(&[4, 1], &[9]).is_err());
}
