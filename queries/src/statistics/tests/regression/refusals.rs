//! What cannot be estimated is refused with its reason; nothing panics, nothing is NaN.

use super::super::super::NotEstimable::{self, *};
use super::super::super::analysis_of_variance::{f_upper_tail, one_way};
use super::super::super::linear::{Correction, Warning, cluster_robust, fit, residuals};
use super::super::super::random::{below, stream};
use super::super::super::rater_agreement::intraclass;

const Y: [f64; 6] = [1.0, 3.0, 2.0, 5.0, 4.0, 7.0];
const X: [f64; 6] = [0.0, 1.0, 2.0, 3.0, 4.0, 6.0];

#[test]
fn least_squares_needs_rows_and_numbers() {
    assert_eq!(fit(&[], &[], true), Err(TooFew { needed: 2, got: 0 }));
    assert_eq!(fit(&[1.0], &[], true), Err(TooFew { needed: 2, got: 1 }));
    assert_eq!(
        fit(&Y[..2], &[&X[..2]], true),
        Err(TooFew { needed: 3, got: 2 })
    );
    assert!(fit(&Y[..3], &[&X[..3]], true).is_ok());
    assert!(matches!(fit(&Y, &[], false), Err(OutOfRange { .. })));
    assert_eq!(
        fit(&Y, &[&X[..5]], true),
        Err(LengthsDiffer { left: 6, right: 5 })
    );
    for bad in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
        let mut with = Y;
        with[3] = bad;
        assert_eq!(fit(&with, &[&X], true), Err(NotFinite));
        assert_eq!(fit(&X, &[&with], true), Err(NotFinite));
        assert_eq!(residuals(&with, &[&X], true), Err(NotFinite));
    }
    for level in [0.0, 0.1, -1e9 / 3.0, 1e300] {
        assert_eq!(fit(&[level; 6], &[&X], true), Err(AllEqual));
    }
    assert_eq!(fit(&[0.0; 6], &[&X], false), Err(AllEqual));
    assert!(fit(&[0.1; 6], &[&X], false).is_ok());
}

#[test]
fn a_combination_of_covariates_is_named() {
    let other = [2.0, 0.3, -1.0, 0.5, 9.0, 4.0];
    let sum: Vec<f64> = X
        .iter()
        .zip(other)
        .map(|(a, b)| 0.1 * a + 0.7 * b)
        .collect();
    let copy: Vec<f64> = X.iter().map(|x| 3.0 * x + 0.1).collect();
    let refused = |columns: &[&[f64]], intercept| fit(&Y, columns, intercept).unwrap_err();
    assert_eq!(refused(&[&X, &X], true), Collinear { column: 1 });
    assert_eq!(refused(&[&X, &copy], true), Collinear { column: 1 });
    assert_eq!(refused(&[&copy, &other, &X], true), Collinear { column: 2 });
    assert_eq!(refused(&[&X, &sum, &other], true), Collinear { column: 2 });
    assert_eq!(refused(&[&X, &other, &sum], false), Collinear { column: 2 });
    assert_eq!(
        refused(&[&X, &other, &X, &other], true),
        Collinear { column: 3 }
    );
    for level in [0.0, 0.1, 1e300, -7.3e-12] {
        assert_eq!(refused(&[&X, &[level; 6]], true), Collinear { column: 1 });
    }
    assert_eq!(refused(&[&[0.0; 6], &X], false), Collinear { column: 0 });
    // Without an intercept a constant is a covariate like any other, and a shifted copy is no copy.
    assert!(fit(&Y, &[&X, &[0.1; 6]], false).is_ok());
    assert!(fit(&Y, &[&X, &copy], false).is_ok());
}

/// Combinations of long columns at a high level, where rounding is largest, are still seen; and columns that differ
/// from a combination by a millionth are not taken for one.
#[test]
fn collinear_is_told_from_nearly_collinear() {
    let mut rng = stream(9, "collinear", 0);
    for n in [20, 3_000, 100_000] {
        let mut noise = || f64::from(below(&mut rng, 1_000_003)) / 1e6;
        let a: Vec<f64> = (0..n).map(|_| 2000.0 + noise()).collect();
        let b: Vec<f64> = (0..n).map(|_| noise()).collect();
        let y: Vec<f64> = (0..n).map(|_| noise()).collect();
        let sum: Vec<f64> = a.iter().zip(&b).map(|(a, b)| a / 3.0 - b * 7.7).collect();
        let near: Vec<f64> = sum.iter().map(|v| v + 1e-6 * noise()).collect();
        for intercept in [true, false] {
            assert_eq!(
                fit(&y, &[&a, &b, &sum], intercept),
                Err(Collinear { column: 2 }),
                "{n} {intercept}"
            );
            let near = fit(&y, &[&a, &b, &near], intercept).unwrap();
            assert_eq!(near.rank, 3 + u64::from(intercept));
        }
    }
}

/// Values at the ends of the range of f64 come out as numbers or as a reason.
#[test]
fn extreme_magnitudes() {
    let scaled = |by: f64| X.map(|x| x * by);
    for by in [1e-320, 5e-324, 1e-300, 1e-160, 1e160, 1e300, 2e307] {
        for (y, x) in [
            (Y, scaled(by)),
            (scaled(by), Y),
            (scaled(by), Y.map(|y| y * by)),
        ] {
            for intercept in [true, false] {
                if let Ok(fit) = fit(&y, &[&x], intercept) {
                    let numbers = fit
                        .coefficients
                        .iter()
                        .chain(&fit.standard_errors)
                        .chain(fit.unscaled_covariance.iter().flatten())
                        .chain([&fit.residual_sd, &fit.r_squared, &fit.condition])
                        .chain(fit.f.iter())
                        .chain(fit.f_p.iter());
                    assert!(numbers.clone().all(|v| v.is_finite()), "{by:e} {fit:?}");
                }
                let labels = [1, 1, 2, 2, 3, 3];
                if let Ok(robust) = cluster_robust(&y, &[&x], intercept, &labels, Correction::Cr1) {
                    assert!(robust.standard_errors.iter().all(|v| v.is_finite()));
                }
            }
        }
    }
    let wide = [f64::MAX, f64::MIN, f64::MAX, 0.0, 1.0, f64::MIN];
    for intercept in [true, false] {
        if let Ok(rest) = residuals(&wide, &[&X], intercept) {
            assert!(rest.iter().all(|v| v.is_finite()));
        }
        assert!(fit(&Y, &[&wide], intercept).is_ok_and(|fit| fit.r_squared.is_finite()));
    }
}

#[test]
fn an_exact_fit_is_said() {
    let line = X.map(|x| 0.1 * x - 0.3);
    let fit = fit(&line, &[&X], true).unwrap();
    assert_eq!(fit.warnings, [Warning::ExactFit]);
    assert_eq!((fit.f, fit.f_p), (None, None));
    assert!((fit.r_squared - 1.0).abs() < 1e-15);
    assert!(fit.warnings[0].to_string().contains("exactly"));
}

#[test]
fn clusters_are_needed() {
    let robust = |labels: &[u32]| cluster_robust(&Y, &[&X], true, labels, Correction::Cr1);
    assert_eq!(robust(&[4; 6]), Err(TooFewClusters { needed: 2, got: 1 }));
    assert_eq!(robust(&[4; 5]), Err(LengthsDiffer { left: 6, right: 5 }));
    assert!(robust(&[4, 4, 4, 4, 4, 9]).is_ok());
    assert_eq!(
        cluster_robust(&[], &[], true, &[], Correction::Cr0).unwrap_err(),
        TooFew { needed: 2, got: 0 }
    );
    // A dummy for each of two clusters: the residuals cancel in both, so that nothing is known of their spread.
    let second = [0.0, 0.0, 0.0, 1.0, 1.0, 1.0];
    let got = cluster_robust(&Y, &[&second], true, &[0, 0, 0, 1, 1, 1], Correction::Cr1).unwrap();
    assert_eq!(got.tests, [Err(AtLimit), Err(AtLimit)]);
}

#[test]
fn analysis_of_variance_needs_groups_and_spread() {
    assert_eq!(one_way(&[]), Err(OneGroup));
    assert_eq!(one_way(&[&[1.0, 2.0]]), Err(OneGroup));
    assert_eq!(one_way(&[&[1.0], &[]]), Err(TooFew { needed: 1, got: 0 }));
    assert_eq!(
        one_way(&[&[1.0], &[2.0]]),
        Err(TooFew { needed: 3, got: 2 })
    );
    assert_eq!(one_way(&[&[1.0, f64::NAN], &[2.0]]), Err(NotFinite));
    assert_eq!(one_way(&[&[0.1; 7], &[0.1; 3]]), Err(AllEqual));
    assert_eq!(one_way(&[&[0.1; 7], &[0.3; 3]]), Err(NoVariation));
    assert_eq!(one_way(&[&[f64::MAX, f64::MIN], &[1.0]]), Err(NotFinite));
    assert_eq!(one_way(&[&[1e300, 0.0], &[-1e300]]), Err(NotFinite));
    let same = one_way(&[&[1.0, 2.0], &[2.0, 1.0]]).unwrap();
    assert_eq!((same.f, same.p, same.r_squared), (0.0, 1.0, 0.0));
    assert!(matches!(
        f_upper_tail(1.0, 0.0, 4.0),
        Err(OutOfRange { .. })
    ));
}

#[test]
fn raters_need_a_full_table() {
    let few = |got| TooFew { needed: 2, got };
    assert_eq!(intraclass(&[]), Err(few(0)));
    assert_eq!(intraclass(&[&[1.0, 2.0]]), Err(few(1)));
    assert_eq!(intraclass(&[&[1.0], &[2.0]]), Err(few(1)));
    assert_eq!(intraclass(&[&[], &[]]), Err(few(0)));
    assert_eq!(
        intraclass(&[&[1.0, 2.0], &[2.0]]),
        Err(LengthsDiffer { left: 2, right: 1 })
    );
    assert_eq!(intraclass(&[&[1.0, f64::NAN], &[2.0, 1.0]]), Err(NotFinite));
    assert_eq!(intraclass(&[&[3.0; 3], &[3.0; 3]]), Err(AllEqual));
    // Judges in full agreement: every form is 1, without an interval.
    let agreed = intraclass(&[&[1.0, 1.0], &[2.0, 2.0], &[5.0, 5.0]]).unwrap();
    for form in agreed.forms {
        let form = form.unwrap();
        assert_eq!((form.estimate, form.interval), (1.0, Err(AtLimit)));
    }
    // Targets all alike: the mean of k judges has no finite form.
    let alike = intraclass(&[&[1.0, 3.0], &[3.0, 1.0], &[2.0, 2.0]]).unwrap();
    let reasons: Vec<Option<NotEstimable>> = alike.forms.into_iter().map(Result::err).collect();
    assert_eq!(reasons[3], Some(AtLimit));
    assert_eq!(reasons[5], Some(AtLimit));
    for ratings in [[f64::MAX, f64::MIN], [1e200, -1e200]] {
        assert_eq!(intraclass(&[&ratings, &[0.0, 1.0]]), Err(NotFinite));
    }
}
