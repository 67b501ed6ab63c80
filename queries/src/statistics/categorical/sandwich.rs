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

/// Rows that one task takes at least. A constant, so that sums do not depend on the number of threads.
const TASK: usize = 8192;

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
/// the fit; [`NotEstimable::LengthsDiffer`], [`NotEstimable::NotFinite`].
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
    let clusters = Clusters::new(cluster);
    let count = clusters.rows.len();
    if count < 2 {
        return Err(NotEstimable::TooFewClusters {
            needed: 2,
            got: count as u64,
        });
    }
    let (meat, total) = meat(&rows, &clusters);
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

    /// Adds one row's weighted score to the sum of its cluster; `x` is scratch of one number a column.
    fn add_score(&self, row: usize, sum: &mut [f64], x: &mut [f64]) {
        let parameters = &self.scaled.parameters;
        let thresholds = parameters.thresholds.len();
        let mut eta = 0.0;
        for (k, column) in self.columns.iter().enumerate() {
            x[k] = (column[row] - self.scaled.mean[k]) / self.scaled.sd[k];
            eta += parameters.coefficients[k] * x[k];
        }
        let weight = self
            .weights
            .map_or(1.0, |weights| weights[row] / self.scaled.mean_weight);
        let category = self.category[row] as usize;
        let [above, below, slope] = row_score(&parameters.thresholds, category, eta);
        if category < thresholds {
            sum[category] += weight * above;
        }
        if category > 0 {
            sum[category - 1] += weight * below;
        }
        for (sum, x) in sum[thresholds..].iter_mut().zip(x) {
            *sum += weight * slope * *x;
        }
    }
}

/// The rows by cluster.
struct Clusters {
    order: Vec<u32>,
    rows: Vec<Range<usize>>,
}

impl Clusters {
    fn new(cluster: &[u32]) -> Self {
        let mut order: Vec<u32> = (0..cluster.len() as u32).collect();
        if !cluster.is_sorted() {
            order.par_sort_by_key(|&row| cluster[row as usize]);
        }
        let mut rows = Vec::new();
        let mut start = 0;
        for members in order.chunk_by(|&a, &b| cluster[a as usize] == cluster[b as usize]) {
            rows.push(start..start + members.len());
            start += members.len();
        }
        Self { order, rows }
    }

    /// Runs of clusters with at least [`TASK`] rows each, but for the last.
    fn tasks(&self) -> Vec<&[Range<usize>]> {
        let mut tasks = Vec::new();
        let (mut first, mut rows) = (0, 0);
        for (index, members) in self.rows.iter().enumerate() {
            rows += members.len();
            if rows >= TASK || index + 1 == self.rows.len() {
                tasks.push(&self.rows[first..=index]);
                (first, rows) = (index + 1, 0);
            }
        }
        tasks
    }
}

/// The sum over clusters of s s', and the sum of all scores.
fn meat(rows: &Rows<'_>, clusters: &Clusters) -> (DMatrix<f64>, DVector<f64>) {
    let q = rows.scaled.covariance.nrows();
    let parts: Vec<(DMatrix<f64>, DVector<f64>)> = clusters
        .tasks()
        .into_par_iter()
        .map(|task| {
            let mut meat = DMatrix::zeros(q, q);
            let mut total = DVector::zeros(q);
            let (mut sum, mut x) = (DVector::zeros(q), vec![0.0; rows.columns.len()]);
            for members in task {
                sum.fill(0.0);
                for &row in &clusters.order[members.clone()] {
                    rows.add_score(row as usize, sum.as_mut_slice(), &mut x);
                }
                meat.ger(1.0, &sum, &sum, 1.0);
                total += &sum;
            }
            (meat, total)
        })
        .collect();
    parts.into_iter().fold(
        (DMatrix::zeros(q, q), DVector::zeros(q)),
        |(meat, total), part| (meat + part.0, total + part.1),
    )
}
