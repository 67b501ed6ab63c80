//! The test for a trend in proportions: its level in small and in large counts.

use fitcohort_queries::statistics::NotEstimable;
use fitcohort_queries::statistics::trend::p_of_trend;

use crate::draws::Draws;
use crate::study::{Claim, Count, Effort, Family, Refused, Study, run};

const REPLICATES: u64 = 10_000;
/// Shuffles where tables are too many to list.
const SHUFFLES: u64 = 999;

/// The table of this family.
///
/// # Errors
/// As [`crate::families`].
pub fn family(effort: Effort) -> Result<Family, Refused> {
    let mut studies = Vec::new();
    for (groups, least, most, share, claim) in [
        (4_u32, 3.0, 10.0, 0.3, Claim::AtMost(0.05)),
        (6, 5.0, 15.0, 0.15, Claim::AtMost(0.05)),
        (8, 60.0, 200.0, 0.3, Claim::Is(0.05)),
    ] {
        let name = format!("{groups} quarters of {least} to {most} fittings, share {share}");
        let [seen] = run(effort.of(REPLICATES), |replicate| {
            let mut draws = Draws::new(&name, replicate);
            let scores: Vec<f64> = (0..groups).map(f64::from).collect();
            let trials: Vec<u64> = scores.iter().map(|_| draws.size(least, most)).collect();
            let successes: Vec<u64> = trials.iter().map(|&n| draws.binomial(n, share)).collect();
            let significant = match p_of_trend(&scores, &successes, &trials, SHUFFLES, replicate) {
                Ok((p, _)) => p <= 0.05,
                // All or none: nothing can be significant.
                Err(NotEstimable::AllEqual) => false,
                Err(reason) => return Err(reason.into()),
            };
            Ok([Count::once(significant)])
        })?;
        studies.push(Study::new(name.as_str(), claim, seen));
    }
    Ok(Family {
        title: "Trend in a share over quarters",
        about: "Counted: p-values of 0.05 or less without any trend. In small counts the test is exact: few p-values can \
                occur, so it calls out 5 % at most. In large counts it is the Cochran-Armitage approximation.",
        studies,
    })
}
