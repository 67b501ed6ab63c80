//! How often a funnel calls out a clinician who differs from the rest by chance alone.

use fitcohort_queries::statistics::description::Moments;
use fitcohort_queries::statistics::funnel::{
    OUTER, Widening, binomial_limits, dispersion, normal_limits, z_of_share,
};

use crate::draws::Draws;
use crate::study::{Claim, Count, Effort, Family, Refused, Study, run};

/// Cohorts of 200 clinicians.
const REPLICATES: u64 = 1_000;
/// The same of very large caseloads, which take longer to draw.
const OF_LARGE: u64 = 500;
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
            let n = draws.size(sizes.0, sizes.1);
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

/// Clinicians whose mean level lies outside the 99.8 % limits around the mean of all, without and with the variance
/// between clinicians that the data show.
fn levels_outside(name: &str, replicate: u64, sizes: (f64, f64)) -> Result<[Count; 2], Refused> {
    const LEVEL: f64 = 3.3;
    const SD: f64 = 1.2;
    let mut draws = Draws::new(name, replicate);
    let levels: Vec<Moments> = (0..CLINICIANS)
        .map(|_| {
            let n = draws.size(sizes.0, sizes.1);
            (0..n).map(|_| LEVEL + SD * draws.normal()).collect()
        })
        .collect();
    let (n, sum, squares) = levels.iter().fold((0, 0.0, 0.0), |(n, sum, squares), own| {
        (n + own.n, sum + own.n as f64 * own.mean, squares + own.m2)
    });
    let target = sum / n as f64;
    let sd = (squares / (n as usize - CLINICIANS) as f64).sqrt();
    let errors: Vec<f64> = levels
        .iter()
        .map(|own| sd / (own.n as f64).sqrt())
        .collect();
    let z: Vec<f64> = levels
        .iter()
        .zip(&errors)
        .map(|(own, error)| (own.mean - target) / error)
        .collect();
    let between = Widening::Additive(dispersion(&z, &errors)?.tau_squared_winsorised);
    let beyond = |widening: Widening| -> Result<Count, Refused> {
        let flags: Vec<bool> = levels
            .iter()
            .zip(&errors)
            .map(|(own, &error)| {
                Ok(!normal_limits(target, error, OUTER, widening)?.contains(own.mean))
            })
            .collect::<Result<_, Refused>>()?;
        Ok(Count::among(flags.into_iter()))
    };
    Ok([beyond(Widening::None)?, beyond(between)?])
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
    let name = "share 0.3, 3000 to 20000 fittings a clinician";
    let [plain, widened] = run(effort.of(OF_LARGE), |replicate| {
        outside(name, replicate, 0.3, (3_000.0, 20_000.0))
    })?;
    for (what, claim, seen) in [
        ("outside the 99.8 % limits", Claim::Is(NOMINAL), plain),
        (
            "the same, limits widened by over-dispersion",
            Claim::AtMost(NOMINAL),
            widened,
        ),
    ] {
        studies.push(Study::new(format!("{what}: {name}"), claim, seen));
    }
    let name = "mean level, 20 to 400 fittings a clinician";
    let [plain, widened] = run(effort.of(REPLICATES), |replicate| {
        levels_outside(name, replicate, (20.0, 400.0))
    })?;
    for (what, claim, seen) in [
        (
            "outside the 99.8 % normal limits",
            Claim::Is(NOMINAL),
            plain,
        ),
        (
            "the same, limits widened by the variance between clinicians",
            Claim::AtMost(NOMINAL),
            widened,
        ),
    ] {
        studies.push(Study::new(format!("{what}: {name}"), claim, seen));
    }
    Ok(Family {
        title: "Clinicians called out by a funnel",
        about: "Counted: clinicians outside the limits around the share (or mean) of all, where every clinician has the same \
                true one, in cohorts of 200 clinicians. Counts are whole numbers, so exact limits of a share call out \
                0.2 % at most, fewer where caseloads are small; those of a mean have no such steps.",
        studies,
    })
}
