//! Whether the effects of the covariates are the same at every threshold.

use nalgebra::{DMatrix, DVector};
use rayon::prelude::*;
use statrs::distribution::{ChiSquared, ContinuousCDF};

use super::super::{NotEstimable, finite};
use super::design::{BLOCK, Outcome, dot};
use super::logistic::Logistic;
use super::newton::{Factor, Scaled};
use super::proportional_odds::fit_outcome;

/// The most categories that are checked: the work grows with the square of their number, and splits far out hold few
/// rows.
const MOST_CATEGORIES: usize = 50;

/// The smallest share of a difference's variance that the differences before it may leave.
const SINGULAR: f64 = 1e-12;

/// A chi-square test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ChiSquare {
    /// The statistic.
    pub statistic: f64,
    /// Its degrees of freedom.
    pub degrees: u64,
    /// The p-value, from the upper tail.
    pub p: f64,
}

/// The outcome of [`check`].
#[derive(Debug, Clone, PartialEq)]
pub struct Proportionality {
    /// All covariates at once.
    pub overall: ChiSquare,
    /// Each covariate by itself.
    pub by_covariate: Vec<ChiSquare>,
    /// The logistic regressions behind it: of a score over level 0, over level 1 and so on.
    pub splits: Vec<Logistic>,
}

/// Tests proportional odds: each threshold splits the scores in two, each split gets its own logistic regression, and
/// the coefficients of the splits are compared by a Wald test with their joint covariance.
///
/// Arguments as for [`super::proportional_odds::fit`], at least three categories and one covariate. With P(j) the
/// fitted probabilities of a score over level j, the covariance of the coefficients of splits j ≤ l is
/// A(j)⁻¹ [Σ w z z' P(l) (1 − P(j))] A(l)⁻¹, A the information of a split and z the covariates with a constant. Rows
/// are taken as independent. Source: Brant (1990), Biometrics 46:1171 (from memory).
///
/// # Errors
/// Those of [`super::proportional_odds::fit`], for any of the splits: a split that the covariates separate gives
/// [`NotEstimable::Separation`] even where the whole model can be fitted. [`NotEstimable::OutOfRange`] unless there
/// are 3 to 50 categories and at least one covariate, or when the differences between splits have no regular
/// covariance, as with splits that differ in too few rows.
pub fn check(
    score: &[f64],
    columns: &[&[f64]],
    weights: Option<&[f64]>,
) -> Result<Proportionality, NotEstimable> {
    let outcome = Outcome::of_scores(score)?;
    let cuts = outcome.levels.len().saturating_sub(1);
    if !(2..MOST_CATEGORIES).contains(&cuts) {
        return Err(NotEstimable::OutOfRange {
            what: "the number of categories",
        });
    }
    let p = columns.len();
    if p == 0 {
        return Err(NotEstimable::OutOfRange {
            what: "the number of covariates",
        });
    }
    let mut splits = Vec::with_capacity(cuts);
    for cut in 0..cuts as u32 {
        let binary = Outcome {
            category: outcome
                .category
                .iter()
                .map(|&c| u32::from(c > cut))
                .collect(),
            levels: vec![0.0, 1.0],
        };
        splits.push(fit_outcome(binary, columns, weights)?);
    }
    let scaled: Vec<&Scaled> = splits.iter().map(|split| &split.scaled).collect();
    let crosses = crosses(&scaled, columns, weights);
    let (coefficients, covariance) = joint(&scaled, &crosses);

    // Differences from the first split, split by split, covariate by covariate.
    let size = (cuts - 1) * p;
    let contrast = DMatrix::from_fn(size, cuts * p, |row, column| {
        let (split, covariate) = (row / p + 1, row % p);
        match (column / p, column % p) {
            (0, other) if other == covariate => -1.0,
            (other, same) if other == split && same == covariate => 1.0,
            _ => 0.0,
        }
    });
    let difference = &contrast * coefficients;
    let spread = &contrast * covariance * contrast.transpose();
    let by_covariate = (0..p)
        .map(|covariate| {
            let chosen: Vec<usize> = (0..cuts - 1).map(|split| split * p + covariate).collect();
            wald(&difference, &spread, &chosen)
        })
        .collect::<Result<_, _>>()?;
    Ok(Proportionality {
        overall: wald(&difference, &spread, &(0..size).collect::<Vec<_>>())?,
        by_covariate,
        splits: splits
            .into_iter()
            .map(Logistic::of_two_categories)
            .collect(),
    })
}

/// The sums of w z z' P(l) (1 − P(j)) for j < l, in the order (0, 1), (0, 2) and so on; the constant comes first.
fn crosses(splits: &[&Scaled], columns: &[&[f64]], weights: Option<&[f64]>) -> Vec<DMatrix<f64>> {
    let (n, q) = (columns[0].len(), columns.len() + 1);
    let pairs = splits.len() * (splits.len() - 1) / 2;
    let starts: Vec<usize> = (0..n).step_by(BLOCK).collect();
    // A fixed number of blocks a task, so that sums do not depend on the number of threads.
    let parts: Vec<Vec<DMatrix<f64>>> = starts
        .par_chunks(32)
        .map(|starts| {
            let mut sums = vec![DMatrix::zeros(q, q); pairs];
            for &start in starts {
                let rows = start..(start + BLOCK).min(n);
                add_block(&mut sums, splits, columns, weights, rows);
            }
            sums
        })
        .collect();
    let mut sums = vec![DMatrix::zeros(q, q); pairs];
    for part in parts {
        for (sum, part) in sums.iter_mut().zip(part) {
            *sum += part;
        }
    }
    sums
}

fn add_block(
    sums: &mut [DMatrix<f64>],
    splits: &[&Scaled],
    columns: &[&[f64]],
    weights: Option<&[f64]>,
    rows: std::ops::Range<usize>,
) {
    let Some(first) = splits.first() else { return };
    let mut z = vec![vec![1.0; rows.len()]];
    for ((column, mean), sd) in columns.iter().zip(&first.mean).zip(&first.sd) {
        z.push(
            column[rows.clone()]
                .iter()
                .map(|x| (x - mean) / sd)
                .collect(),
        );
    }
    // By split: the probabilities of a score under and over it.
    let chances: Vec<(Vec<f64>, Vec<f64>)> = splits
        .iter()
        .map(|split| {
            let threshold = split.parameters.thresholds.first().copied().unwrap_or(0.0);
            let mut distance = vec![threshold; rows.len()];
            for (b, x) in split.parameters.coefficients.iter().zip(&z[1..]) {
                for (distance, x) in distance.iter_mut().zip(x) {
                    *distance -= b * x;
                }
            }
            distance
                .into_iter()
                .map(|t| (1.0 / (1.0 + (-t).exp()), 1.0 / (1.0 + t.exp())))
                .unzip()
        })
        .collect();
    let mut pair = 0;
    for (j, low) in chances.iter().enumerate() {
        for high in &chances[j + 1..] {
            let mut both: Vec<f64> = low.0.iter().zip(&high.1).map(|(a, b)| a * b).collect();
            if let Some(weights) = weights {
                for (both, weight) in both.iter_mut().zip(&weights[rows.clone()]) {
                    *both *= weight / first.mean_weight;
                }
            }
            for (k, left) in z.iter().enumerate() {
                let product: Vec<f64> = both.iter().zip(left).map(|(a, b)| a * b).collect();
                for (m, right) in z[..=k].iter().enumerate() {
                    let sum = dot(&product, right);
                    sums[pair][(k, m)] += sum;
                    if m < k {
                        sums[pair][(m, k)] += sum;
                    }
                }
            }
            pair += 1;
        }
    }
}

/// The coefficients of all splits without their constants, and their joint covariance, for the weights as given.
fn joint(splits: &[&Scaled], crosses: &[DMatrix<f64>]) -> (DVector<f64>, DMatrix<f64>) {
    // The constant of a split is minus its threshold: the sign of that row and column turns.
    let inverse = |split: &Scaled| {
        let mut inverse = split.covariance.clone();
        for k in 1..inverse.nrows() {
            inverse[(0, k)] = -inverse[(0, k)];
            inverse[(k, 0)] = -inverse[(k, 0)];
        }
        inverse / split.mean_weight
    };
    let inverses: Vec<DMatrix<f64>> = splits.iter().map(|split| inverse(split)).collect();
    let p = splits.first().map_or(0, |split| split.mean.len());
    let size = splits.len() * p;
    let mut covariance = DMatrix::zeros(size, size);
    let mut coefficients = DVector::zeros(size);
    let mut pair = 0;
    for (j, split) in splits.iter().enumerate() {
        for (k, b) in split.parameters.coefficients.iter().enumerate() {
            coefficients[j * p + k] = *b;
        }
        covariance
            .view_mut((j * p, j * p), (p, p))
            .copy_from(&inverses[j].view((1, 1), (p, p)));
        for l in j + 1..splits.len() {
            let cross = &inverses[j] * (&crosses[pair] * split.mean_weight) * &inverses[l];
            let cross = cross.view((1, 1), (p, p));
            covariance
                .view_mut((j * p, l * p), (p, p))
                .copy_from(&cross);
            covariance
                .view_mut((l * p, j * p), (p, p))
                .copy_from(&cross.transpose());
            pair += 1;
        }
    }
    (coefficients, covariance)
}

/// The Wald test that the chosen differences are 0.
fn wald(
    difference: &DVector<f64>,
    spread: &DMatrix<f64>,
    chosen: &[usize],
) -> Result<ChiSquare, NotEstimable> {
    let difference = DVector::from_iterator(chosen.len(), chosen.iter().map(|&i| difference[i]));
    let spread = DMatrix::from_fn(chosen.len(), chosen.len(), |i, j| {
        spread[(chosen[i], chosen[j])]
    });
    let factor = Factor::new(&spread)
        .filter(|factor| factor.smallest_pivot() > SINGULAR)
        .ok_or(NotEstimable::OutOfRange {
            what: "the covariance of the differences between splits",
        })?;
    let statistic = finite(difference.dot(&factor.solve(&difference)))?.max(0.0);
    let distribution =
        ChiSquared::new(chosen.len() as f64).map_err(|_| NotEstimable::OutOfRange {
            what: "the degrees of freedom",
        })?;
    Ok(ChiSquare {
        statistic,
        degrees: chosen.len() as u64,
        p: finite(distribution.sf(statistic))?,
    })
}
