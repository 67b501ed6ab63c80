//! Log spreads, the split within and between, and bounds.

use super::super::super::log_spread::{GroupSpread, compare, log_sd};
use super::super::super::nonresponse::bounds::{
    ShareAnswers, critical_value, of_counted_mean, of_mean, of_mean_difference, of_share,
    of_share_difference,
};
use super::super::super::proportion::{newcombe_difference, wilson};
use super::super::super::random::{below, stream};
use super::super::super::within_between::split;
use super::super::super::{Interval, Z_95};
use super::super::close;
use super::{noise, pick, shuffled, uniform};

/// The first terms of the exact forms are those of Nakagawa et al. (2015), Methods Ecol Evol 6:143 (from memory):
/// ln s + 1/(2(n - 1)) with variance 1/(2(n - 1)).
#[test]
fn log_sd_has_the_usual_first_terms() {
    for n in [100, 1000, 100_000, u64::MAX] {
        let m = (n - 1) as f64;
        let got = log_sd(GroupSpread { n, sd: 2.0 }).unwrap();
        close(got.value - 2f64.ln(), 1.0 / (2.0 * m), 1e-4);
        close(got.variance * 2.0 * m, 1.0, 1.1 / m + 1e-9);
    }
}

/// The estimate is unbiased and its variance exact for normal samples: means over many samples against both.
#[test]
fn log_sd_is_unbiased_for_normal_samples() {
    let samples = 4000;
    let mut logs = Vec::new();
    for case in 0..samples {
        let mut rng = stream(case, "normal samples", 0);
        // Sums of 48 uniform numbers, close enough to normal for the fourth moment to matter less than chance.
        let values: Vec<f64> = (0..6)
            .map(|_| (0..4).map(|_| noise(&mut rng)).sum::<f64>())
            .collect();
        let mean = values.iter().sum::<f64>() / 6.0;
        let sd = (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / 5.0).sqrt();
        logs.push(log_sd(GroupSpread { n: 6, sd }).unwrap());
    }
    let n = samples as f64;
    let mean = logs.iter().map(|log| log.value).sum::<f64>() / n;
    let variance = logs
        .iter()
        .map(|log| (log.value - mean).powi(2))
        .sum::<f64>()
        / n;
    let exact = logs[0].variance;
    // The true log is that of 2. Four standard errors; ln s alone would be 19 of them too low.
    assert!(
        (mean - 2f64.ln()).abs() < 4.0 * (exact / n).sqrt(),
        "{mean}"
    );
    assert!((variance / exact - 1.0).abs() < 0.12, "{variance} {exact}");
}

#[test]
fn equal_spreads_show_no_variance_between() {
    let groups = vec![GroupSpread { n: 12, sd: 3.5 }; 8];
    let got = compare(&groups).unwrap();
    assert_eq!((got.var_between, got.q, got.p), (0.0, 0.0, 1.0));
    for group in &got.groups {
        assert_eq!((group.reliability, group.ratio), (0.0, 1.0));
        assert_eq!(group.ratio_limits, Interval { lo: 1.0, hi: 1.0 });
        close(group.sd, got.typical, 1e-15);
    }
}

#[test]
fn spreads_scale_and_shrink_between_own_and_typical() {
    for case in 0..40 {
        let mut rng = stream(case, "spreads", 0);
        let groups: Vec<GroupSpread> = (0..2 + below(&mut rng, 12))
            .map(|_| GroupSpread {
                n: 2 + u64::from(below(&mut rng, 60)),
                sd: (1.5 * noise(&mut rng)).exp(),
            })
            .collect();
        let got = compare(&groups).unwrap();
        if got.var_between > 0.0 {
            // The defining equation of Paule and Mandel: the generalised Q equals its degrees of freedom.
            let q: f64 = got
                .groups
                .iter()
                .map(|g| (g.own.value - got.mean_log).powi(2) / (g.own.variance + got.var_between))
                .sum();
            close(q, got.df as f64, 1e-9);
        } else {
            assert!(got.q <= got.df as f64);
        }
        for group in &got.groups {
            let (low, high) = if group.own.value < got.mean_log {
                (group.own.value, got.mean_log)
            } else {
                (got.mean_log, group.own.value)
            };
            assert!(low - 1e-12 <= group.log && group.log <= high + 1e-12);
            assert!(group.sd_limits.contains(group.sd) && group.ratio_limits.contains(group.ratio));
            close(group.ratio * got.typical, group.sd, 1e-12);
        }
        let scaled: Vec<GroupSpread> = groups
            .iter()
            .map(|g| GroupSpread {
                sd: 10.0 * g.sd,
                ..*g
            })
            .collect();
        let ten = compare(&scaled).unwrap();
        close(ten.typical / got.typical, 10.0, 1e-9);
        close(ten.q, got.q, 1e-10);
        close(ten.var_between, got.var_between, 1e-9);
        let turned = compare(&groups.iter().rev().copied().collect::<Vec<_>>()).unwrap();
        close(turned.var_between, got.var_between, 1e-9);
        for (a, b) in turned.groups.iter().rev().zip(&got.groups) {
            close(a.sd, b.sd, 1e-9);
        }
    }
}

#[test]
fn a_split_adds_up_and_is_centred() {
    for case in 0..40 {
        let mut rng = stream(case, "split", 0);
        let n = 4 + below(&mut rng, 50) as usize;
        let group: Vec<u32> = (0..n).map(|_| below(&mut rng, 6)).collect();
        let values: Vec<f64> = (0..n).map(|_| 100.0 + noise(&mut rng)).collect();
        let Ok(got) = split(&values, &group) else {
            continue;
        };
        for label in 0..6 {
            let rows: Vec<usize> = (0..n).filter(|&row| group[row] == label).collect();
            let sum: f64 = rows.iter().map(|&row| got.within[row]).sum();
            assert!(sum.abs() < 1e-11);
            for &row in &rows {
                assert_eq!(got.between[row], got.between[rows[0]]);
                close(got.between[row] + got.within[row], values[row], 1e-15);
            }
        }
        let order = shuffled(n, case);
        let again = split(&pick(&values, &order), &pick(&group, &order)).unwrap();
        assert_eq!(again.between, pick(&got.between, &order));
        assert_eq!(again.within, pick(&got.within, &order));
        assert_eq!(again.groups_varying, got.groups_varying);
    }
    // Two groups, one of which varies: counted by hand.
    let got = split(&[0.1, 0.3, 5.0, 5.0], &[9, 9, 2, 2]).unwrap();
    assert_eq!((got.groups, got.groups_varying), (2, 1));
    assert_eq!(got.between[2..], [5.0, 5.0]);
    assert_eq!(got.within[2..], [0.0, 0.0]);
}

fn share(successes: u64, answered: u64, missing: u64) -> ShareAnswers {
    ShareAnswers {
        successes,
        answered,
        missing,
    }
}

#[test]
fn the_critical_value_runs_from_two_sides_to_one() {
    assert_eq!(critical_value(0.0), Ok(Z_95));
    // The root itself has the ten digits of the tail function.
    close(critical_value(1e-9).unwrap(), Z_95, 1e-8);
    // The normal quantile at 0.95 (scipy 1.17.1, stats.norm.ppf(0.95)).
    for wide in [10.0, 1e6, f64::INFINITY] {
        close(critical_value(wide).unwrap(), 1.6448536269514722, 1e-10);
    }
    let steps: Vec<f64> = (0..200)
        .map(|step| critical_value(f64::from(step) / 40.0).unwrap())
        .collect();
    assert!(steps.windows(2).all(|pair| pair[0] >= pair[1]));
}

#[test]
fn without_missing_answers_bounds_are_the_usual_intervals() {
    for (r, n) in [(81, 263), (15, 148), (0, 20), (29, 29), (1, 2)] {
        let got = of_share(share(r, n, 0)).unwrap();
        let usual = wilson(r, n).unwrap();
        assert_eq!(got.region.lo, got.region.hi);
        close(got.interval.lo, usual.lo, 1e-14);
        close(got.interval.hi, usual.hi, 1e-14);
    }
    // Newcombe (1998), Stat Med 17:873, method 10: 56/70 less 48/80.
    let got = of_share_difference(share(56, 70, 0), share(48, 80, 0)).unwrap();
    assert!((got.interval.lo - 0.0524).abs() < 5e-5 && (got.interval.hi - 0.3339).abs() < 5e-5);
    for (a, m, b, n) in [(9, 10, 3, 10), (10, 10, 0, 20), (0, 10, 0, 10)] {
        let got = of_share_difference(share(a, m, 0), share(b, n, 0)).unwrap();
        let usual = newcombe_difference((a, m), (b, n)).unwrap();
        close(got.interval.lo, usual.lo, 1e-14);
        close(got.interval.hi, usual.hi, 1e-14);
    }
    let scale = Interval { lo: 0.0, hi: 9.0 };
    let got = of_mean(&[1.0, 4.0, 4.0, 7.0], 0, scale).unwrap();
    assert_eq!((got.region.lo, got.region.hi), (4.0, 4.0));
    // sd = sqrt(6), n = 4.
    close(got.interval.hi, 4.0 + Z_95 * (6f64 / 4.0).sqrt(), 1e-14);
}

/// Whatever the missing answers are, the full mean lies in the region; both ends are reached.
#[test]
fn bounds_hold_every_way_to_fill_in() {
    let scale = Interval { lo: 1.0, hi: 5.0 };
    for case in 0..60 {
        let mut rng = stream(case, "bounds", 0);
        let answered = below(&mut rng, 12) as usize;
        let missing = 1 + u64::from(below(&mut rng, 12));
        if answered as u64 + missing < 2 {
            continue;
        }
        let answers: Vec<f64> = (0..answered)
            .map(|_| 1.0 + f64::from(below(&mut rng, 5)))
            .collect();
        let got = of_mean(&answers, missing, scale).unwrap();
        let total = answered as f64 + missing as f64;
        let known: f64 = answers.iter().sum();
        close(got.region.lo, (known + missing as f64) / total, 1e-14);
        close(got.region.hi, (known + 5.0 * missing as f64) / total, 1e-14);
        close(
            got.region.hi - got.region.lo,
            4.0 * missing as f64 / total,
            1e-13,
        );
        assert!(scale.lo <= got.interval.lo && got.interval.lo <= got.region.lo);
        assert!(got.region.hi <= got.interval.hi && got.interval.hi <= scale.hi);
        let filled: f64 = (0..missing).map(|_| 1.0 + 4.0 * uniform(&mut rng)).sum();
        assert!(got.region.contains((known + filled) / total));
        // The scale turned round turns the bounds round.
        let turned: Vec<f64> = answers.iter().map(|answer| 6.0 - answer).collect();
        let other = of_mean(&turned, missing, scale).unwrap();
        close(other.interval.lo, 6.0 - got.interval.hi, 1e-12);
        close(other.region.hi, 6.0 - got.region.lo, 1e-13);
        assert_eq!(
            of_mean(&pick(&answers, &shuffled(answered, case)), missing, scale).unwrap(),
            got
        );
        let none = of_mean_difference(&got, &got).unwrap();
        close(none.region.lo, -none.region.hi, 1e-13);
        close(none.interval.lo, -none.interval.hi, 1e-12);
    }
    let none = of_counted_mean(&[], &[], 7, scale).unwrap();
    assert_eq!((none.region, none.interval), (scale, scale));
    let nobody = of_share(share(0, 0, 7)).unwrap();
    assert_eq!(nobody.interval, Interval { lo: 0.0, hi: 1.0 });
}

/// A share that lies at an end of its bounds, or inside, is covered at least nearly as often as said.
#[test]
fn the_interval_covers_the_share_not_only_the_bounds() {
    let samples = 2000_u32;
    // Half say yes, a third do not answer. Those who do not: all yes (an end of the bounds), or half of them (inside).
    for (silent_yes, least, most) in [(1.0, 0.93, 0.97), (0.5, 0.999, 1.0)] {
        let mut covered = 0_u32;
        for case in 0..samples {
            let mut rng = stream(u64::from(case), "coverage of bounds", 0);
            let mut counts = share(0, 0, 0);
            for _ in 0..150 {
                if uniform(&mut rng) < 1.0 / 3.0 {
                    counts.missing += 1;
                } else {
                    counts.answered += 1;
                    counts.successes += u64::from(uniform(&mut rng) < 0.5);
                }
            }
            let truth = 2.0 / 3.0 * 0.5 + silent_yes / 3.0;
            covered += u32::from(of_share(counts).unwrap().interval.contains(truth));
        }
        let held = f64::from(covered) / f64::from(samples);
        assert!((least..=most).contains(&held), "{silent_yes}: {held}");
    }
}
