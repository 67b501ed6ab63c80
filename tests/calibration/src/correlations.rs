//! Interval of Spearman's rho for independent pairs.

use fitcohort_queries::statistics::rank::{bonett_wright, spearman};

use crate::draws::Draws;
use crate::study::{Claim, Count, Effort, Family, Refused, Study, run};

const REPLICATES: u64 = 10_000;

/// The table of this family.
///
/// # Errors
/// As [`crate::families`].
pub fn family(effort: Effort) -> Result<Family, Refused> {
    let mut studies = Vec::new();
    for (n, correlation) in [(50_u64, 0.3_f64), (100, -0.11), (400, -0.11)] {
        // Spearman's rho of a bivariate normal (Pearson 1907, from memory).
        let truth = 6.0 / std::f64::consts::PI * (correlation / 2.0).asin();
        let name =
            format!("Bonett-Wright interval of Spearman's rho, {n} pairs, true rho {truth:.2}");
        let [seen] = run(effort.of(REPLICATES), |replicate| {
            let mut draws = Draws::new(&name, replicate);
            let own = (1.0 - correlation * correlation).sqrt();
            let (x, y): (Vec<f64>, Vec<f64>) = (0..n)
                .map(|_| {
                    let x = draws.normal();
                    (x, correlation * x + own * draws.normal())
                })
                .unzip();
            let interval = bonett_wright(spearman(&x, &y)?, n)?;
            Ok([Count::once(interval.contains(truth))])
        })?;
        studies.push(Study::new(name.as_str(), Claim::Is(0.95), seen));
    }
    Ok(Family {
        title: "Rank correlation of independent pairs",
        about: "Counted: 95 % intervals that hold the true rho, of pairs from a bivariate normal distribution.",
        studies,
    })
}
