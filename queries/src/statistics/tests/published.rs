//! Printed and certified values, each with its source beside it.

use super::super::control_chart::{self, EwmaSettings, Subgroup};
use super::super::description::{Moments, mean_sd, median, quantile, sd_from_sums};
use super::super::funnel::{self, Widening};
use super::super::multiplicity::{benjamini_hochberg, holm};
use super::super::proportion::{newcombe_difference, wilson};
use super::super::random_intercept::{self, Group};
use super::super::rank::{bonett_wright, kendall, mid_ranks, spearman};
use super::super::spread::brown_forsythe;
use super::super::{CHI_SQUARE_95, Z_95, trend};
use super::{close, column, correct_digits, groups, labelled, pairs};

/// Benjamini & Hochberg (1995), J R Stat Soc B 57:289: the 15 p-values of their example.
pub(super) const BENJAMINI_1995: [f64; 15] = [
    0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719,
    0.6528, 0.7590, 1.000,
];

/// NIST/SEMATECH e-Handbook 6.3.3.2 (from memory): defective chips on 30 wafers of 50.
pub(super) const WAFERS: [u64; 30] = [
    12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22, 8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12,
    7, 13, 9, 6,
];

/// NIST/SEMATECH e-Handbook 6.3.2.4: the data of its EWMA chart.
pub(super) const EWMA: [f64; 20] = [
    52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2,
    52.6, 52.4, 53.6, 52.1,
];

#[test]
fn constants_are_the_quantiles_of_statrs() {
    use statrs::distribution::{ChiSquared, ContinuousCDF, Normal};
    close(Normal::standard().inverse_cdf(0.975), Z_95, 1e-15);
    close(
        ChiSquared::new(1.0).unwrap().inverse_cdf(0.95),
        CHI_SQUARE_95,
        1e-12,
    );
}

/// NIST Statistical Reference Datasets, univariate: certified values, one value at a time and in chunks, to what the
/// update can keep. (`certified.rs` holds all nine sets against the two-pass form.)
#[test]
fn moments_pushed_and_merged_keep_the_certified_digits() {
    let sets = [
        ("lew", -177.435, 277.332168044316, 12.5),
        ("mavro", 2.001856, 0.000429123454003053, 10.6),
        ("michelso", 299.8524, 0.0790105478190518, 11.4),
    ];
    for (name, mean, sd, digits) in sets {
        let values = column(name, 0);
        let pushed: Moments = values.iter().copied().collect();
        let merged = values
            .chunks(7)
            .map(|chunk| chunk.iter().copied().collect())
            .fold(Moments::default(), Moments::merge);
        for moments in [pushed, merged] {
            assert_eq!(moments.n, values.len() as u64);
            assert!(correct_digits(moments.mean, mean) >= 14.0, "{name}");
            assert!(
                correct_digits(moments.sd().unwrap(), sd) >= digits,
                "{name}"
            );
        }
    }
}

/// The same certified standard deviations from exact integer sums of the decimals as written.
#[test]
fn nist_certified_deviation_from_integer_sums() {
    for (name, scale, sd) in [
        ("lew", 1.0, 277.332168044316),
        ("mavro", 1e5, 0.000429123454003053),
        ("michelso", 1e2, 0.0790105478190518),
    ] {
        let whole: Vec<i128> = column(name, 0)
            .iter()
            .map(|value| (value * scale).round() as i128)
            .collect();
        let sum = whole.iter().sum();
        let squares = whole.iter().map(|value| value * value).sum();
        let got = sd_from_sums(whole.len() as u64, sum, squares).unwrap() / scale;
        assert!(correct_digits(got, sd) >= 14.0, "{name}: {got}");
    }
}

/// Hyndman & Fan (1996), type 7 as R's `quantile` gives it; types 6 and 8 would give 3.7 and 3.8333 at 0.3.
#[test]
fn quantile_is_type_seven() {
    let values = [1.0, 3.0, 4.0, 10.0, 15.0, 20.0, 22.0, 30.0];
    close(quantile(&values, 0.3).unwrap(), 4.6, 1e-15);
    close(median(&values).unwrap(), 12.5, 1e-15);
    assert_eq!(quantile(&values, 0.0), Ok(1.0));
    assert_eq!(quantile(&values, 1.0), Ok(30.0));
    assert_eq!(quantile(&[7.0], 0.9), Ok(7.0));
}

/// Newcombe (1998), Stat Med 17:857, method 3: four printed digits (from memory).
#[test]
fn wilson_as_printed_by_newcombe() {
    for (r, n, lo, hi) in [
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ] {
        let got = wilson(r, n).unwrap();
        assert!(
            (got.lo - lo).abs() < 5e-5 && (got.hi - hi).abs() < 5e-5,
            "{r}/{n}: {got:?}"
        );
    }
    // The ends are pinned, not approached.
    for n in 1..200 {
        assert_eq!(wilson(0, n).unwrap().lo, 0.0);
        assert_eq!(wilson(n, n).unwrap().hi, 1.0);
    }
}

/// Newcombe (1998), Stat Med 17:873, method 10: four printed digits (from memory).
#[test]
fn difference_as_printed_by_newcombe() {
    for (first, second, lo, hi) in [
        ((56, 70), (48, 80), 0.0524, 0.3339),
        ((9, 10), (3, 10), 0.1705, 0.8090),
        ((6, 7), (2, 7), 0.0582, 0.8062),
        ((0, 10), (0, 20), -0.1611, 0.2775),
        ((10, 10), (0, 20), 0.6791, 1.0),
    ] {
        let got = newcombe_difference(first, second).unwrap();
        assert!(
            (got.lo - lo).abs() < 5e-5 && (got.hi - hi).abs() < 5e-5,
            "{first:?} {second:?}: {got:?}"
        );
    }
}

/// The example of `ci.spear` in the R package statpsych, by the author of the interval: 0.8699639, 0.5840951, 0.9638297.
#[test]
fn rho_and_interval_of_bonett() {
    let (_, x, y) = pairs("bonett");
    let rho = spearman(&x, &y).unwrap();
    let interval = bonett_wright(rho, x.len() as u64).unwrap();
    assert!((rho - 0.869_963_9).abs() < 5e-8);
    assert!((interval.lo - 0.584_095_1).abs() < 5e-8 && (interval.hi - 0.963_829_7).abs() < 5e-8);
}

/// From memory: Kendall & Gibbons (1990): tau_b 0.859 with S = 33; Hollander & Wolfe (1973):
/// tau 0.444 (26 concordant of 36 pairs).
#[test]
fn tau_of_two_handbooks() {
    let (_, x, y) = pairs("kendall_gibbons");
    let got = kendall(&x, &y).unwrap();
    assert_eq!(got.s, 33);
    assert!((got.tau_b - 0.859).abs() < 5e-4);
    let (_, x, y) = pairs("hollander_wolfe");
    let got = kendall(&x, &y).unwrap();
    assert_eq!(got.s, 26 - 10);
    close(got.tau_b, 4.0 / 9.0, 1e-15);
}

/// Mid-ranks by hand; minus zero and zero are one value.
#[test]
fn ties_share_their_mean_rank() {
    assert_eq!(
        mid_ranks(&[10.0, 20.0, 10.0, 5.0]).unwrap(),
        [2.5, 4.0, 2.5, 1.0]
    );
    assert_eq!(mid_ranks(&[0.0, -0.0, 0.0]).unwrap(), [2.0, 2.0, 2.0]);
}

/// Davies & Goldsmith (1972) in Bates et al. (2015), J Stat Softw 67(1), and lme4's documentation: REML variances
/// 1764.05 and 2451.25, criterion 319.6543; Box & Tiao (1973): variance between exactly 0, criterion 161.8283.
#[test]
fn dyestuff_as_published() {
    let fit = random_intercept::fit(&groups("dyestuff")).unwrap();
    assert!((fit.var_between - 1764.05).abs() < 5e-3 && (fit.var_within - 2451.25).abs() < 5e-3);
    assert!((fit.minus_two_log_likelihood - 319.6543).abs() < 5e-5);
    let fit = random_intercept::fit(&groups("dyestuff2")).unwrap();
    assert_eq!(fit.var_between, 0.0);
    assert_eq!(fit.icc, 0.0);
    assert!((fit.minus_two_log_likelihood - 161.8283).abs() < 5e-5);
}

/// Balanced groups in closed form (Searle, Casella & McCulloch 1992): REML equals the analysis of variance, with
/// variance within = mean square within, variance between = (mean square between − within) / n where not negative.
#[test]
fn balanced_groups_in_closed_form() {
    for name in ["dyestuff", "rail"] {
        let groups = groups(name);
        let (k, n) = (groups.len() as f64, groups[0].n as f64);
        let mean = groups.iter().map(|g| g.mean).sum::<f64>() / k;
        let between = n * groups.iter().map(|g| (g.mean - mean).powi(2)).sum::<f64>() / (k - 1.0);
        let within = groups.iter().map(|g| g.ss).sum::<f64>() / (k * (n - 1.0));
        let fit = random_intercept::fit(&groups).unwrap();
        close(fit.var_within, within, 1e-12);
        close(fit.var_between, (between - within) / n, 1e-12);
        close(fit.mu, mean, 1e-14);
        close(fit.se_mu, (between / (k * n)).sqrt(), 1e-12);
    }
}

/// Integer sums in hundredths give the group that the values give.
#[test]
fn group_from_integer_sums() {
    let hundredths: [i128; 4] = [1250, -330, 475, 1105];
    let sums = (
        hundredths.iter().sum(),
        hundredths.iter().map(|v| v * v).sum(),
    );
    let got = Group::from_sums(4, sums.0, sums.1, 0.01).unwrap();
    let values = mean_sd(&[12.5, -3.3, 4.75, 11.05]).unwrap();
    close(got.mean, values.mean, 1e-14);
    close(got.ss, 3.0 * values.sd * values.sd, 1e-13);
}

/// NIST/SEMATECH e-Handbook 1.3.5.10: W = 1.705910 with 9 and 90 degrees of freedom, p = 0.09908 as printed.
#[test]
fn brown_forsythe_of_gears() {
    let gears = labelled("gears");
    let batches: Vec<&[f64]> = gears.iter().map(|(_, values)| values.as_slice()).collect();
    let got = brown_forsythe(&batches).unwrap();
    assert_eq!((got.df_between, got.df_within), (9.0, 90.0));
    assert!(
        (got.w - 1.70591).abs() < 2e-5 && (got.p - 0.09908).abs() < 5e-6,
        "{got:?}"
    );
}

/// Agresti (2013), Categorical Data Analysis, alcohol and malformation (from memory): 6.57 with midpoints of
/// drinks a day as scores.
#[test]
fn trend_of_malformation() {
    let (cases, births) = ([48, 38, 5, 1, 1], [17114, 14502, 793, 127, 38]);
    let got = trend::cochran_armitage(&[0.0, 0.5, 1.5, 4.0, 7.0], &cases, &births).unwrap();
    assert!((got.chi_squared - 6.57).abs() < 5e-3 && got.slope > 0.0 && got.z > 0.0);
}

/// Benjamini & Hochberg (1995): at 0.05 their procedure rejects 4 of 15, Bonferroni's and Holm's 3.
#[test]
fn rejections_of_benjamini_and_hochberg() {
    let rejected = |adjusted: Vec<f64>| adjusted.iter().filter(|p| **p <= 0.05).count();
    assert_eq!(rejected(benjamini_hochberg(&BENJAMINI_1995).unwrap()), 4);
    assert_eq!(rejected(holm(&BENJAMINI_1995).unwrap()), 3);
    assert!(holm(&[]).unwrap().is_empty());
}

/// Spiegelhalter (2005): normal limits, exact limits and widening fit together.
#[test]
fn funnel_limits_fit_together() {
    // The inner limits of a large group approach the normal ones.
    let exact = funnel::binomial_limits(0.5, 1_000_000, funnel::INNER, 1.0).unwrap();
    let normal = funnel::normal_limits(0.5, 0.5 / 1000.0, funnel::INNER, Widening::None).unwrap();
    assert!((exact.lo - normal.lo).abs() < 1e-6 && (exact.hi - normal.hi).abs() < 1e-6);
    // phi = 4 doubles the distance; tau squared adds.
    let wide = funnel::binomial_limits(0.5, 1_000_000, funnel::INNER, 4.0).unwrap();
    close(wide.hi - 0.5, 2.0 * (exact.hi - 0.5), 1e-14);
    close(
        Widening::Multiplicative(4.0).standard_error(3.0).unwrap(),
        6.0,
        1e-15,
    );
    close(
        Widening::Additive(16.0).standard_error(3.0).unwrap(),
        5.0,
        1e-15,
    );
    // Small groups are clipped to shares.
    let small = funnel::binomial_limits(0.074, 20, funnel::OUTER, 2.0).unwrap();
    assert!(small.lo == 0.0 && small.hi < 1.0);
    // 0.998 two-sided is the normal quantile 3.0902 (any table of the normal distribution).
    let outer = funnel::normal_limits(0.0, 1.0, funnel::OUTER, Widening::None).unwrap();
    assert!((outer.hi - 3.0902).abs() < 5e-5);
    // Twelve hospitals: over-dispersed, so the factor in force is the winsorised phi.
    let (z, errors) = super::reference::surgical_scores();
    let dispersion = funnel::dispersion(&z, &errors).unwrap();
    assert_eq!(dispersion.in_force(), dispersion.phi_winsorised);
    let calm = funnel::dispersion(&[0.1, -0.2, 0.1], &[1.0; 3]).unwrap();
    assert_eq!((calm.in_force(), calm.tau_squared), (1.0, 0.0));
}

/// By its definition a 99.8 % limit leaves at most 0.001 beyond it on either side; the probabilities are summed term by
/// term. A full score of 20 at 0.85 has probability 0.85^20 = 0.0388, so it lies within.
#[test]
fn funnel_limits_leave_no_more_beyond_them_than_they_say() {
    for target in [0.05, 0.3, 0.6, 0.85, 0.95] {
        for n in [5_u64, 20, 39, 150, 400] {
            let limits = funnel::binomial_limits(target, n, funnel::OUTER, 1.0).unwrap();
            let mirrored = funnel::binomial_limits(1.0 - target, n, funnel::OUTER, 1.0).unwrap();
            close(limits.hi, 1.0 - mirrored.lo, 1e-12);
            let mut probability = (n as f64 * (1.0 - target).ln()).exp();
            let (mut low, mut high) = (0.0, 0.0);
            for k in 0..=n {
                let share = k as f64 / n as f64;
                if share < limits.lo {
                    low += probability;
                } else if share > limits.hi {
                    high += probability;
                }
                probability *= (n - k) as f64 / (k + 1) as f64 * target / (1.0 - target);
            }
            assert!(
                low <= 0.001 && high <= 0.001,
                "{target}, {n}: {low}, {high}"
            );
        }
    }
    let full = funnel::binomial_limits(0.85, 20, funnel::OUTER, 1.0).unwrap();
    assert!(full.contains(1.0));
}

/// NIST/SEMATECH e-Handbook 6.3.3.2 (from memory): centre 0.2313, limits 0.4102 and 0.0524, wafers 15 and 23 outside.
#[test]
fn p_chart_of_wafers() {
    let wafers: Vec<(u64, u64)> = WAFERS.iter().map(|&r| (r, 50)).collect();
    let chart = control_chart::p_chart(&wafers, false).unwrap();
    assert!((chart.centre - 0.2313).abs() < 5e-5);
    assert!(
        (chart.points[0].upper - 0.4102).abs() < 5e-5
            && (chart.points[0].lower - 0.0524).abs() < 5e-5
    );
    let outside: Vec<usize> = chart
        .points
        .iter()
        .enumerate()
        .filter(|(_, point)| point.outside)
        .map(|(i, _)| i + 1)
        .collect();
    assert_eq!(outside, [15, 23]);
    // With Laney's correction the limits are wider by sigma_z, and none is outside.
    let laney = control_chart::p_chart(&wafers, true).unwrap();
    close(
        laney.points[0].upper - laney.centre,
        laney.sigma_z * (chart.points[0].upper - chart.centre),
        1e-13,
    );
    assert!(laney.points.iter().all(|point| !point.outside));
}

/// NIST/SEMATECH e-Handbook 6.3.2.4: limits 52.5884 and 47.4115, averages 50.60, 49.52, 50.56, 50.18.
#[test]
fn ewma_of_the_handbook() {
    let settings = EwmaSettings {
        lambda: 0.3,
        width: 3.0,
    };
    let points = control_chart::ewma(&EWMA, &[1; 20], 50.0, 2.0539, settings).unwrap();
    for (point, printed) in points.iter().zip([50.60, 49.52, 50.56, 50.18]) {
        assert!((point.value - printed).abs() < 6e-3, "{point:?}");
    }
    let last = points.last().unwrap();
    assert!((last.upper - 52.5884).abs() < 1e-4 && (last.lower - 47.4115).abs() < 1e-4);
    // A subgroup of 4 has the standard error of one value halved.
    let four = control_chart::ewma(&[51.0], &[4], 50.0, 2.0, settings).unwrap();
    close(four[0].upper - 50.0, 3.0 * 0.3 * 1.0, 1e-14);
}

/// NIST/SEMATECH e-Handbook 6.3.2.2: mean 50.81, mean moving range 1.8778, limits 55.8041 and 45.8159 with d2 = 1.128.
#[test]
fn individuals_of_the_handbook() {
    let chart = control_chart::individuals(&EWMA[10..]).unwrap();
    close(chart.centre, 50.81, 1e-14);
    let rounded = chart.sigma * control_chart::D2_OF_TWO / 1.128;
    assert!((chart.centre + 3.0 * rounded - 55.8041).abs() < 5e-5);
    assert!((chart.centre - 3.0 * rounded - 45.8159).abs() < 5e-5);
    close(chart.points[0].upper, 55.80241168005054, 1e-13);
}

/// Montgomery, piston rings (from memory): mean 74.001, mean S 0.0094, subgroups of 5: limits of the mean 74.014 and
/// 73.988, of S 0 and 0.0196.
#[test]
fn mean_and_deviation_charts_of_piston_rings() {
    let rings: Vec<Subgroup> = [73.999, 74.003, 74.001, 74.001]
        .into_iter()
        .zip([0.0084, 0.0104, 0.0094, 0.0094])
        .map(|(mean, sd)| Subgroup { n: 5, mean, sd })
        .collect();
    let chart = control_chart::xbar_s(&rings).unwrap();
    assert!(
        (chart.means[0].upper - 74.014).abs() < 6e-4
            && (chart.means[0].lower - 73.988).abs() < 6e-4
    );
    assert!((chart.deviations[0].upper - 0.0196).abs() < 5e-5);
    assert_eq!(chart.deviations[0].lower, 0.0);
    // With equal sizes sigma is the mean deviation over c4.
    close(chart.sigma, 0.0094 / control_chart::c4(5).unwrap(), 1e-13);
    // A larger subgroup has narrower limits around the same centre.
    let mixed = [
        Subgroup {
            n: 5,
            mean: 1.0,
            sd: 1.0,
        },
        Subgroup {
            n: 20,
            mean: 1.0,
            sd: 1.0,
        },
    ];
    let chart = control_chart::xbar_s(&mixed).unwrap();
    close(
        (chart.means[0].upper - 1.0) / (chart.means[1].upper - 1.0),
        2.0,
        1e-13,
    );
}
