//! The random intercept with covariates: variances, a coefficient, and the limits of shrunken levels.

use fitcohort_queries::statistics::mixed::{Criterion, fit, gather};
use fitcohort_queries::statistics::{Interval, Z_95};

use crate::draws::{Draws, Shared};
use crate::study::{Claim, Count, Effort, Family, Refused, Study, run};

const REPLICATES: u64 = 4_000;
/// The constant, the slope of a covariate of the fitting and that of one of the clinician.
const TRUTH: [f64; 3] = [3.3, 0.5, -0.3];

/// Whether each interval holds the truth: ICC, SD between, SD within, slope, and shrunken levels.
fn covered(
    name: &str,
    replicate: u64,
    (clinicians, fittings): (u32, u32),
    icc: f64,
) -> Result<[Count; 5], Refused> {
    let (between, within) = (icc.sqrt(), (1.0 - icc).sqrt());
    let mut draws = Draws::new(name, replicate);
    let (mut x, mut habit, mut y, mut clinician) = (vec![], vec![], vec![], vec![]);
    let mut effects = Vec::new();
    for number in 0..clinicians {
        let of_x = Shared::of(&mut draws, 0.2);
        let (own, effect) = (draws.normal(), between * draws.normal());
        effects.push(effect);
        for _ in 0..fittings {
            let at = of_x.row(&mut draws);
            x.push(at);
            habit.push(own);
            y.push(TRUTH[0] + TRUTH[1] * at + TRUTH[2] * own + effect + within * draws.normal());
            clinician.push(number);
        }
    }
    let fitted = fit(&gather(&y, &[&x, &habit], &clinician)?, Criterion::Reml)?;
    let variance = fitted.intervals()?;
    let slope = fitted.coefficients.get(1).ok_or("no slope")?;
    let interval = Interval {
        lo: slope.estimate - Z_95 * slope.se,
        hi: slope.estimate + Z_95 * slope.se,
    };
    let line =
        TRUTH[0] + TRUTH[1] * fitted.covariate_means[0] + TRUTH[2] * fitted.covariate_means[1];
    let levels = fitted.levels()?;
    Ok([
        Count::once(variance.icc.contains(icc)),
        Count::once(variance.between_sd.contains(between)),
        Count::once(variance.within_sd.contains(within)),
        Count::once(interval.contains(TRUTH[1])),
        Count::among(levels.iter().zip(&effects).map(|(level, effect)| {
            (level.shrunken.lo..=level.shrunken.hi).contains(&(line + effect))
        })),
    ])
}

/// The table of this family.
///
/// # Errors
/// As [`crate::families`].
pub fn family(effort: Effort) -> Result<Family, Refused> {
    let mut studies = Vec::new();
    for (size, icc) in [((30, 20), 0.1), ((60, 40), 0.05)] {
        let set = format!(
            "two covariates, {} clinicians with {} fittings, ICC {icc}",
            size.0, size.1
        );
        let seen = run(effort.of(REPLICATES), |replicate| {
            covered(&set, replicate, size, icc)
        })?;
        let names = [
            "profile interval of the ICC",
            "profile interval of the SD between clinicians",
            "profile interval of the SD within clinicians",
            "interval of the slope of a fitting's covariate",
            "limits of shrunken levels, averaged over clinicians",
        ];
        for (at, (name, seen)) in names.into_iter().zip(seen).enumerate() {
            let claim = match at {
                4 => Claim::AtLeast(0.93),
                _ => Claim::Is(0.95),
            };
            studies.push(Study::new(format!("{name}: {set}"), claim, seen));
        }
    }
    Ok(Family {
        title: "Variance between clinicians beside covariates",
        about: "Counted: 95 % intervals that hold the true value, in data from the model with a random intercept, one \
                covariate of the fitting and one of the clinician. Shrunken levels are those at the covariates' means; \
                their limits take the two variances as known, as is usual, so a little less than 95 % is to be expected of \
                few clinicians.",
        studies,
    })
}
