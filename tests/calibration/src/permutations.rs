//! The permutation test within clinicians: its level where clinicians confound, and its power.

use fitcohort_queries::statistics::permutation::{Statistic, within_clusters};
use fitcohort_queries::statistics::rank::{spearman, spearman_p};
use fitcohort_synthetic_data::{Effects, Scenario, cohort};

use crate::study::{Claim, Count, Effort, Family, Refused, Study, run};

const REPLICATES: u64 = 2_000;
/// With 499 shuffles a p-value of 0.05 or less has a chance of exactly 25 in 500.
const SHUFFLES: u64 = 499;
/// Fittings of which about 1,000 are verified and answered.
const FITTINGS: u64 = 1_900;

/// 40 clinicians with about 1,000 complete fittings between them.
fn scenario(seed: u64, effects: Effects) -> Scenario {
    Scenario {
        clinics: 8,
        clinicians: 40,
        effects,
        planted_errors: 0.0,
        ..Scenario::demo(FITTINGS, seed)
    }
}

/// The two tests within clinicians and the plain p-value, each significant at 5 % or not.
fn tests(scenario: &Scenario, shuffles: u64) -> Result<[Count; 3], Refused> {
    let (mut rms, mut satisfaction, mut clinician) = (Vec::new(), Vec::new(), Vec::new());
    for record in cohort(scenario)? {
        if record.rms_delivered && record.satisfaction_delivered {
            rms.push(record.rms_db);
            satisfaction.push(f64::from(record.satisfaction));
            clinician.push(record.clinician);
        }
    }
    let within = |statistic| {
        within_clusters(
            &rms,
            &satisfaction,
            &clinician,
            shuffles,
            scenario.seed,
            statistic,
        )
    };
    let plain = spearman_p(spearman(&rms, &satisfaction)?, rms.len() as u64)?;
    Ok([
        Count::once(within(Statistic::Spearman)?.p <= 0.05),
        Count::once(within(Statistic::Kendall)?.p <= 0.05),
        Count::once(plain <= 0.05),
    ])
}

/// The table of this family.
///
/// # Errors
/// As [`crate::families`].
pub fn family(effort: Effort) -> Result<Family, Refused> {
    // No effect of match, nor of anything that changes a fitting's match; clinicians who fit closer have happier patients.
    let confounded = Effects {
        match_per_db: 0.0,
        two_ears: 0.0,
        experience: 0.0,
        clinician_sd: 0.8,
        clinician_confounding: -0.8,
        ..Effects::default()
    };
    let shuffles = effort.resamples(SHUFFLES);
    let [spearman, kendall, plain] = run(effort.of(REPLICATES), |replicate| {
        tests(&scenario(10_000 + replicate, confounded), shuffles)
    })?;
    let [power_spearman, power_kendall, _] = run(effort.of(REPLICATES / 2), |replicate| {
        tests(&scenario(50_000 + replicate, Effects::default()), shuffles)
    })?;
    Ok(Family {
        title: "Match and satisfaction within clinicians",
        about: "Counted: p-values of 0.05 or less, on invented cohorts of about 1,000 verified and answered fittings by 40 \
                clinicians. Under \"no effect\" match does nothing to satisfaction, but clinicians who fit closer have \
                happier patients (SD between clinicians 0.8 log-odds, correlation -0.8 with their typical RMS \
                deviation). Under \"effect\" match has the demo's effect, -0.15 log-odds a decibel.",
        studies: vec![
            Study::new(
                "no effect: permutation within clinicians, Spearman",
                Claim::Is(0.05),
                spearman,
            ),
            Study::new(
                "no effect: permutation within clinicians, Kendall",
                Claim::Is(0.05),
                kendall,
            ),
            Study::new(
                "no effect: plain p-value of Spearman's rho, for contrast",
                Claim::Above(0.05),
                plain,
            ),
            Study::new(
                "effect: power of the permutation within clinicians, Spearman",
                Claim::Above(0.75),
                power_spearman,
            ),
            Study::new(
                "effect: power of the permutation within clinicians, Kendall",
                Claim::Above(0.75),
                power_kendall,
            ),
        ],
    })
}
