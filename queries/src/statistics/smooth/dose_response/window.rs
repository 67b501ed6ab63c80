//! What lies around one place of a grid, and the local line there.

use super::super::super::description::quantile;
use super::super::super::resampling::{Levels, normal_share};
use super::super::super::{NotEstimable, finite};
use super::super::{LEAST_SPREAD, tricube};
use super::sample::Sample;
use super::{Point, Settings};

/// The fewest effective rows under a local line: its two parameters and one more.
const LEAST_EFFECTIVE: f64 = 3.0;

/// A place is left out when more than one in this many resamples has no local line there.
const MOST_FAILED: u64 = 20;

/// Sums of the local weight times 1, u, u², y and u·y, where u is the distance from the place in bandwidths.
pub(super) type Sums = [f64; 5];

/// The local line at its place, if the sums give one. `range` is that of x in bandwidths.
pub(super) fn line([w, wu, wuu, wy, wuy]: Sums, range: f64) -> Option<f64> {
    if w <= 0.0 {
        return None;
    }
    let (mean_u, mean_y) = (wu / w, wy / w);
    let spread = wuu / w - mean_u * mean_u;
    let fit = if spread > 0.0 && spread.sqrt() > LEAST_SPREAD * range {
        mean_y - mean_u * (wuy / w - mean_u * mean_y) / spread
    } else {
        mean_y
    };
    fit.is_finite().then_some(fit)
}

/// What lies around one place of the grid.
pub(super) struct Window {
    /// The different x that have a local weight, as positions among them.
    pub(super) values: std::ops::Range<usize>,
    /// The distance of each in bandwidths, and its kernel weight.
    pub(super) kernel: Vec<(f64, f64)>,
    bandwidth: f64,
    /// The range of x in bandwidths.
    pub(super) range: f64,
    n_effective: f64,
    clusters: u64,
    /// The sums over all rows.
    sums: Sums,
}

impl Window {
    /// The window that holds the weight `needed` nearest to `at`.
    pub(super) fn new(sample: &Sample, at: f64, needed: f64) -> Result<Self, NotEstimable> {
        let values = &sample.values;
        let inside = values.first().is_some_and(|first| *first <= at)
            && values.last().is_some_and(|last| at <= *last);
        if !inside {
            return Err(NotEstimable::OutOfRange {
                what: "a place of the grid",
            });
        }
        let weight_of = |value: usize| {
            sample.weights[sample.rows_of(&(value..value + 1))]
                .iter()
                .sum::<f64>()
        };
        // Outwards from the place, the nearer neighbour first, until the weight is reached (but for rounding).
        let mut right = values.partition_point(|v| *v < at);
        let mut left = right;
        let (mut held, mut bandwidth) = (0.0, 0.0);
        while held < needed * (1.0 - 1e-12) {
            let before = left.checked_sub(1).map(|v| at - values[v]);
            let after = values.get(right).map(|v| v - at);
            let take_left = match (before, after) {
                (Some(before), Some(after)) => before <= after,
                (before, after) => {
                    if before.is_none() && after.is_none() {
                        break;
                    }
                    before.is_some()
                }
            };
            if take_left {
                left -= 1;
                bandwidth = at - values[left];
                held += weight_of(left);
            } else {
                bandwidth = values[right] - at;
                held += weight_of(right);
                right += 1;
            }
        }
        let distance = |v: f64| {
            if v == at {
                0.0
            } else if bandwidth > 0.0 {
                (v - at) / bandwidth
            } else {
                f64::INFINITY
            }
        };
        // A tie at the far end has no weight, so only what was walked over counts.
        let kernel: Vec<(f64, f64)> = values[left..right]
            .iter()
            .map(|&v| distance(v))
            .map(|u| (u, tricube(u)))
            .collect();
        let mut window = Self {
            values: left..right,
            kernel,
            bandwidth,
            range: if bandwidth > 0.0 {
                sample.range / bandwidth
            } else {
                f64::INFINITY
            },
            n_effective: 0.0,
            clusters: 0,
            sums: [0.0; 5],
        };
        window.fill(sample)?;
        Ok(window)
    }

    /// Calls `take` with each sorted row of the window, its distance and its kernel weight.
    pub(super) fn each_row(&self, sample: &Sample, mut take: impl FnMut(usize, f64, f64)) {
        for (value, &(u, kernel)) in self.values.clone().zip(&self.kernel) {
            if kernel > 0.0 {
                for row in sample.rows_of(&(value..value + 1)) {
                    take(row, u, kernel);
                }
            }
        }
    }

    /// The sums over all rows, and whether they carry a fit.
    pub(super) fn fill(&mut self, sample: &Sample) -> Result<(), NotEstimable> {
        let mut squares = 0.0;
        let mut sums = [0.0; 5];
        let mut seen = vec![false; sample.clusters];
        self.each_row(sample, |row, u, kernel| {
            let w = kernel * sample.weights[row];
            squares += w * w;
            add(&mut sums, w, w * sample.y[row], u);
            seen[sample.cluster[row] as usize] = true;
        });
        let effective = finite(sums[0] * sums[0] / squares)?;
        if effective < LEAST_EFFECTIVE {
            return Err(NotEstimable::TooFew {
                needed: LEAST_EFFECTIVE as u64,
                got: effective as u64,
            });
        }
        self.clusters = seen.iter().filter(|seen| **seen).count() as u64;
        if self.clusters < 2 {
            return Err(NotEstimable::TooFewClusters {
                needed: 2,
                got: self.clusters,
            });
        }
        self.n_effective = effective;
        self.sums = sums;
        Ok(())
    }

    /// The point of the curve, with the band from the sorted fits of the replicates.
    pub(super) fn point(
        &self,
        at: f64,
        sample: &Sample,
        fits: &[f64],
        settings: Settings,
    ) -> Result<Point, NotEstimable> {
        let fit = line(self.sums, self.range).ok_or(NotEstimable::NotFinite)?;
        let failed = u64::from(settings.replicates) - fits.len() as u64;
        if failed * MOST_FAILED > u64::from(settings.replicates) {
            return Err(NotEstimable::ResamplesFailed {
                failed,
                replicates: u64::from(settings.replicates),
            });
        }
        let clusters = sample.clusters as u64;
        let z = Levels::Expanded { clusters }.upper_z()?;
        Ok(Point {
            at,
            fit: finite(sample.centre + fit)?,
            lo: finite(sample.centre + quantile(fits, normal_share(-z))?)?,
            hi: finite(sample.centre + quantile(fits, normal_share(z))?)?,
            n_effective: self.n_effective,
            clusters: self.clusters,
            bandwidth: self.bandwidth,
        })
    }
}

pub(super) fn add(sums: &mut Sums, w: f64, wy: f64, u: f64) {
    sums[0] += w;
    sums[1] += w * u;
    sums[2] += w * u * u;
    sums[3] += wy;
    sums[4] += wy * u;
}
