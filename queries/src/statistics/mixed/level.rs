//! The level of each group: shrunken towards the model's line, and unshrunken.

use super::super::{NotEstimable, Z_95, all_finite, finite, same_length};
use super::Mixed;
use super::problem::Point;

/// A group's level, drawn towards what the model gives for all groups as far as the group's size calls for.
///
/// The errors carry the uncertainty of the mean or the coefficients where they say so, never that of the variances,
/// and so are a little small with few groups. Source: Robinson (1991), Stat Sci 6:15; Henderson (1975), Biometrics
/// 31:423 (from memory).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shrunken {
    /// The predicted deviation `b_i` of the group from the model's mean or line (BLUP).
    pub effect: f64,
    /// The group's level: the model's mean, or its line at the reference, plus `effect`.
    pub estimate: f64,
    /// The weight of the group's own data in `effect`, in `0..=1`.
    pub reliability: f64,
    /// The standard deviation of the group's true effect given the data, with mean or coefficients and the variances
    /// taken as known.
    pub conditional_sd: f64,
    /// The root mean squared error of `effect`, with the uncertainty of the mean or the coefficients.
    pub prediction_error_sd: f64,
    /// The root mean squared error of `estimate`, with that uncertainty.
    pub estimate_error_sd: f64,
    /// The lower 95 % limit of the group's true level: `estimate - 1.96 estimate_error_sd`.
    pub lo: f64,
    /// The upper 95 % limit.
    pub hi: f64,
}

/// What [`Shrunken`] is made of.
pub(in super::super) struct Parts {
    /// The variance between groups.
    pub(in super::super) var_between: f64,
    /// The ratio of variances times the group's size.
    pub(in super::super) signal: f64,
    /// The group's mean less the model's line there.
    pub(in super::super) residual: f64,
    /// The model's line at the reference.
    pub(in super::super) reference: f64,
    /// The error variance of the model's line where the group lies.
    pub(in super::super) var_at_group: f64,
    /// The error variance of the line at the reference less `reliability` times that where the group lies.
    pub(in super::super) var_left: f64,
}

/// The share of a group's own data in its effect, `n gamma / (1 + n gamma)`.
pub(in super::super) fn reliability(signal: f64) -> f64 {
    signal / (1.0 + signal)
}

impl Shrunken {
    pub(in super::super) fn new(parts: &Parts) -> Result<Self, NotEstimable> {
        let reliability = reliability(parts.signal);
        let conditional = parts.var_between / (1.0 + parts.signal);
        let effect = finite(reliability * parts.residual)?;
        let estimate = finite(parts.reference + effect)?;
        let error = finite((conditional + parts.var_left).sqrt())?;
        Ok(Self {
            effect,
            estimate,
            reliability,
            conditional_sd: conditional.sqrt(),
            prediction_error_sd: finite(
                (conditional + reliability * reliability * parts.var_at_group).sqrt(),
            )?,
            estimate_error_sd: error,
            lo: estimate - Z_95 * error,
            hi: estimate + Z_95 * error,
        })
    }
}

/// One group under the model, see [`Mixed::levels`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Level {
    /// The group's label.
    pub label: u32,
    /// Its number of rows.
    pub n: u64,
    /// The shrunken level at the reference.
    pub shrunken: Shrunken,
    /// The group's own mean moved along the slopes to the reference, not shrunken.
    pub adjusted: f64,
    /// The root mean squared error of `adjusted` as the group's true level at the reference, with the uncertainty of
    /// the coefficients.
    pub adjusted_error_sd: f64,
}

impl Mixed {
    /// Every group's level at the overall means of the covariates, in ascending order of label.
    ///
    /// With a variance between of 0 every effect and its conditional standard deviation are 0: that is absence of
    /// evidence for differences, and no ground for a ranking.
    ///
    /// # Errors
    /// [`NotEstimable::NotFinite`] when a number leaves the range of f64.
    pub fn levels(&self) -> Result<Vec<Level>, NotEstimable> {
        self.levels_at(&self.covariate_means)
    }

    /// Every group's level at covariates of your choice: what the group would show at `reference`, which holds one
    /// value a covariate, in the covariates' units.
    ///
    /// # Errors
    /// As [`Self::levels`], for `reference` too; [`NotEstimable::LengthsDiffer`] when it has another number of values.
    pub fn levels_at(&self, reference: &[f64]) -> Result<Vec<Level>, NotEstimable> {
        same_length(self.problem.within.len(), reference.len())?;
        all_finite(reference)?;
        let reference = self.problem.axes.point(reference);
        self.problem
            .points
            .iter()
            .map(|point| self.level(point, &reference))
            .collect()
    }

    fn level(&self, point: &Point, reference: &[f64]) -> Result<Level, NotEstimable> {
        let (at, problem) = (&self.at, &self.problem);
        let signal = point.n * at.gamma();
        let reliability = reliability(signal);
        let variance = |function: &_| self.var_within * at.covariance(function, function);
        let minus = |factor: f64| {
            let pairs = reference.iter().zip(&point.z);
            pairs.map(|(there, here)| there - factor * here).collect()
        };
        let own = at.function(1.0, point.z.clone());
        let left = at.function(1.0 - reliability, minus(reliability));
        let line = at.function(1.0, reference.to_vec());
        let shrunken = Shrunken::new(&Parts {
            var_between: self.var_between,
            signal,
            residual: at.residual_of(point),
            reference: at.value(problem, &line),
            var_at_group: variance(&own),
            var_left: variance(&left),
        })?;
        // The group's mean at the reference errs by the mean of its rows' errors and by that of the slopes over the
        // way. The two go together, since the group has its part in the coefficients: their covariance is that of the
        // line at the group with the way, times 1 - reliability.
        let way = at.function(0.0, minus(1.0));
        let adjusted = at.value(problem, &own) + at.residual_of(point) + at.value(problem, &way);
        let shared = self.var_within * at.covariance(&own, &way);
        let error = self.var_within / point.n + variance(&way) + 2.0 * (1.0 - reliability) * shared;
        Ok(Level {
            label: point.label,
            n: point.rows,
            shrunken,
            adjusted: finite(adjusted)?,
            adjusted_error_sd: finite(error.max(0.0).sqrt())?,
        })
    }
}
