//! Draws for the studies: uniform, normal, binomial.

use fitcohort_queries::statistics::random::stream;
use rand::Rng;
use rand_chacha::ChaCha8Rng;
use statrs::distribution::{ContinuousCDF, Normal};

/// Root of the streams of every study.
const SEED: u64 = 20_260_401;

/// The draws of one replicate of one study.
pub(crate) struct Draws {
    rng: ChaCha8Rng,
    normal: Normal,
}

impl Draws {
    pub(crate) fn new(study: &str, replicate: u64) -> Self {
        Self {
            rng: stream(SEED, study, replicate),
            normal: Normal::standard(),
        }
    }

    /// Uniform strictly between 0 and 1.
    pub(crate) fn uniform(&mut self) -> f64 {
        ((self.rng.next_u64() >> 12) as f64 + 0.5) / (1_u64 << 52) as f64
    }

    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.uniform()
    }

    /// Standard normal, by inverting the distribution function.
    pub(crate) fn normal(&mut self) -> f64 {
        let at = self.uniform();
        self.normal.inverse_cdf(at)
    }

    /// Successes of `n` trials, one by one.
    pub(crate) fn binomial(&mut self, n: u64, p: f64) -> u64 {
        (0..n).filter(|_| self.uniform() < p).count() as u64
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Moments of the three by their formulas (any handbook), within five standard errors.
    #[test]
    fn moments() {
        let mut draws = Draws::new("moments", 0);
        let n = 40_000;
        let root_n = f64::from(n).sqrt();
        let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len() as f64;
        let uniform: Vec<f64> = (0..n).map(|_| draws.between(2.0, 4.0)).collect();
        assert!((mean(&uniform) - 3.0).abs() < 5.0 * (1.0_f64 / 3.0).sqrt() / root_n);
        let normal: Vec<f64> = (0..n).map(|_| draws.normal()).collect();
        assert!(mean(&normal).abs() < 5.0 / root_n);
        let squares: Vec<f64> = normal.iter().map(|z| z * z).collect();
        assert!((mean(&squares) - 1.0).abs() < 5.0 * 2.0_f64.sqrt() / root_n);
        let counts: Vec<f64> = (0..n).map(|_| draws.binomial(20, 0.3) as f64).collect();
        assert!((mean(&counts) - 6.0).abs() < 5.0 * 4.2_f64.sqrt() / root_n);
    }
}
