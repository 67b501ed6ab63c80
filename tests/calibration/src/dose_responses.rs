//! The band of a dose-response curve.

use fitcohort_queries::statistics::smooth::{Rows, Settings, dose_response};

use crate::draws::{Draws, Shared};
use crate::study::{Claim, Count, Effort, Family, Refused, Study, run};

const REPLICATES: u64 = 4_000;
const RESAMPLES: u64 = 1_000;
/// Where the band is looked at, in standard deviations of x about its mean.
const GRID: [f64; 3] = [-1.5, 0.0, 1.5];

/// Whether the band holds the true line at each place.
fn covered(
    name: &str,
    replicate: u64,
    clusters: u32,
    replicates: u32,
) -> Result<[Count; 3], Refused> {
    let truth = |x: f64| 3.5 - 0.2 * x;
    let mut draws = Draws::new(name, replicate);
    let (mut x, mut y, mut cluster) = (vec![], vec![], vec![]);
    for number in 0..clusters {
        let [of_x, of_y] = [0.3, 0.1].map(|icc| Shared::of(&mut draws, icc));
        for _ in 0..draws.size(10.0, 40.0) {
            let at = of_x.row(&mut draws);
            x.push(at);
            y.push(truth(at) + of_y.row(&mut draws));
            cluster.push(number);
        }
    }
    let rows = Rows {
        x: &x,
        y: &y,
        cluster: &cluster,
        weights: None,
    };
    let settings = Settings {
        fraction: 0.6,
        replicates,
        seed: replicate,
    };
    let curve = dose_response(rows, &GRID, settings, None)?;
    let [low, middle, high] = curve.points[..] else {
        return Err("a place of the grid has no fit".into());
    };
    Ok([low, middle, high]
        .map(|point| Count::once(point.lo <= truth(point.at) && truth(point.at) <= point.hi)))
}

/// The table of this family.
///
/// # Errors
/// As [`crate::families`].
pub fn family(effort: Effort) -> Result<Family, Refused> {
    let resamples = u32::try_from(effort.resamples(RESAMPLES))?;
    let mut studies = Vec::new();
    for (clusters, middle) in [(40, Claim::AtLeast(0.93)), (100, Claim::Is(0.95))] {
        let set = format!("{clusters} clusters of 10 to 40 rows");
        let seen = run(effort.of(REPLICATES), |replicate| {
            covered(&set, replicate, clusters, resamples)
        })?;
        for (at, seen) in GRID.into_iter().zip(seen) {
            let place = match at {
                0.0 => "at the mean of x".to_owned(),
                _ => format!(
                    "{} SD {} it",
                    at.abs(),
                    if at < 0.0 { "under" } else { "over" }
                ),
            };
            studies.push(Study::new(
                format!("band {place}: {set}"),
                if at == 0.0 {
                    middle
                } else {
                    Claim::AtLeast(0.93)
                },
                seen,
            ));
        }
    }
    Ok(Family {
        title: "Band of a dose-response curve",
        about: "Counted: 95 % bands (1,000 resamples of whole clusters) that hold the true line, at three places. The truth is straight, \
                and 30 % of the variance of x and 10 % of that of y given x lie between clusters. \
                Towards the ends the line leans on fewer clusters than there are. Where the truth is curved, the bias of smoothing comes on top.",
        studies,
    })
}
