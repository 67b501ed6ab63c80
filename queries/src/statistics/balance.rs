//! How far a characteristic differs between two groups, in units of its own spread: standardised differences.
//!
//! They describe the groups at hand and are no tests: unlike a p-value they do not grow with the number of fittings. By
//! custom 0.1 is called small (Austin 2009, Stat Med 28:3083).

use nalgebra::{Cholesky, DMatrix, DVector};

use super::description::MeanSd;
use super::{NotEstimable, all_finite, finite, same_length};

/// The difference of two means over the root of the mean of the two variances: `(m2 - m1) / sqrt((s1² + s2²) / 2)`.
///
/// Both groups have the same unit; the result has none and is above 0 where the other group has the greater mean. The
/// sizes of the groups have no say. Source: Austin (2009), Stat Med 28:3083.
///
/// # Errors
/// [`NotEstimable::NoVariation`] where both standard deviations are 0, [`NotEstimable::NotFinite`],
/// [`NotEstimable::OutOfRange`] for a negative standard deviation.
pub fn of_means(one: &MeanSd, other: &MeanSd) -> Result<f64, NotEstimable> {
    all_finite(&[one.mean, one.sd, other.mean, other.sd])?;
    if one.sd < 0.0 || other.sd < 0.0 {
        return Err(NotEstimable::OutOfRange {
            what: "a standard deviation",
        });
    }
    over_spread(other.mean - one.mean, one.sd.powi(2), other.sd.powi(2))
}

/// The same of two shares, each in `0..=1`, with the variances `p (1 - p)`.
///
/// Source: Austin (2009), Stat Med 28:3083.
///
/// # Errors
/// [`NotEstimable::NoVariation`] where each share is 0 or 1, [`NotEstimable::NotFinite`],
/// [`NotEstimable::OutOfRange`] for a share outside its range.
pub fn of_shares(one: f64, other: f64) -> Result<f64, NotEstimable> {
    all_finite(&[one, other])?;
    if ![one, other].iter().all(|share| (0.0..=1.0).contains(share)) {
        return Err(NotEstimable::OutOfRange { what: "a share" });
    }
    over_spread(other - one, one * (1.0 - one), other * (1.0 - other))
}

fn over_spread(difference: f64, one: f64, other: f64) -> Result<f64, NotEstimable> {
    let variance = f64::midpoint(one, other);
    if variance > 0.0 {
        finite(difference / variance.sqrt())
    } else {
        Err(NotEstimable::NoVariation)
    }
}

/// The distance between two groups over all levels of a characteristic, from the counts of each level in each group.
///
/// The levels stand in the same order in both. The shares of all levels but one are two points, and their distance is
/// that of Mahalanobis under the mean of the two multinomial covariance matrices; which level is left out makes no
/// difference. Never negative; with two levels it is the size of [`of_shares`]. Source: Yang & Dalton (2012), SAS Global
/// Forum, paper 335, with covariances `-p q` (the printed formula lacks the sign).
///
/// # Errors
/// [`NotEstimable::TooFew`] for a group without anybody; [`NotEstimable::AllEqual`] where only one level occurs;
/// [`NotEstimable::NoVariation`] where levels and groups say the same, so that no spread is left;
/// [`NotEstimable::LengthsDiffer`].
pub fn of_categories(one: &[u64], other: &[u64]) -> Result<f64, NotEstimable> {
    same_length(one.len(), other.len())?;
    let sums = [one, other].map(|counts| counts.iter().map(|n| *n as f64).sum::<f64>());
    if sums.iter().any(|sum| *sum < 1.0) {
        return Err(NotEstimable::TooFew { needed: 1, got: 0 });
    }
    let shares: Vec<(f64, f64)> = one
        .iter()
        .zip(other)
        .filter(|(one, other)| **one > 0 || **other > 0)
        .map(|(one, other)| (*one as f64 / sums[0], *other as f64 / sums[1]))
        .collect();
    let Some((_, free)) = shares.split_last().filter(|(_, free)| !free.is_empty()) else {
        return Err(NotEstimable::AllEqual);
    };
    let difference = DVector::from_iterator(free.len(), free.iter().map(|(p, q)| q - p));
    let covariance = DMatrix::from_fn(free.len(), free.len(), |row, column| {
        let ((p, q), (r, s)) = (free[row], free[column]);
        let own = if row == column { (p, q) } else { (0.0, 0.0) };
        f64::midpoint(own.0 - p * r, own.1 - q * s)
    });
    let factor = Cholesky::new(covariance).ok_or(NotEstimable::NoVariation)?;
    // What is left of a singular matrix after rounding is no spread.
    if factor
        .l_dirty()
        .diagonal()
        .iter()
        .any(|pivot| *pivot < 1e-8)
    {
        return Err(NotEstimable::NoVariation);
    }
    finite(difference.dot(&factor.solve(&difference)).max(0.0).sqrt())
}
