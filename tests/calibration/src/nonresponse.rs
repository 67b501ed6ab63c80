//! Answers that did not come back: bias with and without weights, intervals, and bounds.

use fitcohort_queries::statistics::Interval;
use fitcohort_queries::statistics::nonresponse::bounds::{ShareAnswers, of_share};
use fitcohort_queries::statistics::nonresponse::weights::ResponseModel;
use fitcohort_queries::statistics::rank::spearman;
use fitcohort_queries::statistics::rank_bootstrap::{RankReplicates, prepare};
use fitcohort_queries::statistics::resampling::{LANES, Levels, Times};
use fitcohort_synthetic_data::{Effects, Scenario, cohort};

use crate::study::{Claim, Count, Effort, Family, Refused, Seen, Study, each};

const REPLICATES: u64 = 1_000;
const RESAMPLES: u64 = 1_000;
const CLINICIANS: u32 = 40;
/// Fittings of which about 1,600 are verified, and so invited.
const FITTINGS: u64 = 1_900;

/// Those invited: everybody's satisfaction is known here, answered or not.
#[derive(Default)]
struct Invited {
    answered: Vec<bool>,
    rms: Vec<f64>,
    experienced: Vec<f64>,
    satisfaction: Vec<f64>,
    clinician: Vec<u32>,
}

impl Invited {
    fn of(seed: u64, effects: Effects) -> Result<Self, Refused> {
        let scenario = Scenario {
            clinics: CLINICIANS / 5,
            clinicians: CLINICIANS,
            effects,
            planted_errors: 0.0,
            ..Scenario::demo(FITTINGS, seed)
        };
        let mut out = Self::default();
        for record in cohort(&scenario)? {
            if record.rms_delivered {
                out.answered.push(record.satisfaction_delivered);
                out.rms.push(record.rms_db);
                out.experienced
                    .push(f64::from(u8::from(record.experienced)));
                out.satisfaction.push(f64::from(record.satisfaction));
                out.clinician.push(record.clinician);
            }
        }
        Ok(out)
    }

    /// The values of those who answered.
    fn answers<T: Copy>(&self, values: &[T]) -> Vec<T> {
        let rows = values.iter().zip(&self.answered);
        rows.filter(|(_, answered)| **answered)
            .map(|(value, _)| *value)
            .collect()
    }
}

/// What one cohort gives.
struct Found {
    /// The share satisfied among those who answered, the weighted one, and that with weights that were not truncated,
    /// less that among all invited.
    share_bias: [f64; 3],
    /// Spearman's rho of match and satisfaction among all invited.
    rho: f64,
    /// The three rhos less that.
    rho_bias: [f64; 3],
    /// 95 % intervals of rho, if they were asked for: of those who answered, and weighted.
    intervals: Option<[Interval; 2]>,
    /// Whether the worst-case bounds hold the share among all invited.
    bounded: bool,
}

fn estimate(seed: u64, effects: Effects, resamples: Option<u64>) -> Result<Found, Refused> {
    let all = Invited::of(seed, effects)?;
    let satisfied = |score: &f64| *score >= 4.0;
    let share = |flags: &mut dyn Iterator<Item = (bool, f64)>| {
        let (yes, n) = flags.fold((0.0, 0.0), |(yes, n), (flag, weight)| {
            (yes + if flag { weight } else { 0.0 }, n + weight)
        });
        yes / n
    };
    let (rms, scores, clinician) = (
        all.answers(&all.rms),
        all.answers(&all.satisfaction),
        all.answers(&all.clinician),
    );
    let model = ResponseModel::fit(&all.answered, &[&all.rms, &all.experienced], &all.clinician)?;
    let truth = share(&mut all.satisfaction.iter().map(|score| (satisfied(score), 1.0)));
    let plain = share(&mut scores.iter().map(|score| (satisfied(score), 1.0)));
    let under = |weights: &[f64]| {
        let flags = scores.iter().map(satisfied);
        share(&mut flags.zip(weights.iter().copied()))
    };
    // One over the fitted probability, up to a factor that takes no part.
    let whole: Vec<f64> = rms
        .iter()
        .zip(all.answers(&all.experienced))
        .map(|(rms, experienced)| {
            let b = &model.model.coefficients;
            1.0 + (-b[0] - b[1] * rms - b[2] * experienced).exp()
        })
        .collect();
    let rows = prepare(&rms, &scores, &[], &[], &clinician)?;
    let rho = spearman(&all.rms, &all.satisfaction)?;
    let intervals = resamples
        .map(|resamples| -> Result<_, Refused> {
            // Clinicians without an answer are not among those drawn.
            let known = labels(&clinician);
            let reweigh = |drawn: &[Times], out: &mut [[f64; LANES]]| {
                let mut times = vec![[0; LANES]; model.clusters()];
                for (times_of, label) in drawn.iter().zip(&known) {
                    if let Some(slot) = times.get_mut(*label as usize) {
                        *slot = *times_of;
                    }
                }
                model.reweigh_side_by_side(&times, out)
            };
            let clusters = rows.clusters() as u64;
            let interval = |found: RankReplicates| -> Result<Interval, Refused> {
                Ok(found.spearman?.percentile(Levels::Expanded { clusters })?)
            };
            Ok([
                interval(rows.bootstrap(resamples, seed))?,
                interval(rows.bootstrap_reweighed(resamples, seed, &reweigh))?,
            ])
        })
        .transpose()?;
    let bounds = of_share(ShareAnswers {
        successes: scores.iter().filter(|score| satisfied(score)).count() as u64,
        answered: scores.len() as u64,
        missing: (all.answered.len() - scores.len()) as u64,
    })?;
    Ok(Found {
        share_bias: [plain, under(model.weights()), under(&whole)].map(|share| share - truth),
        rho,
        rho_bias: [
            rows.estimates(None).spearman? - rho,
            rows.estimates(Some(model.weights())).spearman? - rho,
            rows.estimates(Some(&whole)).spearman? - rho,
        ],
        intervals,
        bounded: bounds.region.contains(truth),
    })
}

/// The distinct labels in ascending order.
fn labels(clinician: &[u32]) -> Vec<u32> {
    let mut labels = clinician.to_vec();
    labels.sort_unstable();
    labels.dedup();
    labels
}

fn mean(found: &[Found], of: impl Fn(&Found) -> f64) -> Seen {
    let numbers: Vec<f64> = found.iter().map(of).collect();
    Seen::of_numbers(&numbers)
}

/// The mean biases of one setting: of the share and of rho, each of those who answered, weighted, and with weights that
/// were not truncated.
fn biases(studies: &mut Vec<Study>, setting: &str, found: &[Found], claims: [[Claim; 3]; 2]) {
    let hows = ["of those who answered", "weighted", "weights not truncated"];
    for (at, how) in hows.into_iter().enumerate() {
        studies.push(Study::new(
            format!("{setting}: mean bias of the share satisfied, {how}"),
            claims[0][at],
            mean(found, |one| one.share_bias[at]),
        ));
    }
    for (at, how) in hows.into_iter().enumerate() {
        studies.push(Study::new(
            format!("{setting}: mean bias of Spearman's rho, {how}"),
            claims[1][at],
            mean(found, |one| one.rho_bias[at]),
        ));
    }
}

/// The table of this family.
///
/// # Errors
/// As [`crate::families`].
pub fn family(effort: Effort) -> Result<Family, Refused> {
    let none = Effects {
        match_per_db: -0.3,
        experience: 0.5,
        nonresponse: 0.0,
        ..Effects::default()
    };
    let at_random = Effects {
        nonresponse_match: -0.3,
        nonresponse_experience: 0.8,
        ..none
    };
    let strongly = Effects {
        nonresponse_match: -0.6,
        ..at_random
    };
    let by_satisfaction = Effects {
        nonresponse: 0.6,
        ..none
    };
    let mut studies = Vec::new();

    let found = each(effort.of(REPLICATES), |replicate| {
        estimate(300_000 + replicate, none, None)
    })?;
    biases(&mut studies, "at chance", &found, [[Claim::Is(0.0); 3]; 2]);

    let resamples = effort.resamples(RESAMPLES);
    let found = each(effort.of(REPLICATES), |replicate| {
        estimate(400_000 + replicate, at_random, Some(resamples))
    })?;
    biases(
        &mut studies,
        "by match and experience",
        &found,
        [
            [Claim::Above(0.01), Claim::Within(0.003), Claim::Is(0.0)],
            [Claim::Above(0.01), Claim::Within(0.008), Claim::Is(0.0)],
        ],
    );
    let truth = mean(&found, |one| one.rho).mean;
    for (at, what, claim) in [
        (0, "those who answered", Claim::AtMost(0.90)),
        (1, "weights found anew in each resample", Claim::Is(0.95)),
    ] {
        let holds = |one: &Found| {
            one.intervals
                .is_some_and(|limits| limits[at].contains(truth))
        };
        studies.push(Study::new(
            format!("by match and experience: percentile interval of Spearman's rho, {what}"),
            claim,
            Seen::of_counts(found.iter().map(|one| Count::once(holds(one)))),
        ));
    }

    let found = each(effort.of(REPLICATES), |replicate| {
        estimate(600_000 + replicate, strongly, None)
    })?;
    biases(
        &mut studies,
        "strongly by match and experience",
        &found,
        [
            [
                Claim::Above(0.02),
                Claim::Within(0.007),
                Claim::Within(0.003),
            ],
            [
                Claim::Above(0.02),
                Claim::Within(0.02),
                Claim::Within(0.005),
            ],
        ],
    );

    let found = each(effort.of(REPLICATES), |replicate| {
        estimate(500_000 + replicate, by_satisfaction, None)
    })?;
    biases(
        &mut studies,
        "by satisfaction itself",
        &found,
        [[Claim::Above(0.02); 3], [Claim::Above(0.0); 3]],
    );
    studies.push(Study::new(
        "by satisfaction itself: worst-case bounds hold the share satisfied among all invited",
        Claim::Is(1.0),
        Seen::of_counts(found.iter().map(|one| Count::once(one.bounded))),
    ));
    Ok(Family {
        title: "Answers that did not come back",
        about: "Invented cohorts with about 1,600 verified fittings by 40 clinicians. Who answers depends on chance alone; or on \
                match (-0.3 log-odds a decibel, strongly: -0.6) and experience (0.8); or on satisfaction itself (0.6 a \
                point). Bias is an estimate less that of all invited, whose satisfaction is known here. Weights come from \
                a response model with match and experience in it: they mend what goes by these, and nothing else. They \
                are truncated at their 99th percentile, which keeps them steady and leaves part of the bias: an eighth to \
                a third here. The same weights not truncated are shown beside them; they leave under a tenth. Intervals \
                are to hold the mean rho of all invited over all cohorts.",
        studies,
    })
}
