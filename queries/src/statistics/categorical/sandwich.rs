//! Errors of coefficients that are robust to dependence within clusters.

use std::ops::Range;

use nalgebra::{DMatrix, DVector};
use rayon::prelude::*;

use super::super::{NotEstimable, all_finite, finite, same_length};
use super::design::Outcome;
use super::estimate::{Covariance, Estimate};
use super::likelihood::row_score;
use super::logistic::{Logistic, turn_first};
use super::newton::Scaled;
use super::proportional_odds::ProportionalOdds;

/// What to print beside these errors: the small-sample factor.
pub const NAME: &str = "CR1 = G/(G-1)";

/// The numbers that the sums of all tasks may hold together: 128 MB.
const MOST_SUMS: usize = 1 << 24;

/// The numbers that one table of sums may hold: 1 GB.
const LARGEST_TABLE: usize = 1 << 27;

/// The most tasks over the rows.
const MOST_TASKS: usize = 16;

/// The clusters of one task over them. A constant, so that sums do not depend on the number of threads.
const CLUSTERS: usize = 1024;

/// The squared length, in standard errors, of the step that the given rows would still have the fit take. At the
/// rows of the fit it is rounding; more than this, and the rows are others.
const SAME_ROWS: f64 = 1e-8;

/// A robust variance under this share of the model's is rounding around 0.
const NOTHING: f64 = 1e-20;

/// Estimates with errors robust to clusters, see [`cluster_robust`].
#[derive(Debug, Clone, PartialEq)]
pub struct ClusterRobust {
    /// The covariance of the parameters, in the order of the fit's own covariance.
    pub covariance: Covariance,
    /// The number of clusters, G.
    pub clusters: u64,
    /// The parameters of the fit in the same order.
    estimates: Vec<f64>,
    /// The position of the first coefficient among them.
    first: usize,
}

impl ClusterRobust {
    /// The degrees of freedom of the t distribution: G − 1.
    pub fn degrees(&self) -> f64 {
        (self.clusters - 1) as f64
    }

    /// A coefficient, numbered as the fit's own `coefficient` does, with its 95 % interval and p-value by t on G − 1
    /// degrees of freedom.
    ///
    /// # Errors
    /// [`NotEstimable::OutOfRange`] for a coefficient that does not exist; [`NotEstimable::TooFewClusters`] when its
    /// variance between clusters is 0, as for a covariate that tells a single cluster from all others.
    pub fn coefficient(&self, position: usize) -> Result<Estimate, NotEstimable> {
        let position = self.first + position;
        let value = self
            .estimates
            .get(position)
            .ok_or(NotEstimable::OutOfRange {
                what: "the position of a coefficient",
            })?;
        let error =
            self.covariance
                .standard_error(position)
                .map_err(|_| NotEstimable::TooFewClusters {
                    needed: self.clusters + 1,
                    got: self.clusters,
                })?;
        Estimate::new(*value, error, Some(self.degrees()))
    }
}

/// The covariance of a proportional-odds fit, robust to any dependence within clusters.
///
/// `score`, `columns` and `weights` are the rows that were fitted, in any order, `cluster` one label a row. With V the
/// inverse information and s the sum of (weighted) score vectors of a cluster, it is V (Σ s s') V · G/(G − 1): CR1,
/// printed as [`NAME`]. Some software multiplies by a further (n − 1)/(n − k); this does not. Weights are taken as
/// known. With few clusters (under about 30) the errors come out too small, and t on G − 1 degrees of freedom mends
/// part of it. Sources: Liang & Zeger (1986), Biometrika 73:13; the factor as in Cameron & Miller (2015), J Hum Resour
/// 50:317 (both from memory).
///
/// # Errors
/// [`NotEstimable::TooFewClusters`] below two clusters; [`NotEstimable::OutOfRange`] when these are not the rows of
/// the fit, or when clusters times parameters exceed 2^27; [`NotEstimable::LengthsDiffer`],
/// [`NotEstimable::NotFinite`].
pub fn cluster_robust(
    fit: &ProportionalOdds,
    score: &[f64],
    columns: &[&[f64]],
    weights: Option<&[f64]>,
    cluster: &[u32],
) -> Result<ClusterRobust, NotEstimable> {
    let outcome = Outcome::of_scores(score)?;
    let (covariance, clusters) = of_outcome(fit, &outcome, columns, weights, cluster)?;
    let estimates = [&fit.thresholds[..], &fit.coefficients].concat();
    Ok(ClusterRobust {
        covariance,
        clusters,
        estimates,
        first: fit.thresholds.len(),
    })
}

/// [`cluster_robust`] for a logistic fit; position 0 is the intercept.
///
/// # Errors
/// As [`cluster_robust`].
pub fn cluster_robust_logistic(
    fit: &Logistic,
    outcome: &[bool],
    columns: &[&[f64]],
    weights: Option<&[f64]>,
    cluster: &[u32],
) -> Result<ClusterRobust, NotEstimable> {
    let outcome = Outcome::of_answers(outcome);
    let (covariance, clusters) = of_outcome(&fit.ordinal, &outcome, columns, weights, cluster)?;
    Ok(ClusterRobust {
        covariance: turn_first(&covariance),
        clusters,
        estimates: fit.coefficients.clone(),
        first: 0,
    })
}

fn of_outcome(
    fit: &ProportionalOdds,
    outcome: &Outcome,
    columns: &[&[f64]],
    weights: Option<&[f64]>,
    cluster: &[u32],
) -> Result<(Covariance, u64), NotEstimable> {
    let rows = Rows {
        scaled: &fit.scaled,
        category: &outcome.category,
        columns,
        weights,
    };
    let others = NotEstimable::OutOfRange {
        what: "the gradient of the fit over these rows",
    };
    rows.check()?;
    same_length(outcome.category.len(), cluster.len())?;
    let same = outcome.levels == fit.levels
        && columns.len() == fit.coefficients.len()
        && outcome.category.len() as u64 == fit.n;
    if !same {
        return Err(others);
    }
    let (numbers, count) = number(cluster);
    if count < 2 {
        return Err(NotEstimable::TooFewClusters {
            needed: 2,
            got: count as u64,
        });
    }
    if count.saturating_mul(fit.scaled.covariance.nrows()) > LARGEST_TABLE {
        return Err(NotEstimable::OutOfRange {
            what: "the number of clusters times that of parameters",
        });
    }
    let (meat, total) = meat(&rows, &numbers, count);
    let bread = &fit.scaled.covariance;
    if finite(total.dot(&(bread * &total)))? > SAME_ROWS {
        return Err(others);
    }
    let g = count as f64;
    let robust = bread * meat * bread * (g / (g - 1.0));
    let mut covariance = fit.scaled.covariance_in_given_units(&robust)?;
    let model = &fit.covariance.0 * fit.scaled.mean_weight;
    for index in 0..model.nrows() {
        if covariance.0[(index, index)] <= NOTHING * model[(index, index)] {
            covariance.0[(index, index)] = 0.0;
        }
    }
    Ok((covariance, count as u64))
}

/// The fitted rows, in given order.
struct Rows<'a> {
    scaled: &'a Scaled,
    category: &'a [u32],
    columns: &'a [&'a [f64]],
    weights: Option<&'a [f64]>,
}

impl Rows<'_> {
    fn check(&self) -> Result<(), NotEstimable> {
        for values in self.columns.iter().copied().chain(self.weights) {
            same_length(self.category.len(), values.len())?;
            all_finite(values)?;
        }
        Ok(())
    }

    /// Adds the weighted scores of some rows to the sums of their clusters. The columns are centred but not yet scaled.
    fn add_scores(&self, rows: Range<usize>, cluster: &[u32], sums: &mut [f64]) {
        let parameters = &self.scaled.parameters;
        let thresholds = parameters.thresholds.len();
        let q = self.scaled.covariance.nrows();
        let slopes: Vec<f64> = parameters
            .coefficients
            .iter()
            .zip(&self.scaled.sd)
            .map(|(b, sd)| b / sd)
            .collect();
        let mut x = vec![0.0; self.columns.len()];
        for row in rows {
            let mut eta = 0.0;
            for (k, column) in self.columns.iter().enumerate() {
                x[k] = column[row] - self.scaled.mean[k];
                eta += slopes[k] * x[k];
            }
            let weight = self
                .weights
                .map_or(1.0, |weights| weights[row] / self.scaled.mean_weight);
            let category = self.category[row] as usize;
            let [above, below, slope] = row_score(&parameters.thresholds, category, eta);
            let home = cluster[row] as usize * q;
            let sum = &mut sums[home..home + q];
            if category < thresholds {
                sum[category] += weight * above;
            }
            if category > 0 {
                sum[category - 1] += weight * below;
            }
            for (sum, x) in sum[thresholds..].iter_mut().zip(&x) {
                *sum += weight * slope * x;
            }
        }
    }
}

/// The clusters numbered from 0 in ascending order of their labels, by row, and how many there are.
fn number(cluster: &[u32]) -> (Vec<u32>, usize) {
    let largest = cluster.iter().max().map_or(0, |label| *label as usize);
    if largest < 4 * cluster.len() + 1024 {
        let mut numbers = vec![0_u32; largest + 1];
        for &label in cluster {
            numbers[label as usize] = 1;
        }
        let mut count = 0;
        for number in &mut numbers {
            count += std::mem::replace(number, count);
        }
        let dense = cluster.iter().map(|&label| numbers[label as usize]);
        return (dense.collect(), count as usize);
    }
    let mut labels = cluster.to_vec();
    labels.par_sort_unstable();
    labels.dedup();
    let dense = cluster
        .par_iter()
        .map(|label| labels.partition_point(|other| other < label) as u32)
        .collect();
    (dense, labels.len())
}

/// The sum over clusters of s s', and the sum of all scores.
fn meat(rows: &Rows<'_>, cluster: &[u32], clusters: usize) -> (DMatrix<f64>, DVector<f64>) {
    let q = rows.scaled.covariance.nrows();
    let n = cluster.len();
    // Each task has sums of its own for all clusters. How many there are depends on the data alone.
    let tasks = (MOST_SUMS / (clusters * q)).clamp(1, MOST_TASKS);
    let size = n.div_ceil(tasks).max(1);
    let starts: Vec<usize> = (0..n).step_by(size).collect();
    let parts: Vec<Vec<f64>> = starts
        .into_par_iter()
        .map(|start| {
            let mut sums = vec![0.0; clusters * q];
            rows.add_scores(start..(start + size).min(n), cluster, &mut sums);
            sums
        })
        .collect();
    let thresholds = q - rows.columns.len();
    let products: Vec<(DMatrix<f64>, DVector<f64>)> = (0..clusters)
        .collect::<Vec<_>>()
        .par_chunks(CLUSTERS)
        .map(|some| {
            let (mut meat, mut total) = (DMatrix::zeros(q, q), DVector::zeros(q));
            let mut sum = DVector::zeros(q);
            for &cluster in some {
                sum.fill(0.0);
                for part in &parts {
                    for (sum, own) in sum.iter_mut().zip(&part[cluster * q..]) {
                        *sum += own;
                    }
                }
                for (sum, sd) in sum.iter_mut().skip(thresholds).zip(&rows.scaled.sd) {
                    *sum /= sd;
                }
                meat.ger(1.0, &sum, &sum, 1.0);
                total += &sum;
            }
            (meat, total)
        })
        .collect();
    products.into_iter().fold(
        (DMatrix::zeros(q, q), DVector::zeros(q)),
        |(meat, total), part| (meat + part.0, total + part.1),
    )
}
