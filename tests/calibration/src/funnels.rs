//! How often a funnel calls out a clinician who differs from the rest by chance alone.

use fitcohort_queries::statistics::funnel::{OUTER, binomial_limits, dispersion, z_of_share};

use crate::draws::Draws;
use crate::study::{Claim, Count, Effort, Family, Refused, Study, run};

/// 1,000 cohorts of 200 clinicians.
const REPLICATES: u64 = 1_000;
const CLINICIANS: usize = 200;
/// What 99.8 % limits leave.
const NOMINAL: f64 = 0.002;

/// Clinicians outside the 99.8 % limits, without and with over-dispersion, for one true share of all.
fn outside(
    name: &str,
    replicate: u64,
    share: f64,
    sizes: (f64, f64),
) -> Result<[Count; 2], Refused> {
    let mut draws = Draws::new(name, replicate);
    let counts: Vec<(u64, u64)> = (0..CLINICIANS)
        .map(|_| {
            // Small caseloads are the more frequent ones: even on the logarithmic scale.
            let n = draws.between(sizes.0.ln(), sizes.1.ln()).exp().round() as u64;
            (draws.binomial(n, share), n)
        })
        .collect();
    let (successes, n) = counts
        .iter()
        .fold((0, 0), |(k, n), count| (k + count.0, n + count.1));
    let target = successes as f64 / n as f64;
    let z: Vec<f64> = counts
        .iter()
        .map(|&(k, n)| z_of_share(k, n, target))
        .collect::<Result<_, _>>()?;
    let errors: Vec<f64> = counts
        .iter()
        .map(|&(_, n)| (target * (1.0 - target) / n as f64).sqrt())
        .collect();
    let phi = dispersion(&z, &errors)?.in_force();
    let beyond = |phi: f64| -> Result<Count, Refused> {
        let flags: Vec<bool> = counts
            .iter()
            .map(|&(k, n)| {
                let limits = binomial_limits(target, n, OUTER, phi)?;
                Ok(!limits.contains(k as f64 / n as f64))
            })
            .collect::<Result<_, Refused>>()?;
        Ok(Count::among(flags.into_iter()))
    };
    Ok([beyond(1.0)?, beyond(phi)?])
}

/// The table of this family.
///
/// # Errors
/// As [`crate::families`].
pub fn family(effort: Effort) -> Result<Family, Refused> {
    let mut studies = Vec::new();
    for (share, least, most) in [
        (0.3, 20.0, 60.0),
        (0.3, 60.0, 400.0),
        (0.6, 20.0, 60.0),
        (0.6, 60.0, 400.0),
        (0.85, 20.0, 60.0),
        (0.85, 60.0, 400.0),
    ] {
        let name = format!("share {share}, {least} to {most} fittings a clinician");
        let [plain, widened] = run(effort.of(REPLICATES), |replicate| {
            outside(&name, replicate, share, (least, most))
        })?;
        studies.push(Study::new(
            format!("outside the 99.8 % limits: {name}"),
            Claim::AtMost(NOMINAL),
            plain,
        ));
        studies.push(Study::new(
            format!("the same, limits widened by over-dispersion: {name}"),
            Claim::AtMost(NOMINAL),
            widened,
        ));
    }
    Ok(Family {
        title: "Clinicians called out by a funnel",
        about: "Counted: clinicians outside exact binomial limits around the share of all, where every clinician has the same \
                true share: 1,000 cohorts of 200 clinicians. Counts are whole numbers, so exact limits call out 0.2 % at \
                most, fewer where caseloads are small.",
        studies,
    })
}
