//! Intervals of shares and of their difference.

use fitcohort_queries::statistics::proportion::{clopper_pearson, newcombe_difference, wilson};

use crate::draws::Draws;
use crate::study::{Claim, Count, Effort, Family, Refused, Study, run};

const REPLICATES: u64 = 20_000;

/// The table of this family.
///
/// # Errors
/// As [`crate::families`].
pub fn family(effort: Effort) -> Result<Family, Refused> {
    let mut studies = Vec::new();
    for n in [50, 200] {
        let name = format!("Wilson interval of a share, n = {n}, true share 0.05 to 0.95");
        let [score, exact] = run(effort.of(REPLICATES), |replicate| {
            let mut draws = Draws::new(&name, replicate);
            let p = draws.between(0.05, 0.95);
            let successes = draws.binomial(n, p);
            Ok([
                Count::once(wilson(successes, n)?.contains(p)),
                Count::once(clopper_pearson(successes, n)?.contains(p)),
            ])
        })?;
        studies.push(Study::new(name.as_str(), Claim::Is(0.95), score));
        studies.push(Study::new(
            format!("Clopper-Pearson interval of a share, n = {n}, the same data"),
            Claim::AtLeast(0.95),
            exact,
        ));
    }
    for (first, second) in [(40, 60), (150, 100)] {
        let name = format!("Newcombe interval of a difference of shares, n = {first} and {second}");
        let [seen] = run(effort.of(REPLICATES), |replicate| {
            let mut draws = Draws::new(&name, replicate);
            let (p, q) = (draws.between(0.1, 0.9), draws.between(0.1, 0.9));
            let one = (draws.binomial(first, p), first);
            let two = (draws.binomial(second, q), second);
            Ok([Count::once(newcombe_difference(one, two)?.contains(p - q))])
        })?;
        studies.push(Study::new(name.as_str(), Claim::Is(0.95), seen));
    }
    Ok(Family {
        title: "Shares",
        about: "Counted: 95 % intervals that hold the true value. The true shares are drawn anew in each replicate, since \
                at one fixed share the coverage of any interval of a count jumps up and down with it.",
        studies,
    })
}
