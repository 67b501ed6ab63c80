//! Intervals of a mean and of a standard deviation.

use fitcohort_queries::statistics::description::{mean_interval, mean_sd};
use fitcohort_queries::statistics::spread::sd_interval;

use crate::draws::Draws;
use crate::study::{Claim, Count, Effort, Family, Refused, Study, run};

const REPLICATES: u64 = 20_000;
const MEAN: f64 = 3.3;
const SD: f64 = 1.2;

/// The table of this family.
///
/// # Errors
/// As [`crate::families`].
pub fn family(effort: Effort) -> Result<Family, Refused> {
    let mut studies = Vec::new();
    for n in [8, 60] {
        let name = format!("t interval of a mean, n = {n}");
        let [mean, sd] = run(effort.of(REPLICATES), |replicate| {
            let mut draws = Draws::new(&name, replicate);
            let values: Vec<f64> = (0..n).map(|_| MEAN + SD * draws.normal()).collect();
            let found = mean_sd(&values)?;
            Ok([
                Count::once(mean_interval(found.n, found.mean, found.sd)?.contains(MEAN)),
                Count::once(sd_interval(found.n, found.sd)?.contains(SD)),
            ])
        })?;
        studies.push(Study::new(name.as_str(), Claim::Is(0.95), mean));
        studies.push(Study::new(
            format!("interval of a standard deviation, n = {n}, the same data"),
            Claim::Is(0.95),
            sd,
        ));
    }
    Ok(Family {
        title: "Means and standard deviations",
        about: "Counted: 95 % intervals that hold the true value, in samples from a normal distribution.",
        studies,
    })
}
