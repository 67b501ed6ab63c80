//! What rank correlations with covariates refuse, with the reason; never NaN, never a panic.

use super::super::super::NotEstimable::{self, *};
use super::super::super::rank_bootstrap::Estimates;
use super::{Levels, freedman_lane, partial_spearman, prepare, rank_rows};

const UP: [f64; 5] = [1.0, 2.0, 3.0, 4.0, 5.0];
const MIXED: [f64; 5] = [2.0, 1.0, 3.0, 5.0, 4.0];
const HOMES: [u32; 5] = [4, 4, 9, 9, 9];

/// The reason of each of the three functions.
fn reasons(
    x: &[f64],
    y: &[f64],
    numeric: &[&[f64]],
    factors: &[&[u32]],
    cluster: &[u32],
) -> [Option<NotEstimable>; 3] {
    [
        prepare(x, y, numeric, factors, cluster).err(),
        partial_spearman(x, y, numeric, factors).err(),
        freedman_lane(x, y, numeric, factors, cluster, 9, 1).err(),
    ]
}

#[test]
fn bad_rows() {
    for n in 0..3_usize {
        let few = Some(TooFew {
            needed: 3,
            got: n as u64,
        });
        let got = reasons(&UP[..n], &MIXED[..n], &[], &[], &HOMES[..n]);
        assert_eq!(got, [few.clone(), few.clone(), few]);
    }
    let differ = |left, right| Some(LengthsDiffer { left, right });
    let got = reasons(&UP, &MIXED[..4], &[], &[], &HOMES);
    assert_eq!(got, [differ(5, 4), differ(5, 4), differ(5, 4)]);
    for (numeric, factors) in [(&[&UP[..2]][..], &[][..]), (&[], &[&HOMES[..2]])] {
        let got = reasons(&UP, &MIXED, numeric, factors, &HOMES);
        assert_eq!(got, [differ(5, 2), differ(5, 2), differ(5, 2)]);
    }
    let [prepared, _, tested] = reasons(&UP, &MIXED, &[], &[], &HOMES[..3]);
    assert_eq!((prepared, tested), (differ(5, 3), differ(5, 3)));
    let equal = || Some(AllEqual);
    assert_eq!(
        reasons(&[2.0; 5], &MIXED, &[], &[], &HOMES),
        [equal(), equal(), equal()]
    );
    assert_eq!(
        reasons(&UP, &[0.0, -0.0, 0.0, 0.0, 0.0], &[], &[], &HOMES),
        [equal(), equal(), equal()]
    );
    for bad in [f64::NAN, f64::INFINITY] {
        let with_bad = [1.0, bad, 3.0, 4.0, 5.0];
        let not_finite = || Some(NotFinite);
        for got in [
            reasons(&with_bad, &MIXED, &[], &[], &HOMES),
            reasons(&UP, &MIXED, &[&with_bad], &[], &HOMES),
        ] {
            assert_eq!(got, [not_finite(), not_finite(), not_finite()]);
        }
    }
}

#[test]
fn covariates_that_explain_all() {
    let rows = |numeric: &[&[f64]], factors: &[&[u32]]| {
        let data = prepare(&UP, &MIXED, numeric, factors, &HOMES).unwrap();
        let Estimates {
            spearman, partial, ..
        } = data.estimates(None);
        assert!(spearman.is_ok());
        partial.unwrap_err()
    };
    // x itself, as numbers and as a factor; y.
    assert_eq!(rows(&[&UP], &[]), NoVariation);
    assert_eq!(rows(&[], &[&[5, 4, 3, 2, 1]]), NoVariation);
    assert_eq!(rows(&[&MIXED], &[]), NoVariation);
    assert_eq!(partial_spearman(&UP, &MIXED, &[&UP], &[]), Err(NoVariation));
    assert_eq!(
        partial_spearman(&UP, &MIXED, &[], &[&[5, 4, 3, 2, 1]]),
        Err(TooFew { needed: 7, got: 5 })
    );
    assert_eq!(partial_spearman(&UP, &UP, &[], &[]), Err(AtLimit));
    assert_eq!(
        partial_spearman(&UP[..3], &MIXED[..3], &[&[1.0, 2.0, 2.0]], &[]),
        Err(TooFew { needed: 4, got: 3 })
    );
    // Constant covariates say nothing.
    let plain = prepare(&UP, &MIXED, &[], &[], &HOMES).unwrap();
    let constant = prepare(&UP, &MIXED, &[&[7.0; 5]], &[&[7; 5]], &HOMES).unwrap();
    assert_eq!(
        plain.estimates(None).partial,
        constant.estimates(None).partial
    );
    assert_eq!(
        plain.estimates(None).partial,
        plain.estimates(None).spearman
    );
    let many: Vec<f64> = (0..1500).map(f64::from).collect();
    let labels: Vec<u32> = (0..1500).collect();
    assert!(matches!(
        prepare(&many, &many, &[], &[&labels], &labels),
        Err(OutOfRange { .. })
    ));
}

#[test]
fn weights_out_of_range() {
    let data = prepare(&UP, &MIXED, &[], &[], &HOMES).unwrap();
    let of = |weights: &[f64]| {
        let got = data.estimates(Some(weights));
        [
            got.spearman.unwrap_err(),
            got.kendall.unwrap_err(),
            got.partial.unwrap_err(),
        ]
    };
    let all = |reason: NotEstimable| [reason.clone(), reason.clone(), reason];
    assert_eq!(of(&[1.0; 4]), all(LengthsDiffer { left: 5, right: 4 }));
    assert_eq!(of(&[f64::NAN; 5]), all(NotFinite));
    for bad in [-1.0, 1e10, 1e-10] {
        let weights = [1.0, bad, 1.0, 1.0, 1.0];
        assert_eq!(of(&weights), all(OutOfRange { what: "a weight" }));
    }
    for none in [[0.0; 5], [0.0, 0.0, 0.3, 0.0, 0.0]] {
        assert_eq!(of(&none), all(AllEqual));
    }
    // The widest range that is let in still gives numbers.
    let got = data.estimates(Some(&[1e9, 1e-9, 1e9, 1e-9, 1e-9]));
    assert!(got.spearman.unwrap().is_finite() && got.kendall.unwrap().is_finite());
}

#[test]
fn clusters_that_give_nothing() {
    let one = prepare(&UP, &MIXED, &[], &[], &[3; 5]).unwrap();
    let few = TooFewClusters { needed: 2, got: 1 };
    let got = one.bootstrap(100, 1);
    for reason in [
        got.spearman.unwrap_err(),
        got.kendall.unwrap_err(),
        got.partial.unwrap_err(),
    ] {
        assert_eq!(reason, few);
    }
    // Two clusters, one of which has one value of x: half of the resamples fail.
    let x = [1.0, 1.0, 2.0, 3.0, 4.0];
    let got = prepare(&x, &MIXED, &[], &[], &HOMES)
        .unwrap()
        .bootstrap(100, 1);
    assert!(matches!(got.spearman, Err(ResamplesFailed { .. })));
    // As many clusters as rows.
    let rows = rank_rows("forty");
    let apart: Vec<u32> = (0..40).collect();
    let data = prepare(&rows.x, &rows.y, &rows.numeric(), &rows.factors(), &apart).unwrap();
    let got = data.bootstrap(200, 1);
    let interval = got.partial.unwrap().bca(Levels::Nominal).unwrap();
    assert!(interval.lo < interval.hi && interval.lo >= -1.0);

    assert_eq!(
        freedman_lane(&UP, &MIXED, &[], &[], &[1, 2, 3, 4, 5], 9, 1),
        Err(OnlySingletons)
    );
    assert_eq!(
        freedman_lane(&UP, &MIXED, &[], &[], &HOMES, 0, 1),
        Err(TooFew { needed: 1, got: 0 })
    );
    // Within clusters nothing of x varies; then the covariate takes it all.
    let steps = [1.0, 1.0, 2.0, 2.0, 2.0];
    for (x, numeric) in [(&steps, &[][..]), (&UP, &[&UP[..]][..])] {
        assert_eq!(
            freedman_lane(x, &MIXED, numeric, &[], &HOMES, 9, 1),
            Err(NoVariation)
        );
    }
}
