//! Local lines with a band over clusters.

use super::super::super::NotEstimable;
use super::super::super::description::quantile;
use super::super::super::random::{below, stream};
use super::super::super::smooth::{DoseResponse, Rows, Settings, dose_response, lowess};
use super::super::close;
use super::{cars, noise, pick, shuffled, uniform};

const SETTINGS: Settings = Settings {
    fraction: 0.6,
    replicates: 60,
    seed: 11,
};

/// Rows in clusters of uneven size, with an effect of the cluster and steps of a quarter in x.
#[derive(Clone)]
struct Data {
    x: Vec<f64>,
    y: Vec<f64>,
    cluster: Vec<u32>,
    weights: Vec<f64>,
}

impl Data {
    fn drawn(case: u64, clusters: u32, rows_each: u32) -> Self {
        let mut rng = stream(case, "dose-response data", 0);
        let mut data = Self {
            x: Vec::new(),
            y: Vec::new(),
            cluster: Vec::new(),
            weights: Vec::new(),
        };
        for cluster in 0..clusters {
            let own = noise(&mut rng) / 2.0;
            for _ in 0..1 + below(&mut rng, 2 * rows_each) {
                let x = (40.0 * uniform(&mut rng)).round() / 4.0;
                data.x.push(x);
                data.y.push(2.0 - 0.3 * x + own + noise(&mut rng));
                data.cluster.push(100 - cluster);
                data.weights.push(0.5 + uniform(&mut rng));
            }
        }
        data
    }

    fn rows(&self) -> Rows<'_> {
        Rows {
            x: &self.x,
            y: &self.y,
            cluster: &self.cluster,
            weights: None,
        }
    }

    fn weighted(&self) -> Rows<'_> {
        Rows {
            weights: Some(&self.weights),
            ..self.rows()
        }
    }

    fn picked(&self, order: &[usize]) -> Self {
        Self {
            x: pick(&self.x, order),
            y: pick(&self.y, order),
            cluster: pick(&self.cluster, order),
            weights: pick(&self.weights, order),
        }
    }
}

/// Asserts that two curves agree up to rounding.
#[track_caller]
fn same_curve(a: &DoseResponse, b: &DoseResponse, tolerance: f64) {
    assert_eq!(a.left_out, b.left_out);
    assert_eq!(a.points.len(), b.points.len());
    for (a, b) in a.points.iter().zip(&b.points) {
        close(a.at, b.at, tolerance);
        close(a.fit, b.fit, tolerance);
        close(a.lo, b.lo, tolerance);
        close(a.hi, b.hi, tolerance);
        close(a.n_effective, b.n_effective, tolerance);
    }
}

/// At the data's own x it is lowess without robustness weights and without interpolation.
#[test]
fn at_the_data_it_is_lowess() {
    let (x, y) = cars();
    let cluster: Vec<u32> = (0..50).map(|row| row % 10).collect();
    let rows = Rows {
        x: &x,
        y: &y,
        cluster: &cluster,
        weights: None,
    };
    for fraction in [0.2, 0.5, 2.0 / 3.0, 1.0] {
        let fits = lowess(&x, &y, fraction, 0, 0.0).unwrap();
        let settings = Settings {
            fraction,
            ..SETTINGS
        };
        let curve = dose_response(rows, &x, settings, None).unwrap();
        assert!(curve.points.len() > 40);
        for point in curve.points {
            let row = x.iter().position(|x| *x == point.at).unwrap();
            close(point.fit, fits[row], 1e-11);
        }
    }
}

/// The weighted least-squares line at `at` from its normal equations, the windows' bandwidth given.
fn line_at(data: &Data, times: &[f64], at: f64, bandwidth: f64) -> f64 {
    let mut m = [0.0; 5];
    for (row, times) in times.iter().enumerate() {
        let d = data.x[row] - at;
        let u = (d / bandwidth).abs();
        if u <= 0.999 {
            let kernel = if u <= 0.001 {
                1.0
            } else {
                (1.0 - u * u * u) * (1.0 - u * u * u) * (1.0 - u * u * u)
            };
            let w = kernel * times;
            for (sum, term) in m
                .iter_mut()
                .zip([1.0, d, d * d, data.y[row], d * data.y[row]])
            {
                *sum += w * term;
            }
        }
    }
    (m[2] * m[3] - m[1] * m[4]) / (m[0] * m[2] - m[1] * m[1])
}

/// The band from resampled rows, with the same draws of clusters but none of the sums.
#[test]
fn the_band_is_that_of_resampled_rows() {
    let data = Data::drawn(1, 14, 12);
    let grid = [1.0, 3.3, 5.0, 9.7];
    let curve = dose_response(data.weighted(), &grid, SETTINGS, None).unwrap();
    assert_eq!(curve.points.len(), 4);
    let mut labels = data.cluster.clone();
    labels.sort_unstable();
    labels.dedup();
    assert_eq!(curve.clusters, labels.len() as u64);
    for point in &curve.points {
        let mut fits = Vec::new();
        for replicate in 0..u64::from(SETTINGS.replicates) {
            let mut rng = stream(SETTINGS.seed, "dose-response", replicate);
            let mut times = vec![0.0; data.x.len()];
            for _ in 0..labels.len() {
                let drawn = labels[below(&mut rng, labels.len() as u32) as usize];
                for (row, cluster) in data.cluster.iter().enumerate() {
                    if *cluster == drawn {
                        times[row] += data.weights[row];
                    }
                }
            }
            fits.push(line_at(&data, &times, point.at, point.bandwidth));
        }
        fits.sort_unstable_by(f64::total_cmp);
        // 14 clusters: sqrt(14/13) * 2.160369 (the 0.975 quantile of t on 13 degrees of freedom) is 2.241921 on the normal
        // scale, in either tail this much (SciPy 1.17.1, `norm.sf(sqrt(14/13) * t.ppf(0.975, 13))`).
        let tail = 0.012_483_255_223_348;
        assert_eq!(labels.len(), 14);
        close(point.lo, quantile(&fits, tail).unwrap(), 1e-9);
        close(point.hi, quantile(&fits, 1.0 - tail).unwrap(), 1e-9);
        let fit = line_at(&data, &data.weights, point.at, point.bandwidth);
        close(point.fit, fit, 1e-10);
    }
}

/// Sums by cluster and sums by x are two routes to one band; weights found anew take the second.
#[test]
fn both_routes_agree_and_weights_are_found_anew() {
    let data = Data::drawn(2, 12, 30);
    let grid = [0.5, 2.0, 4.4, 8.0];
    let fixed = dose_response(data.weighted(), &grid, SETTINGS, None).unwrap();
    let again = |_: &[u32]| Ok(data.weights.clone());
    let anew = dose_response(data.weighted(), &grid, SETTINGS, Some(&again)).unwrap();
    same_curve(&fixed, &anew, 1e-10);

    // One cluster a row: sums by x are the cheaper ones.
    let mut alone = data.clone();
    alone.cluster = (0..alone.x.len() as u32).collect();
    let own = alone.weights.clone();
    let again = |_: &[u32]| Ok(own.clone());
    same_curve(
        &dose_response(alone.weighted(), &grid, SETTINGS, None).unwrap(),
        &dose_response(alone.weighted(), &grid, SETTINGS, Some(&again)).unwrap(),
        1e-10,
    );

    // Weights that undo the draw leave the full sample's fit in every replicate that drew each cluster.
    let mut labels = data.cluster.clone();
    labels.sort_unstable();
    labels.dedup();
    let place = |row: usize| labels.binary_search(&data.cluster[row]).unwrap();
    let undo = |times: &[u32]| {
        Ok((0..data.x.len())
            .map(|row| data.weights[row] / f64::from(times[place(row)].max(1)))
            .collect::<Vec<f64>>())
    };
    let calm = dose_response(data.weighted(), &grid, SETTINGS, Some(&undo)).unwrap();
    for (calm, fixed) in calm.points.iter().zip(&fixed.points) {
        assert!(calm.hi - calm.lo < fixed.hi - fixed.lo);
    }

    let refuse = |_: &[u32]| Err(NotEstimable::AllEqual);
    let short = |_: &[u32]| Ok(vec![1.0]);
    let negative = |times: &[u32]| Ok(vec![-f64::from(times[0]) - 1.0; data.x.len()]);
    for curve in [
        dose_response(data.rows(), &grid, SETTINGS, Some(&refuse)),
        dose_response(data.rows(), &grid, SETTINGS, Some(&short)),
        dose_response(data.rows(), &grid, SETTINGS, Some(&negative)),
    ] {
        let curve = curve.unwrap();
        assert!(curve.points.is_empty());
        for left in curve.left_out {
            let all = NotEstimable::ResamplesFailed {
                failed: 60,
                replicates: 60,
            };
            assert_eq!(left.reason, all);
        }
    }
}

#[test]
fn order_threads_scale_and_labels_do_not_matter() {
    let grid = [0.0, 1.7, 5.0, 6.25, 10.0];
    for case in 0..10 {
        let data = Data::drawn(case, 9, 15);
        let base = dose_response(data.weighted(), &grid, SETTINGS, None).unwrap();
        let other = data.picked(&shuffled(data.x.len(), case));
        assert_eq!(
            dose_response(other.weighted(), &grid, SETTINGS, None).unwrap(),
            base
        );
        for threads in [1, 3] {
            let pool = rayon::ThreadPoolBuilder::new()
                .num_threads(threads)
                .build()
                .unwrap();
            let run = || dose_response(data.weighted(), &grid, SETTINGS, None).unwrap();
            assert_eq!(pool.install(run), base);
        }
        let mut renamed = data.clone();
        renamed.cluster.iter_mut().for_each(|label| *label *= 7);
        assert_eq!(
            dose_response(renamed.weighted(), &grid, SETTINGS, None).unwrap(),
            base
        );

        // Each row twice with half the weight: the same curve from twice as many rows.
        let twice: Vec<usize> = (0..data.x.len()).flat_map(|row| [row, row]).collect();
        let mut halves = data.picked(&twice);
        halves.weights.iter_mut().for_each(|w| *w /= 2.0);
        // All rows, since a span of whole rows would round differently.
        let all = Settings {
            fraction: 1.0,
            ..SETTINGS
        };
        let got = dose_response(halves.weighted(), &grid, all, None).unwrap();
        let once = dose_response(data.weighted(), &grid, all, None).unwrap();
        assert_eq!(got.points.len(), once.points.len());
        for (got, once) in got.points.iter().zip(&once.points) {
            close(got.fit, once.fit, 1e-12);
            close(got.lo, once.lo, 1e-12);
            close(got.hi, once.hi, 1e-12);
            close(got.n_effective, 2.0 * once.n_effective, 1e-12);
        }
        let mut equal = data.clone();
        equal.weights.fill(0.125);
        same_curve(
            &dose_response(equal.weighted(), &grid, SETTINGS, None).unwrap(),
            &dose_response(data.rows(), &grid, SETTINGS, None).unwrap(),
            1e-12,
        );

        let mut moved = data.clone();
        moved.x.iter_mut().for_each(|x| *x = 4.0 * *x - 16.0);
        moved.y.iter_mut().for_each(|y| *y = 1000.0 - 2.0 * *y);
        let moved_grid = grid.map(|at| 4.0 * at - 16.0);
        let got = dose_response(moved.weighted(), &moved_grid, SETTINGS, None).unwrap();
        assert_eq!(got.points.len(), base.points.len());
        for (got, base) in got.points.iter().zip(&base.points) {
            close(got.fit, 1000.0 - 2.0 * base.fit, 1e-11);
            close(got.lo, 1000.0 - 2.0 * base.hi, 1e-11);
            close(got.hi, 1000.0 - 2.0 * base.lo, 1e-11);
            close(got.bandwidth, 4.0 * base.bandwidth, 1e-14);
        }
    }
}

#[test]
fn with_weights_the_window_holds_its_share_of_the_weight() {
    let x: Vec<f64> = (0..20).map(f64::from).collect();
    let y: Vec<f64> = x.iter().map(|x| x * x).collect();
    let cluster: Vec<u32> = (0..20).map(|row| row % 4).collect();
    let weights: Vec<f64> = x
        .iter()
        .map(|x| if *x < 10.0 { 3.0 } else { 1.0 })
        .collect();
    let rows = Rows {
        x: &x,
        y: &y,
        cluster: &cluster,
        weights: Some(&weights),
    };
    let settings = Settings {
        fraction: 0.5,
        ..SETTINGS
    };
    let curve = dose_response(rows, &[0.0, 19.0], settings, None).unwrap();
    // Half the weight of 40 is 20: seven rows of 3 from the left, ten rows of 1 and four of 3 from the right.
    assert_eq!(curve.points[0].bandwidth, 6.0);
    assert_eq!(curve.points[1].bandwidth, 13.0);
}

/// For a straight line the smoothing has no bias, and the band should cover the line in about 95 % of samples. Over 400
/// samples the binomial standard error is 1.1 %.
#[test]
fn the_band_covers_a_straight_line() {
    let grid = [2.0, 5.0, 8.0];
    let settings = Settings {
        replicates: 200,
        ..SETTINGS
    };
    let mut covered = [0_u32; 3];
    let samples = 400;
    for case in 0..samples {
        let data = Data::drawn(1000 + case, 40, 5);
        let curve = dose_response(data.rows(), &grid, settings, None).unwrap();
        for (count, point) in covered.iter_mut().zip(&curve.points) {
            let truth = 2.0 - 0.3 * point.at;
            *count += u32::from(point.lo <= truth && truth <= point.hi);
        }
    }
    for count in covered {
        let share = f64::from(count) / samples as f64;
        assert!((0.90..=0.98).contains(&share), "{covered:?}");
    }
}
