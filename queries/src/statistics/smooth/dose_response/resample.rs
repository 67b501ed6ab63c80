//! The bootstrap over clusters behind the band.

use rayon::prelude::*;

use super::super::super::random::{below, stream};
use super::super::all_positive;
use super::sample::Sample;
use super::window::{Sums, Window, add, line};
use super::{Reweigh, Settings};

/// How often each cluster is drawn in one replicate.
fn draw(clusters: usize, seed: u64, replicate: u32) -> Vec<u32> {
    let mut rng = stream(seed, "dose-response", u64::from(replicate));
    let mut times = vec![0; clusters];
    for _ in 0..clusters {
        times[below(&mut rng, clusters as u32) as usize] += 1;
    }
    times
}

/// The fits (centred) of each replicate at each window; none where a replicate has no local line.
pub(super) fn fits(
    sample: &Sample,
    windows: &[&Window],
    settings: Settings,
    reweigh: Option<&Reweigh<'_>>,
) -> Vec<Vec<Option<f64>>> {
    let lines = |sums: &[Sums]| -> Vec<Option<f64>> {
        sums.iter()
            .zip(windows)
            .map(|(sums, window)| line(*sums, window.range))
            .collect()
    };
    let replicates = 0..settings.replicates;
    let by_cluster = sample.clusters * windows.len();
    let by_value = sample.y.len() + windows.iter().map(|w| w.kernel.len()).sum::<usize>();
    if reweigh.is_none() && by_cluster <= by_value {
        let own = cluster_sums(sample, windows);
        replicates
            .into_par_iter()
            .map(|replicate| {
                let mut sums = vec![[0.0; 5]; windows.len()];
                let times = draw(sample.clusters, settings.seed, replicate);
                for (times, own) in times.into_iter().zip(&own) {
                    if times > 0 {
                        let times = f64::from(times);
                        for (sum, own) in sums.iter_mut().flatten().zip(own.iter().flatten()) {
                            *sum += times * own;
                        }
                    }
                }
                lines(&sums)
            })
            .collect()
    } else {
        replicates
            .into_par_iter()
            .map(|replicate| {
                let times = draw(sample.clusters, settings.seed, replicate);
                let fresh = match reweigh.map(|reweigh| reweigh(&times)) {
                    None => None,
                    Some(Ok(weights))
                        if weights.len() == sample.y.len() && all_positive(&weights).is_ok() =>
                    {
                        Some(weights)
                    }
                    Some(_) => return Vec::new(),
                };
                lines(&value_sums(sample, windows, &times, fresh.as_deref()))
            })
            .collect()
    }
}

/// Each cluster's own sums at each window.
fn cluster_sums(sample: &Sample, windows: &[&Window]) -> Vec<Vec<Sums>> {
    let by_window: Vec<Vec<Sums>> = windows
        .par_iter()
        .map(|window| {
            let mut own = vec![[0.0; 5]; sample.clusters];
            window.each_row(sample, |row, u, kernel| {
                let w = kernel * sample.weights[row];
                add(
                    &mut own[sample.cluster[row] as usize],
                    w,
                    w * sample.y[row],
                    u,
                );
            });
            own
        })
        .collect();
    (0..sample.clusters)
        .map(|cluster| by_window.iter().map(|own| own[cluster]).collect())
        .collect()
}

/// The sums of a replicate at each window, by way of the sums at each x. `fresh` weights are in the order given.
fn value_sums(
    sample: &Sample,
    windows: &[&Window],
    times: &[u32],
    fresh: Option<&[f64]>,
) -> Vec<Sums> {
    let at_value: Vec<(f64, f64)> = sample
        .starts
        .windows(2)
        .map(|ends| {
            let (mut w, mut wy) = (0.0, 0.0);
            for row in ends[0]..ends[1] {
                let weight = fresh.map_or(sample.weights[row], |fresh| fresh[sample.origin[row]]);
                let drawn = weight * f64::from(times[sample.cluster[row] as usize]);
                w += drawn;
                wy += drawn * sample.y[row];
            }
            (w, wy)
        })
        .collect();
    windows
        .iter()
        .map(|window| {
            let mut sums = [0.0; 5];
            for (&(w, wy), &(u, kernel)) in
                at_value[window.values.clone()].iter().zip(&window.kernel)
            {
                add(&mut sums, kernel * w, kernel * wy, u);
            }
            sums
        })
        .collect()
}
