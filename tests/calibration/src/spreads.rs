//! Clinicians' spreads compared: the test of equal spread, and the limits of shrunken ratios.

use fitcohort_queries::statistics::description::mean_sd;
use fitcohort_queries::statistics::log_spread::{GroupSpread, compare};

use crate::draws::Draws;
use crate::study::{Claim, Count, Effort, Family, Refused, Study, run};

const REPLICATES: u64 = 4_000;
/// A typical standard deviation, dB.
const TYPICAL: f64 = 2.35;

/// Spreads of clinicians with `sizes` fittings each, and the log of each one's true spread over the typical one.
fn spreads(
    draws: &mut Draws,
    clinicians: u32,
    sizes: (f64, f64),
    sd_of_log: f64,
) -> Result<(Vec<GroupSpread>, Vec<f64>), Refused> {
    let mut groups = Vec::new();
    let mut truths = Vec::new();
    for _ in 0..clinicians {
        let truth = sd_of_log * draws.normal();
        let n = draws.size(sizes.0, sizes.1);
        let values: Vec<f64> = (0..n)
            .map(|_| TYPICAL * truth.exp() * draws.normal())
            .collect();
        let sd = mean_sd(&values)?.sd;
        groups.push(GroupSpread { n, sd });
        truths.push(truth);
    }
    Ok((groups, truths))
}

/// The table of this family.
///
/// # Errors
/// As [`crate::families`].
pub fn family(effort: Effort) -> Result<Family, Refused> {
    let mut studies = Vec::new();
    for (clinicians, least, most) in [(40, 10.0, 60.0), (100, 10.0, 60.0)] {
        let set = format!("{clinicians} clinicians with {least} to {most} fittings");
        let [equal] = run(effort.of(REPLICATES), |replicate| {
            let mut draws = Draws::new(&format!("equal, {set}"), replicate);
            let (groups, _) = spreads(&mut draws, clinicians, (least, most), 0.0)?;
            Ok([Count::once(compare(&groups)?.p <= 0.05)])
        })?;
        studies.push(Study::new(
            format!("no difference in spread: p-value of Q at most 0.05: {set}"),
            Claim::AtMost(0.06),
            equal,
        ));
        let [typical, ratios] = run(effort.of(REPLICATES), |replicate| {
            let mut draws = Draws::new(&set, replicate);
            let (groups, truths) = spreads(&mut draws, clinicians, (least, most), 0.2)?;
            let found = compare(&groups)?;
            let limits = found.groups.iter().zip(&truths);
            Ok([
                Count::once(found.typical_interval.contains(TYPICAL)),
                Count::among(limits.map(|(group, truth)| group.ratio_limits.contains(truth.exp()))),
            ])
        })?;
        for (what, claim, seen) in [
            (
                "interval of the typical standard deviation",
                Claim::AtLeast(0.93),
                typical,
            ),
            (
                "limits of shrunken ratios to it, averaged over clinicians",
                Claim::AtLeast(0.93),
                ratios,
            ),
        ] {
            studies.push(Study::new(format!("{what}: {set}"), claim, seen));
        }
    }
    Ok(Family {
        title: "How evenly clinicians fit",
        about: "Counted: p-values of 0.05 or less where all clinicians have one standard deviation; and, where the logs of \
                their standard deviations have an SD of 0.2 between clinicians, 95 % limits that hold the true value. The \
                limits take the variance between as known, as is usual, so a little less than 95 % is to be expected. \
                Values are normal. The log of a standard deviation of ten values is not quite, so Q errs a little over 5 %.",
        studies,
    })
}
