//! Intervals, p-values and odds ratios.

use super::super::super::Z_95;
use super::super::super::categorical::{logistic, proportional_odds, sandwich};
use super::super::close;
use super::{MadeUp, is_one, slices};

#[test]
fn interval_and_odds_ratio_of_a_table() {
    // 30 of 40 against 15 of 45: the odds ratio is 30·30/(10·15) = 6, the variance of its log 1/30+1/10+1/15+1/30.
    let x: Vec<f64> = (0..85).map(|row| f64::from(u8::from(row < 40))).collect();
    let yes: Vec<f64> = (0..85)
        .map(|row| f64::from(u8::from(row < 30 || (40..55).contains(&row))))
        .collect();
    let fit = logistic::fit(&is_one(&yes), &[&x], None).unwrap();
    let got = fit.coefficient(1).unwrap();
    let error = (1.0 / 30.0 + 1.0 / 10.0 + 1.0 / 15.0 + 1.0 / 30.0_f64).sqrt();
    close(got.value, 6.0_f64.ln(), 1e-12);
    close(got.standard_error, error, 1e-12);
    close(got.interval.hi, 6.0_f64.ln() + Z_95 * error, 1e-12);
    let (ratio, interval) = got.odds_ratio().unwrap();
    close(ratio, 6.0, 1e-12);
    close(interval.lo, 6.0 * (-Z_95 * error).exp(), 1e-12);
    assert_eq!(got.degrees, None);
}

/// Up to a million clusters.
#[test]
fn t_over_many_clusters() {
    use super::super::super::categorical::estimate::Estimate;
    for (degrees, p, quantile) in T_REFERENCE {
        let got = Estimate::new(3.0, 1.0, Some(degrees)).unwrap();
        close(got.p / p, 1.0, 1e-9);
        close(got.interval.hi - 3.0, quantile, 1e-10);
    }
}

/// Degrees of freedom, `2*stats.t(df).sf(3)` and `stats.t(df).ppf(0.975)` of scipy 1.17.1.
const T_REFERENCE: [(f64, f64, f64); 7] = [
    (1.0, 0.20483276469913345, 12.706204736174694),
    (4.0, 0.03994196807171883, 2.7764451051977934),
    (29.0, 0.005499192133903412, 2.045229642132703),
    (999.0, 0.0027667764601477917, 1.9623414611334493),
    (1001.0, 0.002766641763894641, 1.9623367052808798),
    (20000.0, 0.002703121038120492, 1.9600826051581348),
    (999999.0, 0.0026998625414882717, 1.9599663568164791),
];

/// The robust interval is wider than one by the normal distribution, by the ratio of quantiles.
#[test]
fn few_clusters_use_t() {
    let made = MadeUp::new(100, 1, 3, 40);
    let x = slices(&made.columns);
    let fit = proportional_odds::fit(&made.score, &x, None).unwrap();
    let robust = sandwich::cluster_robust(&fit, &made.score, &x, None, &made.cluster).unwrap();
    assert_eq!(robust.clusters, 5);
    let got = robust.coefficient(0).unwrap();
    // The 0.975 quantile of t on 4 degrees of freedom, of any printed table: 2.776.
    close(
        (got.interval.hi - got.value) / got.standard_error,
        2.776445105,
        1e-9,
    );
    assert_eq!(sandwich::NAME, "CR1 = G/(G-1)");
}
