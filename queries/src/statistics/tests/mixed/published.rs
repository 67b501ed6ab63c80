//! Published figures, and closed forms of balanced data.

use nalgebra::{DMatrix, DVector};
use statrs::distribution::{ContinuousCDF, FisherSnedecor};

use super::super::super::mixed::Criterion::{self, Ml, Reml};
use super::super::close;
use super::{Rows, case, uniform};
use crate::statistics::random::stream;

/// Half of the last printed digit.
#[track_caller]
fn printed(got: f64, text: &str) {
    let digits = text.split_once('.').map_or(0, |(_, after)| after.len());
    let wanted: f64 = text.parse().unwrap();
    let half = 0.5 * 10f64.powi(-(digits as i32));
    assert!(
        (got - wanted).abs() <= 1.01 * half,
        "got {got}, printed {text}"
    );
}

/// Estimates with their standard errors, as printed.
type Coefficients = &'static [(&'static str, &'static str)];

/// R 4.2.2 with lme4 1.1.31, `lmer(Yield ~ 1 + (1 | Batch))`, `lmer(travel ~ 1 + (1 | Rail))`,
/// `lmer(Reaction ~ Days + (1 | Subject))` and `lmer(effort ~ Type + (1 | Subject))`, REML and ML. The data and their
/// fits are the worked examples of Bates et al. (2015), J Stat Softw 67(1), and of Pinheiro & Bates (2000). Figures are
/// cut where lme4's optimiser stops being exact.
#[test]
fn fits_as_lme4_prints_them() {
    let fits: [(&str, Criterion, [&str; 3], Coefficients); 7] = [
        (
            "dyestuff",
            Reml,
            ["1764.05", "2451.25", "319.65427684"],
            &[("1527.5", "19.38341")],
        ),
        (
            "dyestuff",
            Ml,
            ["1388.333", "2451.25", "327.32705988"],
            &[("1527.5", "17.69455")],
        ),
        (
            "rail",
            Reml,
            ["615.3111", "16.16667", "122.17700081"],
            &[("66.5", "10.17104")],
        ),
        (
            "sleepstudy",
            Reml,
            ["1378.1785", "960.4566", "1786.4650854"],
            &[("251.4051048", "9.746716"), ("10.4672860", "0.8042214")],
        ),
        (
            "sleepstudy",
            Ml,
            ["1296.870", "954.52783", "1794.0786430"],
            &[("251.4051048", "9.506185"), ("10.4672860", "0.8017354")],
        ),
        (
            "sleepstudy unbalanced",
            Reml,
            ["1411.446", "836.5215", "1183.132138"],
            &[("250.8756609", "10.14005"), ("10.89872835", "0.9315252")],
        ),
        (
            "ergostool",
            Reml,
            ["1.775463", "1.210648", "121.130788702"],
            &[
                ("8.555555556", "0.576012"),
                ("3.888888889", "0.518684"),
                ("2.222222222", "0.518684"),
                ("0.666666667", "0.518684"),
            ],
        ),
    ];
    for (name, criterion, [between, within, value], coefficients) in fits {
        let fit = case(name).1.fit(criterion);
        printed(fit.var_between, between);
        printed(fit.var_within, within);
        printed(fit.minus_two_log_likelihood, value);
        assert_eq!(fit.coefficients.len(), coefficients.len());
        for (got, (estimate, se)) in fit.coefficients.iter().zip(coefficients) {
            printed(got.estimate, estimate);
            printed(got.se, se);
        }
    }
}

/// Box & Tiao's constructed yields have no variance between batches under either criterion; lme4 1.1.31 prints a
/// singular fit with these numbers. No group then has an effect of its own, or an uncertainty of one.
#[test]
fn variance_of_exactly_zero() {
    for (criterion, within, value, se) in [
        (Reml, "13.80631", "161.8282778", "0.678388"),
        (Ml, "13.34610", "162.8730367", "0.666986"),
    ] {
        let fit = case("dyestuff2").1.fit(criterion);
        assert_eq!((fit.var_between, fit.icc), (0.0, 0.0));
        printed(fit.var_within, within);
        printed(fit.minus_two_log_likelihood, value);
        printed(fit.coefficients[0].estimate, "5.6656");
        printed(fit.coefficients[0].se, se);
        for level in fit.levels().unwrap() {
            assert_eq!(level.shrunken.effect, 0.0);
            assert_eq!(level.shrunken.conditional_sd, 0.0);
            close(level.shrunken.estimate, 5.6656, 1e-13);
        }
        let test = fit.no_groups().unwrap();
        assert_eq!((test.statistic, test.p), (0.0, 1.0));
    }
}

/// R with lme4 1.1.31: `ranef(..., condVar = TRUE)` of the fits above.
#[test]
fn effects_as_lme4_prints_them() {
    let levels = case("dyestuff").1.fit(Reml).levels().unwrap();
    let wanted = [
        "-17.6069", "0.3913", "28.5622", "-23.0845", "56.7332", "-44.9953",
    ];
    for (level, effect) in levels.iter().zip(wanted) {
        printed(level.shrunken.effect, effect);
        printed(level.shrunken.conditional_sd, "19.58657");
    }
    let levels = case("sleepstudy unbalanced").1.fit(Reml).levels().unwrap();
    for (place, effect, sd) in [
        (0, "31.89535", "10.49642"),
        (1, "-83.92638", "10.49642"),
        (2, "-58.20354", "11.26440"),
        (9, "70.43697", "10.49642"),
        (17, "21.84968", "11.26440"),
    ] {
        printed(levels[place].shrunken.effect, effect);
        printed(levels[place].shrunken.conditional_sd, sd);
    }
}

/// R with lme4 1.1.31, `confint(..., method = "profile")` of ML fits: its limits are interpolated between points of the
/// profile, so that they are good to 2e-4 of themselves.
#[test]
fn profile_as_lme4_prints_it() {
    for (name, between, within) in [
        ("dyestuff", (12.1985, 84.0630), (38.22998, 67.65770)),
        ("sleepstudy", (26.00712, 52.93598), (27.81385, 34.59105)),
    ] {
        let got = case(name).1.fit(Ml).intervals().unwrap();
        for (got, wanted) in [
            (got.between_sd.lo, between.0),
            (got.between_sd.hi, between.1),
            (got.within_sd.lo, within.0),
            (got.within_sd.hi, within.1),
        ] {
            assert!((got - wanted).abs() < 2e-4 * wanted, "{got} {wanted}");
        }
    }
}

/// R with lmerTest 3.1.3, `anova(lmer(effort ~ Type + (1 | Subject)))`: F(3, 24) = 22.3556406327, p = 3.934564e-07.
/// Balanced data give whole degrees of freedom. lme4's optimiser leaves 1e-8 of error in the variances.
#[test]
fn stools_differ_as_lmertest_prints() {
    let fit = case("ergostool").1.fit(Reml);
    let slopes = DVector::from_iterator(3, fit.coefficients[1..].iter().map(|c| c.estimate));
    let covariance = DMatrix::from_fn(3, 3, |i, j| fit.covariance[i + 1][j + 1]);
    let f = slopes.dot(&(covariance.try_inverse().unwrap() * &slopes)) / 3.0;
    assert!((f - 22.3556406327).abs() < 5e-7, "{f}");
    let p = FisherSnedecor::new(3.0, 24.0).unwrap().sf(f);
    assert!((p / 3.934564e-7 - 1.0).abs() < 1e-6, "{p}");
}

/// R with lme4 1.1.31: twice the difference of `logLik` of `lmer(..., REML = FALSE)` and of `lm`, and half of its
/// `pchisq(..., 1, lower.tail = FALSE)`.
#[test]
fn likelihood_ratio_of_no_groups() {
    let test = case("dyestuff").1.fit(Ml).no_groups().unwrap();
    printed(test.statistic, "5.402826");
    printed(test.p, "0.010052");
    let test = case("sleepstudy").1.fit(Ml).no_groups().unwrap();
    printed(test.statistic, "106.2144134");
    assert!((test.p / 3.30868e-25 - 1.0).abs() < 1e-5, "{}", test.p);
}

/// With groups of one size, a covariate that is constant within groups has the slope of ordinary least squares on the
/// groups' means, and one with the same mean in every group has that within groups (Searle, Casella & McCulloch 1992,
/// from memory), whatever the variances. So has the error of the first: that of ordinary least squares.
#[test]
fn balanced_slopes_in_closed_form() {
    let mut rng = stream(3, "balanced", 0);
    let (groups, size) = (12, 5);
    let mut rows = Rows {
        columns: vec![Vec::new(); 2],
        ..Rows::default()
    };
    for group in 0..groups {
        let (level, x) = (4.0 * uniform(&mut rng), 10.0 * uniform(&mut rng));
        for step in 0..size {
            let inner = f64::from(step) - 2.0;
            rows.columns[0].push(x);
            rows.columns[1].push(inner);
            rows.y
                .push(7.0 + 0.6 * x - 0.9 * inner + level + 2.0 * uniform(&mut rng));
            rows.group.push(group);
        }
    }
    let fit = rows.fit(Reml);
    assert!(fit.var_between > 0.0);
    let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len() as f64;
    let slope = |x: &[f64], y: &[f64]| {
        let (mx, my) = (mean(x), mean(y));
        let xy: f64 = x.iter().zip(y).map(|(x, y)| (x - mx) * (y - my)).sum();
        let xx: f64 = x.iter().map(|x| (x - mx).powi(2)).sum();
        let rss: f64 = x
            .iter()
            .zip(y)
            .map(|(x, y)| (y - my - xy / xx * (x - mx)).powi(2))
            .sum();
        (xy / xx, xx, rss)
    };
    let means: Vec<f64> = rows.y.chunks(size as usize).map(mean).collect();
    let x: Vec<f64> = rows.columns[0]
        .iter()
        .copied()
        .step_by(size as usize)
        .collect();
    let (between, xx, rss) = slope(&x, &means);
    close(fit.coefficients[1].estimate, between, 1e-11);
    let se = (rss / f64::from(groups - 2) / xx).sqrt();
    close(fit.coefficients[1].se / se, 1.0, 1e-11);
    let centred: Vec<f64> = rows
        .y
        .iter()
        .zip(&rows.group)
        .map(|(y, group)| y - means[*group as usize])
        .collect();
    let (within, xx, rss) = slope(&rows.columns[1], &centred);
    close(fit.coefficients[2].estimate, within, 1e-11);
    let free = f64::from(groups * (size as u32 - 1) - 1);
    close(fit.var_within, rss / free, 1e-11);
    close(
        fit.coefficients[2].se / (rss / free / xx).sqrt(),
        1.0,
        1e-11,
    );
}
