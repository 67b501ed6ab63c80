//! Variance between clinicians, and the limits of shrunken means.

use fitcohort_queries::statistics::description::Moments;
use fitcohort_queries::statistics::random_intercept::{Group, fit, intervals};

use crate::draws::Draws;
use crate::study::{Claim, Count, Effort, Family, Refused, Study, run};

const REPLICATES: u64 = 4_000;
const MEAN: f64 = 3.3;

/// The table of this family.
///
/// # Errors
/// As [`crate::families`].
pub fn family(effort: Effort) -> Result<Family, Refused> {
    let mut studies = Vec::new();
    for (clinicians, fittings, icc) in [(30_u64, 20_u64, 0.1_f64), (60, 40, 0.05)] {
        let set = format!("{clinicians} clinicians with {fittings} fittings, ICC {icc}");
        let (between, within) = (icc.sqrt(), (1.0 - icc).sqrt());
        let [of_icc, of_between, of_within, shrunken] = run(effort.of(REPLICATES), |replicate| {
            let mut draws = Draws::new(&set, replicate);
            let (truth, groups): (Vec<f64>, Vec<Group>) = (0..clinicians)
                .map(|_| {
                    let mean = MEAN + between * draws.normal();
                    let values: Moments = (0..fittings)
                        .map(|_| mean + within * draws.normal())
                        .collect();
                    let group = Group {
                        n: values.n,
                        mean: values.mean,
                        ss: values.m2,
                    };
                    (mean, group)
                })
                .unzip();
            let fitted = fit(&groups)?;
            let variance = intervals(&groups, &fitted)?;
            let means = fitted.shrunken(&groups)?;
            Ok([
                Count::once(variance.icc.contains(icc)),
                Count::once(variance.between_sd.contains(between)),
                Count::once(variance.within_sd.contains(within)),
                Count::among(
                    means
                        .iter()
                        .zip(&truth)
                        .map(|(limits, truth)| (limits.lo..=limits.hi).contains(truth)),
                ),
            ])
        })?;
        for (what, claim, seen) in [
            ("profile interval of the ICC", Claim::Is(0.95), of_icc),
            (
                "profile interval of the SD between clinicians",
                Claim::Is(0.95),
                of_between,
            ),
            (
                "profile interval of the SD within clinicians",
                Claim::Is(0.95),
                of_within,
            ),
            (
                "limits of shrunken means, averaged over clinicians",
                Claim::AtLeast(0.93),
                shrunken,
            ),
        ] {
            studies.push(Study::new(format!("{what}: {set}"), claim, seen));
        }
    }
    Ok(Family {
        title: "Variance between clinicians",
        about: "Counted: 95 % intervals that hold the true value, in data from the model with a random intercept. The limits \
                of shrunken means take the two variances as known, as is usual, so a little less than 95 % is to be \
                expected of few clinicians.",
        studies,
    })
}
