//! Which of some points are alike: average-linkage clustering, and the order of its leaves for a reader's eye.

use super::{NotEstimable, at_least, finite, same_length};

/// The most points that are clustered: time and memory grow with the square of their number, here to 32 MB.
pub const MOST: usize = 2000;

/// Two clusters joined into one.
///
/// The points are the clusters `0..n`; the join in place `k` makes the cluster `n + k`, as `scipy` and other libraries
/// number them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Join {
    /// The cluster of the smaller number.
    pub left: usize,
    /// The other one.
    pub right: usize,
    /// The mean distance between a point of the one and a point of the other, in the units of the points.
    pub height: f64,
    /// How many points the joined cluster holds.
    pub size: usize,
}

/// Joins points step by step, always the two clusters whose points lie closest on average, until one is left.
///
/// `points` holds one vector a point, all of the same length and in the same units; distances are Euclidean. The
/// answer has one join less than there are points, in the order of their heights, which never fall. Where distances
/// tie, the points that come first in `points` are joined first, so the answer is the same on every run. Time is
/// quadratic (chain of nearest neighbours). Sources: Sokal & Michener (1958), Univ Kansas Sci Bull 38:1409, for the
/// linkage; Lance & Williams (1967), Comput J 9:373, for the update; Murtagh (1983), Comput J 26:354, for the chain
/// (all from memory).
///
/// # Errors
/// [`NotEstimable::TooFew`] below two points; [`NotEstimable::OutOfRange`] above [`MOST`];
/// [`NotEstimable::LengthsDiffer`] for vectors of different length; [`NotEstimable::NotFinite`] for NaN, infinities,
/// or distances that overflow.
pub fn average_linkage(points: &[Vec<f64>]) -> Result<Vec<Join>, NotEstimable> {
    let n = points.len();
    at_least(2, n as u64)?;
    if n > MOST {
        return Err(NotEstimable::OutOfRange {
            what: "the number of points to cluster",
        });
    }
    let mut between = distances(points)?;
    let mut sizes = vec![1_usize; n];
    let mut alive: Vec<usize> = (0..n).collect();
    let mut chain: Vec<usize> = Vec::new();
    let mut joined: Vec<(usize, usize, f64)> = Vec::with_capacity(n - 1);
    while alive.len() > 1 {
        let Some(&last) = chain.last() else {
            chain.extend(alive.first());
            continue;
        };
        // On a tie the one before in the chain wins, or the chain would run in a circle.
        let before = chain.len().checked_sub(2).map(|place| chain[place]);
        let (mut nearest, mut distance) = match before {
            Some(before) => (before, between[last * n + before]),
            None => (last, f64::INFINITY),
        };
        for &other in &alive {
            let found = between[last * n + other];
            if other != last && found < distance {
                (nearest, distance) = (other, found);
            }
        }
        if Some(nearest) != before {
            chain.push(nearest);
            continue;
        }
        chain.truncate(chain.len() - 2);
        let (kept, gone) = (last.min(nearest), last.max(nearest));
        joined.push((kept, gone, distance));
        let (a, b) = (sizes[kept] as f64, sizes[gone] as f64);
        alive.retain(|cluster| *cluster != gone);
        for &other in &alive {
            let mean = (a * between[kept * n + other] + b * between[gone * n + other]) / (a + b);
            between[kept * n + other] = mean;
            between[other * n + kept] = mean;
        }
        sizes[kept] += sizes[gone];
    }
    joined.sort_by(|one, other| one.2.total_cmp(&other.2));
    Ok(numbered(&joined, n))
}

/// Euclidean distances, row by row.
fn distances(points: &[Vec<f64>]) -> Result<Vec<f64>, NotEstimable> {
    let n = points.len();
    let mut between = vec![0.0; n * n];
    for (row, one) in points.iter().enumerate() {
        for (column, other) in points.iter().enumerate().take(row) {
            same_length(one.len(), other.len())?;
            let squares: f64 = one.iter().zip(other).map(|(a, b)| (a - b) * (a - b)).sum();
            let distance = finite(squares.sqrt())?;
            between[row * n + column] = distance;
            between[column * n + row] = distance;
        }
    }
    Ok(between)
}

/// Joins of representatives, rising in height, as joins of numbered clusters.
fn numbered(joined: &[(usize, usize, f64)], n: usize) -> Vec<Join> {
    // The number and the size of the cluster that a point is the representative of; others point to their own.
    let mut parent: Vec<usize> = (0..n).collect();
    let mut cluster: Vec<(usize, usize)> = (0..n).map(|point| (point, 1)).collect();
    let root = |parent: &[usize], mut point: usize| {
        while parent[point] != point {
            point = parent[point];
        }
        point
    };
    joined
        .iter()
        .enumerate()
        .map(|(place, &(one, other, height))| {
            let (one, other) = (root(&parent, one), root(&parent, other));
            let ((a, size_a), (b, size_b)) = (cluster[one], cluster[other]);
            parent[other] = one;
            cluster[one] = (n + place, size_a + size_b);
            Join {
                left: a.min(b),
                right: a.max(b),
                height,
                size: size_a + size_b,
            }
        })
        .collect()
}

/// The points in the order in which a tree of joins shows them, so that those that are alike stand together.
///
/// `joins` come from [`average_linkage`] of as many points as `keys` has values. At each join the side whose mean key is
/// the smaller comes first; on a tie the side that holds the first point. A tree leaves two ways for each join, and this
/// one makes the keys rise from the first to the last leaf as far as the tree allows (our convention, no source).
///
/// # Errors
/// [`NotEstimable::LengthsDiffer`] where the joins are not one less than the keys; [`NotEstimable::OutOfRange`] where
/// they name a cluster that is not there yet; [`NotEstimable::NotFinite`] for keys that are no numbers.
pub fn leaf_order(joins: &[Join], keys: &[f64]) -> Result<Vec<usize>, NotEstimable> {
    super::all_finite(keys)?;
    same_length(joins.len() + 1, keys.len())?;
    // Leaves and sum of keys of each cluster that is not part of another yet.
    let mut clusters: Vec<Option<(Vec<usize>, f64)>> = keys
        .iter()
        .enumerate()
        .map(|(point, key)| Some((vec![point], *key)))
        .collect();
    for join in joins {
        let mut take = |cluster: usize| {
            let found = clusters.get_mut(cluster).and_then(Option::take);
            found.ok_or(NotEstimable::OutOfRange {
                what: "the number of a cluster",
            })
        };
        let (mut one, mut other) = (take(join.left)?, take(join.right)?);
        let rank = |side: &(Vec<usize>, f64)| {
            let mean = side.1 / side.0.len() as f64;
            (mean, side.0.iter().min().copied())
        };
        let (a, b) = (rank(&one), rank(&other));
        if b.0.total_cmp(&a.0).then(b.1.cmp(&a.1)).is_lt() {
            std::mem::swap(&mut one, &mut other);
        }
        one.0.append(&mut other.0);
        clusters.push(Some((one.0, one.1 + other.1)));
    }
    Ok(clusters
        .pop()
        .flatten()
        .map(|(leaves, _)| leaves)
        .unwrap_or_default())
}
