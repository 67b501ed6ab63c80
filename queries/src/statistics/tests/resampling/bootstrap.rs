//! The bootstrap of one statistic: small cases worked out in full, and what it refuses.

use super::super::super::NotEstimable::{self, *};
use super::super::super::random::{below, stream};
use super::super::super::resampling::{Design, Each, JACKKNIFE_GROUPS, cluster_bootstrap};
use super::super::close;
use super::{Levels, Replicates, bca_level};

fn design(clusters: usize, replicates: u64) -> Design<'static> {
    Design {
        clusters,
        replicates,
        seed: 5,
        domain: "tests",
    }
}

fn replicates_of(values: Vec<f64>) -> Replicates {
    Replicates {
        estimate: 5.0,
        values,
        jackknife: vec![6.0, 5.75, 5.25, 4.5, 3.5],
        failed: 0,
        jackknife_failed: 0,
    }
}

/// 1, 2, 4, 7, 11: the mean over all 5^5 resamples has the standard deviation sqrt(13.2 / 5) = 1.624807680927192, the
/// root of the population variance over n, and the quantiles 2 and 8.4 (full enumeration in another language). With
/// divisor B − 1 the standard error is larger by the root of 3125/3124.
#[test]
fn five_numbers_in_full() {
    let x = [1.0, 2.0, 4.0, 7.0, 11.0];
    let all: Vec<f64> = (0..3125_usize)
        .map(|code| (0..5).map(|k| x[code / 5_usize.pow(k) % 5]).sum::<f64>() / 5.0)
        .collect();
    let got = replicates_of(all);
    let error = got.standard_error().unwrap();
    close(
        error,
        1.624807680927192 * (3125.0_f64 / 3124.0).sqrt(),
        1e-14,
    );
    let interval = got.percentile(Levels::Nominal).unwrap();
    assert_eq!((interval.lo, interval.hi), (2.0, 8.4));

    // Random resamples of the same: the standard error within 5 standard errors of 1.6 / sqrt(2 B).
    let mean = |m: &[u32], _: &mut ()| -> Each<f64, 1> {
        let sum: f64 = x.iter().zip(m).map(|(x, m)| x * f64::from(*m)).sum();
        [Ok(sum / f64::from(m.iter().sum::<u32>()))]
    };
    let [random] = cluster_bootstrap(design(5, 20_000), || (), mean).unwrap();
    let random = random.unwrap();
    assert_eq!(random.estimate, 5.0);
    assert_eq!(random.jackknife, [6.0, 5.75, 5.25, 4.5, 3.5]);
    assert!((random.standard_error().unwrap() - 1.6248).abs() < 0.04);
    // By hand: d = -1, -0.75, -0.25, 0.5, 1.5; Σd² = 4.125, Σd³ = 2.0625; 2.0625 / (6 · 4.125^1.5).
    close(
        random.acceleration().unwrap(),
        2.0625 / (6.0 * 4.125_f64.powf(1.5)),
        1e-14,
    );
}

/// Every cluster is drawn once on average, and a resample holds as many as the data.
#[test]
fn multiplicities_are_multinomial() {
    let statistic = |m: &[u32], _: &mut ()| -> Each<f64, 3> {
        [
            Ok(f64::from(m.iter().sum::<u32>())),
            Ok(f64::from(m[3])),
            Ok(f64::from(u8::from(m[7] == 0))),
        ]
    };
    let b = 20_000;
    let [sum, fourth, absent] = cluster_bootstrap(design(40, b), || (), statistic).unwrap();
    assert_eq!(sum, Err(AllEqual));
    let mean = |r: &Replicates| r.values.iter().sum::<f64>() / b as f64;
    // Binomial(40, 1/40): variance 39/40; absent with probability (39/40)^40. Four standard errors.
    let error = |variance: f64| 4.0 * (variance / b as f64).sqrt();
    assert!((mean(&fourth.unwrap()) - 1.0).abs() < error(39.0 / 40.0));
    let p = (39.0_f64 / 40.0).powi(40);
    assert!((mean(&absent.unwrap()) - p).abs() < error(p * (1.0 - p)));
}

/// Leaving out groups of clusters keeps the size of the acceleration: 4,000 squared numbers, for which the acceleration
/// of a mean is a sixth of the skewness over the root of their number.
#[test]
fn many_clusters_are_left_out_in_groups() {
    let n = 4000;
    let mut rng = stream(1, "skewed numbers", 0);
    let x: Vec<f64> = (0..n)
        .map(|_| (f64::from(below(&mut rng, 1000)) / 1000.0).powi(2))
        .collect();
    let mean = |m: &[u32], _: &mut ()| -> Each<f64, 1> {
        let sum: f64 = x.iter().zip(m).map(|(x, m)| x * f64::from(*m)).sum();
        [Ok(sum / f64::from(m.iter().sum::<u32>()))]
    };
    let [got] = cluster_bootstrap(design(n as usize, 2), || (), mean).unwrap();
    let got = got.unwrap();
    assert_eq!(got.jackknife.len(), JACKKNIFE_GROUPS);
    let middle = x.iter().sum::<f64>() / f64::from(n);
    let moment = |k: i32| x.iter().map(|v| (v - middle).powi(k)).sum::<f64>();
    let single = moment(3) / (6.0 * moment(2).powf(1.5));
    // The skewness of 1,000 sums of four has a standard error of sqrt(6/1000) = 0.08; theirs is 0.32.
    let ratio = got.acceleration().unwrap() / single;
    assert!((0.5..1.5).contains(&ratio), "{ratio}");
}

#[test]
fn failed_resamples_are_counted_or_refused() {
    // Fails where the first cluster is absent: about (1 - 1/20)^20 = 36 % of resamples.
    let sometimes = |m: &[u32], _: &mut ()| -> Each<f64, 2> {
        let value = f64::from(m[1]) + f64::from(m[0]);
        [
            if m[0] == 0 { Err(AllEqual) } else { Ok(value) },
            // No number for under 1 % of resamples: 20 times the chance that Binomial(20, 1/20) is over 5.
            if m.iter().any(|m| *m > 5) {
                Ok(f64::NAN)
            } else {
                Ok(value)
            },
        ]
    };
    let [often, rarely] = cluster_bootstrap(design(20, 1000), || (), sometimes).unwrap();
    assert!(
        matches!(often, Err(ResamplesFailed { failed, replicates: 1000 }) if failed > 200),
        "{often:?}"
    );
    let rarely = rarely.unwrap();
    assert!(
        rarely.failed > 0 && rarely.failed <= 50,
        "{}",
        rarely.failed
    );
    assert_eq!(rarely.values.len() as u64, 1000 - rarely.failed);
    assert!(rarely.percentile(Levels::Nominal).is_ok());

    // An estimate that cannot be left without one of its clusters has no BCa interval.
    let needs_first = |m: &[u32], _: &mut ()| -> Each<f64, 1> {
        let leave_one_out = m.iter().all(|m| *m < 2) && m[0] == 0;
        [if leave_one_out {
            Err(AllEqual)
        } else {
            Ok(f64::from(m[1]))
        }]
    };
    let [got] = cluster_bootstrap(design(20, 1000), || (), needs_first).unwrap();
    let got = got.unwrap();
    assert_eq!(got.jackknife_failed, 1);
    assert_eq!(
        got.bca(Levels::Nominal),
        Err(ResamplesFailed {
            failed: 1,
            replicates: 20
        })
    );
}

#[test]
fn designs_that_give_nothing() {
    let one = |_: &[u32], _: &mut ()| -> Each<f64, 1> { [Ok(1.0)] };
    let run = |clusters, replicates| cluster_bootstrap(design(clusters, replicates), || (), one);
    for clusters in 0..2 {
        assert_eq!(
            run(clusters, 100),
            Err(TooFewClusters {
                needed: 2,
                got: clusters as u64
            })
        );
    }
    for replicates in 0..2 {
        let few = TooFew {
            needed: 2,
            got: replicates,
        };
        assert_eq!(run(5, replicates), Err(few));
    }
    assert!(matches!(run(5, u64::MAX), Err(OutOfRange { .. })));
    assert_eq!(run(5, 100), Ok([Err(AllEqual)]));
    let never = |_: &[u32], _: &mut ()| -> Each<f64, 1> { [Err(NoVariation)] };
    let got = cluster_bootstrap(design(5, 100), || (), never);
    assert_eq!(got, Ok([Err(NoVariation)]));
}

#[test]
fn intervals_that_cannot_be() {
    let few = |n: u64| Err::<f64, NotEstimable>(TooFew { needed: 2, got: n });
    assert_eq!(replicates_of(vec![]).standard_error(), few(0));
    assert_eq!(replicates_of(vec![1.0]).standard_error(), few(1));
    assert_eq!(replicates_of(vec![1.0; 9]).standard_error(), Err(AllEqual));
    let bad = replicates_of(vec![1.0, f64::NAN]);
    assert_eq!(bad.percentile(Levels::Nominal), Err(NotFinite));
    for values in [vec![6.0, 7.0], vec![3.0, 4.0]] {
        assert_eq!(replicates_of(values).bca(Levels::Nominal), Err(AtLimit));
    }
    let mut good = replicates_of(vec![4.0, 5.0, 5.0, 6.0]);
    assert_eq!(good.bias_correction(), Ok(0.0));
    for clusters in 0..2 {
        let levels = Levels::Expanded { clusters };
        let refused = Err(TooFewClusters {
            needed: 2,
            got: clusters,
        });
        assert_eq!(good.percentile(levels), refused);
        assert_eq!(good.bca(levels), refused);
    }
    let all = Levels::Expanded { clusters: 2 };
    let interval = good.percentile(all).unwrap();
    assert_eq!((interval.lo, interval.hi), (4.0, 6.0));
    good.jackknife = vec![2.0; 5];
    assert_eq!(good.bca(Levels::Nominal), Err(AllEqual));
    good.jackknife = vec![2.0];
    assert!(matches!(
        good.bca(Levels::Nominal),
        Err(TooFewClusters { .. })
    ));
    good.jackknife = vec![f64::MAX, f64::MAX, 0.0];
    assert_eq!(good.acceleration(), Err(NotFinite));
    good.estimate = f64::INFINITY;
    assert_eq!(good.bca(Levels::Nominal), Err(NotFinite));
    assert_eq!(bca_level(2.0, 0.5, 0.4), Err(AtLimit));
    assert_eq!(bca_level(f64::NAN, 0.0, 0.0), Err(NotFinite));
}
