//! The true rank correlations of a normal variable with one that is cut into scores.
//!
//! Both variables of a row are standard normal with correlation r over all rows, whatever clusters they come from; of the
//! second only the score is seen, the number of cuts under it. Two rows drawn from all there are come from two clusters,
//! so clusters have no part in the truth.

use statrs::distribution::{Continuous, ContinuousCDF, Normal};

/// The steps of an integral over one score.
const STEPS: u32 = 100;
/// Beyond this there is nothing of a normal.
const END: f64 = 8.0;

/// The four cuts of a score from 1 to 5: shares 0.05, 0.11, 0.20, 0.38 and 0.26.
pub(crate) fn cuts() -> [f64; 4] {
    [0.05, 0.16, 0.36, 0.74].map(|share| Normal::standard().inverse_cdf(share))
}

/// The score of a value, from 1.
pub(crate) fn score(value: f64, cuts: &[f64]) -> f64 {
    1.0 + cuts.iter().filter(|cut| value > **cut).count() as f64
}

/// Spearman's rho of two normal variables: 6/π asin(r/2) (Pearson 1907, from memory).
pub(crate) fn rho_of_normal(r: f64) -> f64 {
    6.0 / std::f64::consts::PI * (r / 2.0).asin()
}

/// The midpoints of each score's part of the axis, with their shares of all rows.
fn places(cuts: &[f64]) -> Vec<Vec<(f64, f64)>> {
    let normal = Normal::standard();
    let ends: Vec<f64> = [-END]
        .into_iter()
        .chain(cuts.iter().copied())
        .chain([END])
        .collect();
    ends.windows(2)
        .map(|ends| {
            let step = (ends[1] - ends[0]) / f64::from(STEPS);
            (0..STEPS)
                .map(|k| {
                    let at = ends[0] + step * (f64::from(k) + 0.5);
                    (at, step * normal.pdf(at))
                })
                .collect()
        })
        .collect()
}

/// Spearman's rho of a normal x and a score: the correlation of Φ(x) with the score's share below plus half its own.
///
/// Given the value y behind the score, Φ(x) has the mean Φ(r y / √(2 − r²)); the rest is an integral over y.
pub(crate) fn rho_of_score(r: f64, cuts: &[f64]) -> f64 {
    let normal = Normal::standard();
    let (mut below, mut product, mut square) = (0.0, 0.0, 0.0);
    for score in places(cuts) {
        let share: f64 = score.iter().map(|place| place.1).sum();
        let middle = below + share / 2.0 - 0.5;
        product += score
            .iter()
            .map(|(at, share)| middle * share * normal.cdf(r * at / (2.0 - r * r).sqrt()))
            .sum::<f64>();
        square += share * middle * middle;
        below += share;
    }
    product / (square / 12.0).sqrt()
}

/// Tau-b of a normal x and a score: the excess of concordant over discordant pairs, over the root of the share of pairs
/// with two scores.
///
/// Of two rows with values y and y' behind their scores the first has the larger x with probability
/// Φ(r (y − y') / √(2 (1 − r²))); the rest is an integral over both.
pub(crate) fn tau_of_score(r: f64, cuts: &[f64]) -> f64 {
    let normal = Normal::standard();
    let scores = places(cuts);
    let slope = r / (2.0 * (1.0 - r * r)).sqrt();
    let (mut excess, mut untied) = (0.0, 0.0);
    for (k, higher) in scores.iter().enumerate() {
        for lower in &scores[..k] {
            for (y, one) in higher {
                for (z, other) in lower {
                    excess += 2.0 * one * other * (2.0 * normal.cdf(slope * (y - z)) - 1.0);
                    untied += 2.0 * one * other;
                }
            }
        }
    }
    excess / untied.sqrt()
}

/// The correlation of two variables given a third, from the three correlations.
pub(crate) fn partial(xy: f64, xz: f64, yz: f64) -> f64 {
    (xy - xz * yz) / ((1.0 - xz * xz) * (1.0 - yz * yz)).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::draws::Draws;
    use fitcohort_queries::statistics::rank::{kendall, spearman};

    /// With one cut at 0 both integrals have closed forms, by Sheppard's formula P(x > 0, y > 0) = 1/4 + asin(r)/(2π):
    /// rho is √48 asin(r/√2)/(2π) and tau-b 4 √2 asin(r/√2)/(2π).
    #[test]
    fn one_cut_in_closed_form() {
        for r in [-0.6_f64, -0.1, 0.3] {
            let quadrant = (r / 2.0_f64.sqrt()).asin() / std::f64::consts::TAU;
            assert!((rho_of_score(r, &[0.0]) - 48.0_f64.sqrt() * quadrant).abs() < 2e-4);
            assert!((tau_of_score(r, &[0.0]) - 4.0 * 2.0_f64.sqrt() * quadrant).abs() < 2e-4);
        }
    }

    /// A large sample of independent rows, within four standard errors (1 / √n and 2 / (3 √n), at no correlation).
    #[test]
    fn five_scores_in_a_large_sample() {
        let (n, r, cuts) = (40_000, -0.4_f64, cuts());
        let mut draws = Draws::new("truth of rank correlations", 0);
        let (x, y): (Vec<f64>, Vec<f64>) = (0..n)
            .map(|_| {
                let x = draws.normal();
                let y = r * x + (1.0 - r * r).sqrt() * draws.normal();
                (x, score(y, &cuts))
            })
            .unzip();
        let error = 4.0 / f64::from(n).sqrt();
        assert!((spearman(&x, &y).unwrap() - rho_of_score(r, &cuts)).abs() < error);
        let tau = kendall(&x, &y).unwrap().tau_b;
        assert!((tau - tau_of_score(r, &cuts)).abs() < 2.0 / 3.0 * error);
    }
}
