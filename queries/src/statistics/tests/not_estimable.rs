//! What cannot be estimated is said so, with the reason: never NaN, never a panic.

use super::super::NotEstimable::{self, *};
use super::super::control_chart::{self, EwmaSettings, Subgroup};
use super::super::description::{Moments, mean_interval, mean_sd, quantile, sd_from_sums};
use super::super::funnel::{self, Widening};
use super::super::multiplicity::{benjamini_hochberg, holm};
use super::super::permutation::{Statistic, within_clusters};
use super::super::proportion::{clopper_pearson, newcombe_difference, wilson};
use super::super::random_intercept::{self, Group};
use super::super::rank::{
    bonett_wright, kendall, kendall_interval, mid_ranks, spearman, spearman_p,
};
use super::super::spread::{brown_forsythe, sd_interval};
use super::super::trend::{cochran_armitage, permutation_p};

#[test]
fn reasons_are_plain_sentences() {
    let reason = TooFew { needed: 3, got: 1 }.to_string();
    assert_eq!(reason, "too few observations: 3 are needed, 1 are there");
    assert_eq!(AllEqual.to_string(), "all values are equal");
    assert_eq!(
        OutOfRange { what: "a p-value" }.to_string(),
        "a p-value is out of range"
    );
}

#[test]
fn description_of_nothing_or_one() {
    assert_eq!(quantile(&[], 0.5), Err(TooFew { needed: 1, got: 0 }));
    assert!(matches!(quantile(&[1.0], 1.5), Err(OutOfRange { .. })));
    assert!(matches!(quantile(&[1.0], f64::NAN), Err(OutOfRange { .. })));
    assert!(matches!(quantile(&[2.0, 1.0], 0.5), Err(OutOfRange { .. })));
    assert_eq!(quantile(&[f64::NAN], 0.5), Err(NotFinite));
    assert_eq!(quantile(&[f64::MIN, f64::MAX], 0.5), Err(NotFinite));
    for n in 0..2 {
        let few = TooFew { needed: 2, got: n };
        assert_eq!(mean_sd(&vec![1.0; n as usize]), Err(few.clone()));
        assert_eq!(
            vec![1.0; n as usize].into_iter().collect::<Moments>().sd(),
            Err(few.clone())
        );
        assert_eq!(sd_from_sums(n, 0, 0), Err(few.clone()));
        assert_eq!(mean_interval(n, 1.0, 1.0), Err(few.clone()));
        assert_eq!(sd_interval(n, 1.0), Err(few));
    }
    assert_eq!(mean_sd(&[1.0, f64::INFINITY]), Err(NotFinite));
    assert_eq!(mean_sd(&[f64::MAX, f64::MAX]), Err(NotFinite));
    assert_eq!(mean_sd(&[4.0; 5]).unwrap().sd, 0.0);
    assert!(matches!(sd_from_sums(2, 10, 1), Err(OutOfRange { .. })));
    assert!(matches!(
        sd_from_sums(u64::MAX, i128::MAX, i128::MAX),
        Err(OutOfRange { .. })
    ));
    assert!(matches!(
        mean_interval(5, 1.0, -1.0),
        Err(OutOfRange { .. })
    ));
    assert_eq!(sd_interval(5, 0.0), Err(AllEqual));
    assert!(matches!(sd_interval(5, f64::NAN), Err(OutOfRange { .. })));
}

#[test]
fn proportions_of_nothing() {
    let none = Err(TooFew { needed: 1, got: 0 });
    assert_eq!(wilson(0, 0), none);
    assert_eq!(clopper_pearson(0, 0), none);
    assert_eq!(newcombe_difference((1, 2), (0, 0)), none);
    assert!(matches!(wilson(3, 2), Err(OutOfRange { .. })));
    assert!(matches!(clopper_pearson(3, 2), Err(OutOfRange { .. })));
}

#[test]
fn ranks_of_few_or_equal_pairs() {
    assert!(mid_ranks(&[]).unwrap().is_empty());
    assert_eq!(mid_ranks(&[f64::NAN]), Err(NotFinite));
    for n in 0..3_u64 {
        let x = vec![1.0; n as usize];
        assert_eq!(spearman(&x, &x), Err(TooFew { needed: 3, got: n }));
        assert_eq!(spearman_p(0.5, n), Err(TooFew { needed: 3, got: n }));
    }
    for n in 0..2_u64 {
        let x = vec![1.0; n as usize];
        assert_eq!(
            kendall(&x, &x).map(|_| ()),
            Err(TooFew { needed: 2, got: n })
        );
    }
    assert_eq!(spearman(&[1.0; 4], &[1.0, 2.0, 3.0, 4.0]), Err(AllEqual));
    assert_eq!(
        kendall(&[1.0, 2.0, 3.0], &[7.0; 3]).map(|_| ()),
        Err(AllEqual)
    );
    assert_eq!(
        spearman(&[1.0; 4], &[1.0; 3]),
        Err(LengthsDiffer { left: 4, right: 3 })
    );
    assert_eq!(
        spearman(&[1.0, 2.0, f64::NAN], &[1.0, 2.0, 3.0]),
        Err(NotFinite)
    );
    // Two pairs have a tau, and no more than that.
    assert_eq!(kendall(&[1.0, 2.0], &[5.0, 3.0]).unwrap().tau_b, -1.0);
    assert!(
        kendall(&[1.0, 2.0], &[5.0, 3.0])
            .unwrap()
            .p()
            .unwrap()
            .is_finite()
    );
}

#[test]
fn intervals_of_a_correlation_at_its_limit() {
    assert_eq!(bonett_wright(1.0, 10), Err(AtLimit));
    assert_eq!(kendall_interval(-1.0, 10), Err(AtLimit));
    assert_eq!(spearman_p(1.0, 10), Err(AtLimit));
    assert!(matches!(bonett_wright(1.1, 10), Err(OutOfRange { .. })));
    assert!(matches!(
        bonett_wright(f64::NAN, 10),
        Err(OutOfRange { .. })
    ));
    assert_eq!(bonett_wright(0.5, 3), Err(TooFew { needed: 4, got: 3 }));
    assert_eq!(kendall_interval(0.5, 4), Err(TooFew { needed: 5, got: 4 }));
}

#[test]
fn permutations_without_movement() {
    for statistic in [Statistic::Spearman, Statistic::Kendall] {
        let test = |x: &[f64], y: &[f64], cluster: &[u32], replicates| {
            within_clusters(x, y, cluster, replicates, 1, statistic).map(|_| ())
        };
        let (x, y) = ([1.0, 2.0, 3.0, 4.0], [2.0, 1.0, 4.0, 3.0]);
        assert_eq!(test(&[], &[], &[], 9), Err(TooFew { needed: 3, got: 0 }));
        assert_eq!(test(&x, &y, &[1; 4], 0), Err(TooFew { needed: 1, got: 0 }));
        assert_eq!(test(&x, &y, &[1, 2, 3, 4], 9), Err(OnlySingletons));
        assert_eq!(test(&x, &[5.0; 4], &[1; 4], 9), Err(AllEqual));
        assert_eq!(
            test(&x, &[1.0, 1.0, 2.0, 2.0], &[1, 1, 2, 2], 9),
            Err(NoVariation)
        );
        assert_eq!(
            test(&x, &y, &[1; 3], 9),
            Err(LengthsDiffer { left: 4, right: 3 })
        );
        assert_eq!(
            test(&x, &[1.0, 2.0, 3.0, f64::NAN], &[1; 4], 9),
            Err(NotFinite)
        );
    }
}

#[test]
fn random_intercept_of_too_little() {
    let group = |n, mean, ss| Group { n, mean, ss };
    let fit = |groups: &[Group]| random_intercept::fit(groups).map(|_| ());
    assert_eq!(fit(&[]), Err(OneGroup));
    assert_eq!(fit(&[group(5, 1.0, 2.0)]), Err(OneGroup));
    assert_eq!(
        fit(&[group(1, 1.0, 0.0), group(1, 2.0, 0.0)]),
        Err(OnlySingletons)
    );
    assert_eq!(
        fit(&[group(3, 1.0, 0.0), group(3, 2.0, 0.0)]),
        Err(NoVariation)
    );
    assert_eq!(
        fit(&[group(3, 1.0, 0.0), group(3, 1.0, 0.0)]),
        Err(AllEqual)
    );
    assert_eq!(
        fit(&[group(0, 1.0, 0.0), group(3, 1.0, 1.0)]),
        Err(TooFew { needed: 1, got: 0 })
    );
    assert_eq!(
        fit(&[group(2, f64::NAN, 1.0), group(3, 1.0, 1.0)]),
        Err(NotFinite)
    );
    assert!(matches!(
        fit(&[group(2, 0.0, -1.0), group(3, 1.0, 1.0)]),
        Err(OutOfRange { .. })
    ));
    assert_eq!(
        Group::from_sums(0, 0, 0, 1.0),
        Err(TooFew { needed: 1, got: 0 })
    );
    // Two groups, one of them a single value, are the least that can be fitted: every limit is finite and in order.
    let least = [group(1, 3.0, 0.0), group(2, 1.0, 0.5)];
    let fitted = random_intercept::fit(&least).unwrap();
    let limits = random_intercept::intervals(&least, &fitted).unwrap();
    for interval in [limits.between_sd, limits.within_sd, limits.icc] {
        assert!(
            interval.lo.is_finite() && interval.hi.is_finite() && interval.lo <= interval.hi,
            "{limits:?}"
        );
    }
    let other = [group(4, 3.0, 9.0), group(2, 1.0, 0.5)];
    assert!(matches!(
        random_intercept::intervals(&other, &fitted),
        Err(OutOfRange { .. })
    ));
}

#[test]
fn funnels_and_charts_of_too_little() {
    assert_eq!(
        funnel::binomial_limit(0.5, 0, 0.5),
        Err(TooFew { needed: 1, got: 0 })
    );
    for target in [0.0, 1.0, f64::NAN] {
        assert!(matches!(
            funnel::binomial_limit(target, 5, 0.5),
            Err(OutOfRange { .. })
        ));
        assert!(matches!(
            funnel::z_of_share(1, 5, target),
            Err(OutOfRange { .. })
        ));
    }
    assert!(matches!(
        funnel::binomial_limits(0.5, 5, 1.0, 1.0),
        Err(OutOfRange { .. })
    ));
    assert!(matches!(
        funnel::binomial_limits(0.5, 5, 0.95, 0.5),
        Err(OutOfRange { .. })
    ));
    assert!(matches!(
        funnel::normal_limits(0.0, -1.0, 0.95, Widening::None),
        Err(OutOfRange { .. })
    ));
    assert!(matches!(
        Widening::Additive(-1.0).standard_error(1.0),
        Err(OutOfRange { .. })
    ));
    assert_eq!(funnel::dispersion(&[1.0], &[1.0]), Err(OneGroup));
    assert!(matches!(
        funnel::dispersion(&[1.0, 2.0], &[1.0, 0.0]),
        Err(OutOfRange { .. })
    ));

    assert_eq!(
        control_chart::p_chart(&[(1, 2)], true).map(|_| ()),
        Err(TooFew { needed: 2, got: 1 })
    );
    assert_eq!(
        control_chart::p_chart(&[(0, 2), (0, 3)], true).map(|_| ()),
        Err(AllEqual)
    );
    assert_eq!(
        control_chart::p_chart(&[(0, 0), (1, 3)], true).map(|_| ()),
        Err(TooFew { needed: 1, got: 0 })
    );
    let subgroup = |n, sd| Subgroup { n, mean: 1.0, sd };
    let chart = |subgroups: &[Subgroup]| control_chart::xbar_s(subgroups).map(|_| ());
    assert_eq!(
        chart(&[subgroup(5, 1.0)]),
        Err(TooFew { needed: 2, got: 1 })
    );
    assert_eq!(
        chart(&[subgroup(5, 1.0), subgroup(1, 0.0)]),
        Err(TooFew { needed: 2, got: 1 })
    );
    assert_eq!(
        chart(&[subgroup(5, 0.0), subgroup(5, 0.0)]),
        Err(NoVariation)
    );
    let ewma = |lambda, sigma| {
        control_chart::ewma(
            &[1.0],
            &[1],
            0.0,
            sigma,
            EwmaSettings { lambda, width: 2.7 },
        )
        .map(|_| ())
    };
    assert!(ewma(0.2, 1.0).is_ok());
    assert!(matches!(ewma(0.0, 1.0), Err(OutOfRange { .. })));
    assert!(matches!(ewma(0.2, 0.0), Err(OutOfRange { .. })));
    assert_eq!(
        control_chart::individuals(&[3.0]).map(|_| ()),
        Err(TooFew { needed: 2, got: 1 })
    );
    assert_eq!(
        control_chart::individuals(&[3.0; 4]).map(|_| ()),
        Err(AllEqual)
    );
}

#[test]
fn tests_of_too_little() {
    assert_eq!(brown_forsythe(&[&[1.0, 2.0]]).map(|_| ()), Err(OneGroup));
    assert_eq!(
        brown_forsythe(&[&[1.0], &[2.0]]).map(|_| ()),
        Err(TooFew { needed: 3, got: 2 })
    );
    assert_eq!(
        brown_forsythe(&[&[1.0, 1.0], &[2.0, 2.0]]).map(|_| ()),
        Err(NoVariation)
    );
    assert_eq!(
        brown_forsythe(&[&[], &[2.0, 2.0]]).map(|_| ()),
        Err(TooFew { needed: 1, got: 0 })
    );
    let trend = |scores: &[f64], r: &[u64], n: &[u64]| cochran_armitage(scores, r, n).map(|_| ());
    assert_eq!(trend(&[1.0], &[1], &[2]), Err(OneGroup));
    assert_eq!(trend(&[1.0, 2.0], &[1, 0], &[2, 0]), Err(OneGroup));
    assert_eq!(trend(&[1.0, 1.0], &[1, 1], &[2, 3]), Err(AllEqual));
    assert_eq!(trend(&[1.0, 2.0], &[0, 0], &[2, 3]), Err(AllEqual));
    assert!(matches!(
        trend(&[1.0, 2.0], &[3, 0], &[2, 3]),
        Err(OutOfRange { .. })
    ));
    assert!(matches!(
        permutation_p(&[1.0, 2.0], &[1, 0], &[2, u64::MAX], 9, 1),
        Err(OutOfRange { .. })
    ));
    assert_eq!(
        permutation_p(&[1.0, 2.0], &[1, 0], &[2, 3], 0, 1),
        Err(TooFew { needed: 1, got: 0 })
    );
    for adjust in [holm, benjamini_hochberg] as [fn(&[f64]) -> Result<Vec<f64>, NotEstimable>; 2] {
        assert!(matches!(adjust(&[0.5, f64::NAN]), Err(OutOfRange { .. })));
        assert!(matches!(adjust(&[1.5]), Err(OutOfRange { .. })));
    }
}
