//! What must not matter, or must matter in a known way.

use rayon::ThreadPoolBuilder;

use super::super::super::mixed::Criterion::{self, Ml, Reml};
use super::super::super::mixed::{Mixed, Sums, fit, gather};
use super::super::super::random_intercept::{self, Group};
use super::super::close;
use super::{Rows, random_rows, shuffled};

const CASES: u64 = 24;
/// Two routes to one optimum differ by rounding in the sums and by the condition of the root.
const SAME: f64 = 1e-9;

fn cases() -> impl Iterator<Item = (u64, Rows, Criterion)> {
    (0..CASES).map(|case| {
        let between = [0.0, 1.0, 9.0, 400.0][case as usize % 4];
        let rows = random_rows(case, 6 + case as u32, between);
        (case, rows, if case % 3 == 0 { Ml } else { Reml })
    })
}

#[track_caller]
fn same_model(got: &Mixed, wanted: &Mixed) {
    let scale = wanted.var_within.max(wanted.var_between);
    close(got.var_within / scale, wanted.var_within / scale, SAME);
    close(got.var_between / scale, wanted.var_between / scale, SAME);
    assert_eq!(got.var_between == 0.0, wanted.var_between == 0.0);
    close(got.icc, wanted.icc, SAME);
    close(
        got.minus_two_log_likelihood,
        wanted.minus_two_log_likelihood,
        SAME,
    );
    for (got, wanted) in got.coefficients.iter().zip(&wanted.coefficients) {
        close(got.estimate / wanted.se, wanted.estimate / wanted.se, SAME);
        close(got.se / wanted.se, 1.0, SAME);
    }
    for (got, wanted) in got.levels().unwrap().iter().zip(&wanted.levels().unwrap()) {
        close(got.shrunken.estimate, wanted.shrunken.estimate, SAME);
        close(got.adjusted, wanted.adjusted, SAME);
        close(got.adjusted_error_sd, wanted.adjusted_error_sd, SAME);
    }
    assert_eq!(got.observations, wanted.observations);
    assert_eq!(got.groups, wanted.groups);
}

#[test]
fn order_of_rows_does_not_matter() {
    for (case, rows, criterion) in cases() {
        let moved = rows.at(&shuffled(case, rows.y.len()));
        same_model(&moved.fit(criterion), &rows.fit(criterion));
    }
}

/// New labels in reverse order: the same model, levels in the order of the new labels.
#[test]
fn labels_do_not_matter() {
    for (_, rows, criterion) in cases() {
        let base = rows.fit(criterion);
        let mut renamed = rows.clone();
        for label in &mut renamed.group {
            *label = u32::MAX - 7 * *label;
        }
        let got = renamed.fit(criterion);
        close(got.var_within, base.var_within, SAME);
        let levels = got.levels().unwrap();
        assert!(levels.is_sorted_by_key(|level| level.label));
        for (back, level) in levels.iter().rev().zip(base.levels().unwrap()) {
            assert_eq!(back.label, u32::MAX - 7 * level.label);
            assert_eq!(back.n, level.n);
            close(back.shrunken.effect, level.shrunken.effect, SAME);
            close(
                back.shrunken.prediction_error_sd,
                level.shrunken.prediction_error_sd,
                SAME,
            );
        }
    }
}

#[test]
fn order_of_covariates_does_not_matter() {
    for (_, rows, criterion) in cases() {
        let base = rows.fit(criterion);
        let mut turned = rows.clone();
        turned.columns.reverse();
        let mut got = turned.fit(criterion);
        got.coefficients[1..].reverse();
        same_model(&got, &base);
    }
}

/// y to a + b y and each x to c + d x: coefficients, variances and likelihood follow by rule, the intraclass
/// correlation and the reliabilities stay.
#[test]
fn units_follow_by_rule() {
    let (a, b) = (300.0, -2.5);
    let changes = [(7.0, 100.0), (-40.0, 0.01), (1000.0, -3.0)];
    for (_, rows, criterion) in cases() {
        let base = rows.fit(criterion);
        let mut moved = rows.clone();
        for y in &mut moved.y {
            *y = a + b * *y;
        }
        for (column, (c, d)) in moved.columns.iter_mut().zip(changes) {
            for x in column {
                *x = c + d * *x;
            }
        }
        let got = moved.fit(criterion);
        close(got.icc, base.icc, SAME);
        close(got.var_within / base.var_within, b * b, SAME);
        assert_eq!(got.var_between == 0.0, base.var_between == 0.0);
        let mut free = base.observations as f64;
        let mut shift = 0.0;
        if criterion == Reml {
            free -= 4.0;
            shift = changes.iter().map(|(_, d)| 2.0 * d.abs().ln()).sum();
        }
        close(
            got.minus_two_log_likelihood,
            base.minus_two_log_likelihood + free * (b * b).ln() + shift,
            SAME,
        );
        let mut constant = a + b * base.coefficients[0].estimate;
        for (k, (c, d)) in changes.iter().enumerate() {
            let (got, base) = (got.coefficients[k + 1], base.coefficients[k + 1]);
            close(
                got.estimate * d / b / base.se,
                base.estimate / base.se,
                SAME,
            );
            close(got.se * (d / b).abs() / base.se, 1.0, SAME);
            constant -= c * got.estimate;
        }
        let got_constant = got.coefficients[0];
        close(got_constant.estimate, constant, 1e-8);
        let (limits, wanted) = (got.intervals().unwrap(), base.intervals().unwrap());
        for (got, wanted) in [
            (limits.between_sd.lo, wanted.between_sd.lo),
            (limits.between_sd.hi, wanted.between_sd.hi),
            (limits.within_sd.lo, wanted.within_sd.lo),
            (limits.within_sd.hi, wanted.within_sd.hi),
        ] {
            close(got / b.abs(), wanted, 1e-8);
        }
        for (got, base) in got.levels().unwrap().iter().zip(base.levels().unwrap()) {
            close(got.shrunken.reliability, base.shrunken.reliability, SAME);
            close(got.shrunken.estimate, a + b * base.shrunken.estimate, 1e-8);
            close(got.adjusted, a + b * base.adjusted, 1e-8);
        }
    }
}

/// A multiple of a covariate added to the outcome moves that slope by the multiple and nothing else.
#[test]
fn slopes_take_what_is_added() {
    for (_, rows, criterion) in cases() {
        let base = rows.fit(criterion);
        for which in 0..3 {
            let mut moved = rows.clone();
            for (y, x) in moved.y.iter_mut().zip(&rows.columns[which]) {
                *y += 2.0 * x;
            }
            let got = moved.fit(criterion);
            close(got.var_within, base.var_within, 1e-8);
            close(got.icc, base.icc, 1e-8);
            for (k, (got, base)) in got.coefficients.iter().zip(&base.coefficients).enumerate() {
                let added = if k == which + 1 { 2.0 } else { 0.0 };
                close(got.estimate, base.estimate + added, 1e-7);
            }
        }
    }
}

/// Sums of parts, cut anywhere and merged in any order, are the sums of the whole.
#[test]
fn parts_merge_into_the_whole() {
    for (case, rows, criterion) in cases() {
        let places = shuffled(case + 100, rows.y.len());
        let third = places.len() / 3;
        let part = |places: &[usize]| rows.at(places).sums();
        let (a, b, c) = (
            part(&places[..third]),
            part(&places[third..2 * third]),
            part(&places[2 * third..]),
        );
        let left = a
            .clone()
            .merge(b.clone())
            .unwrap()
            .merge(c.clone())
            .unwrap();
        let right = c.merge(b).unwrap().merge(a).unwrap();
        let whole = rows.sums();
        assert_eq!(left.covariates(), 3);
        for merged in [&left, &right] {
            for (got, wanted) in merged.groups().iter().zip(whole.groups()) {
                assert_eq!((got.label(), got.n()), (wanted.label(), wanted.n()));
                close(got.mean(), wanted.mean(), 1e-13);
                for (got, wanted) in got.covariate_means().iter().zip(wanted.covariate_means()) {
                    close(*got, *wanted, 1e-13);
                }
            }
            same_model(
                &fit(merged, criterion).unwrap(),
                &fit(&whole, criterion).unwrap(),
            );
        }
    }
}

/// Merging with nothing changes no bit.
#[test]
fn nothing_merges_into_the_same() {
    let sums = random_rows(1, 9, 1.0).sums();
    let nothing = || gather(&[], &[&[], &[], &[]], &[]).unwrap();
    assert_eq!(nothing().merge(sums.clone()).unwrap(), sums);
    assert_eq!(sums.clone().merge(nothing()).unwrap(), sums);
}

/// More rows than one block in each group, on 1 to 4 threads: the same to the last bit.
#[test]
fn threads_do_not_move_a_bit() {
    let mut rows = random_rows(5, 40, 4.0);
    while rows.y.len() < 20_000 {
        let again = rows.at(&(0..rows.y.len()).collect::<Vec<_>>());
        rows.y.extend(again.y.iter().map(|y| y + 0.37));
        for (column, more) in rows.columns.iter_mut().zip(again.columns) {
            column.extend(more.iter().map(|x| x * 1.001));
        }
        rows.group.extend(again.group.iter().map(|g| g / 3));
    }
    let on = |threads: usize| -> (Sums, Mixed) {
        let pool = ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .unwrap();
        pool.install(|| (rows.sums(), rows.fit(Reml)))
    };
    let one = on(1);
    for threads in 2..=4 {
        assert_eq!(on(threads), one);
    }
}

/// Without covariates the model is the plain random intercept, whichever way its sums were made.
#[test]
fn no_covariates_is_the_random_intercept() {
    for (_, mut rows, _) in cases() {
        rows.columns.clear();
        let got = rows.fit(Reml);
        let mut groups: Vec<Group> = Vec::new();
        for label in 0..=rows.group[rows.group.len() - 1] {
            let values: Vec<f64> = (rows.y.iter().zip(&rows.group))
                .filter(|(_, group)| **group == label)
                .map(|(y, _)| *y)
                .collect();
            let mean = values.iter().sum::<f64>() / values.len() as f64;
            groups.push(Group {
                n: values.len() as u64,
                mean,
                ss: values.iter().map(|y| (y - mean).powi(2)).sum(),
            });
        }
        let plain = random_intercept::fit(&groups).unwrap();
        close(got.coefficients[0].estimate, plain.mu, SAME);
        close(got.coefficients[0].se, plain.se_mu, SAME);
        close(got.var_between, plain.var_between, SAME);
        close(got.var_within, plain.var_within, SAME);
        let levels = got.levels().unwrap();
        for (level, plain) in levels.iter().zip(plain.shrunken(&groups).unwrap()) {
            close(level.shrunken.estimate, plain.estimate, SAME);
            close(level.shrunken.lo, plain.lo, SAME);
            close(
                level.shrunken.prediction_error_sd,
                plain.prediction_error_sd,
                SAME,
            );
            // Without a slope to follow, a group's adjusted mean is its mean, and errs by its rows alone.
            let group = &groups[level.label as usize];
            close(level.adjusted, group.mean, 1e-13);
            close(
                level.adjusted_error_sd,
                (got.var_within / group.n as f64).sqrt(),
                SAME,
            );
        }
    }
}

/// Moving the reference moves every level by the slopes; the effects stay. Levels lie between the adjusted mean and the
/// line, and errors keep their order.
#[test]
fn levels_follow_the_reference() {
    for (_, rows, criterion) in cases() {
        let fit = rows.fit(criterion);
        let means = fit.covariate_means.clone();
        let there: Vec<f64> = means.iter().map(|mean| mean + 3.0).collect();
        let step: f64 = fit.coefficients[1..].iter().map(|c| 3.0 * c.estimate).sum();
        let line: f64 = fit.coefficients[0].estimate
            + means
                .iter()
                .zip(&fit.coefficients[1..])
                .map(|(mean, c)| mean * c.estimate)
                .sum::<f64>();
        let (here, there) = (fit.levels().unwrap(), fit.levels_at(&there).unwrap());
        assert_eq!(here, fit.levels_at(&means).unwrap());
        for (here, there) in here.iter().zip(&there) {
            close(there.shrunken.estimate, here.shrunken.estimate + step, SAME);
            close(there.adjusted, here.adjusted + step, SAME);
            assert_eq!(there.shrunken.effect, here.shrunken.effect);
            let s = here.shrunken;
            let (low, high) = (line.min(here.adjusted), line.max(here.adjusted));
            assert!(low - 1e-8 <= s.estimate && s.estimate <= high + 1e-8);
            assert!((0.0..1.0).contains(&s.reliability) && s.lo <= s.hi);
            assert!(s.conditional_sd <= s.prediction_error_sd);
            // The shrunken level is the best linear prediction, so no other errs less.
            assert!(s.estimate_error_sd <= here.adjusted_error_sd * (1.0 + 1e-9));
        }
    }
}

#[test]
fn intervals_hold_the_estimate() {
    for (case, rows, criterion) in cases() {
        let fit = rows.fit(criterion);
        let limits = fit.intervals().unwrap();
        assert!(limits.between_sd.contains(fit.var_between.sqrt()), "{case}");
        assert!(limits.within_sd.contains(fit.var_within.sqrt()), "{case}");
        assert!(limits.icc.contains(fit.icc), "{case}");
        // The test at 0 and the interval that leaves 0 out are two views of one drop.
        let test = fit.no_groups().unwrap();
        let beyond = test.statistic > crate::statistics::CHI_SQUARE_95;
        assert_eq!(limits.between_sd.lo > 0.0, beyond, "{case}");
    }
}

/// A large constant in outcome and covariates costs the digits that adding it costs, and no more: at 2^26 some 8 of 16
/// are left in each value.
#[test]
fn large_values_close_to_each_other() {
    let rows = random_rows(11, 15, 4.0);
    let base = rows.fit(Reml);
    let mut far = rows.clone();
    let big = 67_108_864.0;
    for value in far.y.iter_mut().chain(far.columns.iter_mut().flatten()) {
        *value += big;
    }
    let got = far.fit(Reml);
    close(got.var_within, base.var_within, 1e-6);
    close(got.var_between, base.var_between, 1e-6);
    for (got, base) in got.coefficients[1..].iter().zip(&base.coefficients[1..]) {
        close(got.estimate, base.estimate, 1e-6);
    }
}

/// A covariate constant within groups, given as its difference from one that is not: within groups the two then move as
/// one, and only differences between groups tell them apart. It is the same model in other words, also where groups
/// differ ten thousand times more than rows.
#[test]
fn covariates_that_move_as_one_within_groups() {
    for (case, between) in [(0, 0.0), (1, 1.0), (2, 100.0), (3, 1e8)] {
        for criterion in [Reml, Ml] {
            let mut rows = random_rows(case + 50, 12, between);
            rows.columns.truncate(2);
            let base = rows.fit(criterion);
            let mut turned = rows.clone();
            for (difference, x) in turned.columns[1].iter_mut().zip(&rows.columns[0]) {
                *difference -= x;
            }
            let got = turned.fit(criterion);
            close(got.var_within / base.var_within, 1.0, SAME);
            close(got.icc, base.icc, SAME);
            close(
                got.minus_two_log_likelihood,
                base.minus_two_log_likelihood,
                SAME,
            );
            let [constant, one, two] = [0, 1, 2].map(|k| base.coefficients[k]);
            let [got_constant, got_one, got_two] = [0, 1, 2].map(|k| got.coefficients[k]);
            let error = one.se + two.se;
            close(
                (got_constant.estimate - constant.estimate) / constant.se,
                0.0,
                1e-8,
            );
            close(
                (got_one.estimate - one.estimate - two.estimate) / error,
                0.0,
                1e-8,
            );
            close((got_two.estimate - two.estimate) / error, 0.0, 1e-8);
            close(got_two.se / two.se, 1.0, 1e-8);
        }
    }
}
