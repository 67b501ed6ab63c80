//! The rows of a curve, sorted.

use super::super::super::{NotEstimable, all_finite, at_least, finite, same_length};
use super::super::{all_positive, range_of};
use super::Rows;

/// The rows in ascending order of x.
pub(super) struct Sample {
    /// The different x.
    pub(super) values: Vec<f64>,
    /// Where the rows of each value begin, and the number of rows at the end.
    pub(super) starts: Vec<usize>,
    /// The place of each sorted row among the rows given.
    pub(super) origin: Vec<usize>,
    /// y less its mean, which keeps the digits when all y are large and close.
    pub(super) y: Vec<f64>,
    pub(super) centre: f64,
    pub(super) weights: Vec<f64>,
    /// Numbers from 0 in ascending order of label.
    pub(super) cluster: Vec<u32>,
    pub(super) clusters: usize,
    pub(super) range: f64,
}

impl Sample {
    pub(super) fn new(rows: Rows<'_>) -> Result<Self, NotEstimable> {
        let Rows {
            x,
            y,
            cluster,
            weights,
        } = rows;
        same_length(x.len(), y.len())?;
        same_length(x.len(), cluster.len())?;
        all_finite(x)?;
        all_finite(y)?;
        at_least(2, x.len() as u64)?;
        if let Some(weights) = weights {
            same_length(x.len(), weights.len())?;
            all_positive(weights)?;
        }
        let mut labels = cluster.to_vec();
        labels.sort_unstable();
        labels.dedup();
        if labels.len() < 2 {
            return Err(NotEstimable::TooFewClusters {
                needed: 2,
                got: labels.len() as u64,
            });
        }
        let weight = |row: usize| weights.map_or(1.0, |weights| weights[row]);
        let mut origin: Vec<usize> = (0..x.len()).collect();
        origin.sort_unstable_by(|&a, &b| {
            x[a].total_cmp(&x[b])
                .then(cluster[a].cmp(&cluster[b]))
                .then(y[a].total_cmp(&y[b]))
                .then(weight(a).total_cmp(&weight(b)))
        });
        let mut values: Vec<f64> = Vec::new();
        let mut starts = Vec::new();
        for (place, &row) in origin.iter().enumerate() {
            if values.last() != Some(&x[row]) {
                values.push(x[row]);
                starts.push(place);
            }
        }
        starts.push(origin.len());
        let range = range_of(&values)?;
        let sorted_y = || origin.iter().map(|&row| y[row]);
        let centre = finite(sorted_y().map(|v| v / x.len() as f64).sum())?;
        let weights: Vec<f64> = origin.iter().map(|&row| weight(row)).collect();
        finite(weights.iter().sum())?;
        Ok(Self {
            values,
            starts,
            y: sorted_y().map(|v| v - centre).collect(),
            centre,
            weights,
            cluster: origin
                .iter()
                .map(|&row| labels.partition_point(|label| *label < cluster[row]) as u32)
                .collect(),
            clusters: labels.len(),
            origin,
            range,
        })
    }

    pub(super) fn weight(&self) -> f64 {
        self.weights.iter().sum()
    }

    /// The sorted rows of the values in `values`.
    pub(super) fn rows_of(&self, values: &std::ops::Range<usize>) -> std::ops::Range<usize> {
        self.starts[values.start]..self.starts[values.end]
    }
}
