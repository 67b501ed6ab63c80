//! Every row of `tests/reference/missing.csv`, which names its tool, version and call.

use super::super::super::log_spread::{GroupSpread, compare, log_sd};
use super::super::super::nonresponse::bounds::{
    ShareAnswers, critical_value, of_counted_mean, of_mean, of_mean_difference, of_share,
};
use super::super::super::smooth::{Direction, Rows, Settings, dose_response, isotonic, lowess};
use super::super::super::{Interval, trend, within_between};
use super::super::labelled;
use super::super::reference::{self, DISTRIBUTION, EXACT, Ours, ROOT};
use super::{cars, wave};

#[test]
fn every_reference_value_is_reproduced() {
    let mut ours = Ours::default();
    curves(&mut ours);
    isotonics(&mut ours);
    log_spreads(&mut ours);
    bounds(&mut ours);
    trends(&mut ours);
    splits(&mut ours);
    reference::compare(
        include_str!("../../../../../tests/reference/missing.csv"),
        ours,
    );
}

/// statsmodels cuts the kernel at other places than R, which moves the curve in the ninth digit.
const OTHER_CUT: f64 = 1e-7;

fn curves(ours: &mut Ours) {
    for (case, (x, y)) in [("cars", cars()), ("wave", wave())] {
        for (fraction, label, iterations, delta) in [
            (2.0 / 3.0, "0.67 3 0.21", 3, 0.21),
            (0.2, "0.2 3 0.21", 3, 0.21),
            (2.0 / 3.0, "0.67 0 0.0", 0, 0.0),
            (0.5, "0.5 2 0.0", 2, 0.0),
            (0.35, "0.35 5 0.0", 5, 0.0),
        ] {
            let fits = lowess(&x, &y, fraction, iterations, delta).unwrap();
            let mut sorted: Vec<(f64, f64)> = x.iter().copied().zip(fits).collect();
            sorted.sort_by(|a, b| a.0.total_cmp(&b.0));
            for at in [0, 1, 11, 25, 40, x.len() - 1] {
                let name = format!("lowess {label} sorted {at}");
                ours.add(case, &name, sorted[at].1, OTHER_CUT);
            }
        }
    }
    let (x, y) = cars();
    let cluster: Vec<u32> = (0..x.len() as u32).map(|row| row % 10).collect();
    let rows = Rows {
        x: &x,
        y: &y,
        cluster: &cluster,
        weights: None,
    };
    for (fraction, label) in [(2.0 / 3.0, "0.67"), (0.3, "0.3")] {
        let settings = Settings {
            fraction,
            replicates: 40,
            seed: 1,
        };
        let grid = [4.0, 4.5, 10.25, 14.7, 18.0, 21.0, 24.9];
        for point in dose_response(rows, &grid, settings, None).unwrap().points {
            let name = format!("local line {label} at {:?}", point.at);
            ours.add("cars", &name, point.fit, OTHER_CUT);
        }
    }
}

fn isotonics(ours: &mut Ours) {
    let y = [1.0, 0.0, 4.0, 3.0, 3.0, 5.0, 4.0, 2.0, 0.0];
    let weights = [1.0, 2.0, 1.0, 3.0, 1.0, 1.0, 2.0, 1.0, 4.0];
    let (_, wave) = wave();
    for (name, y, weights, direction) in [
        ("plain", &y[..], None, Direction::Rising),
        ("weighted", &y[..], Some(&weights[..]), Direction::Rising),
        ("falling", &y[..], None, Direction::Falling),
        (
            "weighted falling",
            &y[..],
            Some(&weights[..]),
            Direction::Falling,
        ),
        ("wave", &wave[..], None, Direction::Rising),
    ] {
        let x: Vec<f64> = (0..y.len()).map(|i| i as f64).collect();
        for (i, fit) in isotonic(&x, y, weights, direction)
            .unwrap()
            .into_iter()
            .enumerate()
        {
            ours.add("isotonic", &format!("{name} {i}"), fit, EXACT);
        }
    }
}

fn log_spreads(ours: &mut Ours) {
    for degrees in [1, 2, 3, 4, 9, 10, 49, 999, 9_999, 10_000, 10_001, 123_456] {
        let log = log_sd(GroupSpread {
            n: degrees + 1,
            sd: 1.0,
        })
        .unwrap();
        // The bias is a small difference of two logarithms near 10: its last digits are theirs.
        let bias = if degrees < 100 { DISTRIBUTION } else { 1e-8 };
        ours.add(
            "log sd of 1",
            &format!("value df {degrees}"),
            log.value,
            bias,
        );
        let name = format!("variance df {degrees}");
        ours.add("log sd of 1", &name, log.variance, DISTRIBUTION);
    }
    let even = [1.0, 1.1, 0.9, 1.05, 0.95].map(|sd| (10, sd));
    let uneven = [
        (5, 2.1),
        (8, 3.9),
        (12, 2.4),
        (30, 5.2),
        (2, 1.3),
        (101, 3.3),
        (25, 2.9),
    ];
    for (case, groups) in [
        ("even", &even[..]),
        ("uneven", &uneven[..]),
        ("two", &[(40, 1.0), (60, 4.0)][..]),
    ] {
        let groups: Vec<GroupSpread> = groups
            .iter()
            .map(|&(n, sd)| GroupSpread { n, sd })
            .collect();
        let got = compare(&groups).unwrap();
        ours.add(case, "q", got.q, DISTRIBUTION);
        ours.add(case, "q p", got.p, DISTRIBUTION);
        ours.add(case, "var_between", got.var_between, ROOT);
        ours.add(case, "mean log", got.mean_log, ROOT);
        ours.add(case, "se mean log", got.se_mean_log, ROOT);
        ours.add(case, "typical", got.typical, ROOT);
        for (i, group) in got.groups.iter().enumerate() {
            ours.add(case, &format!("log {i}"), group.log, ROOT);
            ours.add(case, &format!("log error {i}"), group.log_error, ROOT);
            ours.add(case, &format!("sd hi {i}"), group.sd_limits.hi, ROOT);
            ours.add(case, &format!("ratio {i}"), group.ratio, ROOT);
            ours.add(case, &format!("ratio lo {i}"), group.ratio_limits.lo, ROOT);
        }
    }
}

fn bounds(ours: &mut Ours) {
    for (d, label) in [
        (0.0, "0.0"),
        (0.01, "0.01"),
        (0.1, "0.1"),
        (0.5, "0.5"),
        (1.0, "1.0"),
        (2.0, "2.0"),
        (5.0, "5.0"),
        (40.0, "40.0"),
    ] {
        let name = format!("critical {label}");
        ours.add(
            "imbens manski",
            &name,
            critical_value(d).unwrap(),
            DISTRIBUTION,
        );
    }
    for (successes, answered, missing) in [
        (56, 70, 10),
        (3, 40, 60),
        (48, 80, 1),
        (0, 10, 5),
        (12, 12, 3),
        (900, 1500, 300),
    ] {
        let got = of_share(ShareAnswers {
            successes,
            answered,
            missing,
        })
        .unwrap();
        let case = format!("share {successes}/{answered} and {missing}");
        ours.add_interval(&case, "interval", got.interval, DISTRIBUTION);
        ours.add(&case, "critical", got.critical, DISTRIBUTION);
    }
    let scale = Interval { lo: 1.0, hi: 5.0 };
    let scores = [1.0, 2.0, 3.0, 4.0, 5.0];
    let one = of_counted_mean(&scores, &[2, 5, 9, 30, 14], 25, scale).unwrap();
    let few = of_mean(&[4.0, 2.0, 4.0], 2, scale).unwrap();
    let most = of_mean(&[5.0, 4.0, 5.0, 5.0], 40, scale).unwrap();
    for (case, got) in [("five-point", &one), ("few", &few), ("most", &most)] {
        ours.add_interval(case, "region", got.region, EXACT);
        ours.add(case, "se lo", got.se_lo, EXACT);
        ours.add(case, "se hi", got.se_hi, EXACT);
        ours.add_interval(case, "interval", got.interval, DISTRIBUTION);
    }
    let difference = of_mean_difference(&one, &most).unwrap();
    ours.add_interval(
        "five-point less most",
        "interval",
        difference.interval,
        DISTRIBUTION,
    );
}

fn trends(ours: &mut Ours) {
    type Table<'a> = (&'a str, &'a [f64], &'a [u64], &'a [u64]);
    let tables: [Table<'_>; 4] = [
        ("three", &[0.0, 1.0, 2.0], &[0, 2, 3], &[6, 7, 5]),
        ("tied", &[0.0, 1.0, 1.0, 3.0], &[1, 0, 2, 4], &[5, 4, 6, 5]),
        (
            "uneven",
            &[0.0, 0.5, 1.5, 4.0],
            &[3, 0, 1, 2],
            &[8, 3, 4, 3],
        ),
        (
            "malformation",
            &[0.0, 0.5, 1.5, 4.0, 7.0],
            &[48, 38, 5, 1, 1],
            &[17114, 14502, 793, 127, 38],
        ),
    ];
    for (case, scores, successes, trials) in tables {
        let p = trend::exact_p(scores, successes, trials).unwrap();
        ours.add(case, "exact trend", p, DISTRIBUTION);
    }
}

fn splits(ours: &mut Ours) {
    let groups = labelled("unbalanced");
    let mut values = Vec::new();
    let mut group = Vec::new();
    for (index, (_, own)) in groups.iter().enumerate() {
        values.extend_from_slice(own);
        group.extend(vec![index as u32; own.len()]);
    }
    let split = within_between::split(&values, &group).unwrap();
    let mut start = 0;
    for (label, own) in &groups {
        let name = format!("between {label}");
        ours.add("unbalanced", &name, split.between[start], EXACT);
        let name = format!("first within {label}");
        // A difference of numbers near 1500.
        ours.add("unbalanced", &name, split.within[start], 1e-10);
        start += own.len();
    }
}
