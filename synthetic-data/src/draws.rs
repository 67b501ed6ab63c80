//! Random numbers: one named ChaCha stream for each thing that is drawn.

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// What a stream is for. The number is part of the stream's name, so it must never change.
#[derive(Clone, Copy)]
pub(crate) enum Purpose {
    Clinic = 1,
    Clinician = 2,
    Person = 3,
    Fitting = 4,
    Planting = 5,
}

/// One stream of random numbers.
pub(crate) struct Draws {
    rng: ChaCha8Rng,
    spare_normal: Option<f64>,
}

impl Draws {
    /// The stream number `index` (below 2^56) for `purpose` under the root `seed`.
    pub(crate) fn new(seed: u64, purpose: Purpose, index: u64) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(((purpose as u64) << 56) | index);
        Self {
            rng,
            spare_normal: None,
        }
    }

    /// Uniform on [0, 1), in steps of 2^-53.
    pub(crate) fn uniform(&mut self) -> f64 {
        (self.rng.next_u64() >> 11) as f64 * (1.0 / (1_u64 << 53) as f64)
    }

    /// Uniform between two bounds.
    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.uniform()
    }

    /// True with probability `p`.
    pub(crate) fn chance(&mut self, p: f64) -> bool {
        self.uniform() < p
    }

    /// A whole number from 0 to `n - 1`; 0 where `n` is 0.
    pub(crate) fn below(&mut self, n: u64) -> u64 {
        ((self.uniform() * n as f64) as u64).min(n.saturating_sub(1))
    }

    /// Standard normal (Box & Muller 1958, Ann Math Stat 29:610).
    pub(crate) fn normal(&mut self) -> f64 {
        if let Some(spare) = self.spare_normal.take() {
            return spare;
        }
        let radius = (-2.0 * (1.0 - self.uniform()).ln()).sqrt();
        let (sine, cosine) = (std::f64::consts::TAU * self.uniform()).sin_cos();
        self.spare_normal = Some(radius * sine);
        radius * cosine
    }

    /// Standard logistic, by inverting its distribution function.
    pub(crate) fn logistic(&mut self) -> f64 {
        // Half a step keeps the argument of the logarithm off zero and one.
        let u = self.uniform() + 0.5 / (1_u64 << 53) as f64;
        (u / (1.0 - u)).ln()
    }

    /// A place in `cumulative`, a rising list of summed weights.
    pub(crate) fn weighted(&mut self, cumulative: &[f64]) -> usize {
        let total = cumulative.last().copied().unwrap_or(0.0);
        let at = self.uniform() * total;
        cumulative
            .partition_point(|&sum| sum <= at)
            .min(cumulative.len().saturating_sub(1))
    }
}

/// Inverse logit.
pub(crate) fn expit(x: f64) -> f64 {
    1.0 / (1.0 + (-x).exp())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Moments of the standard normal (0, 1, 0, 3) and the variance of the standard logistic, pi^2/3
    /// (any handbook, e.g. Johnson, Kotz & Balakrishnan, from memory), each within five standard errors.
    #[test]
    fn moments_of_normal_and_logistic() {
        let mut draws = Draws::new(7, Purpose::Planting, 1);
        let n = 200_000;
        let z: Vec<f64> = (0..n).map(|_| draws.normal()).collect();
        let moment = |p: i32| z.iter().map(|x| x.powi(p)).sum::<f64>() / n as f64;
        let root_n = (n as f64).sqrt();
        assert!(moment(1).abs() < 5.0 / root_n);
        assert!((moment(2) - 1.0).abs() < 5.0 * 2.0_f64.sqrt() / root_n);
        assert!(moment(3).abs() < 5.0 * 15.0_f64.sqrt() / root_n);
        assert!((moment(4) - 3.0).abs() < 5.0 * 96.0_f64.sqrt() / root_n);
        let variance = (0..n).map(|_| draws.logistic().powi(2)).sum::<f64>() / n as f64;
        let expected = std::f64::consts::PI.powi(2) / 3.0;
        // Fourth moment of the logistic is 7 pi^4 / 15.
        let se = ((7.0 * std::f64::consts::PI.powi(4) / 15.0 - expected.powi(2)) / n as f64).sqrt();
        assert!((variance - expected).abs() < 5.0 * se);
    }

    #[test]
    fn streams_differ_and_repeat() {
        let first = |seed, purpose, index| Draws::new(seed, purpose, index).uniform();
        assert_eq!(first(1, Purpose::Person, 4), first(1, Purpose::Person, 4));
        assert_ne!(first(1, Purpose::Person, 4), first(1, Purpose::Person, 5));
        assert_ne!(first(1, Purpose::Person, 4), first(1, Purpose::Fitting, 4));
        assert_ne!(first(1, Purpose::Person, 4), first(2, Purpose::Person, 4));
    }
}
