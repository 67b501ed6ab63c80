//! Tests of curves, log spreads, bounds, the split within and between, and the forms of the trend test.

mod curves;
mod dose_response;
mod reference_values;
mod refusals;
mod spreads_and_bounds;
mod trend;

/// Speed and stopping distance of cars.
fn cars() -> (Vec<f64>, Vec<f64>) {
    include_str!("../../../../../tests/reference/data/cars.csv")
        .lines()
        .filter(|line| !line.starts_with('#'))
        .map(|line| {
            let (speed, distance) = line.split_once(',').unwrap();
            (
                speed.parse::<f64>().unwrap(),
                distance.parse::<f64>().unwrap(),
            )
        })
        .unzip()
}

/// A curve with ties, an outlier and uneven steps; `tests/reference/missing.py` has the same.
fn wave() -> (Vec<f64>, Vec<f64>) {
    (0..60_u32)
        .map(|i| {
            let x = f64::from((7 * i * i) % 83) / 4.0;
            let outlier = if i == 17 { 40.0 } else { 0.0 };
            let y = (1000.0 * (x / 3.0).sin()).floor() / 100.0 + f64::from((5 * i) % 7) - outlier;
            (x, y)
        })
        .unzip()
}

/// A number from 0 up to 1 in steps of 2^-32.
fn uniform(rng: &mut impl rand::Rng) -> f64 {
    f64::from(rng.next_u32()) / 4_294_967_296.0
}

/// Roughly normal with mean 0 and variance 1: twelve uniform numbers less 6.
fn noise(rng: &mut impl rand::Rng) -> f64 {
    (0..12).map(|_| uniform(rng)).sum::<f64>() - 6.0
}

/// The rows of a slice in another order, the same for the same seed.
fn shuffled(n: usize, seed: u64) -> Vec<usize> {
    let mut rng = super::super::random::stream(seed, "shuffle", 0);
    let mut order: Vec<usize> = (0..n).collect();
    for place in (1..n).rev() {
        let other = super::super::random::below(&mut rng, place as u32 + 1) as usize;
        order.swap(place, other);
    }
    order
}

/// The values in that order.
fn pick<T: Copy>(values: &[T], order: &[usize]) -> Vec<T> {
    order.iter().map(|&row| values[row]).collect()
}
