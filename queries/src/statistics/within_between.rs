//! A covariate split into group mean and deviation.

use super::{NotEstimable, all_finite, at_least, finite, same_length};

/// The two parts of a covariate, see [`split`].
#[derive(Debug, Clone, PartialEq)]
pub struct Split {
    /// The mean of the row's group, one entry a row in the order given, in the units of the covariate.
    pub between: Vec<f64>,
    /// The value less that mean, one entry a row.
    pub within: Vec<f64>,
    /// The number of groups.
    pub groups: u64,
    /// The groups in which the covariate varies: only these tell anything about the effect within groups.
    pub groups_varying: u64,
}

/// Splits a covariate into its group mean and the deviation from it, which then enter a model side by side.
///
/// `values` and `group` have one entry a row; `group` holds any labels. The coefficient of `within` compares rows of
/// one group; that of `between` compares groups, and is open to all that differs between them. The sums of a group are
/// taken in ascending order of value, so the result does not depend on the order of rows. Source: Mundlak (1978),
/// Econometrica 46:69.
///
/// # Errors
/// [`NotEstimable::TooFew`] without rows; [`NotEstimable::OneGroup`]; [`NotEstimable::OnlySingletons`] when no group
/// has two rows; [`NotEstimable::NoVariation`] when values differ between groups but within none;
/// [`NotEstimable::AllEqual`] when all values are equal, or the means of all groups are (up to rounding), which leaves
/// no part between; [`NotEstimable::LengthsDiffer`]; [`NotEstimable::NotFinite`].
pub fn split(values: &[f64], group: &[u32]) -> Result<Split, NotEstimable> {
    same_length(values.len(), group.len())?;
    all_finite(values)?;
    at_least(1, values.len() as u64)?;
    let mut order: Vec<usize> = (0..values.len()).collect();
    order.sort_unstable_by(|&a, &b| {
        group[a]
            .cmp(&group[b])
            .then(values[a].total_cmp(&values[b]))
    });
    let mut split = Split {
        between: vec![0.0; values.len()],
        within: vec![0.0; values.len()],
        groups: 0,
        groups_varying: 0,
    };
    let (mut lowest, mut highest) = (f64::INFINITY, f64::NEG_INFINITY);
    let mut singletons = 0;
    let mut largest = 0.0_f64;
    for members in order.chunk_by(|&a, &b| group[a] == group[b]) {
        let own = || members.iter().map(|&row| values[row]);
        let varies = own().any(|value| value != values[members[0]]);
        let mean = if varies {
            // Two passes, the second taking the rounding of the first back out. Shares of values rather than a share of
            // their sum, which could leave the range.
            let n = members.len() as f64;
            let rough: f64 = own().map(|value| value / n).sum();
            finite(rough + own().map(|value| (value - rough) / n).sum::<f64>())?
        } else {
            values[members[0]]
        };
        for &row in members {
            split.between[row] = mean;
            split.within[row] = finite(values[row] - mean)?;
            largest = largest.max(values[row].abs());
        }
        split.groups += 1;
        singletons += u64::from(members.len() == 1);
        split.groups_varying += u64::from(varies);
        lowest = lowest.min(mean);
        highest = highest.max(mean);
    }
    if split.groups < 2 {
        return Err(NotEstimable::OneGroup);
    }
    if singletons == split.groups {
        return Err(NotEstimable::OnlySingletons);
    }
    // Means that are equal on paper may differ in their last bits.
    if highest - lowest <= 8.0 * f64::EPSILON * largest {
        return Err(NotEstimable::AllEqual);
    }
    if split.groups_varying == 0 {
        return Err(NotEstimable::NoVariation);
    }
    Ok(split)
}
