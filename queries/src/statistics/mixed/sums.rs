//! What the model needs of the rows, group by group.

use rayon::prelude::*;

use super::super::{NotEstimable, all_finite, same_length};

/// Rows of one group that are read together. Their columns are copied side by side, small enough to stay in a near
/// cache; the number is fixed, so that the sums do not depend on how many threads there are.
const BLOCK: usize = 1024;

/// One group's sufficient numbers.
#[derive(Debug, Clone, PartialEq)]
pub struct GroupSums {
    pub(super) label: u32,
    pub(super) n: u64,
    /// Means of the covariates, then of the outcome.
    pub(super) means: Vec<f64>,
    /// Sums of products of deviations from those means: the upper triangle, row by row, the outcome last.
    pub(super) cross: Vec<f64>,
}

impl GroupSums {
    /// The label of the group, as given with the rows.
    pub fn label(&self) -> u32 {
        self.label
    }

    /// The number of rows.
    pub fn n(&self) -> u64 {
        self.n
    }

    /// The mean of the outcome, in its units.
    pub fn mean(&self) -> f64 {
        self.means.last().copied().unwrap_or(0.0)
    }

    /// The means of the covariates, each in its units, in the order of the columns.
    pub fn covariate_means(&self) -> &[f64] {
        self.means.split_last().map_or(&[], |(_, means)| means)
    }

    /// Takes another part of the same group in. Source: Chan, Golub & LeVeque (1983), Am Stat 37:242.
    fn merge(&mut self, other: &Self) {
        let (a, b) = (self.n as f64, other.n as f64);
        let share = b / (a + b);
        let steps: Vec<f64> = other
            .means
            .iter()
            .zip(&self.means)
            .map(|(theirs, ours)| theirs - ours)
            .collect();
        let mut cells = self.cross.iter_mut().zip(&other.cross);
        for (row, left) in steps.iter().enumerate() {
            for (right, (cell, theirs)) in steps.iter().skip(row).zip(&mut cells) {
                *cell += theirs + left * right * a * share;
            }
        }
        for (mean, step) in self.means.iter_mut().zip(&steps) {
            *mean += step * share;
        }
        self.n = self.n.saturating_add(other.n);
    }
}

/// Groups with their sufficient numbers, in ascending order of label: see [`gather`].
///
/// The cost of everything after the gathering grows with the number of groups, not of rows. Sums of parts of a data set
/// merge into those of the whole.
#[derive(Debug, Clone, PartialEq)]
pub struct Sums {
    pub(super) covariates: usize,
    pub(super) groups: Vec<GroupSums>,
}

impl Sums {
    /// The number of covariates.
    pub fn covariates(&self) -> usize {
        self.covariates
    }

    /// The groups, in ascending order of label.
    pub fn groups(&self) -> &[GroupSums] {
        &self.groups
    }

    /// Groups without covariates, from the count, mean and sum of squared deviations of each.
    pub(in super::super) fn of_outcome(groups: impl Iterator<Item = (u64, f64, f64)>) -> Self {
        let groups = (0..).zip(groups).map(|(label, (n, mean, ss))| GroupSums {
            label,
            n,
            means: vec![mean],
            cross: vec![ss],
        });
        Self {
            covariates: 0,
            groups: groups.collect(),
        }
    }

    /// These sums and those of other rows as one: a group in both is joined by its label.
    ///
    /// # Errors
    /// [`NotEstimable::LengthsDiffer`] when the numbers of covariates differ.
    pub fn merge(self, other: Self) -> Result<Self, NotEstimable> {
        same_length(self.covariates, other.covariates)?;
        let mut groups = self.groups;
        groups.extend(other.groups);
        // The sort keeps ours before theirs, so that the merge has one order.
        groups.sort_by_key(|group| group.label);
        Ok(Self {
            covariates: self.covariates,
            groups: joined(groups),
        })
    }
}

/// Neighbours of one label as one group.
fn joined(parts: impl IntoIterator<Item = GroupSums>) -> Vec<GroupSums> {
    let mut groups: Vec<GroupSums> = Vec::new();
    for part in parts {
        match groups.last_mut() {
            Some(last) if last.label == part.label => last.merge(&part),
            _ => groups.push(part),
        }
    }
    groups
}

/// Gathers the sums of the model from rows.
///
/// `y` is the outcome, `columns` the covariates without the constant (each of one value a row, in any units), `group`
/// the label of each row's group. Products are of deviations from the mean, taken block by block in two passes and
/// merged, so that large values close to each other keep their digits. Time grows with rows times squared columns. The
/// result is the same to the last bit for any number of threads; the order of rows within a group moves last bits.
///
/// # Errors
/// [`NotEstimable::LengthsDiffer`]; [`NotEstimable::NotFinite`] for NaN and infinities.
pub fn gather(y: &[f64], columns: &[&[f64]], group: &[u32]) -> Result<Sums, NotEstimable> {
    same_length(y.len(), group.len())?;
    for column in columns {
        same_length(y.len(), column.len())?;
    }
    all_finite(y)?;
    for column in columns {
        all_finite(column)?;
    }
    let mut variables = columns.to_vec();
    variables.push(y);

    let (labels, order, starts) = by_group(group);
    let blocks: Vec<(u32, &[usize])> = labels
        .iter()
        .zip(starts.windows(2))
        .flat_map(|(&label, ends)| {
            let members = order.get(ends[0]..ends[1]).unwrap_or_default();
            members.chunks(BLOCK).map(move |block| (label, block))
        })
        .collect();
    let parts: Vec<GroupSums> = blocks
        .par_iter()
        .map_init(Vec::new, |scratch, &(label, rows)| {
            of_block(label, rows, &variables, scratch)
        })
        .collect();
    Ok(Sums {
        covariates: columns.len(),
        groups: joined(parts),
    })
}

/// The labels in ascending order, the rows ordered by them (in the order given within one), and where each label's rows
/// start, with one more entry for the end.
fn by_group(group: &[u32]) -> (Vec<u32>, Vec<usize>, Vec<usize>) {
    let mut labels = group.to_vec();
    labels.par_sort_unstable();
    labels.dedup();
    let place: Vec<usize> = group
        .par_iter()
        .map(|label| labels.partition_point(|known| known < label))
        .collect();
    let mut starts = vec![0_usize; labels.len() + 1];
    for &place in &place {
        starts[place + 1] += 1;
    }
    for at in 1..starts.len() {
        starts[at] += starts[at - 1];
    }
    let mut next = starts.clone();
    let mut order = vec![0_usize; group.len()];
    for (row, &place) in place.iter().enumerate() {
        order[next[place]] = row;
        next[place] += 1;
    }
    (labels, order, starts)
}

/// The sums of one block; `scratch` only saves allocations.
fn of_block(label: u32, rows: &[usize], variables: &[&[f64]], scratch: &mut Vec<f64>) -> GroupSums {
    let n = rows.len();
    scratch.clear();
    let mut means = Vec::with_capacity(variables.len());
    for variable in variables {
        let start = scratch.len();
        // From the first value, so that a variable without variation has deviations of exactly 0.
        let origin = rows.first().map_or(0.0, |&row| variable[row]);
        scratch.extend(rows.iter().map(|&row| variable[row] - origin));
        let deviations = &mut scratch[start..];
        let mean = deviations.iter().sum::<f64>() / n as f64;
        for deviation in deviations {
            *deviation -= mean;
        }
        means.push(origin + mean);
    }
    let mut cross = Vec::with_capacity(variables.len() * (variables.len() + 1) / 2);
    for left in 0..variables.len() {
        for right in left..variables.len() {
            cross.push(dot(
                &scratch[left * n..(left + 1) * n],
                &scratch[right * n..(right + 1) * n],
            ));
        }
    }
    GroupSums {
        label,
        n: n as u64,
        means,
        cross,
    }
}

/// The sum of products in four interleaved lanes: faster than one after the other, and always in the same order.
fn dot(a: &[f64], b: &[f64]) -> f64 {
    let mut lanes = [0.0; 4];
    let (a, b) = (a.chunks_exact(4), b.chunks_exact(4));
    let rest: f64 = a
        .remainder()
        .iter()
        .zip(b.remainder())
        .map(|(x, y)| x * y)
        .sum();
    for (x, y) in a.zip(b) {
        for (lane, (x, y)) in lanes.iter_mut().zip(x.iter().zip(y)) {
            *lane += x * y;
        }
    }
    (lanes[0] + lanes[1]) + (lanes[2] + lanes[3]) + rest
}
