//! Shares over trials in clusters: a printed example, least squares with robust errors as another road, Welch's interval.

use statrs::distribution::{ContinuousCDF, StudentsT};

use super::super::NotEstimable::{NoVariation, OutOfRange, TooFew, TooFewClusters};
use super::super::linear::{Correction, cluster_robust};
use super::super::proportion::{ClusterSums, difference_over_clusters, share_over_clusters};
use super::super::random::{below, stream};
use super::close;

/// The sums of clusters given as (trials, successes).
fn sums(clusters: &[(u64, u64)]) -> ClusterSums {
    let each = |pick: &dyn Fn(&(u64, u64)) -> u64| clusters.iter().map(pick).sum();
    ClusterSums {
        clusters: clusters.len() as u64,
        trials: each(&|c| c.0),
        successes: each(&|c| c.1),
        trials_squared: each(&|c| c.0 * c.0),
        products: each(&|c| c.0 * c.1),
        successes_squared: each(&|c| c.1 * c.1),
    }
}

/// Cochran (1977), Sampling Techniques, section 3.12 (from memory): 104 persons of 30 households, of whom 30 saw a doctor
/// within the year. Printed: variance 0.00520, worked with a share of 0.288, so that its last digit is open; and 0.00197
/// if persons were independent.
#[test]
fn the_printed_variance_over_households() {
    let found = share_over_clusters(&ClusterSums {
        clusters: 30,
        trials: 104,
        successes: 30,
        trials_squared: 404,
        products: 113,
        successes_squared: 86,
    })
    .unwrap();
    close(found.share, 30.0 / 104.0, 1e-15);
    assert!((found.variance - 0.00520).abs() < 1e-5, "{found:?}");
    let alone = found.share * (1.0 - found.share) / 104.0;
    assert!((alone - 0.00197).abs() < 5e-6, "{alone}");
}

/// Clusters of one to six trials that go together, as (trials, successes).
fn drawn(name: &str, clusters: u64, level: u32) -> Vec<(u64, u64)> {
    let mut rng = stream(31, name, 0);
    (0..clusters)
        .map(|_| {
            let own = level + below(&mut rng, 40);
            let trials = 1 + u64::from(below(&mut rng, 6));
            let inside = (0..trials).filter(|_| below(&mut rng, 100) < own).count();
            (trials, inside as u64)
        })
        .collect()
}

/// Least squares on the single trials with a constant and errors robust to clusters, CR1.
fn robust_variance(clusters: &[(u64, u64)]) -> (f64, f64) {
    let mut rows: Vec<(u32, f64)> = Vec::new();
    for (label, &(trials, successes)) in (0_u32..).zip(clusters) {
        rows.extend((0..trials).map(|trial| (label, f64::from(u8::from(trial < successes)))));
    }
    let (labels, values): (Vec<u32>, Vec<f64>) = rows.into_iter().unzip();
    let robust = cluster_robust(&values, &[], true, &labels, Correction::Cr1).unwrap();
    (
        robust.fit.coefficients[0],
        robust.standard_errors[0].powi(2),
    )
}

#[test]
fn share_and_difference_are_those_of_least_squares_on_the_trials() {
    let (one, two) = (drawn("one", 17, 50), drawn("two", 41, 30));
    let mut robust = Vec::new();
    for clusters in [&one, &two] {
        let found = share_over_clusters(&sums(clusters)).unwrap();
        let (share, variance) = robust_variance(clusters);
        close(found.share, share, 1e-12);
        close(found.variance / variance, 1.0, 1e-9);
        robust.push((share, variance, clusters.len() as f64 - 1.0));
    }
    let [(p, v, m), (q, w, k)] = robust[..] else {
        panic!("two of them");
    };
    let degrees = (v + w).powi(2) / (v * v / m + w * w / k);
    let t = StudentsT::new(0.0, 1.0, degrees)
        .unwrap()
        .inverse_cdf(0.975);
    let found = difference_over_clusters(&sums(&one), &sums(&two)).unwrap();
    close(found.lo, p - q - t * (v + w).sqrt(), 1e-9);
    close(found.hi, p - q + t * (v + w).sqrt(), 1e-9);
    let back = difference_over_clusters(&sums(&two), &sums(&one)).unwrap();
    close(back.lo, -found.hi, 1e-14);
    close(back.hi, -found.lo, 1e-14);
}

/// One trial a cluster is Welch's interval of two samples of noughts and ones: scipy 1.17.1, `ttest_ind` without equal
/// variances, of 12 in 20 against 9 in 30.
#[test]
fn single_trials_have_the_interval_of_welch() {
    let single = |n: usize, y: usize| -> Vec<(u64, u64)> {
        (0..n).map(|trial| (1, u64::from(trial < y))).collect()
    };
    let found = difference_over_clusters(&sums(&single(20, 12)), &sums(&single(30, 9))).unwrap();
    close(found.lo, 0.014_786_773_339_096_56, 1e-12);
    close(found.hi, 0.585_213_226_660_903_4, 1e-12);
}

/// Copies of a trial within its cluster bring nothing: as many clusters, the same interval.
#[test]
fn copies_of_trials_do_not_narrow_the_interval() {
    let (one, two) = (drawn("one", 17, 50), drawn("two", 41, 30));
    let tenfold = |clusters: &[(u64, u64)]| -> Vec<(u64, u64)> {
        clusters.iter().map(|(n, y)| (n * 10, y * 10)).collect()
    };
    let plain = difference_over_clusters(&sums(&one), &sums(&two)).unwrap();
    let copied = difference_over_clusters(&sums(&tenfold(&one)), &sums(&tenfold(&two))).unwrap();
    close(copied.lo, plain.lo, 1e-12);
    close(copied.hi, plain.hi, 1e-12);
}

#[test]
fn what_says_nothing_has_no_interval() {
    let fine = sums(&drawn("one", 17, 50));
    assert_eq!(
        share_over_clusters(&ClusterSums::default()),
        Err(TooFew { needed: 1, got: 0 })
    );
    assert_eq!(
        share_over_clusters(&sums(&[(4, 3)])),
        Err(TooFewClusters { needed: 2, got: 1 })
    );
    for same in [
        &[(2, 2), (4, 4), (6, 6)][..],
        &[(2, 0), (4, 0)],
        &[(2, 1), (4, 2)],
    ] {
        assert_eq!(share_over_clusters(&sums(same)).unwrap().variance, 0.0);
        assert_eq!(
            difference_over_clusters(&fine, &sums(same)),
            Err(NoVariation)
        );
        assert_eq!(
            difference_over_clusters(&sums(same), &fine),
            Err(NoVariation)
        );
    }
    // More successes than trials, sums that no clusters have, and sums beyond all reckoning.
    for wrong in [
        ClusterSums {
            successes: fine.trials + 1,
            ..fine
        },
        ClusterSums {
            trials_squared: 0,
            successes_squared: 0,
            ..fine
        },
        ClusterSums {
            clusters: u64::MAX,
            trials: u64::MAX,
            successes: u64::MAX,
            trials_squared: u64::MAX,
            products: u64::MAX,
            successes_squared: u64::MAX,
        },
    ] {
        assert!(matches!(
            share_over_clusters(&wrong),
            Err(OutOfRange { .. })
        ));
    }
    let wide = difference_over_clusters(&sums(&[(1, 1), (1, 0)]), &sums(&[(1, 1), (1, 0)]));
    assert_eq!(wide.map(|i| (i.lo, i.hi)), Ok((-1.0, 1.0)));
}
