//! The permutation test of partial rank correlation.

use super::super::super::permutation::{Statistic, within_clusters};
use super::super::super::random::{below, stream};
use super::super::close;
use super::{freedman_lane, partial_spearman, rank_rows, wanted};

/// Every arrangement of the residuals, with the new response fitted from scratch by least squares on indicators of the
/// clusters, was gone through by another program: the random form is within four standard errors.
#[test]
fn close_to_full_enumeration() {
    let rows = rank_rows("small");
    let (numeric, factors) = (rows.numeric(), rows.factors());
    let m = 40_000;
    let (numeric, factors) = (&numeric[..1], &factors[..1]);
    let got = freedman_lane(&rows.x, &rows.y, numeric, factors, &rows.cluster, m, 77).unwrap();
    let exact = wanted("small", "freedman-lane permutation p");
    let error = 4.0 * (exact * (1.0 - exact) / m as f64).sqrt();
    assert!((got.p - exact).abs() < error, "{got:?}, {exact}");
    assert_eq!(got.p, (1 + got.at_least_as_extreme) as f64 / (1 + m) as f64);
    assert_eq!((got.replicates, got.expected), (m, 0.0));
}

/// Published nowhere, but two libraries agree on it for `birthwt`: lwt and bwt given age and smoke, Spearman
/// 0.23212313231546 with p 0.00138995019 (pingouin 0.7.0, partial_corr(method="spearman")).
#[test]
fn births_given_age_and_smoking() {
    let c = super::columns(super::BIRTHS);
    let got = partial_spearman(&c[2], &c[9], &[&c[1], &c[4]], &[]).unwrap();
    close(got.rho, 0.23212313231546414, 1e-13);
    close(got.p, 0.0013899501866054818, 1e-11);
    assert_eq!((got.n, got.k), (189, 2));
    // A factor of two levels is the same as its ranks, and what is said twice counts once.
    let smoke: Vec<u32> = c[4].iter().map(|v| *v as u32).collect();
    for numeric in [&[&c[1][..]][..], &[&c[1][..], &c[4][..], &c[1][..]][..]] {
        let same = partial_spearman(&c[2], &c[9], numeric, &[&smoke]).unwrap();
        close(same.rho, got.rho, 1e-13);
        assert_eq!(same.k, 2);
    }
}

/// Without covariates the null distribution is that of the plain test within clusters: two independent draws of 20,000
/// differ by less than four standard errors of a difference.
#[test]
fn without_covariates_it_is_the_plain_test() {
    let m = 20_000;
    let rows = rank_rows("forty");
    for (shift, levels) in [(0, 3.0), (1, 2.0), (2, 5.0)] {
        // y moved along by some rows, so that little association is left.
        let mut y: Vec<f64> = rows.y.iter().map(|v| v.min(levels)).collect();
        y.rotate_left(7 + shift);
        let given = freedman_lane(&rows.x, &y, &[], &[], &rows.cluster, m, 5).unwrap();
        let plain = within_clusters(&rows.x, &y, &rows.cluster, m, 5, Statistic::Spearman).unwrap();
        let error = 4.0 * (2.0 * plain.p * (1.0 - plain.p) / m as f64).sqrt() + 1e-4;
        assert!((given.p - plain.p).abs() < error, "{given:?} {plain:?}");
    }
}

#[test]
fn same_bits_for_any_threads_and_order() {
    // 1,200 rows in 40 clusters: several blocks; 203 replicates: a block of lanes that is not full.
    let mut rng = stream(2, "rows", 0);
    let mut draw = |bound| {
        (0..1200)
            .map(|_| below(&mut rng, bound))
            .collect::<Vec<u32>>()
    };
    let (x, y, z, f, k) = (draw(9000), draw(5), draw(70), draw(4), draw(40));
    let numbers = |v: &[u32]| v.iter().map(|v| f64::from(*v)).collect::<Vec<f64>>();
    let run = |back: bool| {
        let turn = |v: &[u32]| {
            let mut v = v.to_vec();
            if back {
                v.reverse();
            }
            v
        };
        let (x, y, z) = (numbers(&turn(&x)), numbers(&turn(&y)), numbers(&turn(&z)));
        freedman_lane(&x, &y, &[&z], &[&turn(&f)], &turn(&k), 203, 6).unwrap()
    };
    let pool = |threads| {
        rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .unwrap()
    };
    let one = pool(1).install(|| run(false));
    assert_eq!(one, pool(2).install(|| run(false)));
    assert_eq!(one, pool(3).install(|| run(false)));
    assert_eq!(one, run(true));
}

/// Clusters of patients, and covariates that drive both x and y: p-values are uniform. Of 400 data sets the shares at
/// or under 0.05, 0.2 and 0.5 are within four binomial standard errors, while the plain test within clusters calls far too
/// many. The covariates carry a quarter of the variance: were they to carry most of it, their effect on ranks would be
/// curved, and straight lines in ranks would leave some of it in both x and y.
#[test]
fn uniform_when_covariates_and_clusters_explain_all() {
    let sets = 400;
    let mut p = Vec::new();
    let mut plain_small = 0;
    for set in 0..sets {
        let mut rng = stream(set, "null with covariates", 0);
        let mut columns: [Vec<f64>; 3] = Default::default();
        let (mut factor, mut cluster) = (Vec::new(), Vec::new());
        for row in 0..144 {
            let (k, f) = (row % 9, below(&mut rng, 3));
            let z = f64::from(below(&mut rng, 1000)) / 100.0;
            let mut noise = || f64::from(below(&mut rng, 1000)) / 200.0;
            let shared = 0.2 * z + 0.2 * f64::from(k) + 0.5 * f64::from(f);
            let (x, y) = (shared + noise(), shared + noise());
            columns[0].push(x);
            columns[1].push((y / 2.0).round());
            columns[2].push(z);
            factor.push(f);
            cluster.push(k);
        }
        let [x, y, z] = &columns;
        let got = freedman_lane(x, y, &[z], &[&factor], &cluster, 199, set).unwrap();
        p.push(got.p);
        if set < 100 {
            let plain = within_clusters(x, y, &cluster, 199, set, Statistic::Spearman).unwrap();
            plain_small += u32::from(plain.p <= 0.05);
        }
    }
    assert!(
        plain_small > 30,
        "{plain_small}: the covariates matter by design"
    );
    for level in [0.05, 0.2, 0.5] {
        let share = p.iter().filter(|p| **p <= level).count() as f64 / sets as f64;
        let error = (level * (1.0 - level) / sets as f64).sqrt();
        assert!((share - level).abs() < 4.0 * error, "{level}: {share}");
    }
}

/// An association that covariates do not carry is found, and covariates without meaning change little.
#[test]
fn association_given_covariates_is_found() {
    let mut rng = stream(4, "association", 0);
    let (mut x, mut y, mut z, mut cluster) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    for row in 0..120_u32 {
        let mut noise = || f64::from(below(&mut rng, 1000)) / 1000.0;
        let value = noise();
        x.push(value);
        y.push((4.0 * (0.6 * value + 0.8 * noise())).floor());
        z.push(noise());
        cluster.push(row % 8);
    }
    let got = freedman_lane(&x, &y, &[&z], &[], &cluster, 999, 1).unwrap();
    assert!(got.p <= 0.01 && got.observed > 0.2, "{got:?}");
    let plain = freedman_lane(&x, &y, &[], &[], &cluster, 999, 1).unwrap();
    assert!((got.observed - plain.observed).abs() < 0.05);
}
