//! Bad input gives the reason, never NaN and never a panic.

use super::super::super::NotEstimable::*;
use super::super::super::categorical::{logistic, proportional_odds, proportionality, sandwich};
use super::super::super::nonresponse::weights::ResponseModel;
use super::{MadeUp, slices};

#[test]
fn few_rows() {
    for n in 0..3_usize {
        let (x, score) = (vec![1.0; n], vec![2.0; n]);
        let few = TooFew {
            needed: 2,
            got: n as u64,
        };
        let wanted = if n < 2 { few } else { AllEqual };
        assert_eq!(
            proportional_odds::fit(&score, &[&x], None),
            Err(wanted.clone())
        );
        assert_eq!(
            logistic::fit(&vec![true; n], &[&x], None).err(),
            Some(wanted.clone())
        );
        let cluster = vec![0; n];
        assert_eq!(
            ResponseModel::fit(&vec![true; n], &[&x], &cluster).err(),
            Some(wanted)
        );
        assert!(proportionality::check(&score, &[&x], None).is_err());
    }
    assert_eq!(
        proportional_odds::fit(&[], &[], None),
        Err(TooFew { needed: 2, got: 0 })
    );
    let two = proportional_odds::fit(&[1.0, 2.0], &[&[1.0, 2.0]], None);
    assert_eq!(two, Err(TooFew { needed: 3, got: 2 }));
    assert!(proportional_odds::fit(&[1.0, 2.0], &[], None).is_ok());
    let three = proportional_odds::fit(&[1.0, 2.0, 3.0], &[&[1.0, 0.0, 2.0]], None);
    assert_eq!(three, Err(TooFew { needed: 4, got: 3 }));
}

#[test]
fn values_that_are_no_numbers() {
    let made = MadeUp::new(50, 1, 3, 30);
    let x = made.columns[0].as_slice();
    for bad in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
        let spoilt = |values: &[f64]| {
            let mut values = values.to_vec();
            values[17] = bad;
            values
        };
        let score = spoilt(&made.score);
        assert_eq!(proportional_odds::fit(&score, &[x], None), Err(NotFinite));
        let covariate = spoilt(x);
        assert_eq!(
            proportional_odds::fit(&made.score, &[&covariate], None),
            Err(NotFinite)
        );
        let weights = spoilt(&[1.0; 50]);
        assert_eq!(
            proportional_odds::fit(&made.score, &[x], Some(&weights)),
            Err(NotFinite)
        );
    }
    let huge: Vec<f64> = x.iter().map(|x| x.signum() * f64::MAX).collect();
    assert_eq!(
        proportional_odds::fit(&made.score, &[&huge], None),
        Err(NotFinite)
    );
    let tiny: Vec<f64> = x.iter().map(|x| x * f64::MIN_POSITIVE).collect();
    assert!(proportional_odds::fit(&made.score, &[&tiny], None).is_err());
    let heavy = vec![f64::MAX; 50];
    assert_eq!(
        proportional_odds::fit(&made.score, &[x], Some(&heavy)),
        Err(NotFinite)
    );
}

#[test]
fn lengths_weights_and_categories() {
    let made = MadeUp::new(50, 1, 3, 31);
    let x = made.columns[0].as_slice();
    let differ = LengthsDiffer {
        left: 50,
        right: 49,
    };
    assert_eq!(
        proportional_odds::fit(&made.score, &[&x[1..]], None),
        Err(differ.clone())
    );
    assert_eq!(
        proportional_odds::fit(&made.score, &[x], Some(&[1.0; 49])),
        Err(differ.clone())
    );
    for bad in [0.0, -1.0] {
        let mut weights = vec![1.0; 50];
        weights[3] = bad;
        assert_eq!(
            proportional_odds::fit(&made.score, &[x], Some(&weights)),
            Err(OutOfRange { what: "a weight" })
        );
    }
    assert_eq!(
        proportional_odds::fit(&[4.0; 50], &[x], None),
        Err(AllEqual)
    );
    assert_eq!(
        logistic::fit(&[false; 50], &[x], None).err(),
        Some(AllEqual)
    );
    let many: Vec<f64> = (0..1200).map(f64::from).collect();
    assert!(matches!(
        proportional_odds::fit(&many, &[&many], None),
        Err(OutOfRange { .. })
    ));
    let binary: Vec<f64> = made.score.iter().map(|score| score.min(1.0)).collect();
    assert!(matches!(
        proportionality::check(&binary, &[x], None),
        Err(OutOfRange { .. })
    ));
    assert!(matches!(
        proportionality::check(&made.score, &[], None),
        Err(OutOfRange { .. })
    ));
}

#[test]
fn robust_errors() {
    let made = MadeUp::new(200, 2, 3, 32);
    let x = slices(&made.columns);
    let fit = proportional_odds::fit(&made.score, &x, None).unwrap();
    let robust = |score: &[f64], x: &[&[f64]], cluster: &[u32]| {
        sandwich::cluster_robust(&fit, score, x, None, cluster)
    };
    assert_eq!(
        robust(&made.score, &x, &[3; 200]).err(),
        Some(TooFewClusters { needed: 2, got: 1 })
    );
    assert_eq!(
        robust(&made.score, &x, &[3; 199]).err(),
        Some(LengthsDiffer {
            left: 200,
            right: 199
        })
    );
    // Other rows than those fitted: another score, another column, fewer of them.
    let mut other = made.score.clone();
    other[5] = if other[5] == 0.0 { 1.0 } else { 0.0 };
    assert!(matches!(
        robust(&other, &x, &made.cluster),
        Err(OutOfRange { .. })
    ));
    assert!(matches!(
        robust(&made.score, &[x[0], x[0]], &made.cluster),
        Err(OutOfRange { .. })
    ));
    assert!(matches!(
        robust(&made.score, &x[..1], &made.cluster),
        Err(OutOfRange { .. })
    ));
    assert!(robust(&[], &[], &[]).is_err());
    let good = robust(&made.score, &x, &made.cluster).unwrap();
    assert!(matches!(good.coefficient(2), Err(OutOfRange { .. })));
    assert!(matches!(fit.coefficient(2), Err(OutOfRange { .. })));

    // A covariate that marks one cluster: the scores of the others and of it add to 0, so it has no variance.
    let first: Vec<f64> = made
        .cluster
        .iter()
        .map(|g| f64::from(u8::from(*g == 0)))
        .collect();
    let halves: Vec<u32> = made.cluster.iter().map(|g| u32::from(*g == 0)).collect();
    let outcome: Vec<bool> = made.score.iter().map(|score| *score > 0.0).collect();
    let fit = logistic::fit(&outcome, &[&first], None).unwrap();
    let robust = sandwich::cluster_robust_logistic(&fit, &outcome, &[&first], None, &halves);
    assert_eq!(
        robust.unwrap().coefficient(1),
        Err(TooFewClusters { needed: 3, got: 2 })
    );
}
