//! A change of a share between two periods, taken apart: how much of it comes from another mix of groups, how much from
//! what happened within them.
//!
//! Source: Kitagawa (1955), J Am Stat Assoc 50:1168 (from memory), with each group's mix part taken about the mean share
//! of both periods, so that a group that gains weight adds to the change only where its share is above the whole's.

use super::funnel::{Dispersion, dispersion};
use super::proportion::newcombe_difference_at;
use super::{Interval, NotEstimable};

/// One group in both periods: (successes, trials) each.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct GroupCounts {
    /// In the period before.
    pub before: (u64, u64),
    /// In the period now.
    pub now: (u64, u64),
}

/// What one group adds to the change of the whole.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Part {
    /// The group's share of successes before; none where it had no trial.
    pub share_before: Option<f64>,
    /// The same now.
    pub share_now: Option<f64>,
    /// The mean, over both periods, of the group's portion of all trials, 0-1.
    pub weight: f64,
    /// What the group's gain or loss of weight adds to the change, a difference of shares.
    pub mix: f64,
    /// What the change of the group's own share adds, a difference of shares; 0 where it is in one period only.
    pub within: f64,
}

/// A change and its parts, see [`decompose`].
#[derive(Debug, Clone, PartialEq)]
pub struct Decomposition {
    /// The share over all groups before.
    pub before: f64,
    /// The share over all groups now.
    pub now: f64,
    /// The sum of the mix parts.
    pub mix: f64,
    /// The sum of the within parts.
    pub within: f64,
    /// One part a group, in the order given.
    pub parts: Vec<Part>,
}

impl Decomposition {
    /// The change of the whole, `now - before`; the parts of all groups add up to it.
    pub fn change(&self) -> f64 {
        self.now - self.before
    }
}

fn totals(counts: impl Iterator<Item = (u64, u64)>) -> Result<(u64, u64), NotEstimable> {
    let too_many = NotEstimable::OutOfRange {
        what: "a count of trials",
    };
    let mut sum = (0_u64, 0_u64);
    for (successes, trials) in counts {
        if successes > trials {
            return Err(NotEstimable::OutOfRange {
                what: "a count of successes",
            });
        }
        sum = (
            sum.0.checked_add(successes).ok_or(too_many.clone())?,
            sum.1.checked_add(trials).ok_or(too_many.clone())?,
        );
    }
    super::at_least(1, sum.1)?;
    Ok(sum)
}

fn share((successes, trials): (u64, u64)) -> Option<f64> {
    (trials > 0).then(|| successes as f64 / trials as f64)
}

/// Takes the change of a share apart by groups.
///
/// With w the group's portion of all trials, p its share, P the share of the whole, and 0 and 1 for before and now:
/// `mix = (w1 - w0) ((p1 + p0) / 2 - (P1 + P0) / 2)` and `within = (w1 + w0) / 2 (p1 - p0)`. Since the weights of each
/// period add up to 1, the mean share taken off in `mix` adds nothing over all groups, and mix and within parts add up
/// to `P1 - P0`. A group without trials in one period counts wholly as mix: its share there is taken to be what it was
/// in the other. A group without trials in both adds nothing. All parts are differences of shares, in `-1..=1`.
///
/// # Errors
/// [`NotEstimable::TooFew`] where a period has no trial; [`NotEstimable::OutOfRange`] for more successes than trials.
pub fn decompose(groups: &[GroupCounts]) -> Result<Decomposition, NotEstimable> {
    let sum_before = totals(groups.iter().map(|group| group.before))?;
    let sum_now = totals(groups.iter().map(|group| group.now))?;
    let before = sum_before.0 as f64 / sum_before.1 as f64;
    let now = sum_now.0 as f64 / sum_now.1 as f64;
    let middle = f64::midpoint(before, now);
    let part = |group: &GroupCounts| {
        let (share_before, share_now) = (share(group.before), share(group.now));
        let weight_before = group.before.1 as f64 / sum_before.1 as f64;
        let weight_now = group.now.1 as f64 / sum_now.1 as f64;
        let weight = f64::midpoint(weight_before, weight_now);
        let (mix, within) = match (share_before.or(share_now), share_now.or(share_before)) {
            (Some(p0), Some(p1)) => (
                (weight_now - weight_before) * (f64::midpoint(p0, p1) - middle),
                weight * (p1 - p0),
            ),
            _ => (0.0, 0.0),
        };
        Part {
            share_before,
            share_now,
            weight,
            mix,
            within,
        }
    };
    let parts: Vec<Part> = groups.iter().map(part).collect();
    Ok(Decomposition {
        before,
        now,
        mix: parts.iter().map(|part| part.mix).sum(),
        within: parts.iter().map(|part| part.within).sum(),
        parts,
    })
}

/// The interval of a group's within part: Newcombe's interval of the difference of its two shares, `z` standard errors
/// to either side, times the group's `weight` ([`Part::weight`]), which is taken as given.
///
/// # Errors
/// As [`newcombe_difference_at`]: a group that is in one period only has none.
pub fn within_interval(group: GroupCounts, weight: f64, z: f64) -> Result<Interval, NotEstimable> {
    let difference = newcombe_difference_at(group.now, group.before, z)?;
    Ok(Interval {
        lo: weight * difference.lo,
        hi: weight * difference.hi,
    })
}

/// How much more the groups' own changes differ from each other than chance lets them: one z score a group, its change
/// against the common change of all (weighted by the inverse of the sampling variance of a difference of shares under
/// no change, `p (1 - p) (1 / n1 + 1 / n0)` with p over both periods), then [`dispersion`].
///
/// Groups in one period only, and those with all or none successful, are left out. That a group swings more from one
/// period to the next than its size explains shows here; a change that all share does not.
///
/// # Errors
/// [`NotEstimable::OneGroup`] below two groups left; otherwise as [`dispersion`].
pub fn dispersion_of_changes(groups: &[GroupCounts]) -> Result<Dispersion, NotEstimable> {
    let changes: Vec<(f64, f64)> = groups
        .iter()
        .filter_map(|group| {
            let (p0, p1) = (share(group.before)?, share(group.now)?);
            let trials = group.before.1 as f64 + group.now.1 as f64;
            let p = (group.before.0 as f64 + group.now.0 as f64) / trials;
            let variance = p * (1.0 - p) * (1.0 / group.before.1 as f64 + 1.0 / group.now.1 as f64);
            (variance > 0.0).then_some((p1 - p0, variance))
        })
        .collect();
    let weights: f64 = changes.iter().map(|(_, variance)| 1.0 / variance).sum();
    let weighted: f64 = changes
        .iter()
        .map(|(change, variance)| change / variance)
        .sum();
    let common = weighted / weights;
    let (z, errors): (Vec<f64>, Vec<f64>) = changes
        .iter()
        .map(|(change, variance)| ((change - common) / variance.sqrt(), variance.sqrt()))
        .unzip();
    dispersion(&z, &errors)
}
