//! Coefficients of linear and logistic regression with errors robust to clusters.

use fitcohort_queries::statistics::categorical::{logistic, sandwich};
use fitcohort_queries::statistics::linear::{self, Correction};

use crate::draws::{Draws, Shared};
use crate::study::{Claim, Count, Effort, Family, Refused, Study, run};

const REPLICATES: u64 = 4_000;
const SLOPE: f64 = 0.3;
/// What of log-odds within a cluster is left over all clusters; an SD of 0.8 between clusters.
const SHRINKAGE: f64 = 0.915;

/// Whether each interval of the slope holds its truth: linear and logistic, each robust and for independent rows.
fn covered(name: &str, replicate: u64, clusters: u32) -> Result<[Count; 4], Refused> {
    let mut draws = Draws::new(name, replicate);
    let (mut x, mut level, mut answer, mut cluster) = (vec![], vec![], vec![], vec![]);
    for number in 0..clusters {
        let [of_x, of_level] = [0.3, 0.15].map(|icc| Shared::of(&mut draws, icc));
        let log_odds = draws.bridge(SHRINKAGE);
        for _ in 0..draws.size(10.0, 40.0) {
            let at = of_x.row(&mut draws);
            x.push(at);
            level.push(SLOPE * at + of_level.row(&mut draws));
            answer.push(0.5 + SLOPE * at + log_odds + draws.logistic() > 0.0);
            cluster.push(number);
        }
    }
    let columns: [&[f64]; 1] = [&x];
    let robust = linear::cluster_robust(&level, &columns, true, &cluster, Correction::Cr1)?;
    let of_slope = |tests: &[Result<linear::CoefficientTest, _>]| -> Result<Count, Refused> {
        let test = tests.get(1).cloned().ok_or("no slope")?;
        Ok(Count::once(test?.interval.contains(SLOPE)))
    };
    let fit = logistic::fit(&answer, &columns, None)?;
    let sandwich = sandwich::cluster_robust_logistic(&fit, &answer, &columns, None, &cluster)?;
    let truth = SHRINKAGE * SLOPE;
    Ok([
        of_slope(&robust.tests)?,
        of_slope(&robust.fit.tests())?,
        Count::once(sandwich.coefficient(1)?.interval.contains(truth)),
        Count::once(fit.coefficient(1)?.interval.contains(truth)),
    ])
}

/// The table of this family.
///
/// # Errors
/// As [`crate::families`].
pub fn family(effort: Effort) -> Result<Family, Refused> {
    let mut studies = Vec::new();
    for (clusters, robust) in [
        (12, Claim::AtLeast(0.90)),
        (40, Claim::AtLeast(0.93)),
        (100, Claim::AtLeast(0.93)),
        (300, Claim::Is(0.95)),
    ] {
        let set = format!("{clusters} clusters of 10 to 40 rows");
        let seen = run(effort.of(REPLICATES), |replicate| {
            covered(&set, replicate, clusters)
        })?;
        for (what, claim, seen) in [
            ("linear, robust to clusters (CR1, t)", robust, seen[0]),
            (
                "linear, errors for independent rows, for contrast",
                Claim::AtMost(0.90),
                seen[1],
            ),
            ("logistic, robust to clusters (CR1, t)", robust, seen[2]),
            (
                "logistic, errors for independent rows, for contrast",
                Claim::AtMost(0.90),
                seen[3],
            ),
        ] {
            studies.push(Study::new(format!("{what}: {set}"), claim, seen));
        }
    }
    Ok(Family {
        title: "Regression on rows in clusters",
        about: "Counted: 95 % intervals of a slope that hold the truth. 30 % of the variance of the covariate lies between \
                clusters, and clusters differ in the outcome: 15 % of the variance left in the linear model, an SD of 0.8 \
                log-odds in the logistic one, whose effects of clusters follow the bridge distribution, so that the slope \
                over all clusters is known (0.915 of that within). Robust intervals are by t with clusters less one degrees \
                of freedom. Clusters that differ in size and in the covariate count for fewer than there are, so 95 % is \
                reached with some hundreds of them.",
        studies,
    })
}
