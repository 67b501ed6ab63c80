//! What cannot be estimated says why, and nothing panics or is not a number.

use super::super::super::NotEstimable::{self, *};
use super::super::super::mixed::Criterion::{Ml, Reml};
use super::super::super::mixed::{fit, gather};
use super::super::super::random::{below, stream};
use super::{case, random_rows};

fn reason(y: &[f64], columns: &[&[f64]], group: &[u32]) -> Result<(), NotEstimable> {
    let sums = gather(y, columns, group)?;
    let restricted = fit(&sums, Reml).map(|_| ());
    assert_eq!(restricted, fit(&sums, Ml).map(|_| ()));
    restricted
}

const Y: [f64; 8] = [3.0, 5.0, 4.0, 9.0, 1.0, 2.0, 6.0, 5.5];
const X: [f64; 8] = [1.0, 2.0, 4.0, 3.0, 0.5, 2.5, 1.5, 3.5];
const GROUP: [u32; 8] = [0, 0, 1, 1, 2, 2, 3, 3];

#[test]
fn too_little() {
    assert_eq!(reason(&[], &[], &[]), Err(OneGroup));
    assert_eq!(reason(&[1.0], &[], &[4]), Err(OneGroup));
    assert_eq!(reason(&[1.0, 2.0], &[], &[4, 4]), Err(OneGroup));
    assert_eq!(reason(&[1.0, 2.0], &[], &[4, 5]), Err(OnlySingletons));
    assert_eq!(reason(&Y, &[&X], &[7; 8]), Err(OneGroup));
    assert_eq!(
        reason(&Y, &[&X], &[0, 1, 2, 3, 4, 5, 6, 7]),
        Err(OnlySingletons)
    );
    // Three groups in four rows leave one row within groups, which a slope uses up.
    assert_eq!(
        reason(&Y[..4], &[&X[..4]], &[0, 0, 1, 2]),
        Err(TooFew { needed: 5, got: 4 })
    );
    // More covariates than rows, whatever they are.
    let columns: Vec<&[f64]> = (0..6).map(|start| &X[start / 3..start / 3 + 5]).collect();
    assert_eq!(
        reason(&Y[..5], &columns, &GROUP[..5]),
        Err(TooFew { needed: 8, got: 5 })
    );
    // Two covariates constant within groups and the constant leave nothing of three groups.
    let (one, two) = (
        [1.0, 1.0, 5.0, 5.0, 2.0, 2.0],
        [3.0, 3.0, 1.0, 1.0, 1.0, 1.0],
    );
    assert_eq!(
        reason(&Y[..6], &[&one, &two], &GROUP[..6]),
        Err(TooFewClusters { needed: 4, got: 3 })
    );
    assert_eq!(reason(&Y[..6], &[&one], &GROUP[..6]), Ok(()));
}

#[test]
fn no_variation() {
    assert_eq!(reason(&[2.5; 8], &[&X], &GROUP), Err(AllEqual));
    let steps: Vec<f64> = GROUP.iter().map(|&group| f64::from(group)).collect();
    assert_eq!(reason(&steps, &[&X], &GROUP), Err(NoVariation));
    // The covariate says all there is within groups.
    let line: Vec<f64> = X
        .iter()
        .zip(&steps)
        .map(|(x, step)| 0.3 * x + step * step)
        .collect();
    assert_eq!(reason(&line, &[&X], &GROUP), Err(NoVariation));
}

#[test]
fn collinear_covariates() {
    let other: Vec<f64> = X.iter().map(|x| (x * 7.0).sin()).collect();
    let sum: Vec<f64> = X
        .iter()
        .zip(&other)
        .map(|(x, z)| 2.0 - x + 0.3 * z)
        .collect();
    assert_eq!(
        reason(&Y, &[&X, &other, &sum], &GROUP),
        Err(Collinear { column: 2 })
    );
    assert_eq!(
        reason(&Y, &[&X, &X, &other], &GROUP),
        Err(Collinear { column: 1 })
    );
    for constant in [0.0, 0.1, -1e300] {
        assert_eq!(
            reason(&Y, &[&X, &[constant; 8]], &GROUP),
            Err(Collinear { column: 1 })
        );
    }
    // Nearly the same: beside the first, the second has 2e-5 of its spread left, or 2e-3.
    let near =
        |size: f64| -> Vec<f64> { X.iter().zip(&other).map(|(x, z)| x + size * z).collect() };
    assert_eq!(
        reason(&Y, &[&X, &near(3e-5)], &GROUP),
        Err(Collinear { column: 1 })
    );
    assert_eq!(reason(&Y, &[&X, &near(3e-3)], &GROUP), Ok(()));
}

#[test]
fn bad_input() {
    for bad in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
        let mut broken = Y;
        broken[3] = bad;
        assert_eq!(reason(&broken, &[&X], &GROUP), Err(NotFinite));
        assert_eq!(reason(&Y, &[&X, &broken], &GROUP), Err(NotFinite));
    }
    assert_eq!(
        reason(&Y, &[&X], &GROUP[..7]),
        Err(LengthsDiffer { left: 8, right: 7 })
    );
    assert_eq!(
        reason(&Y, &[&X, &X[..5]], &GROUP),
        Err(LengthsDiffer { left: 8, right: 5 })
    );
    // Numbers whose squares leave the range of f64.
    let huge = Y.map(|y| if y > 4.0 { 1e200 * y } else { -1e300 });
    assert_eq!(reason(&huge, &[&X], &GROUP), Err(NotFinite));
    assert_eq!(reason(&Y, &[&huge], &GROUP), Err(NotFinite));

    let sums = random_rows(1, 9, 1.0).sums();
    let other = gather(&Y, &[&X], &GROUP).unwrap();
    assert_eq!(
        sums.clone().merge(other),
        Err(LengthsDiffer { left: 3, right: 1 })
    );
    let fitted = fit(&sums, Reml).unwrap();
    assert_eq!(
        fitted.levels_at(&[1.0]),
        Err(LengthsDiffer { left: 3, right: 1 })
    );
    assert_eq!(fitted.levels_at(&[1.0, f64::NAN, 2.0]), Err(NotFinite));
}

/// A covariate constant within every group is told between groups, whatever else is constant there.
#[test]
fn a_covariate_between_groups_alone_is_estimated() {
    let (_, mut rows) = case("two covariates");
    rows.columns.remove(0);
    let fit = rows.fit(Reml);
    assert_eq!(fit.coefficients.len(), 2);
    assert!(fit.coefficients[1].se > 0.0);
}

/// Small samples of few distinct values, where every kind of degeneracy happens: an answer or a reason, and every number
/// of an answer is finite.
#[test]
fn tiny_samples_answer_or_say_why() {
    let (mut answers, mut reasons) = (0, std::collections::BTreeSet::new());
    for case in 0..6000 {
        let mut rng = stream(case, "tiny mixed", 0);
        let n = below(&mut rng, 10) as usize;
        let mut draw = |values: u32| -> Vec<f64> {
            (0..n)
                .map(|_| f64::from(below(&mut rng, values)) * 0.1)
                .collect()
        };
        let y = draw(5);
        let columns: Vec<Vec<f64>> = (0..case % 4).map(|_| draw(4)).collect();
        let group: Vec<u32> = draw(4).iter().map(|g| (g * 10.0) as u32).collect();
        let columns: Vec<&[f64]> = columns.iter().map(Vec::as_slice).collect();
        let sums = gather(&y, &columns, &group).unwrap();
        match fit(&sums, if case % 2 == 0 { Reml } else { Ml }) {
            Err(reason) => {
                reasons.insert(reason.to_string());
            }
            Ok(fit) => {
                answers += 1;
                let mut numbers = vec![
                    fit.var_between,
                    fit.var_within,
                    fit.icc,
                    fit.minus_two_log_likelihood,
                ];
                numbers.extend(fit.coefficients.iter().flat_map(|c| [c.estimate, c.se]));
                let limits = fit.intervals().unwrap();
                for interval in [limits.between_sd, limits.within_sd, limits.icc] {
                    assert!(interval.lo <= interval.hi, "{case}: {limits:?}");
                    numbers.extend([interval.lo, interval.hi]);
                }
                for level in fit.levels().unwrap() {
                    numbers.extend([
                        level.shrunken.lo,
                        level.shrunken.hi,
                        level.shrunken.prediction_error_sd,
                        level.adjusted,
                        level.adjusted_error_sd,
                    ]);
                }
                numbers.push(fit.no_groups().unwrap().p);
                assert!(numbers.iter().all(|v| v.is_finite()), "{case}: {fit:?}");
            }
        }
    }
    assert!(answers > 1000 && reasons.len() > 8, "{answers} {reasons:?}");
}
