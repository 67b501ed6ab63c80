//! Bootstrap over clusters: standard errors, percentile and BCa intervals.
//!
//! Whole clusters (clinicians, say) are drawn with replacement, never single rows, so that what rows of one cluster
//! share stays together. A resample is handed to the statistic as the multiplicity of each cluster, not as copied rows.

use rayon::prelude::*;
use statrs::distribution::{ContinuousCDF, Normal, StudentsT};

use super::description::{mean_sd, quantile, student_quantile};
use super::random::{below, stream};
use super::rank::check_correlation;
use super::{Interval, NotEstimable, Z_95, all_finite, at_least, finite};

/// Beyond this many clusters the jackknife leaves out groups of clusters, this many of them.
pub const JACKKNIFE_GROUPS: usize = 1000;

/// No more than this share of the resamples may be without an estimate.
const FAILED_SHARE: f64 = 0.05;

/// Replicates are kept in memory; more than these are a slip.
const MOST_REPLICATES: u64 = 10_000_000;

/// Which tail areas a bootstrap interval of 95 % is cut at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Levels {
    /// 0.025 and 0.975.
    Nominal,
    /// Wider, to make up for few clusters: the normal quantile z is replaced by
    /// `sqrt(G / (G - 1)) t(0.975; G - 1)` with G clusters, in the BCa formula too. With one row a cluster and the mean
    /// as statistic it brings the percentile interval to the length of the t interval. Source: Hesterberg (2015),
    /// Am Stat 69:371.
    Expanded {
        /// The number of clusters that were resampled, 2 or more.
        clusters: u64,
    },
}

impl Levels {
    /// The upper quantile on the normal scale; the lower one is its negative.
    ///
    /// # Errors
    /// [`NotEstimable::TooFewClusters`] below two clusters.
    pub fn upper_z(self) -> Result<f64, NotEstimable> {
        match self {
            Self::Nominal => Ok(Z_95),
            Self::Expanded { clusters } if clusters < 2 => Err(NotEstimable::TooFewClusters {
                needed: 2,
                got: clusters,
            }),
            Self::Expanded { clusters } => {
                let (g, degrees) = (clusters as f64, (clusters - 1) as f64);
                Ok((g / degrees).sqrt() * student_quantile(degrees)?)
            }
        }
    }
}

/// What a bootstrap over clusters gives for one statistic.
#[derive(Debug, Clone, PartialEq)]
pub struct Replicates {
    /// The statistic of the data.
    pub estimate: f64,
    /// The statistic of each resample that has one, in the order of the replicates.
    pub values: Vec<f64>,
    /// The statistic without each cluster in turn (without each group of clusters beyond [`JACKKNIFE_GROUPS`]), where
    /// it can be estimated.
    pub jackknife: Vec<f64>,
    /// Resamples without an estimate.
    pub failed: u64,
    /// Clusters (or groups) without which there is no estimate.
    pub jackknife_failed: u64,
}

impl Replicates {
    /// The replicates in ascending order, if an interval can be read off them.
    fn sorted(&self) -> Result<Vec<f64>, NotEstimable> {
        at_least(2, self.values.len() as u64)?;
        all_finite(&self.values)?;
        all_finite(&[self.estimate])?;
        let mut sorted = self.values.clone();
        sorted.sort_unstable_by(f64::total_cmp);
        if sorted.first() == sorted.last() {
            return Err(NotEstimable::AllEqual);
        }
        Ok(sorted)
    }

    /// The standard deviation (divisor B − 1) of the B replicates: the bootstrap standard error.
    ///
    /// # Errors
    /// [`NotEstimable::TooFew`] below two replicates, [`NotEstimable::AllEqual`] when all are equal,
    /// [`NotEstimable::NotFinite`].
    pub fn standard_error(&self) -> Result<f64, NotEstimable> {
        self.sorted()?;
        Ok(mean_sd(&self.values)?.sd)
    }

    /// The two-sided p-value of no correlation: Fisher's z of the estimate over the standard deviation of Fisher's z of
    /// the replicates, by t with `clusters - 1` degrees of freedom.
    ///
    /// For estimates that are correlations, where no permutation test serves. Source: the Wald test with a bootstrap
    /// standard error, Efron & Tibshirani (1993), An Introduction to the Bootstrap, ch. 12 (from memory).
    ///
    /// # Errors
    /// As [`Replicates::standard_error`]; [`NotEstimable::AtLimit`] when the estimate is -1 or 1,
    /// [`NotEstimable::OutOfRange`] outside that range, [`NotEstimable::TooFewClusters`] below two clusters.
    pub fn p_of_correlation(&self, clusters: u64) -> Result<f64, NotEstimable> {
        self.sorted()?;
        check_correlation(self.estimate)?;
        let degrees = clusters
            .checked_sub(1)
            .filter(|degrees| *degrees > 0)
            .ok_or(NotEstimable::TooFewClusters {
                needed: 2,
                got: clusters,
            })?;
        // A replicate at the end of the range has no finite z; it is brought just inside.
        let inside = 1.0 - f64::EPSILON;
        let z: Vec<f64> = self
            .values
            .iter()
            .map(|value| value.clamp(-inside, inside).atanh())
            .collect();
        let student =
            StudentsT::new(0.0, 1.0, degrees as f64).map_err(|_| NotEstimable::OutOfRange {
                what: "the degrees of freedom",
            })?;
        let ratio = finite(self.estimate.atanh().abs() / mean_sd(&z)?.sd)?;
        Ok((2.0 * student.sf(ratio)).min(1.0))
    }

    /// The 95 % percentile interval: two quantiles of the replicates, of type 7 as in [`quantile`].
    ///
    /// Source: Efron (1979), Ann Stat 7:1; Efron & Tibshirani (1993), An Introduction to the Bootstrap, ch. 13 (from
    /// memory).
    ///
    /// # Errors
    /// As [`Replicates::standard_error`]; [`NotEstimable::TooFewClusters`] from the levels.
    pub fn percentile(&self, levels: Levels) -> Result<Interval, NotEstimable> {
        let sorted = self.sorted()?;
        let z = levels.upper_z()?;
        cut(&sorted, normal_share(-z), normal_share(z))
    }

    /// z0 of the BCa interval: the normal quantile of the share of replicates under the estimate, those equal to it
    /// counted half.
    ///
    /// # Errors
    /// As [`Replicates::standard_error`]; [`NotEstimable::AtLimit`] when no replicate lies under the estimate or none
    /// over it.
    pub fn bias_correction(&self) -> Result<f64, NotEstimable> {
        let sorted = self.sorted()?;
        let under = sorted.partition_point(|value| *value < self.estimate);
        let up_to = sorted.partition_point(|value| *value <= self.estimate);
        bias_correction((under + up_to) as f64 / (2 * sorted.len()) as f64)
    }

    /// The acceleration of the BCa interval: `Σd³ / (6 (Σd²)^1.5)` with d the mean of the jackknife values less each.
    ///
    /// With groups of clusters in the jackknife both sums keep their expectation, so the acceleration keeps its size.
    ///
    /// # Errors
    /// [`NotEstimable::TooFewClusters`] below two jackknife values, [`NotEstimable::AllEqual`] when they do not differ,
    /// [`NotEstimable::ResamplesFailed`] when a cluster cannot be left out.
    pub fn acceleration(&self) -> Result<f64, NotEstimable> {
        if self.jackknife_failed > 0 {
            return Err(NotEstimable::ResamplesFailed {
                failed: self.jackknife_failed,
                replicates: self
                    .jackknife_failed
                    .saturating_add(self.jackknife.len() as u64),
            });
        }
        acceleration(&self.jackknife)
    }

    /// The 95 % BCa interval (bias-corrected and accelerated): quantiles of type 7 of the replicates at [`bca_level`].
    ///
    /// Transforms with the statistic, and corrects the percentile interval for median bias and for a standard error that
    /// changes with the estimate. Source: Efron (1987), J Am Stat Assoc 82:171.
    ///
    /// # Errors
    /// As [`Replicates::bias_correction`], [`Replicates::acceleration`] and [`bca_level`].
    pub fn bca(&self, levels: Levels) -> Result<Interval, NotEstimable> {
        let sorted = self.sorted()?;
        let (z0, a) = (self.bias_correction()?, self.acceleration()?);
        let z = levels.upper_z()?;
        cut(&sorted, bca_level(-z, z0, a)?, bca_level(z, z0, a)?)
    }
}

/// Φ, to full relative precision in both tails.
pub(super) fn normal_share(z: f64) -> f64 {
    Normal::standard().sf(-z)
}

/// The quantiles at two shares.
fn cut(sorted: &[f64], lo: f64, hi: f64) -> Result<Interval, NotEstimable> {
    Ok(Interval {
        lo: quantile(sorted, lo)?,
        hi: quantile(sorted, hi)?,
    })
}

/// z0: the normal quantile of the share of replicates under the estimate.
pub(super) fn bias_correction(share_under: f64) -> Result<f64, NotEstimable> {
    if share_under > 0.0 && share_under < 1.0 {
        Ok(Normal::standard().inverse_cdf(share_under))
    } else {
        Err(NotEstimable::AtLimit)
    }
}

/// The acceleration from jackknife values, see [`Replicates::acceleration`].
fn acceleration(jackknife: &[f64]) -> Result<f64, NotEstimable> {
    if jackknife.len() < 2 {
        return Err(NotEstimable::TooFewClusters {
            needed: 2,
            got: jackknife.len() as u64,
        });
    }
    all_finite(jackknife)?;
    if jackknife.iter().all(|value| *value == jackknife[0]) {
        return Err(NotEstimable::AllEqual);
    }
    // Scaled by the largest deviation, so that cubes neither overflow nor vanish.
    let mean = jackknife.iter().sum::<f64>() / jackknife.len() as f64;
    let largest = jackknife
        .iter()
        .fold(0.0_f64, |most, value| most.max((mean - value).abs()));
    let (squares, cubes) = jackknife.iter().fold((0.0, 0.0), |(two, three), value| {
        let d = (mean - value) / largest;
        (two + d * d, three + d * d * d)
    });
    super::finite(cubes / (6.0 * squares * squares.sqrt()))
}

/// The share at which the BCa interval cuts the replicates: `Φ(z0 + (z0 + z) / (1 − a (z0 + z)))`, in `0..=1`.
///
/// `z` is the normal quantile of the nominal share, `z0` the bias correction, `a` the acceleration. Source: Efron
/// (1987), J Am Stat Assoc 82:171, section 2.
///
/// # Errors
/// [`NotEstimable::AtLimit`] when `a (z0 + z)` is 1 or more: the formula then no longer rises with z;
/// [`NotEstimable::NotFinite`] for NaN or infinities.
pub fn bca_level(z: f64, z0: f64, a: f64) -> Result<f64, NotEstimable> {
    all_finite(&[z, z0, a])?;
    let moved = z0 + z;
    let divisor = 1.0 - a * moved;
    if divisor <= 0.0 {
        return Err(NotEstimable::AtLimit);
    }
    Ok(normal_share(super::finite(z0 + moved / divisor)?))
}

/// How to resample.
#[derive(Debug, Clone, Copy)]
pub struct Design<'a> {
    /// The number of clusters, numbered from 0.
    pub clusters: usize,
    /// The number of resamples.
    pub replicates: u64,
    /// The root seed.
    pub seed: u64,
    /// The name of the random streams, so that two bootstraps on one seed draw apart.
    pub domain: &'a str,
}

/// One result for each of the K statistics.
pub type Each<T, const K: usize> = [Result<T, NotEstimable>; K];

/// Resamples that are worked through side by side, so that what they share is read once for all of them.
pub const LANES: usize = 4;

/// How often one cluster was drawn in each of the resamples side by side.
pub type Times = [u32; LANES];

/// Draws whole clusters with replacement and takes K statistics of each resample at once.
///
/// `statistic` gets the multiplicity of each cluster (how often it was drawn; the sum is the number of clusters) and a
/// scratch value that `scratch` makes once for a thread, so that it need not allocate. It is called with all ones for
/// the estimate, with a zero in each place in turn for the jackknife, and once a replicate, which has its own random
/// stream. With more than [`JACKKNIFE_GROUPS`] clusters the jackknife leaves out that many groups of clusters instead,
/// cluster c being in group c modulo their number. Runs on the current rayon pool; the results come in the order of
/// replicates whatever the number of threads, provided that the statistic depends on its multiplicities alone.
///
/// The outer error is that of the design, each inner one that of its statistic.
///
/// # Errors
/// [`NotEstimable::TooFewClusters`] below two clusters, [`NotEstimable::TooFew`] below two replicates,
/// [`NotEstimable::OutOfRange`] beyond 2^32 clusters or ten million replicates. For one statistic: its own error when the
/// data have no estimate; [`NotEstimable::ResamplesFailed`] when more than 5 % of the resamples have none;
/// [`NotEstimable::AllEqual`] when all resamples give the same value.
pub fn cluster_bootstrap<S, const K: usize>(
    design: Design<'_>,
    scratch: impl Fn() -> S + Sync + Send,
    statistic: impl Fn(&[u32], &mut S) -> Each<f64, K> + Sync + Send,
) -> Result<Each<Replicates, K>, NotEstimable> {
    let clusters = design.clusters;
    bootstrap_of_batches(
        design,
        || (vec![0; clusters], scratch()),
        |times, lanes, (multiplicities, scratch)| {
            (0..lanes)
                .map(|lane| {
                    for (multiplicity, times) in multiplicities.iter_mut().zip(times) {
                        *multiplicity = times[lane];
                    }
                    statistic(multiplicities, scratch)
                })
                .collect()
        },
    )
}

/// [`cluster_bootstrap`] for a statistic that takes [`LANES`] resamples at a time, with the same draws.
///
/// `statistic` gets the multiplicities of each cluster and gives K statistics for each lane. A lane must depend on its
/// own multiplicities alone. Lanes that stand for no resample have zeros only, and what they give is not looked at.
///
/// # Errors
/// As [`cluster_bootstrap`].
pub fn cluster_bootstrap_side_by_side<S, const K: usize>(
    design: Design<'_>,
    scratch: impl Fn() -> S + Sync + Send,
    statistic: impl Fn(&[Times], &mut S) -> [Each<f64, K>; LANES] + Sync + Send,
) -> Result<Each<Replicates, K>, NotEstimable> {
    bootstrap_of_batches(design, scratch, |times, lanes, scratch| {
        statistic(times, scratch).into_iter().take(lanes).collect()
    })
}

/// The bootstrap over batches of up to [`LANES`] resamples; `statistic` is told how many there are.
fn bootstrap_of_batches<S, const K: usize>(
    design: Design<'_>,
    scratch: impl Fn() -> S + Sync + Send,
    statistic: impl Fn(&[Times], usize, &mut S) -> Vec<Each<f64, K>> + Sync + Send,
) -> Result<Each<Replicates, K>, NotEstimable> {
    let Design {
        clusters,
        replicates,
        seed,
        domain,
    } = design;
    if clusters < 2 {
        return Err(NotEstimable::TooFewClusters {
            needed: 2,
            got: clusters as u64,
        });
    }
    at_least(2, replicates)?;
    let Ok(bound) = u32::try_from(clusters) else {
        return Err(NotEstimable::OutOfRange {
            what: "the number of clusters",
        });
    };
    if replicates > MOST_REPLICATES {
        return Err(NotEstimable::OutOfRange {
            what: "the number of replicates",
        });
    }
    // Fills one lane with the multiplicities of a numbered resample, for as many as there are.
    let run = |resamples: u64, fill: &(dyn Fn(u64, usize, &mut [Times]) + Sync)| {
        let batches: Vec<Vec<Each<f64, K>>> = (0..resamples.div_ceil(LANES as u64))
            .into_par_iter()
            .map_init(
                || (vec![[0; LANES]; clusters], scratch()),
                |(times, scratch), batch| {
                    let first = batch * LANES as u64;
                    let lanes = (resamples - first).min(LANES as u64) as usize;
                    times.fill([0; LANES]);
                    for lane in 0..lanes {
                        fill(first + lane as u64, lane, times);
                    }
                    statistic(times, lanes, scratch)
                },
            )
            .collect();
        batches.into_iter().flatten().collect::<Vec<_>>()
    };
    let estimates = run(1, &|_, lane, times| {
        times.iter_mut().for_each(|times| times[lane] = 1);
    });
    let resampled = run(replicates, &|replicate, lane, times| {
        let mut rng = stream(seed, domain, replicate);
        for _ in 0..clusters {
            times[below(&mut rng, bound) as usize][lane] += 1;
        }
    });
    let groups = clusters.min(JACKKNIFE_GROUPS);
    let without = run(groups as u64, &|group, lane, times| {
        for (cluster, times) in times.iter_mut().enumerate() {
            times[lane] = u32::from(cluster % groups != group as usize);
        }
    });
    Ok(std::array::from_fn(|k| {
        let estimate = match estimates.first() {
            Some(each) => each[k].clone()?,
            None => return Err(NotEstimable::TooFew { needed: 1, got: 0 }),
        };
        gather(estimate, k, &resampled, &without)
    }))
}

/// The values of statistic `k` alone.
fn gather<const K: usize>(
    estimate: f64,
    k: usize,
    resampled: &[Each<f64, K>],
    without: &[Each<f64, K>],
) -> Result<Replicates, NotEstimable> {
    let estimated = |all: &[Each<f64, K>]| -> Vec<f64> {
        all.iter()
            .filter_map(|each| each[k].as_ref().ok().copied())
            .filter(|value| value.is_finite())
            .collect()
    };
    let (values, jackknife) = (estimated(resampled), estimated(without));
    let failed = (resampled.len() - values.len()) as u64;
    if failed as f64 > FAILED_SHARE * resampled.len() as f64 {
        return Err(NotEstimable::ResamplesFailed {
            failed,
            replicates: resampled.len() as u64,
        });
    }
    let jackknife_failed = (without.len() - jackknife.len()) as u64;
    let result = Replicates {
        estimate: super::finite(estimate)?,
        values,
        jackknife,
        failed,
        jackknife_failed,
    };
    result.sorted()?;
    Ok(result)
}
