//! Inverse-probability weights from a model of who answers.
//!
//! Each answer stands for all who are like its giver, answered or not. What makes people alike is in the covariates of
//! the model; who stays away for reasons that are not in it is not made up for. An interval of anything weighted has
//! to carry the uncertainty of the weights too, so [`ResponseModel::reweigh`] computes them anew for a bootstrap
//! sample.

use nalgebra::{DMatrix, DVector};

use super::super::categorical::{Factor, logistic};
use super::super::{NotEstimable, finite, same_length};

/// The quantile at which weights are truncated.
const TRUNCATED_AT: f64 = 0.99;

/// The quantile above which lie the candidates for the truncated weights of a replicate. Far enough under
/// [`TRUNCATED_AT`] that nearly all replicates need no others; where one does, all weights are looked at.
const CANDIDATES_FROM: f64 = 0.95;

/// The smallest share of a coefficient's information in a replicate that the coefficients before it may leave.
const SINGULAR: f64 = 1e-10;

/// Cluster numbers may reach this, or the number of rows if that is larger: sums are kept for every number.
const SMALL_NUMBERS: usize = 1 << 16;

/// The numbers that the sums of all clusters may hold: 1 GB.
const LARGEST_TABLE: usize = 1 << 27;

/// Rows handled at once.
const BLOCK: usize = 256;

/// The model of who answers, and the weights of those who did, see [`ResponseModel::fit`].
#[derive(Debug, Clone, PartialEq)]
pub struct ResponseModel {
    /// The logistic regression of having answered; the intercept comes first.
    pub model: logistic::Logistic,
    /// What to print beside anything weighted.
    pub summary: WeightSummary,
    weights: Vec<f64>,
    rows: AnsweredRows,
    /// The intercept and the coefficients on centred and scaled columns.
    coefficients: Vec<f64>,
    clusters: Vec<Cluster>,
    /// The length of each cluster's sums.
    sums: usize,
    /// A weight over which, in the full sample, lie the largest few percent.
    candidates_from: f64,
}

/// How the weights are spread.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WeightSummary {
    /// All rows.
    pub invited: u64,
    /// The rows that answered.
    pub answered: u64,
    /// The largest weight before truncation.
    pub largest_before: f64,
    /// The largest weight: the limit of truncation, or the largest before if none was cut.
    pub largest: f64,
    /// The number of weights cut down to the limit.
    pub truncated: u64,
    /// The mean weight. Near 1 when the model fits; further away, the model or the truncation does much.
    pub mean: f64,
    /// (Σ w)²/Σ w²: how many unweighted answers would be as precise (Kish 1965, Survey Sampling; from memory).
    pub effective: f64,
    /// The answers divided by `effective`, at least 1.
    pub design_effect: f64,
    /// The smallest fitted probability of an answer among all rows. Near 0, some kinds of people hardly answer at all,
    /// and no weight can make up for them.
    pub smallest_probability: f64,
}

/// The rows that answered, in given order.
#[derive(Debug, Clone, PartialEq)]
struct AnsweredRows {
    /// Centred and scaled.
    columns: Vec<Vec<f64>>,
    cluster: Vec<u32>,
}

/// What one cluster adds to a replicate's step.
#[derive(Debug, Clone, PartialEq, Default)]
struct Cluster {
    invited: u64,
    answered: u64,
    /// The score, then the lower triangle of the information by rows; empty for a number without rows.
    sums: Vec<f64>,
}

impl ResponseModel {
    /// Fits who answers, and weighs the answers.
    ///
    /// All slices have one entry a row invited: whether it was answered, each covariate, and the cluster (clinician or
    /// patient) as a number from 0. A weight is the overall response rate divided by the fitted probability of an
    /// answer (stabilised), cut down to the 99th percentile of the weights (type 7 of Hyndman & Fan) where it is over.
    /// Sources: Robins, Hernán & Brumback (2000), Epidemiology 11:550, for stabilised weights; Cole & Hernán (2008), Am J
    /// Epidemiol 168:656, for truncation (both from memory).
    ///
    /// # Errors
    /// Those of [`logistic::fit`]: [`NotEstimable::AllEqual`] when all or none answered,
    /// [`NotEstimable::Separation`] when some kind of row always or never answered, and so on;
    /// [`NotEstimable::LengthsDiffer`]; [`NotEstimable::OutOfRange`] for a cluster number of 65536 or more that is not
    /// under the number of rows, or when the sums kept for the bootstrap (for each cluster about half the square of the
    /// number of coefficients) would take more than 1 GB.
    pub fn fit(
        answered: &[bool],
        columns: &[&[f64]],
        cluster: &[u32],
    ) -> Result<Self, NotEstimable> {
        same_length(answered.len(), cluster.len())?;
        let numbers = cluster.iter().max().map_or(0, |&last| last as usize + 1);
        if numbers > answered.len().max(SMALL_NUMBERS) {
            return Err(NotEstimable::OutOfRange {
                what: "a cluster's number",
            });
        }
        let model = logistic::fit(answered, columns, None)?;
        let scaled = model.on_scaled_columns();
        let q = scaled.coefficients.len();
        if numbers.saturating_mul(q * (q + 3) / 2) > LARGEST_TABLE {
            return Err(NotEstimable::OutOfRange {
                what: "the number of clusters times that of covariates",
            });
        }
        let mut fitted = Self {
            model,
            summary: WeightSummary {
                invited: answered.len() as u64,
                answered: 0,
                largest_before: 0.0,
                largest: 0.0,
                truncated: 0,
                mean: 0.0,
                effective: 0.0,
                design_effect: 0.0,
                smallest_probability: 1.0,
            },
            weights: Vec::new(),
            rows: AnsweredRows {
                columns: vec![Vec::new(); columns.len()],
                cluster: Vec::new(),
            },
            coefficients: scaled.coefficients,
            clusters: vec![Cluster::default(); numbers],
            sums: q + q * (q + 1) / 2,
            candidates_from: f64::NEG_INFINITY,
        };
        let mut z = vec![1.0; q];
        for (row, (&answered, &cluster)) in answered.iter().zip(cluster).enumerate() {
            for (k, column) in columns.iter().enumerate() {
                z[k + 1] = (column[row] - scaled.mean[k]) / scaled.sd[k];
            }
            fitted.add_row(answered, cluster, &z);
        }
        fitted.weigh_full_sample()?;
        Ok(fitted)
    }

    /// Adds a row to the sums of its cluster, and to the rows that answered.
    fn add_row(&mut self, answered: bool, cluster: u32, z: &[f64]) {
        let eta: f64 = self.coefficients.iter().zip(z).map(|(b, z)| b * z).sum();
        let probability = 1.0 / (1.0 + (-eta).exp());
        let missed = 1.0 / (1.0 + eta.exp());
        self.summary.smallest_probability = self.summary.smallest_probability.min(probability);
        let home = &mut self.clusters[cluster as usize];
        home.invited += 1;
        home.answered += u64::from(answered);
        home.sums.resize(self.sums, 0.0);
        let residual = if answered { missed } else { -probability };
        for (sum, z) in home.sums.iter_mut().zip(z) {
            *sum += residual * z;
        }
        let weight = probability * missed;
        let mut at = z.len();
        for (k, left) in z.iter().enumerate() {
            for right in &z[..=k] {
                home.sums[at] += weight * left * right;
                at += 1;
            }
        }
        if answered {
            self.summary.answered += 1;
            self.rows.cluster.push(cluster);
            for (column, z) in self.rows.columns.iter_mut().zip(&z[1..]) {
                column.push(*z);
            }
        }
    }

    /// The weights of the full sample: those of a replicate with each cluster once, so that the two are the same to
    /// the last bit.
    fn weigh_full_sample(&mut self) -> Result<(), NotEstimable> {
        let once = vec![1; self.clusters.len()];
        let mut weights = vec![0.0; self.rows.cluster.len()];
        self.untruncated(&once, &mut weights)?;
        self.summary.largest_before = finite(weights.iter().copied().fold(0.0, f64::max))?;
        let limit = self.limit(&once, &weights, TRUNCATED_AT)?;
        self.candidates_from = self.limit(&once, &weights, CANDIDATES_FROM)?;
        self.summary.truncated = weights.iter().filter(|weight| **weight > limit).count() as u64;
        self.truncate(&once, &mut weights, limit);

        let n = weights.len() as f64;
        let sum: f64 = weights.iter().sum();
        let squares: f64 = weights.iter().map(|weight| weight * weight).sum();
        self.summary.largest = weights.iter().copied().fold(0.0, f64::max);
        self.summary.mean = finite(sum / n)?;
        self.summary.effective = finite(sum * sum / squares)?.min(n);
        self.summary.design_effect = finite(n / self.summary.effective)?;
        self.weights = weights;
        Ok(())
    }

    /// The weights, one a row that answered, in the order of the rows; over 0.
    pub fn weights(&self) -> &[f64] {
        &self.weights
    }

    /// The number of clusters: one more than the largest cluster number.
    pub fn clusters(&self) -> usize {
        self.clusters.len()
    }

    /// Weighs the answers anew for a bootstrap sample of whole clusters.
    ///
    /// `multiplicity` says how often each cluster was drawn, `out` takes one number a row that answered, in the order
    /// of the rows: the row's weight in this replicate times the multiplicity of its cluster, 0 for clusters not drawn.
    /// Response rate, coefficients, weights and truncation are those of the replicate. The coefficients are one Newton
    /// step away from those of the full sample, with scores and information of the clusters drawn, which is as good as
    /// the full maximum to the order at which a bootstrap is: its error is quadratic in their distance. With each
    /// cluster drawn once the result is [`Self::weights`] to the last bit. A replicate costs one pass over the answers.
    /// Sources: Davison & Hinkley (1997), Bootstrap Methods and their Application, section 2; Kline & Santos (2012), J
    /// Econom Methods 1:23, for bootstraps by scores (both from memory).
    ///
    /// # Errors
    /// [`NotEstimable::LengthsDiffer`]; [`NotEstimable::TooFew`] when no row was drawn; [`NotEstimable::AllEqual`]
    /// when all or none of those drawn answered; [`NotEstimable::Collinear`] when the rows drawn cannot tell the
    /// covariates apart; [`NotEstimable::NotFinite`] on overflow. `out` then holds no result.
    pub fn reweigh(&self, multiplicity: &[u32], out: &mut [f64]) -> Result<(), NotEstimable> {
        same_length(self.clusters.len(), multiplicity.len())?;
        same_length(self.rows.cluster.len(), out.len())?;
        self.untruncated(multiplicity, out)?;
        let limit = self.limit(multiplicity, out, TRUNCATED_AT)?;
        self.truncate(multiplicity, out, limit);
        Ok(())
    }

    /// The replicate's weights before truncation. Those of rows not drawn have no meaning, and may be infinite.
    fn untruncated(&self, multiplicity: &[u32], out: &mut [f64]) -> Result<(), NotEstimable> {
        let (mut invited, mut answered) = (0_u64, 0_u64);
        let mut sums = vec![0.0; self.sums];
        for (cluster, &times) in self.clusters.iter().zip(multiplicity) {
            if times == 0 {
                continue;
            }
            invited += cluster.invited * u64::from(times);
            answered += cluster.answered * u64::from(times);
            for (sum, own) in sums.iter_mut().zip(&cluster.sums) {
                *sum += f64::from(times) * own;
            }
        }
        if invited == 0 {
            return Err(NotEstimable::TooFew { needed: 1, got: 0 });
        }
        if answered == 0 || answered == invited {
            return Err(NotEstimable::AllEqual);
        }
        let coefficients = self.one_step(&sums)?;
        let rate = answered as f64 / invited as f64;
        let mut eta = [0.0; BLOCK];
        for (index, out) in out.chunks_mut(BLOCK).enumerate() {
            let start = index * BLOCK;
            let eta = &mut eta[..out.len()];
            eta.fill(coefficients[0]);
            for (column, b) in self.rows.columns.iter().zip(coefficients.iter().skip(1)) {
                for (eta, x) in eta.iter_mut().zip(&column[start..]) {
                    *eta += b * x;
                }
            }
            for (weight, eta) in out.iter_mut().zip(eta) {
                // 1 + exp(−eta) is one divided by the probability.
                *weight = rate * (1.0 + (-*eta).exp());
            }
        }
        Ok(())
    }

    /// The full sample's coefficients plus one Newton step on the sums of a replicate.
    fn one_step(&self, sums: &[f64]) -> Result<DVector<f64>, NotEstimable> {
        let q = self.coefficients.len();
        let mut information = DMatrix::zeros(q, q);
        let mut at = q;
        for k in 0..q {
            for m in 0..=k {
                information[(k, m)] = sums[at];
                information[(m, k)] = sums[at];
                at += 1;
            }
        }
        let factor = match Factor::new(&information) {
            Some(factor) if factor.smallest_pivot() > SINGULAR => factor,
            _ => {
                return Err(NotEstimable::Collinear {
                    column: dependent(&information).saturating_sub(1),
                });
            }
        };
        let step = factor.solve(&DVector::from_column_slice(&sums[..q]));
        Ok(DVector::from_column_slice(&self.coefficients) + step)
    }

    /// A quantile (type 7) of weights in which each row counts as often as its cluster was drawn.
    fn limit(&self, multiplicity: &[u32], weights: &[f64], p: f64) -> Result<f64, NotEstimable> {
        let times = |row: usize| u64::from(multiplicity[self.rows.cluster[row] as usize]);
        let count: u64 = (0..weights.len()).map(times).sum();
        if count == 0 {
            return Err(NotEstimable::AllEqual);
        }
        let h = (count - 1) as f64 * p;
        let below = (h.floor() as u64).min(count - 1);
        // Counted from the largest, from 0: the two neighbours of the quantile.
        let deep = count - 1 - below;
        let shallow = deep.saturating_sub(1);
        let over = |from: f64| -> Vec<(f64, u64)> {
            (0..weights.len())
                .filter(|&row| weights[row] >= from && times(row) > 0)
                .map(|row| (weights[row], times(row)))
                .collect()
        };
        let mut largest = over(self.candidates_from);
        if largest.iter().map(|(_, times)| times).sum::<u64>() <= deep {
            largest = over(f64::NEG_INFINITY);
        }
        largest.sort_unstable_by(|a, b| b.0.total_cmp(&a.0));
        let at = |place: u64| {
            let mut passed = 0;
            largest
                .iter()
                .find(|(_, times)| {
                    passed += times;
                    passed > place
                })
                .map(|(weight, _)| *weight)
        };
        match (at(deep), at(shallow)) {
            (Some(low), Some(high)) => finite(low + (h - below as f64) * (high - low)),
            _ => Err(NotEstimable::AllEqual),
        }
    }

    /// Cuts the weights down to the limit and multiplies them by how often each was drawn.
    fn truncate(&self, multiplicity: &[u32], weights: &mut [f64], limit: f64) {
        for (weight, &cluster) in weights.iter_mut().zip(&self.rows.cluster) {
            *weight = weight.min(limit) * f64::from(multiplicity[cluster as usize]);
        }
    }
}

/// The first row of an information matrix that the rows before it explain.
fn dependent(information: &DMatrix<f64>) -> usize {
    (1..=information.nrows())
        .find(|&size| {
            let corner = information.view((0, 0), (size, size)).clone_owned();
            !Factor::new(&corner).is_some_and(|factor| factor.smallest_pivot() > SINGULAR)
        })
        .map_or(0, |size| size - 1)
}
