//! Local robust and monotone curves.

use super::super::super::random::{below, stream};
use super::super::super::smooth::{Direction, isotonic, lowess};
use super::super::close;
use super::{cars, noise, pick, shuffled, uniform, wave};

/// R 4.2.2, `lowess(cars)` (f = 2/3, iter = 3, delta = 0.01 times the range), at each speed; R prints 15 digits.
const R_DEFAULTS: [(f64, f64); 19] = [
    (4.0, 4.96545927718688),
    (7.0, 13.1244950396664),
    (8.0, 15.8586333820983),
    (9.0, 18.5796905142177),
    (10.0, 21.2803125785285),
    (11.0, 24.1292771489265),
    (12.0, 27.1195485506035),
    (13.0, 30.027276331154),
    (14.0, 32.9625061361576),
    (15.0, 36.7577283416497),
    (16.0, 40.4350745619887),
    (17.0, 43.4634917818176),
    (18.0, 46.885478946024),
    (19.0, 50.7931517254206),
    (20.0, 56.4912240928772),
    (22.0, 67.5858242314313),
    (23.0, 73.07969526937),
    (24.0, 78.6431635543999),
    (25.0, 84.3286980968342),
];

/// Printed digits of R.
const PRINTED: f64 = 1e-13;

#[test]
fn lowess_is_that_of_r() {
    let (x, y) = cars();
    let fits = lowess(&x, &y, 2.0 / 3.0, 3, 0.21).unwrap();
    for (speed, fit) in x.iter().zip(&fits) {
        let (_, wanted) = R_DEFAULTS.iter().find(|(at, _)| at == speed).unwrap();
        close(*fit, *wanted, PRINTED);
    }
    // R 4.2.2, lowess(cars, f = .2): rows 1, 25 and 50.
    let fits = lowess(&x, &y, 0.2, 3, 0.21).unwrap();
    close(fits[0], 6.03040788454055, PRINTED);
    close(fits[24], 37.9371179560115, PRINTED);
    close(fits[49], 92.7251407107183, PRINTED);
    // R 4.2.2, lowess(cars, iter = 0, delta = 0): rows 1, 10, 25, 40 and 50.
    let fits = lowess(&x, &y, 2.0 / 3.0, 0, 0.0).unwrap();
    for (row, wanted) in [
        (0, 3.44386376770817),
        (9, 25.6057425711934),
        (24, 41.1030326468436),
        (39, 59.4110964650322),
        (49, 89.1275154056773),
    ] {
        close(fits[row], wanted, PRINTED);
    }
}

/// R 4.2.2, `lowess(x, y, f, iter, delta)$y` of the wave at sorted rows 1, 2, 12, 26, 41, 57, 58 and 60. The last steps
/// reach over many rows, so much of that curve is interpolated.
#[test]
fn lowess_with_ties_steps_and_an_outlier_is_that_of_r() {
    let (x, y) = wave();
    for (fraction, iterations, delta, wanted) in [
        (
            2.0 / 3.0,
            3,
            0.21,
            [
                6.55429108729908,
                6.74383173216039,
                8.4032825103216,
                7.09377919948239,
                -3.10237284572911,
                2.33060815408525,
                2.64665688869938,
                3.6508788715409,
            ],
        ),
        (
            0.2,
            3,
            0.21,
            [
                2.44362202857955,
                3.20881935722429,
                10.2229082167229,
                10.5710499790582,
                -5.86579957700701,
                5.87577006349193,
                6.73614454792809,
                9.32329422472434,
            ],
        ),
        (
            0.35,
            5,
            1.5,
            [
                3.24371978420036,
                3.81483934011676,
                9.49095411758998,
                9.16726888779036,
                -5.32781081406276,
                5.71208479288879,
                6.57394068951511,
                9.15950837939408,
            ],
        ),
    ] {
        let fits = lowess(&x, &y, fraction, iterations, delta).unwrap();
        let mut sorted: Vec<(f64, f64)> = x.iter().copied().zip(fits).collect();
        sorted.sort_by(|a, b| a.0.total_cmp(&b.0));
        for (row, wanted) in [0, 1, 11, 25, 40, 56, 57, 59].into_iter().zip(wanted) {
            close(sorted[row].1, wanted, PRINTED);
        }
    }
}

#[test]
fn between_fits_the_curve_is_straight() {
    // R 4.2.2, lowess(cars, delta = 4): the rows with speed 9, 13 and 22 lie between fits.
    let (x, y) = cars();
    let fits = lowess(&x, &y, 2.0 / 3.0, 3, 4.0).unwrap();
    for (speed, wanted) in [
        (9.0, 18.7315409481217),
        (13.0, 30.7538442830696),
        (22.0, 67.9497547113233),
    ] {
        let row = x.iter().position(|x| *x == speed).unwrap();
        close(fits[row], wanted, PRINTED);
    }
    // With a step beyond the range only the two ends are fitted.
    let (x, y) = wave();
    let everywhere = lowess(&x, &y, 0.4, 0, 0.0).unwrap();
    let ends = lowess(&x, &y, 0.4, 0, 1000.0).unwrap();
    let (low, high) = (0.0, x.iter().copied().fold(0.0, f64::max));
    let at = |value: f64, fits: &[f64]| fits[x.iter().position(|x| *x == value).unwrap()];
    let (first, last) = (at(low, &everywhere), at(high, &everywhere));
    for (x, fit) in x.iter().zip(&ends) {
        close(*fit, first + (last - first) * x / high, 1e-12);
    }
}

#[test]
fn lowess_keeps_a_straight_line_and_moves_with_the_data() {
    for case in 0..30 {
        let mut rng = stream(case, "lowess", 0);
        let n = 4 + below(&mut rng, 60) as usize;
        let x: Vec<f64> = (0..n)
            .map(|_| f64::from(below(&mut rng, 40)) / 4.0)
            .collect();
        if x.iter().all(|v| *v == x[0]) {
            continue;
        }
        let fraction = 0.1 + 0.9 * uniform(&mut rng);
        // A line is kept where windows hold two different x.
        let line: Vec<f64> = x.iter().map(|x| 3.0 - 0.7 * x).collect();
        for (fit, wanted) in lowess(&x, &line, 1.0, 2, 0.3).unwrap().iter().zip(&line) {
            close(*fit, *wanted, 1e-11);
        }
        let y: Vec<f64> = x.iter().map(|x| x.sin() + noise(&mut rng)).collect();
        let fits = lowess(&x, &y, fraction, 3, 0.5).unwrap();
        let order = shuffled(n, case);
        assert_eq!(
            lowess(&pick(&x, &order), &pick(&y, &order), fraction, 3, 0.5).unwrap(),
            pick(&fits, &order)
        );
        for (a, fit) in x.iter().zip(&fits) {
            for (b, other) in x.iter().zip(&fits) {
                assert!(a != b || fit == other);
            }
        }
        // Multiples of a power of two are exact, so that no neighbour changes its place.
        let moved: Vec<f64> = x.iter().map(|x| 8.0 * x + 64.0).collect();
        let turned: Vec<f64> = y.iter().map(|y| 5.0 - 2.0 * y).collect();
        let again = lowess(&moved, &turned, fraction, 3, 4.0).unwrap();
        for (fit, again) in fits.iter().zip(again) {
            close(again, 5.0 - 2.0 * fit, 1e-9);
        }
    }
}

#[test]
fn one_outlier_loses_its_pull() {
    let x: Vec<f64> = (0..40).map(f64::from).collect();
    let mut y: Vec<f64> = x
        .iter()
        .enumerate()
        .map(|(i, x)| x / 2.0 + if i % 2 == 0 { 0.1 } else { -0.1 })
        .collect();
    y[20] = 500.0;
    // R 4.2.2, lowess(x, y, f = .9, iter, delta = 0): rows 1, 19, 21 and 40, without and with robustness weights.
    // With f = .5 the rows around the outlier lose all weight too, and its own y is kept.
    for (fraction, iterations, wanted) in [
        (
            0.9,
            0,
            [
                -10.5703279154421,
                32.423844530164,
                33.5205039947128,
                10.6483533448116,
            ],
        ),
        (
            0.9,
            4,
            [
                0.0112766104846476,
                8.99455805291572,
                9.99447090855926,
                19.4931782508422,
            ],
        ),
        (
            0.5,
            4,
            [
                0.0133137719857935,
                138.773834563617,
                117.714782785709,
                19.4809169800803,
            ],
        ),
    ] {
        let fits = lowess(&x, &y, fraction, iterations, 0.0).unwrap();
        for (row, wanted) in [0, 18, 20, 39].into_iter().zip(wanted) {
            close(fits[row], wanted, 1e-12);
        }
    }
}

/// The weighted mean of places `a..=b`.
fn mean_of(y: &[f64], w: &[f64], a: usize, b: usize) -> f64 {
    let sum: f64 = (a..=b).map(|i| w[i] * y[i]).sum();
    sum / w[a..=b].iter().sum::<f64>()
}

/// The curve by its minimax formula: at each place the greatest over starts of the least over ends of the mean.
fn minimax(y: &[f64], w: &[f64]) -> Vec<f64> {
    (0..y.len())
        .map(|i| {
            (0..=i)
                .map(|a| {
                    (i..y.len())
                        .map(|b| mean_of(y, w, a, b))
                        .fold(f64::INFINITY, f64::min)
                })
                .fold(f64::NEG_INFINITY, f64::max)
        })
        .collect()
}

/// The example in R's help page of `isoreg`: 1 0 4 3 3 5 4 2 0.
#[test]
fn isotonic_of_the_example_in_r() {
    let x: Vec<f64> = (0..9).map(f64::from).collect();
    let y = [1.0, 0.0, 4.0, 3.0, 3.0, 5.0, 4.0, 2.0, 0.0];
    let rising = isotonic(&x, &y, None, Direction::Rising).unwrap();
    assert_eq!(rising, [0.5, 0.5, 3.0, 3.0, 3.0, 3.0, 3.0, 3.0, 3.0]);
    // scikit-learn 1.9.1, IsotonicRegression().fit_transform(x, y, sample_weight), printed to 12 decimals.
    let weights = [1.0, 2.0, 1.0, 3.0, 1.0, 1.0, 2.0, 1.0, 4.0];
    let weighted = isotonic(&x, &y, Some(&weights), Direction::Rising).unwrap();
    for (i, fit) in weighted.iter().enumerate() {
        let wanted = if i < 2 {
            0.333333333333
        } else {
            2.384615384615
        };
        close(*fit, wanted, 1e-12);
    }
    let falling = isotonic(&x, &y, None, Direction::Falling).unwrap();
    for (i, fit) in falling.iter().enumerate() {
        let wanted = [2.857142857143, 2.0, 0.0][i.saturating_sub(6)];
        close(*fit, wanted, 1e-12);
    }
}

#[test]
fn isotonic_is_minimax_idempotent_and_keeps_the_mean() {
    for case in 0..60 {
        let mut rng = stream(case, "isotonic", 0);
        let n = 1 + below(&mut rng, 25) as usize;
        let y: Vec<f64> = (0..n).map(|_| f64::from(below(&mut rng, 9))).collect();
        let w: Vec<f64> = (0..n)
            .map(|_| f64::from(1 + below(&mut rng, 5)) / 2.0)
            .collect();
        let x: Vec<f64> = (0..n).map(|i| i as f64).collect();
        let curve = isotonic(&x, &y, Some(&w), Direction::Rising).unwrap();
        assert!(curve.is_sorted());
        for (fit, wanted) in curve.iter().zip(minimax(&y, &w)) {
            close(*fit, wanted, 1e-12);
        }
        assert_eq!(
            isotonic(&x, &curve, Some(&w), Direction::Rising).unwrap(),
            curve
        );
        close(
            mean_of(&curve, &w, 0, n - 1),
            mean_of(&y, &w, 0, n - 1),
            1e-13,
        );
        // Falling is rising of the negative, and rising with x turned round.
        let down: Vec<f64> = y.iter().map(|y| -y).collect();
        let back: Vec<f64> = x.iter().map(|x| -x).collect();
        let falling = isotonic(&x, &down, Some(&w), Direction::Falling).unwrap();
        let turned = isotonic(&back, &y, Some(&w), Direction::Falling).unwrap();
        for ((fit, falling), turned) in curve.iter().zip(falling).zip(turned) {
            close(-falling, *fit, 1e-13);
            close(turned, *fit, 1e-13);
        }
        // Ties of x are one place with the weights together, in whatever order the rows come.
        let tied: Vec<f64> = x.iter().map(|x| (x / 3.0).floor()).collect();
        let curve = isotonic(&tied, &y, Some(&w), Direction::Rising).unwrap();
        let places = n.div_ceil(3);
        let ends = |place: usize| (3 * place, (3 * place + 2).min(n - 1));
        let means: Vec<f64> = (0..places)
            .map(|place| mean_of(&y, &w, ends(place).0, ends(place).1))
            .collect();
        let weights: Vec<f64> = (0..places)
            .map(|place| w[ends(place).0..=ends(place).1].iter().sum())
            .collect();
        let wanted = minimax(&means, &weights);
        for (row, fit) in curve.iter().enumerate() {
            close(*fit, wanted[row / 3], 1e-12);
        }
        let order = shuffled(n, case);
        assert_eq!(
            isotonic(
                &pick(&tied, &order),
                &pick(&y, &order),
                Some(&pick(&w, &order)),
                Direction::Rising
            )
            .unwrap(),
            pick(&curve, &order)
        );
    }
}
