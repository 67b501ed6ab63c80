//! Satisfaction and use afterwards, and who answers.
//!
//! Satisfaction (IOI-HA item 4) follows a proportional-odds model (McCullagh 1980, J R Stat Soc B
//! 42:109): logit P(score > k) = eta - cut(k), with eta made of the planted [`Effects`](crate::Effects).
//! The cut points, the other items' shares and loadings, and the return rate are invented. Mean hours a
//! day of 7.8 with one aid and 9.1 with two are of a survey of owners in three countries (AJA 2017).

use statrs::distribution::{ContinuousCDF, Normal};

use crate::draws::{Draws, expit};
use crate::scenario::Effects;

/// RMS deviation, dB, about which the match effects turn, on satisfaction and on answering.
pub(crate) const RMS_CENTRE_DB: f64 = 3.3;
/// Shares of satisfaction scores 1, 1-2, 1-3, 1-4 where all effects are zero (invented).
const SATISFACTION_SHARES: [f64; 4] = [0.05, 0.16, 0.36, 0.74];
/// The same for the other items, in the order 1 to 7 (invented; item 4's place is not used).
const ITEM_SHARES: [[f64; 4]; 7] = [
    [0.04, 0.10, 0.22, 0.45],
    [0.05, 0.15, 0.35, 0.68],
    [0.06, 0.18, 0.42, 0.76],
    SATISFACTION_SHARES,
    [0.05, 0.14, 0.34, 0.64],
    [0.04, 0.12, 0.30, 0.60],
    [0.05, 0.16, 0.42, 0.78],
];
/// Share of each item's latent that satisfaction makes up. Items 1, 2, 4, 7 form one factor of the
/// questionnaire and 3, 5, 6 the other (from memory), so the latter hang together by one of their own.
const LOADING: [f64; 7] = [0.55, 0.70, 0.35, 1.0, 0.35, 0.35, 0.65];
const SECOND_FACTOR: [f64; 7] = [0.0, 0.0, 0.65, 0.0, 0.65, 0.65, 0.0];

/// Log-odds of answering at a satisfaction of 4 and the central RMS deviation, in people new to hearing aids
/// (invented).
const ANSWERING: f64 = 0.50;

/// Cut points on the latent scales.
pub(crate) struct Cuts {
    satisfaction: [f64; 4],
    items: [[f64; 4]; 7],
}

/// What is known of a fitting before anybody is asked.
pub(crate) struct Before {
    pub(crate) rms_db: f64,
    pub(crate) two_ears: bool,
    pub(crate) experienced: bool,
    /// Effect of the clinician, log-odds.
    pub(crate) clinician: f64,
}

/// The answers of one fitting.
pub(crate) struct Answers {
    /// True score of item 4, answered or not.
    pub(crate) satisfaction: u8,
    /// Whether the questionnaire came back.
    pub(crate) answered: bool,
    /// Scores of items 1 to 7 as delivered; 0 where there is none.
    pub(crate) items: [u8; 7],
    /// Hours a day, in tenths, as delivered.
    pub(crate) hours_tenths: Option<u16>,
    pub(crate) weeks_after: Option<u8>,
    /// Whether the aids came back.
    pub(crate) returned: bool,
    /// Whether that is recorded.
    pub(crate) return_known: bool,
}

impl Cuts {
    pub(crate) fn new() -> Self {
        let normal = Normal::standard();
        Self {
            satisfaction: SATISFACTION_SHARES.map(|p| (p / (1.0 - p)).ln()),
            items: ITEM_SHARES.map(|shares| shares.map(|p| normal.inverse_cdf(p))),
        }
    }

    /// Cut points of satisfaction, log-odds.
    pub(crate) fn satisfaction(&self) -> [f64; 4] {
        self.satisfaction
    }

    pub(crate) fn ask(&self, before: &Before, effects: &Effects, draws: &mut Draws) -> Answers {
        let eta = effects.match_per_db * (before.rms_db - RMS_CENTRE_DB)
            + f64::from(u8::from(before.two_ears)) * effects.two_ears
            + f64::from(u8::from(before.experienced)) * effects.experience
            + before.clinician;
        let latent = eta + draws.logistic();
        let satisfaction = score(latent, &self.satisfaction);
        // The latent on the scale of a standard normal, nearly: pi / sqrt(3) is the logistic's SD.
        let z = (latent - 0.4) * 3.0_f64.sqrt() / std::f64::consts::PI;
        let second = draws.normal();
        let mut items = [0; 7];
        for (item, slot) in items.iter_mut().enumerate() {
            let (a, b) = (LOADING[item], SECOND_FACTOR[item]);
            let rest = (1.0 - a * a - b * b).max(0.0).sqrt();
            let own = draws.normal();
            let skipped = draws.chance(0.02);
            if !skipped {
                *slot = if item == 3 {
                    satisfaction
                } else {
                    score(a * z + b * second + rest * own, &self.items[item])
                };
            }
        }
        let answered = draws.chance(expit(
            ANSWERING
                + effects.nonresponse * (f64::from(satisfaction) - 4.0)
                + effects.nonresponse_match * (before.rms_db - RMS_CENTRE_DB)
                + f64::from(u8::from(before.experienced)) * effects.nonresponse_experience,
        ));
        let returned = draws.chance(expit(-3.1 - 0.9 * (f64::from(satisfaction) - 4.0)));
        let mean = if before.two_ears { 9.1 } else { 7.8 };
        let hours = mean + 1.6 * z + 3.2 * draws.normal();
        let logged = draws.chance(0.7);
        let weeks = 6 + draws.below(15) as u8;
        Answers {
            satisfaction,
            answered,
            items: if answered { items } else { [0; 7] },
            hours_tenths: logged.then(|| (hours.clamp(0.0, 24.0) * 10.0).round() as u16),
            weeks_after: draws.chance(0.95).then_some(weeks),
            returned,
            return_known: draws.chance(0.95),
        }
    }
}

/// 1 plus the number of cuts below the latent.
fn score(latent: f64, cuts: &[f64; 4]) -> u8 {
    1 + cuts.iter().filter(|cut| latent > **cut).count() as u8
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::draws::Purpose;

    /// Standard normal quantiles of any handbook's table: 0.05 -> -1.6449, 0.60 -> 0.2533; and
    /// logit(0.05) = ln(1/19) = -2.9444.
    #[test]
    fn cut_points() {
        let cuts = Cuts::new();
        assert!((cuts.satisfaction[0] + 2.944_4).abs() < 5e-5);
        assert!((cuts.items[4][0] + 1.644_9).abs() < 5e-5);
        assert!((cuts.items[5][3] - 0.253_3).abs() < 5e-5);
    }

    /// With one decibel more the log-odds of a score above k fall by the planted amount at every k
    /// (the definition of proportional odds), within five standard errors.
    #[test]
    fn odds_are_proportional_and_of_the_planted_size() {
        let cuts = Cuts::new();
        let effects = Effects {
            match_per_db: -0.5,
            ..Effects::default()
        };
        let mut draws = Draws::new(11, Purpose::Planting, 0);
        let n = 40_000;
        let mut above = [[0.0_f64; 4]; 2];
        for (group, counts) in above.iter_mut().enumerate() {
            let before = Before {
                rms_db: RMS_CENTRE_DB + 2.0 * group as f64,
                two_ears: false,
                experienced: false,
                clinician: 0.0,
            };
            for _ in 0..n {
                let answers = cuts.ask(&before, &effects, &mut draws);
                for (k, count) in counts.iter_mut().enumerate() {
                    *count += f64::from(u8::from(usize::from(answers.satisfaction) > k + 1));
                }
            }
        }
        let n = f64::from(n);
        for (k, (before, after)) in above[0].iter().zip(above[1]).enumerate() {
            let variance = |above: f64| 1.0 / above + 1.0 / (n - above);
            let se = (variance(*before) + variance(after)).sqrt();
            let change = (after / (n - after) * (n - before) / before).ln();
            assert!((change + 1.0).abs() < 5.0 * se, "cut {k}: {change}");
        }
    }
}
