//! The data as the likelihood needs them: checked once, covariates brought to a common scale and turned to the axes in
//! which they vary independently within groups.

use nalgebra::{Cholesky, DMatrix, SymmetricEigen};

use super::super::{NotEstimable, all_finite, at_least, finite};
use super::Criterion;
use super::sums::{GroupSums, Sums};

/// A covariate is refused when the others leave under this share of its variance: its spread beside them is then under a
/// ten-thousandth of its own. Cross-products lose twice the digits that the covariates would, so half of the 16 digits
/// of f64 are left at this limit, and nearly all in practice.
const LEAST_SHARE: f64 = 1e-8;
/// A direction whose variance within groups is under this share of the covariates' overall variance (its spread there
/// under a hundred-thousandth) counts as constant within groups: six digits of that variance would still be right.
const LEAST_WITHIN: f64 = 1e-10;
/// The outcome counts as explained within groups when the covariates leave under this share of its sum of squares
/// there: four digits of what is left would still be right.
const LEAST_RESIDUAL: f64 = 1e-12;
/// The sweeps that the eigenvalues of a covariance matrix may take; a handful a covariate is usual.
const EIGEN_STEPS: usize = 10_000;

/// Where the covariates' own scales and the axes of the computation meet.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Axes {
    /// The means over all rows.
    pub(super) centre: Vec<f64>,
    /// The standard deviations over all rows (dividing by their number).
    scale: Vec<f64>,
    /// One axis a column.
    rotation: DMatrix<f64>,
}

impl Axes {
    /// A point given as deviations from the centre, on the axes.
    fn turn(&self, deviations: impl Iterator<Item = f64> + Clone) -> Vec<f64> {
        let scaled = deviations.zip(&self.scale).map(|(d, s)| d / s);
        self.rotation
            .column_iter()
            .map(|axis| scaled.clone().zip(axis.iter()).map(|(d, a)| d * a).sum())
            .collect()
    }

    /// A point given in the units of the covariates, on the axes.
    pub(super) fn point(&self, covariates: &[f64]) -> Vec<f64> {
        self.turn(covariates.iter().zip(&self.centre).map(|(x, c)| x - c))
    }

    /// The direction of one unit of one covariate, on the axes.
    pub(super) fn unit(&self, covariate: usize) -> Vec<f64> {
        let scale = self.scale.get(covariate).copied().unwrap_or(1.0);
        self.rotation
            .row(covariate)
            .iter()
            .map(|a| a / scale)
            .collect()
    }
}

/// One group on the axes.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Point {
    pub(super) label: u32,
    pub(super) rows: u64,
    /// The number of rows as a number to compute with.
    pub(super) n: f64,
    /// The means of the covariates.
    pub(super) z: Vec<f64>,
    /// The mean of the outcome, less [`Problem::origin`] and what [`Problem::slopes`] give at `z`.
    pub(super) y: f64,
}

/// See the module.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Problem {
    pub(super) criterion: Criterion,
    pub(super) axes: Axes,
    pub(super) points: Vec<Point>,
    /// Sums of squares of the covariates within groups, by axis; exactly 0 where they do not vary there. Across axes
    /// the products within groups are 0.
    pub(super) within: Vec<f64>,
    /// Slopes of the outcome within groups, by axis; 0 where `within` is.
    pub(super) slopes: Vec<f64>,
    /// The outcome's sum of squares within groups that those slopes leave.
    pub(super) residual: f64,
    /// Subtracted from the outcome, so that large values close to each other keep their digits.
    pub(super) origin: f64,
    /// The number of rows.
    pub(super) n: f64,
    /// What the variance within is divided by: rows, or rows less coefficients.
    pub(super) free: f64,
    /// What the covariates' scales add to the logarithm of the determinant.
    pub(super) log_scale: f64,
}

impl Problem {
    pub(super) fn new(sums: &Sums, criterion: Criterion) -> Result<Self, NotEstimable> {
        let (p, groups) = (sums.covariates, &sums.groups);
        let rows = enough(groups, p)?;
        let n = rows as f64;
        for group in groups {
            all_finite(&group.means)?;
        }
        let within = pooled(groups, p + 1);
        all_finite(within.as_slice())?;
        let ss = within[(p, p)];
        if ss <= 0.0 {
            let same = groups.windows(2).all(|g| g[0].mean() == g[1].mean());
            return Err(if same {
                NotEstimable::AllEqual
            } else {
                NotEstimable::NoVariation
            });
        }

        let (centre, scale) = scales(groups, &within, p, n)?;
        let scaled = within
            .view((0, 0), (p, p))
            .map_with_location(|i, j, value| value / scale[i] / scale[j]);
        let (values, rotation) = eigen(scaled)?;
        let axes = Axes {
            centre,
            scale,
            rotation,
        };
        let values: Vec<f64> = values
            .into_iter()
            .map(|d| if d > LEAST_WITHIN * n { d } else { 0.0 })
            .collect();
        let varying = values.iter().filter(|d| **d > 0.0).count();
        // Coefficients that only differences between groups can tell, the constant among them, must leave a difference
        // over; and those told within groups must leave a row over there.
        let between = p + 1 - varying;
        if groups.len() <= between {
            return Err(NotEstimable::TooFewClusters {
                needed: between as u64 + 1,
                got: groups.len() as u64,
            });
        }
        at_least((groups.len() + varying) as u64 + 1, rows)?;

        let products = axes.turn((0..p).map(|j| within[(j, p)]));
        let slopes: Vec<f64> = values
            .iter()
            .zip(&products)
            .map(|(d, xy)| if *d > 0.0 { xy / d } else { 0.0 })
            .collect();
        let explained: f64 = slopes.iter().zip(&products).map(|(b, xy)| b * xy).sum();
        let residual = finite(ss - explained)?;
        if residual <= LEAST_RESIDUAL * ss {
            return Err(NotEstimable::NoVariation);
        }
        let origin = groups.first().map_or(0.0, GroupSums::mean);
        let points = groups.iter().map(|group| {
            let z = axes.point(group.covariate_means());
            let fitted: f64 = z.iter().zip(&slopes).map(|(z, b)| z * b).sum();
            Point {
                label: group.label,
                rows: group.n,
                n: group.n as f64,
                y: group.mean() - origin - fitted,
                z,
            }
        });
        Ok(Self {
            criterion,
            points: points.collect(),
            within: values,
            slopes,
            residual,
            origin,
            n,
            free: match criterion {
                Criterion::Reml => n - (p + 1) as f64,
                Criterion::Ml => n,
            },
            log_scale: axes.scale.iter().map(|s| 2.0 * s.ln()).sum(),
            axes,
        })
    }
}

/// The number of rows, when there are groups and rows enough to begin with.
fn enough(groups: &[GroupSums], covariates: usize) -> Result<u64, NotEstimable> {
    if groups.len() < 2 {
        return Err(NotEstimable::OneGroup);
    }
    if groups.iter().all(|g| g.n < 2) {
        return Err(NotEstimable::OnlySingletons);
    }
    let rows = groups.iter().fold(0_u64, |sum, g| sum.saturating_add(g.n));
    at_least((covariates as u64).saturating_add(2), rows)?;
    Ok(rows)
}

/// The products within groups, summed over groups; the outcome last.
fn pooled(groups: &[GroupSums], variables: usize) -> DMatrix<f64> {
    let mut total = DMatrix::zeros(variables, variables);
    for group in groups {
        let mut cells = group.cross.iter();
        for row in 0..variables {
            for (column, cell) in (row..variables).zip(&mut cells) {
                total[(row, column)] += cell;
            }
        }
    }
    total.fill_lower_triangle_with_upper_triangle();
    total
}

/// Means and standard deviations of the covariates over all rows; refuses one that the constant and those before it
/// make up.
fn scales(
    groups: &[GroupSums],
    within: &DMatrix<f64>,
    p: usize,
    n: f64,
) -> Result<(Vec<f64>, Vec<f64>), NotEstimable> {
    let first = groups.first().map_or(&[][..], GroupSums::covariate_means);
    let mut centre = first.to_vec();
    for group in groups {
        for ((centre, mean), first) in centre.iter_mut().zip(&group.means).zip(first) {
            *centre += group.n as f64 / n * (mean - first);
        }
    }
    let mut total = within.view((0, 0), (p, p)).into_owned();
    for group in groups {
        let steps: Vec<f64> = group
            .covariate_means()
            .iter()
            .zip(&centre)
            .map(|(mean, centre)| mean - centre)
            .collect();
        for (i, left) in steps.iter().enumerate() {
            for (j, right) in steps.iter().enumerate() {
                total[(i, j)] += group.n as f64 * left * right;
            }
        }
    }
    all_finite(&centre)?;
    all_finite(total.as_slice())?;
    let scale: Vec<f64> = (0..p).map(|j| (total[(j, j)] / n).sqrt()).collect();
    for (column, (scale, centre)) in scale.iter().zip(&centre).enumerate() {
        // A spread of a few last bits is that of a constant.
        if *scale <= 4.0 * f64::EPSILON * centre.abs() {
            return Err(NotEstimable::Collinear { column });
        }
    }
    let correlations = total.map_with_location(|i, j, value| value / n / scale[i] / scale[j]);
    // The square of a diagonal element of the factor is the share of variance that the columns before leave. One that
    // rounding made negative is replaced by a number that is refused below.
    let factor = Cholesky::new_with_substitute(correlations, LEAST_SHARE * LEAST_SHARE);
    let shares = factor.map(|factor| factor.l().map_diagonal(|d| d * d));
    match shares {
        None => Err(NotEstimable::Collinear { column: 0 }),
        Some(shares) => match shares.iter().position(|share| *share <= LEAST_SHARE) {
            Some(column) => Err(NotEstimable::Collinear { column }),
            None => Ok((centre, scale)),
        },
    }
}

/// Eigenvalues and eigenvectors of a symmetric matrix, which may be empty.
fn eigen(matrix: DMatrix<f64>) -> Result<(Vec<f64>, DMatrix<f64>), NotEstimable> {
    if matrix.is_empty() {
        return Ok((Vec::new(), matrix));
    }
    let found = SymmetricEigen::try_new(matrix, f64::EPSILON, EIGEN_STEPS);
    let found = found.ok_or(NotEstimable::NotConverged {
        iterations: EIGEN_STEPS as u32,
    })?;
    all_finite(found.eigenvalues.as_slice())?;
    all_finite(found.eigenvectors.as_slice())?;
    Ok((
        found.eigenvalues.iter().copied().collect(),
        found.eigenvectors,
    ))
}
