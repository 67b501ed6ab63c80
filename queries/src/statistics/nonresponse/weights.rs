//! Inverse-probability weights from a model of who answers.
//!
//! Each answer stands for all who are like its giver, answered or not. What makes people alike is in the covariates of
//! the model; who stays away for reasons that are not in it is not made up for. An interval of anything weighted has
//! to carry the uncertainty of the weights too, so [`ResponseModel::reweigh`] computes them anew for a bootstrap
//! sample.

use nalgebra::{DMatrix, DVector};

use super::super::categorical::{Factor, logistic};
use super::super::resampling::{Each, LANES, Times};
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

/// The rows that answered, by cluster and within a cluster in given order, so that rows not drawn cost nothing.
#[derive(Debug, Clone, PartialEq)]
struct AnsweredRows {
    /// Centred and scaled.
    columns: Vec<Vec<f64>>,
    /// The place of each among the answers in given order.
    place: Vec<u32>,
    /// The cluster of each answer in given order.
    cluster: Vec<u32>,
}

impl AnsweredRows {
    /// Brings the columns, which are in given order, into that of clusters.
    fn sort(&mut self) {
        self.place = (0..self.cluster.len() as u32).collect();
        self.place
            .sort_by_key(|&place| self.cluster[place as usize]);
        for column in &mut self.columns {
            *column = self.place.iter().map(|&p| column[p as usize]).collect();
        }
    }
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
                place: Vec::new(),
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
        fitted.rows.sort();
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
        let once = vec![[1]; self.clusters.len()];
        let mut out = vec![[0.0]; self.rows.cluster.len()];
        let [drawn] = self.untruncated(&once, &mut out);
        let mut drawn = drawn?;
        self.summary.largest_before = finite(out.iter().fold(0.0, |most, [w]| w.max(most)))?;
        let limit = drawn.quantile(TRUNCATED_AT)?;
        self.candidates_from = drawn.quantile(CANDIDATES_FROM)?;
        self.summary.truncated = out.iter().filter(|[weight]| *weight > limit).count() as u64;
        self.truncate(&once, &mut out, &[limit]);

        let weights = out.into_flattened();
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
        let [outcome] = self.weigh(multiplicity.as_chunks().0, out.as_chunks_mut().0);
        outcome
    }

    /// [`Self::reweigh`] for [`LANES`] bootstrap samples side by side, with the same results.
    ///
    /// # Errors
    /// For each sample as [`Self::reweigh`].
    pub fn reweigh_side_by_side(
        &self,
        multiplicity: &[Times],
        out: &mut [[f64; LANES]],
    ) -> Each<(), LANES> {
        self.weigh(multiplicity, out)
    }

    /// Weighs the answers anew in each of `L` bootstrap samples.
    fn weigh<const L: usize>(
        &self,
        multiplicity: &[[u32; L]],
        out: &mut [[f64; L]],
    ) -> Each<(), L> {
        let fits = same_length(self.clusters.len(), multiplicity.len())
            .and_then(|()| same_length(self.rows.cluster.len(), out.len()));
        if let Err(reason) = fits {
            return std::array::from_fn(|_| Err(reason.clone()));
        }
        let mut drawn = self.untruncated(multiplicity, out);
        let limits: Each<f64, L> = std::array::from_fn(|lane| {
            let drawn = drawn[lane].as_mut().map_err(|reason| reason.clone())?;
            if drawn.largest.iter().map(|(_, times)| times).sum::<u64>()
                <= drawn.depth(TRUNCATED_AT)
            {
                let times = |cluster: &u32| u64::from(multiplicity[*cluster as usize][lane]);
                let all = out.iter().zip(&self.rows.cluster);
                drawn.largest = all
                    .map(|(weight, cluster)| (weight[lane], times(cluster)))
                    .filter(|(_, times)| *times > 0)
                    .collect();
            }
            drawn.quantile(TRUNCATED_AT)
        });
        let cut = limits
            .each_ref()
            .map(|limit| limit.as_ref().map_or(0.0, |limit| *limit));
        self.truncate(multiplicity, out, &cut);
        limits.map(|limit| limit.map(|_| ()))
    }

    /// The weights of each sample before truncation, 0 for rows not drawn.
    fn untruncated<const L: usize>(
        &self,
        multiplicity: &[[u32; L]],
        out: &mut [[f64; L]],
    ) -> Each<Drawn, L> {
        let mut drawn: Each<Drawn, L> =
            std::array::from_fn(|lane| self.draw(multiplicity.iter().map(|times| times[lane])));
        let mut eta = [0.0; BLOCK];
        let mut block = [[0.0; L]; BLOCK];
        let mut start = 0;
        for (cluster, times) in self.clusters.iter().zip(multiplicity) {
            let end = start + cluster.answered as usize;
            while start < end {
                let rows = start..(start + BLOCK).min(end);
                start = rows.end;
                for (lane, drawn) in drawn.iter_mut().enumerate() {
                    match drawn {
                        Ok(drawn) if times[lane] > 0 => {
                            let eta = &mut eta[..rows.len()];
                            self.predict(&drawn.coefficients, rows.start, eta);
                            for (weights, eta) in block.iter_mut().zip(eta) {
                                // 1 + exp(−eta) is one divided by the probability.
                                let weight = drawn.rate * (1.0 + (-*eta).exp());
                                if weight >= self.candidates_from {
                                    drawn.largest.push((weight, times[lane].into()));
                                }
                                weights[lane] = weight;
                            }
                        }
                        _ => block.iter_mut().for_each(|weights| weights[lane] = 0.0),
                    }
                }
                for (place, weights) in self.rows.place[rows].iter().zip(&block) {
                    out[*place as usize] = *weights;
                }
            }
        }
        drawn
    }

    /// The linear predictors of neighbouring rows.
    fn predict(&self, coefficients: &DVector<f64>, start: usize, eta: &mut [f64]) {
        let (first, others) = (coefficients[0], &coefficients.as_slice()[1..]);
        // Eight rows at a time, whose sums stay in registers.
        let (eights, rest) = eta.as_chunks_mut::<8>();
        let mut at = start;
        for eight in eights {
            let mut sums = [first; 8];
            for (column, b) in self.rows.columns.iter().zip(others) {
                for (sum, x) in sums.iter_mut().zip(&column[at..at + 8]) {
                    *sum += b * x;
                }
            }
            *eight = sums;
            at += 8;
        }
        for (eta, row) in rest.iter_mut().zip(at..) {
            let columns = self.rows.columns.iter().zip(others);
            *eta = columns.fold(first, |sum, (column, b)| sum + b * column[row]);
        }
    }

    /// The response rate and the coefficients of a sample.
    fn draw(&self, multiplicity: impl Iterator<Item = u32>) -> Result<Drawn, NotEstimable> {
        let (mut invited, mut answered) = (0_u64, 0_u64);
        let mut sums = vec![0.0; self.sums];
        for (cluster, times) in self.clusters.iter().zip(multiplicity) {
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
        Ok(Drawn {
            rate: answered as f64 / invited as f64,
            coefficients: self.one_step(&sums)?,
            answered,
            largest: Vec::new(),
        })
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

    /// Cuts the weights down to the limits and multiplies them by how often each was drawn.
    fn truncate<const L: usize>(
        &self,
        multiplicity: &[[u32; L]],
        out: &mut [[f64; L]],
        limits: &[f64; L],
    ) {
        let times: Vec<[f64; L]> = multiplicity.iter().map(|m| m.map(f64::from)).collect();
        for (weights, &cluster) in out.iter_mut().zip(&self.rows.cluster) {
            let times = &times[cluster as usize];
            for lane in 0..L {
                weights[lane] = weights[lane].min(limits[lane]) * times[lane];
            }
        }
    }
}

/// A bootstrap sample.
struct Drawn {
    /// The share that answered.
    rate: f64,
    coefficients: DVector<f64>,
    /// The answers, each as often as its cluster was drawn.
    answered: u64,
    /// The largest weights, and how often each was drawn.
    largest: Vec<(f64, u64)>,
}

impl Drawn {
    /// The place of a quantile (type 7) in ascending order, from 0.
    fn place(&self, p: f64) -> f64 {
        self.answered.saturating_sub(1) as f64 * p
    }

    /// The number of weights after the one at the place of a quantile or just under it.
    fn depth(&self, p: f64) -> u64 {
        let last = self.answered.saturating_sub(1);
        last - (self.place(p).floor() as u64).min(last)
    }

    /// A quantile (type 7) of weights in which each row counts as often as its cluster was drawn. Those over it must be
    /// among the largest.
    fn quantile(&mut self, p: f64) -> Result<f64, NotEstimable> {
        self.largest.sort_unstable_by(|a, b| b.0.total_cmp(&a.0));
        // Counted from the largest, from 0: the two neighbours of the quantile.
        let deep = self.depth(p);
        let at = |place: u64| {
            let mut passed = 0;
            self.largest
                .iter()
                .find(|(_, times)| {
                    passed += times;
                    passed > place
                })
                .map(|(weight, _)| *weight)
        };
        match (at(deep), at(deep.saturating_sub(1))) {
            (Some(low), Some(high)) => {
                let place = self.place(p);
                finite(low + (place - place.floor()) * (high - low))
            }
            _ => Err(NotEstimable::AllEqual),
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
