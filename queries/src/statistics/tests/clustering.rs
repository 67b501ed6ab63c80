//! Average linkage and the order of its leaves, against scipy (`tests/reference/similarity.csv`), against the definition
//! by plain loops, and against what must hold whatever the points are.

use super::super::NotEstimable::{self, *};
use super::super::clustering::{Join, MOST, average_linkage, leaf_order};
use super::super::description::{mean_interval, mean_over_clusters, mean_sd};
use super::super::linear::{Correction, cluster_robust};
use super::super::random::{below, stream};
use super::close;
use super::reference::{self, DISTRIBUTION, EXACT, Ours};

/// The same as in `tests/reference/similarity.py`.
fn waves() -> Vec<Vec<f64>> {
    (0..40_u32)
        .map(|i| {
            (0..10_u32)
                .map(|j| {
                    let angle = 1.0 + f64::from(i * i) / 7.0 + f64::from(j) / 3.0;
                    (1000.0 * angle.sin()).floor() / 100.0 + f64::from((3 * i) % 5)
                })
                .collect()
        })
        .collect()
}

fn longley() -> Vec<Vec<f64>> {
    include_str!("../../../../tests/reference/data/longley.csv")
        .lines()
        .filter(|line| !line.starts_with('#'))
        .map(|line| line.split(',').map(|cell| cell.parse().unwrap()).collect())
        .collect()
}

#[test]
fn every_reference_value_is_reproduced() {
    let mut ours = Ours::default();
    for (case, points) in [("longley", longley()), ("waves", waves())] {
        for (place, join) in average_linkage(&points).unwrap().iter().enumerate() {
            for (quantity, value) in [
                ("left", join.left as f64),
                ("right", join.right as f64),
                ("height", join.height),
                ("size", join.size as f64),
            ] {
                ours.add(case, &format!("{quantity} {place}"), value, EXACT);
            }
        }
    }
    reference::compare(
        include_str!("../../../../tests/reference/similarity.csv"),
        ours,
    );
}

fn drawn(n: usize, seed: u64) -> Vec<Vec<f64>> {
    let mut rng = stream(seed, "points", 0);
    (0..n)
        .map(|_| {
            (0..3)
                .map(|_| f64::from(below(&mut rng, 1_000_000)) / 1e5)
                .collect()
        })
        .collect()
}

/// The definition: of all pairs of clusters, join the two whose points have the least mean distance. Cubic and slow.
fn by_definition(points: &[Vec<f64>]) -> Vec<(Vec<usize>, f64)> {
    let distance = |one: usize, other: usize| -> f64 {
        let squares: f64 = points[one]
            .iter()
            .zip(&points[other])
            .map(|(a, b)| (a - b).powi(2))
            .sum();
        squares.sqrt()
    };
    let mut clusters: Vec<Vec<usize>> = (0..points.len()).map(|point| vec![point]).collect();
    let mut out = Vec::new();
    while clusters.len() > 1 {
        let mut best = (0, 0, f64::INFINITY);
        for one in 0..clusters.len() {
            for other in 0..one {
                let total: f64 = clusters[one]
                    .iter()
                    .flat_map(|a| clusters[other].iter().map(move |b| distance(*a, *b)))
                    .sum();
                let mean = total / (clusters[one].len() * clusters[other].len()) as f64;
                if mean < best.2 {
                    best = (one, other, mean);
                }
            }
        }
        let mut members = clusters.remove(best.0);
        members.append(&mut clusters[best.1]);
        members.sort_unstable();
        out.push((members.clone(), best.2));
        clusters[best.1] = members;
    }
    out
}

/// The points of each join's cluster.
fn members(joins: &[Join], n: usize) -> Vec<Vec<usize>> {
    let mut clusters: Vec<Vec<usize>> = (0..n).map(|point| vec![point]).collect();
    for join in joins {
        let mut all = [clusters[join.left].clone(), clusters[join.right].clone()].concat();
        all.sort_unstable();
        clusters.push(all);
    }
    clusters.split_off(n)
}

#[test]
fn joins_are_those_of_the_definition() {
    for (n, seed) in [(2, 1), (3, 2), (12, 3), (40, 4)] {
        let points = drawn(n, seed);
        let joins = average_linkage(&points).unwrap();
        let wanted = by_definition(&points);
        assert_eq!(joins.len(), wanted.len());
        for ((join, members), (theirs, height)) in joins.iter().zip(members(&joins, n)).zip(wanted)
        {
            assert_eq!(members, theirs);
            assert_eq!(join.size, theirs.len());
            close(join.height, height, EXACT);
        }
    }
}

#[test]
fn the_order_holds_every_point_once_keeps_clusters_together_and_rises() {
    for (n, seed) in [(2, 5), (7, 6), (60, 7), (300, 8)] {
        let points = drawn(n, seed);
        let joins = average_linkage(&points).unwrap();
        let keys: Vec<f64> = points.iter().map(|point| point[0]).collect();
        let order = leaf_order(&joins, &keys).unwrap();
        let mut all = order.clone();
        all.sort_unstable();
        assert_eq!(all, (0..n).collect::<Vec<_>>());
        let mut place = vec![0; n];
        for (position, point) in order.iter().enumerate() {
            place[*point] = position;
        }
        let mean = |members: &[usize]| {
            members.iter().map(|point| keys[*point]).sum::<f64>() / members.len() as f64
        };
        let every: Vec<Vec<usize>> = (0..n)
            .map(|point| vec![point])
            .chain(members(&joins, n))
            .collect();
        for join in &joins {
            let sides = [&every[join.left], &every[join.right]];
            let span = |members: &[usize]| {
                let places = members.iter().map(|point| place[*point]);
                (places.clone().min().unwrap(), places.max().unwrap())
            };
            let (one, other) = (span(sides[0]), span(sides[1]));
            assert_eq!(
                one.1 - one.0 + 1,
                sides[0].len(),
                "a cluster stands together"
            );
            assert_eq!(other.1 - other.0 + 1, sides[1].len());
            assert_eq!(mean(sides[0]) < mean(sides[1]), one < other);
        }
    }
}

/// Two pairs far apart on a line, worked by hand: 0 and 1 at 1, 10 and 12 at 2, and both pairs at the mean of 10, 12, 9
/// and 11, which is 10.5.
#[test]
fn two_pairs_on_a_line() {
    let points: Vec<Vec<f64>> = [12.0, 0.0, 1.0, 10.0].iter().map(|x| vec![*x]).collect();
    let joins = average_linkage(&points).unwrap();
    let heights: Vec<f64> = joins.iter().map(|join| join.height).collect();
    assert_eq!(heights, [1.0, 2.0, 10.5]);
    let keys: Vec<f64> = points.iter().map(|point| point[0]).collect();
    assert_eq!(leaf_order(&joins, &keys).unwrap(), [1, 2, 3, 0]);
    let falling: Vec<f64> = keys.iter().map(|key| -key).collect();
    assert_eq!(leaf_order(&joins, &falling).unwrap(), [0, 3, 2, 1]);
}

#[test]
fn equal_points_keep_their_order() {
    let points = vec![vec![3.0, 4.0]; 9];
    let joins = average_linkage(&points).unwrap();
    assert!(joins.iter().all(|join| join.height == 0.0));
    assert_eq!(
        leaf_order(&joins, &[0.0; 9]).unwrap(),
        (0..9).collect::<Vec<_>>()
    );
}

#[test]
fn what_cannot_be_clustered_is_said_so() {
    assert_eq!(average_linkage(&[]), Err(TooFew { needed: 2, got: 0 }));
    assert_eq!(
        average_linkage(&[vec![1.0]]),
        Err(TooFew { needed: 2, got: 1 })
    );
    let uneven = [vec![1.0], vec![1.0, 2.0]];
    assert!(matches!(
        average_linkage(&uneven),
        Err(LengthsDiffer { .. })
    ));
    for bad in [f64::NAN, f64::INFINITY, f64::MAX] {
        let points = [vec![bad], vec![-bad]];
        assert_eq!(average_linkage(&points), Err(NotFinite), "{bad}");
    }
    let many = vec![Vec::new(); MOST + 1];
    assert!(matches!(average_linkage(&many), Err(OutOfRange { .. })));
    let joins = average_linkage(&[vec![1.0], vec![2.0]]).unwrap();
    assert_eq!(leaf_order(&joins, &[1.0, f64::NAN]), Err(NotFinite));
    assert!(matches!(
        leaf_order(&joins, &[1.0]),
        Err(LengthsDiffer { .. })
    ));
    let wrong = [Join {
        left: 0,
        right: 7,
        height: 1.0,
        size: 2,
    }];
    assert!(matches!(
        leaf_order(&wrong, &[1.0, 2.0]),
        Err(OutOfRange { .. })
    ));
}

/// The mean over clusters is least squares with a constant and errors robust to clusters, another road to the same
/// numbers; with one value a cluster it is Student's interval.
#[test]
fn a_mean_over_clusters_is_a_robust_constant() {
    let mut rng = stream(11, "clusters", 0);
    let mut rows: Vec<(u32, f64)> = Vec::new();
    for cluster in 0..23_u32 {
        for _ in 0..1 + below(&mut rng, 2) {
            let value = f64::from(cluster % 5) - f64::from(below(&mut rng, 1000)) / 100.0;
            rows.push((cluster, value));
        }
    }
    let mut sums = vec![(0_u64, 0.0); 23];
    for (cluster, value) in &rows {
        sums[*cluster as usize].0 += 1;
        sums[*cluster as usize].1 += value;
    }
    let found = mean_over_clusters(&sums).unwrap();
    let (clusters, values): (Vec<u32>, Vec<f64>) = rows.iter().copied().unzip();
    let robust = cluster_robust(&values, &[], true, &clusters, Correction::Cr1).unwrap();
    let interval = robust.tests[0].as_ref().unwrap().interval;
    let ours = found.interval.unwrap();
    assert_eq!((found.n, found.clusters), (values.len() as u64, 23));
    close(found.mean, robust.fit.coefficients[0], EXACT);
    close(ours.lo, interval.lo, DISTRIBUTION);
    close(ours.hi, interval.hi, DISTRIBUTION);

    let single = [1.5, -2.0, 4.25, 0.5];
    let alone: Vec<(u64, f64)> = single.iter().map(|value| (1, *value)).collect();
    let summary = mean_sd(&single).unwrap();
    let student = mean_interval(4, summary.mean, summary.sd).unwrap();
    let ours = mean_over_clusters(&alone).unwrap().interval.unwrap();
    close(ours.lo, student.lo, EXACT);
    close(ours.hi, student.hi, EXACT);
}

#[test]
fn a_mean_over_clusters_of_little() {
    let nothing: Result<_, NotEstimable> = Err(TooFew { needed: 1, got: 0 });
    assert_eq!(mean_over_clusters(&[]), nothing);
    assert_eq!(mean_over_clusters(&[(0, 0.0), (0, 0.0)]), nothing);
    let one = mean_over_clusters(&[(2, 5.0), (0, 0.0)]).unwrap();
    assert_eq!((one.mean, one.interval), (2.5, None));
    assert_eq!(mean_over_clusters(&[(1, f64::NAN)]), Err(NotFinite));
    assert_eq!(
        mean_over_clusters(&[(1, f64::MAX), (1, f64::MAX)]),
        Err(NotFinite)
    );
}
