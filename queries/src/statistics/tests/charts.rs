//! Constants of control charts as printed, and how long charts run before they call.

use statrs::distribution::{ContinuousCDF, Normal};

use super::super::control_chart::{EwmaSettings, RUN, Side, a3, b3_b4, c4, ewma, run_at_end};
use super::super::random::{below, stream};

/// The table of factors that handbooks of quality control carry (NIST/SEMATECH e-Handbook 6.3.2.1 for c4 of 10;
/// Montgomery, appendix VI, both from memory): c4, A3, B3 and B4 in the digits printed.
#[test]
fn constants_as_printed() {
    for (n, c, a, b) in [
        (2, 0.7979, 2.659, (0.0, 3.267)),
        (3, 0.8862, 1.954, (0.0, 2.568)),
        (4, 0.9213, 1.628, (0.0, 2.266)),
        (5, 0.9400, 1.427, (0.0, 2.089)),
        (6, 0.9515, 1.287, (0.030, 1.970)),
        (8, 0.9650, 1.099, (0.185, 1.815)),
        (10, 0.9727, 0.975, (0.284, 1.716)),
        (25, 0.9896, 0.606, (0.565, 1.435)),
    ] {
        assert!((c4(n).unwrap() - c).abs() < 5.1e-5, "c4 of {n}");
        assert!((a3(n).unwrap() - a).abs() < 5.1e-4, "A3 of {n}");
        let (low, high) = b3_b4(n).unwrap();
        assert!((low - b.0).abs() < 5.1e-4, "B3 of {n}");
        assert!((high - b.1).abs() < 5.1e-4, "B4 of {n}");
    }
}

/// The mean number of subgroups until the first alarm, from series cut off at `length`: time observed over alarms seen.
fn run_length(shift: f64, runs: u64, length: usize) -> f64 {
    let normal = Normal::standard();
    let (mut observed, mut alarms) = (0_usize, 0_u32);
    for run in 0..runs {
        let mut rng = stream(20, "run length", run);
        let means: Vec<f64> = (0..length)
            .map(|_| (f64::from(below(&mut rng, 1 << 30)) + 0.5) / f64::from(1 << 30))
            .map(|u| normal.inverse_cdf(u) + shift)
            .collect();
        let points = ewma(&means, &vec![1; length], 0.0, 1.0, EwmaSettings::default()).unwrap();
        match points.iter().position(|point| point.outside) {
            Some(first) => {
                observed += first + 1;
                alarms += 1;
            }
            None => observed += length,
        }
    }
    observed as f64 / f64::from(alarms)
}

/// numpy 2.4.6, 20,000 series by `default_rng(1).standard_normal` with lambda 0.2 and limits of 2.7 standard errors that
/// widen over time: 234.9 (standard error 1.7) until the first alarm without a change, 7.77 (0.04) with one of a
/// standard error. Tolerance: four standard errors of the runs made here.
#[test]
fn run_length_of_the_default_ewma() {
    let calm = run_length(0.0, 800, 800);
    assert!((calm - 234.9).abs() < 0.15 * 234.9, "{calm}");
    let moved = run_length(1.0, 400, 200);
    assert!((moved - 7.77).abs() < 1.1, "{moved}");
}

#[test]
fn a_run_ends_at_the_other_side_on_the_line_and_at_what_is_not_known() {
    let points = |values: &[f64]| -> Vec<Option<(f64, f64)>> {
        values.iter().map(|value| Some((*value, 0.5))).collect()
    };
    assert_eq!(
        run_at_end(&points(&[0.4, 0.6, 0.7, 0.51])),
        Some((Side::Above, 3))
    );
    assert_eq!(
        run_at_end(&points(&[0.4, 0.5, 0.1])),
        Some((Side::Below, 1))
    );
    assert_eq!(run_at_end(&points(&[0.4, 0.5])), None);
    assert_eq!(run_at_end(&[]), None);
    let mut gap = points(&[0.6; 9]);
    assert_eq!(run_at_end(&gap), Some((Side::Above, 9)));
    gap[3] = None;
    assert_eq!(run_at_end(&gap), Some((Side::Above, 5)));
    gap[8] = Some((f64::NAN, 0.5));
    assert_eq!(run_at_end(&gap), None);
}

/// Tosses of a fair coin until eight in a row are the same: 2^8 - 1 on average (Feller 1968, XIII.7). The tosses until
/// then spread by about as much, so that the mean over 2000 series has a standard error of 6.
#[test]
fn runs_on_one_side_are_as_rare_as_of_a_coin() {
    let mut tosses = 0;
    let series = 2000;
    for run in 0..series {
        let mut rng = stream(20, "coin", run);
        let mut points: Vec<Option<(f64, f64)>> = Vec::new();
        while run_at_end(&points).is_none_or(|(_, length)| length < RUN) {
            points.push(Some((f64::from(below(&mut rng, 2)), 0.5)));
        }
        tosses += points.len();
    }
    let mean = tosses as f64 / series as f64;
    assert!((mean - 255.0).abs() < 24.0, "{mean}");
}
