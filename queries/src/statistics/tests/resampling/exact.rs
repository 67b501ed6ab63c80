//! Exact p-values against published ones, full enumeration elsewhere and each other.

use super::super::super::NotEstimable::*;
use super::super::super::exact_rank::{MOST_PAIRS, within_clusters};
use super::super::super::permutation::{self, Statistic};
use super::super::super::random::{below, stream};
use super::super::super::rank::kendall;
use super::super::{close, pairs, reference};
use super::{kendall_s_p, kendall_without_ties};

const STATISTICS: [(Statistic, &str); 2] =
    [(Statistic::Spearman, "rho"), (Statistic::Kendall, "tau_b")];

/// Hollander & Wolfe (1973), as in R's help page of cor.test: T = 26 concordant pairs of 36, p = 0.1194389329806.
#[test]
fn published_p_of_kendall() {
    let (_, x, y) = pairs("hollander_wolfe");
    let s = kendall(&x, &y).unwrap().s;
    assert_eq!(s, 2 * 26 - 36);
    close(kendall_s_p(s, 9).unwrap(), 0.1194389329806, 1e-13);
    close(
        kendall_without_ties(&x, &y).unwrap(),
        0.1194389329806,
        1e-13,
    );
}

/// The 5,040 orders of seven pairs with ties: p = 1/21 for rho and 1/15 for tau-b, and the case with clusters; the
/// wanted values come from enumeration by another program (`basic.csv`).
#[test]
fn all_arrangements() {
    for case in ["seven", "clusters"] {
        let (cluster, x, y) = pairs(case);
        for (statistic, name) in STATISTICS {
            let got = within_clusters(&x, &y, &cluster, statistic, 50_000).unwrap();
            let p = reference::wanted(case, &format!("{name} permutation p"));
            let mean = reference::wanted(case, &format!("{name} permutation mean"));
            close(got.p, p, 1e-14);
            close(got.expected, mean, 1e-12);
            close(got.observed, reference::wanted(case, name), 1e-12);
            assert_eq!(
                got.p,
                got.at_least_as_extreme as f64 / got.arrangements as f64
            );
            // Moving the other variable is the same test.
            let other = within_clusters(&y, &x, &cluster, statistic, 50_000).unwrap();
            assert_eq!((got.p, got.arrangements), (other.p, other.arrangements));
        }
    }
    let (cluster, x, y) = pairs("seven");
    let [rho, tau] = STATISTICS
        .map(|(statistic, _)| within_clusters(&x, &y, &cluster, statistic, 50_000).unwrap());
    close(rho.p, 1.0 / 21.0, 1e-15);
    close(tau.p, 1.0 / 15.0, 1e-15);
    // 1 2 2 3 4 4 5 and 2 1 3 3 3 5 4: 7!/(2! 2!) = 1,260 and 7!/3! = 840 arrangements.
    assert_eq!(rho.arrangements, 840);
}

/// Without ties and clusters, the recursion and the enumeration are two ways to one number.
#[test]
fn recursion_and_enumeration_agree() {
    for set in 0..20 {
        let mut rng = stream(set, "distinct numbers", 0);
        let x: Vec<f64> = (0..7).map(f64::from).collect();
        let mut y = x.clone();
        for last in (1..y.len()).rev() {
            y.swap(last, below(&mut rng, last as u32 + 1) as usize);
        }
        let exact = within_clusters(&x, &y, &[0; 7], Statistic::Kendall, 5040).unwrap();
        close(kendall_without_ties(&x, &y).unwrap(), exact.p, 1e-14);
        assert_eq!(exact.arrangements, 5040);
    }
}

/// The random form comes close: four standard errors of a share.
#[test]
fn random_form_agrees() {
    for set in 0..6 {
        let mut rng = stream(set, "small clusters", 0);
        let cluster: Vec<u32> = (0..12).map(|row| row / 4).collect();
        let x: Vec<f64> = (0..12).map(|_| f64::from(below(&mut rng, 5))).collect();
        let y: Vec<f64> = (0..12).map(|_| f64::from(below(&mut rng, 4))).collect();
        for (statistic, name) in STATISTICS {
            let exact = within_clusters(&x, &y, &cluster, statistic, 50_000).unwrap();
            let random = permutation::within_clusters(&x, &y, &cluster, 10_000, set, statistic);
            let random = random.unwrap();
            let error = 4.0 * (exact.p * (1.0 - exact.p) / 1e4).sqrt() + 1e-4;
            assert!(
                (exact.p - random.p).abs() < error,
                "{name}: {exact:?} {random:?}"
            );
            close(exact.expected, random.expected, 1e-12);
            close(exact.observed, random.observed, 1e-12);
        }
    }
}

#[test]
fn refusals() {
    let (cluster, x, y) = pairs("seven");
    for (statistic, _) in STATISTICS {
        let run = |x: &[f64], y: &[f64], cluster: &[u32], limit| {
            within_clusters(x, y, cluster, statistic, limit)
        };
        assert!(matches!(run(&x, &y, &cluster, 839), Err(OutOfRange { .. })));
        assert!(run(&x, &y, &cluster, 840).is_ok());
        assert!(matches!(run(&x, &y, &cluster, 0), Err(OutOfRange { .. })));
        let apart = [1, 2, 3, 4, 5, 6, 7];
        assert_eq!(run(&x, &y, &apart, 10), Err(OnlySingletons));
        assert_eq!(run(&[1.0; 7], &y, &cluster, 10), Err(AllEqual));
        let halves = [0, 0, 0, 0, 1, 1, 1];
        let steps = [0.0, 0.0, 0.0, 0.0, 1.0, 1.0, 1.0];
        assert_eq!(run(&steps, &y, &halves, 10), Err(NoVariation));
        assert_eq!(
            run(&x, &y, &[1], 10),
            Err(LengthsDiffer { left: 7, right: 1 })
        );
        assert_eq!(run(&[], &[], &[], 10), Err(TooFew { needed: 3, got: 0 }));
        assert_eq!(
            run(&[f64::NAN, 1.0, 2.0], &[1.0, 2.0, 3.0], &[1; 3], 10),
            Err(NotFinite)
        );
        // Factorials that leave every integer type.
        let long: Vec<f64> = (0..500).map(f64::from).collect();
        assert!(matches!(
            run(&long, &long, &[1; 500], u64::MAX),
            Err(OutOfRange { .. })
        ));
    }
    assert!(matches!(kendall_s_p(3, 3), Ok(p) if (p - 1.0 / 3.0).abs() < 1e-15));
    for (s, n) in [(2, 3), (5, 3), (i64::MIN, 3), (0, MOST_PAIRS + 1)] {
        assert!(
            matches!(kendall_s_p(s, n), Err(OutOfRange { .. })),
            "{s} {n}"
        );
    }
    for n in 0..2 {
        assert_eq!(kendall_s_p(0, n), Err(TooFew { needed: 2, got: n }));
    }
    let tied = kendall_without_ties(&[1.0, 1.0, 2.0], &[1.0, 2.0, 3.0]);
    assert_eq!(
        tied,
        Err(OutOfRange {
            what: "a tied value"
        })
    );
    let most = (MOST_PAIRS * (MOST_PAIRS - 1) / 2) as i64;
    let p = kendall_s_p(most, MOST_PAIRS).unwrap();
    assert!((0.0..1e-300).contains(&p));
}
