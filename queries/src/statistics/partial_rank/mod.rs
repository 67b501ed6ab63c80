//! Partial rank correlation given covariates, and its permutation test within clusters.

mod design;
mod freedman_lane;

use statrs::distribution::{ContinuousCDF, StudentsT};

use super::rank::{check_pairs, mid_ranks};
use super::rank_bootstrap::check_covariates;
use super::{NotEstimable, at_least, finite};
use design::{basis, centre, covariate_columns, norm, project_out};
pub use freedman_lane::freedman_lane;

/// A partial rank correlation, see [`partial_spearman`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PartialRank {
    /// The correlation of the ranks given the covariates, in `-1..=1`.
    pub rho: f64,
    /// The two-sided p-value by t on `n - 2 - k` degrees of freedom.
    pub p: f64,
    /// The number of covariate columns that say something new: one for each numeric covariate, and one less than its
    /// levels for each factor, combinations of the others not counted.
    pub k: u64,
    /// The number of rows.
    pub n: u64,
}

/// What is left of a column counts as nothing under this share of its length.
const NOTHING: f64 = 1e-7;

/// Spearman's rho of x and y given covariates: ranks first, then what least squares on the covariates leaves of them.
///
/// `x`, `y` and each covariate have one entry a row. Numeric covariates are ranked (mid-ranks), categorical ones hold
/// any labels and enter as indicators of their levels. The p-value, from `t = rho sqrt(d / (1 − rho²))` on `d = n − 2 − k`
/// degrees of freedom, takes the rows as independent: where they come in clusters it belongs to [`freedman_lane`].
/// Source: Kendall & Gibbons (1990), Rank Correlation Methods, 5th ed., ch. 8, for the correlation; the degrees of
/// freedom are those of a partial product-moment correlation (Fisher 1924, Metron 3:329; both from memory). Least
/// squares by column-pivoted Householder QR.
///
/// # Errors
/// [`NotEstimable::TooFew`] below `k + 3` rows, [`NotEstimable::AllEqual`] when x or y has one value only,
/// [`NotEstimable::NoVariation`] when the covariates leave nothing of x or y, [`NotEstimable::AtLimit`] when rho is -1
/// or 1, so that t has no value; [`NotEstimable::LengthsDiffer`], [`NotEstimable::NotFinite`],
/// [`NotEstimable::OutOfRange`] for 2^31 rows or more, or a table of covariate columns beyond 2^28 entries.
pub fn partial_spearman(
    x: &[f64],
    y: &[f64],
    numeric: &[&[f64]],
    categorical: &[&[u32]],
) -> Result<PartialRank, NotEstimable> {
    check_pairs(x, y, 3)?;
    check_covariates(x.len(), numeric, categorical)?;
    let rows = 0..x.len();
    let everything = std::slice::from_ref(&rows);
    let (mut x, mut y) = (mid_ranks(x)?, mid_ranks(y)?);
    centre(&mut x, everything);
    centre(&mut y, everything);
    let (length_x, length_y) = (norm(&x), norm(&y));
    if length_x == 0.0 || length_y == 0.0 {
        return Err(NotEstimable::AllEqual);
    }
    let columns = covariate_columns(numeric, categorical)?;
    let basis = basis(columns, everything);
    let (n, k) = (x.len() as u64, basis.len() as u64);
    at_least(k + 3, n)?;
    project_out(&mut x, &basis);
    project_out(&mut y, &basis);
    let (left_x, left_y) = (norm(&x), norm(&y));
    if left_x <= NOTHING * length_x || left_y <= NOTHING * length_y {
        return Err(NotEstimable::NoVariation);
    }
    let rho = finite(design::dot(&x, &y) / (left_x * left_y))?.clamp(-1.0, 1.0);
    let degrees = (n - 2 - k) as f64;
    let rest = (1.0 - rho) * (1.0 + rho);
    // Rounding leaves about 1e-16 of a perfect correlation.
    if rest <= 1e-14 {
        return Err(NotEstimable::AtLimit);
    }
    let student = StudentsT::new(0.0, 1.0, degrees).map_err(|_| NotEstimable::OutOfRange {
        what: "the degrees of freedom",
    })?;
    let p = (2.0 * student.sf(rho.abs() * (degrees / rest).sqrt())).min(1.0);
    Ok(PartialRank {
        rho,
        p: finite(p)?,
        k,
        n,
    })
}
