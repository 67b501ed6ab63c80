//! What cannot be estimated is said so, with the reason: never NaN, never a panic.

use super::super::super::Interval;
use super::super::super::NotEstimable::{self, *};
use super::super::super::log_spread::{GroupSpread, compare, log_sd};
use super::super::super::nonresponse::bounds::{
    ShareAnswers, critical_value, of_counted_mean, of_mean, of_share, of_share_difference,
};
use super::super::super::smooth::{
    Direction, DoseResponse, LeftOut, Rows, Settings, dose_response, isotonic, lowess,
};
use super::super::super::trend::{exact_p, p_of_trend};
use super::super::super::within_between::split;

const BAD: [f64; 3] = [f64::NAN, f64::INFINITY, f64::NEG_INFINITY];

#[test]
fn lowess_refuses() {
    let (x, y) = ([1.0, 2.0, 3.0], [1.0, 5.0, 2.0]);
    assert_eq!(
        lowess(&[], &[], 0.5, 0, 0.0),
        Err(TooFew { needed: 2, got: 0 })
    );
    assert_eq!(
        lowess(&[1.0], &[1.0], 0.5, 0, 0.0),
        Err(TooFew { needed: 2, got: 1 })
    );
    assert_eq!(
        lowess(&[1.0, 3.0], &[2.0, 4.0], 0.5, 3, 0.0),
        Ok(vec![2.0, 4.0])
    );
    assert_eq!(lowess(&[2.0; 3], &y, 0.5, 3, 0.0), Err(AllEqual));
    assert_eq!(lowess(&[0.0, -0.0, 0.0], &y, 0.5, 3, 0.0), Err(AllEqual));
    assert_eq!(lowess(&x, &[4.0; 3], 0.9, 3, 0.0), Ok(vec![4.0; 3]));
    assert_eq!(
        lowess(&x, &y[..2], 0.5, 0, 0.0),
        Err(LengthsDiffer { left: 3, right: 2 })
    );
    for bad in BAD {
        assert_eq!(lowess(&[bad, 1.0, 2.0], &y, 0.5, 0, 0.0), Err(NotFinite));
        assert_eq!(lowess(&x, &[bad, 1.0, 2.0], 0.5, 0, 0.0), Err(NotFinite));
        assert!(matches!(
            lowess(&x, &y, bad, 0, 0.0),
            Err(OutOfRange { .. })
        ));
        assert!(matches!(
            lowess(&x, &y, 0.5, 0, bad),
            Err(OutOfRange { .. })
        ));
    }
    for fraction in [0.0, -1.0, 1.01] {
        assert!(matches!(
            lowess(&x, &y, fraction, 0, 0.0),
            Err(OutOfRange { .. })
        ));
    }
    assert!(matches!(
        lowess(&x, &y, 0.5, 101, 0.0),
        Err(OutOfRange { .. })
    ));
    assert!(matches!(
        lowess(&x, &y, 0.5, 0, -0.1),
        Err(OutOfRange { .. })
    ));
    let wide = [-f64::MAX, 0.0, f64::MAX];
    assert_eq!(lowess(&wide, &y, 1.0, 0, 0.0), Err(NotFinite));
    // Extreme y and tiny steps end in a number or a reason.
    for fits in [
        lowess(&x, &[f64::MAX, -f64::MAX, f64::MAX], 1.0, 3, 0.0),
        lowess(&[0.0, 5e-324, 1.0], &y, 0.7, 3, 0.0),
        lowess(&[0.0, 5e-324, 1e-323], &y, 1.0, 3, 0.0),
    ] {
        assert!(fits.map_or(true, |fits| fits.iter().all(|fit| fit.is_finite())));
    }
}

#[test]
fn isotonic_refuses() {
    let up = Direction::Rising;
    assert_eq!(
        isotonic(&[], &[], None, up),
        Err(TooFew { needed: 1, got: 0 })
    );
    assert_eq!(isotonic(&[1.0], &[7.0], None, up), Ok(vec![7.0]));
    assert_eq!(
        isotonic(&[1.0; 4], &[1.0, 2.0, 3.0, 4.0], None, up),
        Ok(vec![2.5; 4])
    );
    assert_eq!(
        isotonic(&[1.0], &[7.0, 8.0], None, up),
        Err(LengthsDiffer { left: 1, right: 2 })
    );
    assert_eq!(
        isotonic(&[1.0], &[7.0], Some(&[]), up),
        Err(LengthsDiffer { left: 1, right: 0 })
    );
    for bad in BAD {
        assert_eq!(isotonic(&[bad], &[1.0], None, up), Err(NotFinite));
        assert_eq!(isotonic(&[1.0], &[bad], None, up), Err(NotFinite));
        assert_eq!(isotonic(&[1.0], &[1.0], Some(&[bad]), up), Err(NotFinite));
    }
    for weight in [0.0, -2.0] {
        assert!(matches!(
            isotonic(&[1.0], &[1.0], Some(&[weight]), up),
            Err(OutOfRange { .. })
        ));
    }
    let (x, y) = ([1.0, 2.0], [f64::MAX, -f64::MAX]);
    assert_eq!(isotonic(&x, &y, None, up), Err(NotFinite));
    assert_eq!(isotonic(&x, &y, Some(&[f64::MAX; 2]), up), Err(NotFinite));
}

fn curve(
    x: &[f64],
    y: &[f64],
    cluster: &[u32],
    weights: Option<&[f64]>,
    grid: &[f64],
) -> Result<DoseResponse, NotEstimable> {
    let rows = Rows {
        x,
        y,
        cluster,
        weights,
    };
    let settings = Settings {
        fraction: 0.75,
        replicates: 40,
        seed: 3,
    };
    dose_response(rows, grid, settings, None)
}

#[test]
fn dose_response_refuses() {
    let x = [1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0];
    let y = [3.0, 1.0, 4.0, 1.0, 5.0, 9.0, 2.0, 6.0];
    let cluster = [1, 2, 3, 4, 1, 2, 3, 4];
    assert_eq!(
        curve(&[], &[], &[], None, &[1.0]),
        Err(TooFew { needed: 2, got: 0 })
    );
    assert_eq!(
        curve(&x[..1], &y[..1], &[1], None, &[1.0]),
        Err(TooFew { needed: 2, got: 1 })
    );
    assert_eq!(
        curve(&x, &y, &[7; 8], None, &[1.0]),
        Err(TooFewClusters { needed: 2, got: 1 })
    );
    assert_eq!(curve(&[4.0; 8], &y, &cluster, None, &[4.0]), Err(AllEqual));
    assert_eq!(
        curve(&x, &y[..7], &cluster, None, &[]),
        Err(LengthsDiffer { left: 8, right: 7 })
    );
    assert_eq!(
        curve(&x, &y, &cluster[..6], None, &[]),
        Err(LengthsDiffer { left: 8, right: 6 })
    );
    assert_eq!(
        curve(&x, &y, &cluster, Some(&[1.0]), &[]),
        Err(LengthsDiffer { left: 8, right: 1 })
    );
    assert!(matches!(
        curve(&x, &y, &cluster, Some(&[0.0; 8]), &[]),
        Err(OutOfRange { .. })
    ));
    assert_eq!(
        curve(&x, &y, &cluster, Some(&[f64::MAX; 8]), &[]),
        Err(NotFinite)
    );
    for bad in BAD {
        let mut other = x;
        other[3] = bad;
        assert_eq!(curve(&other, &y, &cluster, None, &[1.0]), Err(NotFinite));
        assert_eq!(curve(&x, &other, &cluster, None, &[1.0]), Err(NotFinite));
        assert_eq!(
            curve(&x, &y, &cluster, Some(&other), &[1.0]),
            Err(NotFinite)
        );
        assert_eq!(curve(&x, &y, &cluster, None, &[1.0, bad]), Err(NotFinite));
    }
    let rows = Rows {
        x: &x,
        y: &y,
        cluster: &cluster,
        weights: None,
    };
    for (fraction, replicates) in [(0.0, 40), (1.5, 40), (f64::NAN, 40), (0.5, 0), (0.5, 39)] {
        let settings = Settings {
            fraction,
            replicates,
            seed: 1,
        };
        assert!(matches!(
            dose_response(rows, &[1.0], settings, None),
            Err(OutOfRange { .. })
        ));
    }
    let empty = curve(&x, &y, &cluster, None, &[]).unwrap();
    assert!(empty.points.is_empty() && empty.left_out.is_empty());
}

#[test]
fn dose_response_leaves_places_out_with_the_reason() {
    // A far value that stands alone, and a stretch that one cluster fills alone.
    let mut x = vec![100.0];
    let mut y = vec![1.0];
    let mut cluster = vec![1];
    for row in 0..40_u32 {
        x.push(f64::from(row) / 4.0);
        y.push(f64::from(row % 5));
        cluster.push(if row < 20 { 1 } else { 2 + row % 6 });
    }
    let rows = Rows {
        x: &x,
        y: &y,
        cluster: &cluster,
        weights: None,
    };
    let settings = Settings {
        fraction: 0.2,
        replicates: 200,
        seed: 3,
    };
    let got = dose_response(rows, &[-0.1, 100.1, 1.0, 8.0, 5.25], settings, None).unwrap();
    let outside = OutOfRange {
        what: "a place of the grid",
    };
    let reasons: Vec<&LeftOut> = got.left_out.iter().collect();
    assert_eq!((reasons[0].at, &reasons[0].reason), (-0.1, &outside));
    assert_eq!((reasons[1].at, &reasons[1].reason), (100.1, &outside));
    assert_eq!(
        (reasons[2].at, &reasons[2].reason),
        (1.0, &TooFewClusters { needed: 2, got: 1 })
    );
    assert_eq!(reasons.len(), 3);
    assert_eq!(
        got.points.iter().map(|point| point.at).collect::<Vec<_>>(),
        [8.0, 5.25]
    );
    let narrow = Settings {
        fraction: 0.05,
        ..settings
    };
    let got = dose_response(rows, &[100.0], narrow, None).unwrap();
    assert_eq!(got.left_out[0].reason, TooFew { needed: 3, got: 1 });

    // A place where only two of twelve clusters have rows: one resample in nine draws neither.
    let x: Vec<f64> = (0..60)
        .map(|row| {
            if row < 10 {
                f64::from(row)
            } else {
                1000.0 + f64::from(row)
            }
        })
        .collect();
    let y: Vec<f64> = (0..60).map(|row| f64::from(row % 7)).collect();
    let cluster: Vec<u32> = (0..60)
        .map(|row| if row < 10 { row % 2 } else { 2 + row % 10 })
        .collect();
    let rows = Rows {
        x: &x,
        y: &y,
        cluster: &cluster,
        weights: None,
    };
    let settings = Settings {
        fraction: 0.15,
        ..settings
    };
    let got = dose_response(rows, &[4.0, 1030.0], settings, None).unwrap();
    assert!(matches!(
        got.left_out[0].reason,
        ResamplesFailed {
            failed: 11..=40,
            replicates: 200
        }
    ));
    assert_eq!(got.points.len(), 1);
    // Values near the end of the range of f64 end in a reason.
    let huge: Vec<f64> = y.iter().map(|y| (y - 3.0) * 5e307).collect();
    let got = curve(&x, &huge, &cluster, None, &[4.0, 1030.0]);
    assert!(got.is_ok_and(|got| {
        got.points
            .iter()
            .all(|p| p.lo.is_finite() && p.hi.is_finite())
    }));
}

#[test]
fn log_spread_refuses() {
    let one = |n, sd| GroupSpread { n, sd };
    for n in 0..2 {
        assert_eq!(log_sd(one(n, 1.0)), Err(TooFew { needed: 2, got: n }));
    }
    assert_eq!(log_sd(one(9, 0.0)), Err(NoVariation));
    for sd in [-1.0, f64::NAN, f64::INFINITY] {
        assert!(matches!(log_sd(one(9, sd)), Err(OutOfRange { .. })));
    }
    assert_eq!(compare(&[]), Err(OneGroup));
    assert_eq!(compare(&[one(9, 1.0)]), Err(OneGroup));
    assert_eq!(compare(&[one(9, 1.0), one(9, 0.0)]), Err(NoVariation));
    assert_eq!(
        compare(&[one(9, 1.0), one(1, 1.0)]),
        Err(TooFew { needed: 2, got: 1 })
    );
    assert!(compare(&[one(2, 1.0), one(2, 1.5)]).is_ok());
    let extreme = compare(&[one(u64::MAX, f64::MAX), one(2, f64::MIN_POSITIVE)]);
    assert_eq!(extreme, Err(NotFinite));
}

#[test]
fn split_refuses() {
    assert_eq!(split(&[], &[]), Err(TooFew { needed: 1, got: 0 }));
    assert_eq!(split(&[1.0], &[1]), Err(OneGroup));
    assert_eq!(split(&[1.0, 2.0], &[1, 1]), Err(OneGroup));
    assert_eq!(split(&[1.0, 2.0], &[1, 2]), Err(OnlySingletons));
    assert_eq!(
        split(&[1.0, 1.0, 2.0, 2.0], &[1, 1, 2, 2]),
        Err(NoVariation)
    );
    assert_eq!(split(&[1.0; 4], &[1, 1, 2, 2]), Err(AllEqual));
    // Means that are equal on paper: 0.2 three times, and 0.1, 0.2, 0.3.
    assert_eq!(
        split(&[0.2, 0.2, 0.2, 0.1, 0.2, 0.3], &[1, 1, 1, 2, 2, 2]),
        Err(AllEqual)
    );
    assert_eq!(
        split(&[1.0], &[1, 2]),
        Err(LengthsDiffer { left: 1, right: 2 })
    );
    for bad in BAD {
        assert_eq!(split(&[1.0, bad], &[1, 2]), Err(NotFinite));
    }
    // Beside such values, means of 0 and 1 are equal up to rounding.
    let wide = split(&[f64::MAX, -f64::MAX, 1.0], &[1, 1, 2]);
    assert_eq!(wide, Err(AllEqual));
    let wide = split(&[f64::MAX, -f64::MAX, 1e300], &[1, 1, 2]).unwrap();
    assert!(wide.within.iter().all(|v| v.is_finite()));
}

#[test]
fn bounds_refuse() {
    let share = |successes, answered, missing| ShareAnswers {
        successes,
        answered,
        missing,
    };
    assert_eq!(of_share(share(0, 0, 0)), Err(TooFew { needed: 1, got: 0 }));
    for wrong in [share(3, 2, 5), share(1, u64::MAX, 1)] {
        assert!(matches!(of_share(wrong), Err(OutOfRange { .. })));
        let difference = of_share_difference(share(1, 2, 0), wrong);
        assert!(matches!(difference, Err(OutOfRange { .. })));
    }
    assert!(of_share(share(0, 1, 0)).is_ok());
    for d in [-1e-9, f64::NAN, f64::NEG_INFINITY] {
        assert!(matches!(critical_value(d), Err(OutOfRange { .. })));
    }
    let scale = Interval { lo: 1.0, hi: 5.0 };
    for n in 0..2 {
        let few = TooFew { needed: 2, got: n };
        assert_eq!(of_mean(&vec![2.0; n as usize], 0, scale), Err(few.clone()));
        assert_eq!(of_mean(&[], n, scale), Err(few));
    }
    assert_eq!(of_mean(&[2.0; 9], 0, scale), Err(AllEqual));
    assert_eq!(
        of_counted_mean(&[2.0, 3.0], &[4, 0], 0, scale),
        Err(AllEqual)
    );
    for answer in [0.9, 5.1] {
        assert!(matches!(
            of_mean(&[2.0, answer], 0, scale),
            Err(OutOfRange { .. })
        ));
    }
    for bad in BAD {
        assert_eq!(of_mean(&[2.0, bad], 0, scale), Err(NotFinite));
        let off = Interval { lo: 1.0, hi: bad };
        assert_eq!(of_mean(&[2.0, 3.0], 0, off), Err(NotFinite));
    }
    let upside_down = Interval { lo: 5.0, hi: 1.0 };
    assert!(matches!(
        of_mean(&[2.0], 1, upside_down),
        Err(OutOfRange { .. })
    ));
    assert_eq!(
        of_counted_mean(&[2.0], &[1, 2], 1, scale),
        Err(LengthsDiffer { left: 1, right: 2 })
    );
    assert!(matches!(
        of_counted_mean(&[2.0], &[u64::MAX], 1, scale),
        Err(OutOfRange { .. })
    ));
    let wide = Interval {
        lo: -f64::MAX,
        hi: f64::MAX,
    };
    assert_eq!(of_mean(&[2.0, 3.0], 1, wide), Err(NotFinite));
}

#[test]
fn exact_trend_refuses() {
    let steps = [0.0, 1.0, 2.0];
    for test in [
        |s: &[f64], r: &[u64], n: &[u64]| exact_p(s, r, n),
        |s: &[f64], r: &[u64], n: &[u64]| p_of_trend(s, r, n, 99, 1).map(|(p, _)| p),
    ] {
        assert_eq!(test(&[], &[], &[]), Err(OneGroup));
        assert_eq!(test(&[1.0], &[1], &[3]), Err(OneGroup));
        assert_eq!(test(&steps, &[1, 0, 0], &[3, 0, 0]), Err(OneGroup));
        assert_eq!(test(&[2.0; 3], &[1, 2, 3], &[4; 3]), Err(AllEqual));
        assert_eq!(test(&steps, &[0; 3], &[4; 3]), Err(AllEqual));
        assert_eq!(test(&steps, &[4; 3], &[4; 3]), Err(AllEqual));
        assert!(matches!(
            test(&steps, &[5, 0, 0], &[4; 3]),
            Err(OutOfRange { .. })
        ));
        assert_eq!(
            test(&steps, &[1], &[4; 3]),
            Err(LengthsDiffer { left: 3, right: 1 })
        );
        for bad in BAD {
            assert_eq!(test(&[0.0, 1.0, bad], &[1, 2, 3], &[4; 3]), Err(NotFinite));
        }
        // No trend at all: every table is as extreme.
        assert_eq!(test(&[0.0, 1.0], &[1, 1], &[2, 2]), Ok(1.0));
    }
}
