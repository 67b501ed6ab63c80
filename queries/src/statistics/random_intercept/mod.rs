//! Variance between and within groups: a mean with a random intercept, by restricted maximum likelihood (REML).
//!
//! The model is `y_ij = mu + b_i + e_ij` with independent normal `b_i` (variance between) and `e_ij` (variance
//! within). Everything is computed from each group's count, mean and sum of squares, so the cost after one pass over
//! the data grows with the number of groups only. Sources: Patterson & Thompson (1971), Biometrika 58:545; Harville
//! (1977), J Am Stat Assoc 72:320.

mod profile;

pub use profile::{VarianceIntervals, intervals};

use super::description::scaled_deviation;
use super::{Interval, NotEstimable, Z_95, all_finite, finite, root};

/// One group's sufficient numbers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Group {
    /// The number of observations.
    pub n: u64,
    /// Their mean, in the units of the outcome.
    pub mean: f64,
    /// The sum of their squared deviations from that mean, in those units squared.
    pub ss: f64,
}

impl Group {
    /// A group from exact integer sums of values and of their squares; `unit` is the size of one whole step (0.01 for
    /// hundredths of a decibel), and the group comes out in the larger unit.
    ///
    /// # Errors
    /// [`NotEstimable::TooFew`] for `n = 0`; [`NotEstimable::OutOfRange`] when no real numbers have these sums, or the
    /// products leave the range of 128 bits; [`NotEstimable::NotFinite`] for a unit that is no number.
    pub fn from_sums(
        n: u64,
        sum: i128,
        sum_of_squares: i128,
        unit: f64,
    ) -> Result<Self, NotEstimable> {
        super::at_least(1, n)?;
        let scaled = scaled_deviation(n, sum, sum_of_squares)?;
        Ok(Self {
            n,
            mean: finite(sum as f64 / n as f64 * unit)?,
            ss: finite(scaled as f64 / n as f64 * unit * unit)?,
        })
    }
}

/// The fitted model, see [`fit`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RandomIntercept {
    /// The mean over groups, in the units of the outcome.
    pub mu: f64,
    /// The standard error of `mu`, the variances taken as known.
    pub se_mu: f64,
    /// The variance between groups, units squared; exactly 0 when the data show none.
    pub var_between: f64,
    /// The variance within groups, units squared.
    pub var_within: f64,
    /// The intraclass correlation: the share of the variance that lies between groups, in `0..=1`.
    pub icc: f64,
    /// Minus twice the restricted log-likelihood at the optimum, all constants included.
    pub minus_two_log_likelihood: f64,
    /// The number of groups.
    pub groups: u64,
    /// The number of observations.
    pub observations: u64,
}

/// One group's mean, drawn towards the mean over groups as far as its size calls for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shrunken {
    /// The predicted deviation `b_i` of the group from `mu` (BLUP).
    pub effect: f64,
    /// `mu + effect`.
    pub estimate: f64,
    /// The weight of the group's own mean in `estimate`, in `0..=1`; the rest is the weight of `mu`.
    pub reliability: f64,
    /// The standard deviation of the group's true effect given the data, with `mu` and the variances taken as known.
    pub conditional_sd: f64,
    /// The root mean squared error of `effect`, with the uncertainty of `mu`.
    pub prediction_error_sd: f64,
    /// The root mean squared error of `estimate`, with the uncertainty of `mu`.
    pub estimate_error_sd: f64,
    /// The lower 95 % limit of the group's true mean: `estimate - 1.96 estimate_error_sd`.
    pub lo: f64,
    /// The upper 95 % limit.
    pub hi: f64,
}

/// The data as the likelihood needs them, checked once.
struct Data<'a> {
    groups: &'a [Group],
    /// The number of observations.
    n: f64,
    /// The sum of squares within groups.
    ss_within: f64,
}

impl<'a> Data<'a> {
    fn new(groups: &'a [Group]) -> Result<Self, NotEstimable> {
        if groups.iter().any(|g| g.n == 0) {
            return Err(NotEstimable::TooFew { needed: 1, got: 0 });
        }
        for group in groups {
            all_finite(&[group.mean, group.ss])?;
        }
        if groups.iter().any(|g| g.ss < 0.0) {
            return Err(NotEstimable::OutOfRange {
                what: "a sum of squares",
            });
        }
        if groups.len() < 2 {
            return Err(NotEstimable::OneGroup);
        }
        if groups.iter().all(|g| g.n < 2) {
            return Err(NotEstimable::OnlySingletons);
        }
        let ss_within = finite(groups.iter().map(|g| g.ss).sum())?;
        if ss_within <= 0.0 {
            let same = groups.windows(2).all(|pair| pair[0].mean == pair[1].mean);
            return Err(if same {
                NotEstimable::AllEqual
            } else {
                NotEstimable::NoVariation
            });
        }
        Ok(Self {
            groups,
            n: groups.iter().map(|g| g.n as f64).sum(),
            ss_within,
        })
    }

    /// The weighted sums at a ratio `gamma` of variance between to variance within.
    fn at(&self, gamma: f64) -> Sums {
        let weight = |g: &Group| {
            let n = g.n as f64;
            n / (1.0 + n * gamma)
        };
        let (mut w, mut w_mean, mut w2) = (0.0, 0.0, 0.0);
        // Means are taken from the first group's, which keeps the digits when all are large and close.
        let origin = self.groups.first().map_or(0.0, |g| g.mean);
        for group in self.groups {
            let weight = weight(group);
            w += weight;
            w2 += weight * weight;
            w_mean += weight * (group.mean - origin);
        }
        let shift = w_mean / w;
        let (mut ss, mut ss_w) = (0.0, 0.0);
        for group in self.groups {
            let weight = weight(group);
            let part = weight * (group.mean - origin - shift).powi(2);
            ss += part;
            ss_w += weight * part;
        }
        Sums {
            w,
            w2,
            mu: origin + shift,
            ss_between: ss,
            ss_between_w: ss_w,
        }
    }

    /// Minus twice the restricted log-likelihood at `gamma`, at the best mean and variance within for it.
    fn criterion(&self, gamma: f64) -> f64 {
        let sums = self.at(gamma);
        let free = self.n - 1.0;
        let variance = (self.ss_within + sums.ss_between) / free;
        let determinant: f64 = self
            .groups
            .iter()
            .map(|g| (g.n as f64 * gamma).ln_1p())
            .sum();
        free * ((std::f64::consts::TAU * variance).ln() + 1.0) + determinant + sums.w.ln()
    }

    /// The derivative of [`Self::criterion`] in `gamma`.
    fn score(&self, gamma: f64) -> f64 {
        let sums = self.at(gamma);
        let residual = self.ss_within + sums.ss_between;
        sums.w - sums.w2 / sums.w - (self.n - 1.0) / residual * sums.ss_between_w
    }

    /// The best `gamma`: 0, or the best of the interior minima.
    fn best_gamma(&self) -> f64 {
        let largest = self.groups.iter().map(|g| g.n).max().unwrap_or(1) as f64;
        // The weights hardly move below 1/n, so minima are looked for on a logarithmic scale around it. For gamma
        // large enough the score is positive, since the sum of squares within groups is.
        let step = 10f64.powf(0.125);
        let mut best = (self.criterion(0.0), 0.0);
        let mut low = 0.0;
        let mut falling = self.score(0.0) < 0.0;
        let mut high = 1e-9 / largest;
        let end = 1e9;
        while high < end || (falling && high < 1e300) {
            let rises = self.score(high) >= 0.0;
            if falling && rises {
                let gamma = root::between(|gamma| self.score(gamma), low, high);
                let value = self.criterion(gamma);
                if value < best.0 {
                    best = (value, gamma);
                }
            }
            falling = !rises;
            low = high;
            high *= step;
        }
        best.1
    }
}

/// Weighted sums over groups, weights `n / (1 + n gamma)`.
struct Sums {
    w: f64,
    w2: f64,
    mu: f64,
    /// Weighted squared deviations of group means.
    ss_between: f64,
    /// The same with squared weights.
    ss_between_w: f64,
}

/// Fits the random intercept by REML.
///
/// `groups` holds one entry a group. The likelihood is profiled to one parameter, the ratio of the variances, and its
/// derivative solved to the precision of f64; every interior minimum found on a logarithmic grid is compared with the
/// boundary, where the variance between is exactly 0. A variance of 0 is a result: the data show no more spread
/// between groups than chance gives.
///
/// # Errors
/// [`NotEstimable::OneGroup`] below two groups; [`NotEstimable::OnlySingletons`] when no group has two observations;
/// [`NotEstimable::AllEqual`] or [`NotEstimable::NoVariation`] without any spread within groups;
/// [`NotEstimable::TooFew`] for an empty group; [`NotEstimable::NotFinite`] or [`NotEstimable::OutOfRange`] for means
/// or sums of squares that are none.
pub fn fit(groups: &[Group]) -> Result<RandomIntercept, NotEstimable> {
    let data = Data::new(groups)?;
    let gamma = data.best_gamma();
    let sums = data.at(gamma);
    let var_within = finite((data.ss_within + sums.ss_between) / (data.n - 1.0))?;
    Ok(RandomIntercept {
        mu: finite(sums.mu)?,
        se_mu: finite((var_within / sums.w).sqrt())?,
        var_between: finite(gamma * var_within)?,
        var_within,
        icc: gamma / (1.0 + gamma),
        minus_two_log_likelihood: finite(data.criterion(gamma))?,
        groups: groups.len() as u64,
        observations: groups.iter().fold(0, |sum: u64, g| sum.saturating_add(g.n)),
    })
}

impl RandomIntercept {
    /// The shrunken mean of each group, in the order given.
    ///
    /// The limits carry the uncertainty of `mu` but not that of the variances, and so are a little narrow with few
    /// groups. With a variance between of 0 every estimate is `mu` and the conditional standard deviation 0: that is
    /// absence of evidence for differences, and no ground for a ranking. Source: Robinson (1991), Stat Sci 6:15.
    ///
    /// # Errors
    /// [`NotEstimable::TooFew`] for an empty group, [`NotEstimable::NotFinite`] for a mean that is no number.
    pub fn shrunken(&self, groups: &[Group]) -> Result<Vec<Shrunken>, NotEstimable> {
        let gamma = self.var_between / self.var_within;
        let var_mu = self.se_mu * self.se_mu;
        let one = |group: &Group| {
            super::at_least(1, group.n)?;
            let n = group.n as f64;
            let reliability = n * gamma / (1.0 + n * gamma);
            let conditional = self.var_between / (1.0 + n * gamma);
            let effect = finite(reliability * (group.mean - self.mu))?;
            let estimate = self.mu + effect;
            let error = (conditional + (1.0 - reliability).powi(2) * var_mu).sqrt();
            let limits = Interval {
                lo: estimate - Z_95 * error,
                hi: estimate + Z_95 * error,
            };
            Ok(Shrunken {
                effect,
                estimate,
                reliability,
                conditional_sd: conditional.sqrt(),
                prediction_error_sd: (conditional + reliability * reliability * var_mu).sqrt(),
                estimate_error_sd: error,
                lo: limits.lo,
                hi: limits.hi,
            })
        };
        groups.iter().map(one).collect()
    }
}
