//! Errors robust to clusters, against R.

use super::super::super::linear::{Correction, cluster_robust};
use super::super::close;
use super::{clustered, slices};

/// Reaction over days of little sleep, 18 subjects with 6 or 7 days each: R 4.2.2, clubSandwich 0.5.8,
/// `coef_test(lm(Reaction ~ Days), vcov = "CR0", cluster = Subject)`, likewise "CR1" and "CR1S".
#[test]
fn unbalanced_sleep_study() {
    let (labels, x, y) = clustered("sleepstudy");
    let x = slices(&x);
    for (correction, constant, days) in [
        (Correction::Cr0, 7.39567910221604, 1.3880511173573),
        (Correction::Cr1, 7.61009101318844, 1.42829281639354),
        (Correction::Cr1Rows, 7.6422691313977, 1.43433213642318),
    ] {
        let robust = cluster_robust(&y, &x, true, &labels, correction).unwrap();
        assert_eq!((robust.clusters, robust.degrees), (18, 17.0));
        // As many digits as R prints of its 15.
        close(robust.fit.coefficients[0], 252.658453939394, 1e-13);
        close(robust.fit.coefficients[1], 10.5750322727273, 1e-13);
        close(robust.standard_errors[0], constant, 1e-12);
        close(robust.standard_errors[1], days, 1e-12);
    }
}

#[test]
fn each_factor_has_its_own_name() {
    let names = [Correction::Cr0, Correction::Cr1, Correction::Cr1Rows].map(Correction::name);
    assert!(names[0].starts_with("CR0") && !names[0].contains("G/(G-1)"));
    assert!(names[1].contains("G/(G-1)") && !names[1].contains("N-1"));
    assert!(names[2].contains("G/(G-1) x (N-1)/(N-K)"));
}
