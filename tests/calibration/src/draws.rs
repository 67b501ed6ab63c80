//! Draws for the studies: numbers, answers on a scale, clusters.

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

    /// Standard logistic, by inverting the distribution function.
    pub(crate) fn logistic(&mut self) -> f64 {
        let at = self.uniform();
        (at / (1.0 - at)).ln()
    }

    /// A whole number from `least` to `most`, even on the logarithmic scale: small sizes are the more frequent ones.
    pub(crate) fn size(&mut self, least: f64, most: f64) -> u64 {
        self.between(least.ln(), most.ln()).exp().round() as u64
    }

    /// The effect of a cluster after which log-odds are still log-odds.
    ///
    /// Where the log-odds given this effect are `effect + b x`, those over all clusters are `shrinkage · b x`. Its
    /// variance is `π²/3 (1/shrinkage² - 1)`. Source: Wang & Louis (2003), Biometrika 90:765 (from memory).
    pub(crate) fn bridge(&mut self, shrinkage: f64) -> f64 {
        let angle = shrinkage * std::f64::consts::PI;
        let at = self.uniform();
        ((angle * at).sin() / (angle * (1.0 - at)).sin()).ln() / shrinkage
    }

    /// Successes of `n` trials, one by one.
    pub(crate) fn binomial(&mut self, n: u64, p: f64) -> u64 {
        (0..n).filter(|_| self.uniform() < p).count() as u64
    }
}

/// A value for each row that is partly its cluster's: of variance 1, `icc` of it between clusters.
#[derive(Clone, Copy)]
pub(crate) struct Shared {
    /// The part of the cluster.
    of_cluster: f64,
    /// The size of a row's own part.
    own: f64,
}

impl Shared {
    /// The part of one more cluster.
    pub(crate) fn of(draws: &mut Draws, icc: f64) -> Self {
        Self {
            of_cluster: icc.sqrt() * draws.normal(),
            own: (1.0 - icc).sqrt(),
        }
    }

    /// The value of one more row of the cluster.
    pub(crate) fn row(self, draws: &mut Draws) -> f64 {
        self.of_cluster + self.own * draws.normal()
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
    /// The share of yes over all clusters is that of the shrunken log-odds, and the variance that of the formula, both
    /// within five standard errors.
    #[test]
    fn the_bridge_keeps_log_odds() {
        let mut draws = Draws::new("bridge", 0);
        let (n, shrinkage) = (40_000, 0.8_f64);
        let effects: Vec<f64> = (0..n).map(|_| draws.bridge(shrinkage)).collect();
        let variance = effects.iter().map(|b| b * b).sum::<f64>() / f64::from(n);
        let pi = std::f64::consts::PI;
        let formula = pi * pi / 3.0 * (shrinkage.powi(-2) - 1.0);
        assert!((variance / formula - 1.0).abs() < 5.0 * (4.0 / f64::from(n)).sqrt());
        for log_odds in [-1.0, 0.5, 2.0] {
            let over = |b: &f64| 1.0 / (1.0 + (-b - log_odds).exp());
            let share = effects.iter().map(over).sum::<f64>() / f64::from(n);
            let expected = 1.0 / (1.0 + (-shrinkage * log_odds).exp());
            assert!((share - expected).abs() < 5.0 * 0.25 / f64::from(n).sqrt());
        }
    }

    /// Rows of one cluster go together as said: the mean product of two of them is the ICC, within five standard errors.
    #[test]
    fn rows_share_their_cluster() {
        let mut draws = Draws::new("shared", 0);
        let n = 20_000;
        let products: f64 = (0..n)
            .map(|_| {
                let cluster = Shared::of(&mut draws, 0.3);
                cluster.row(&mut draws) * cluster.row(&mut draws)
            })
            .sum();
        assert!((products / f64::from(n) - 0.3).abs() < 5.0 * 1.05 / f64::from(n).sqrt());
        let sizes: Vec<u64> = (0..1_000).map(|_| draws.size(10.0, 40.0)).collect();
        assert!(sizes.iter().all(|size| (10..=40).contains(size)));
    }
}
