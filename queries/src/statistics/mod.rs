//! Statistics on plain slices and sums.
//!
//! This module knows no tables, files or query engine: its inputs are slices of numbers or sufficient sums, its
//! outputs are numbers with their intervals. What cannot be estimated comes back as [`NotEstimable`] with the reason;
//! no function returns NaN or an infinity, and none panics on any input. Each function names the source of its method
//! (pages and volumes from memory); what the formulas give is tested against published values and general libraries,
//! and by simulation whether intervals and tests do what they promise (`docs/calibration.md`).
//!
//! | module | what it answers |
//! |---|---|
//! | [`balance`] | standardised differences of a characteristic between two groups |
//! | [`description`] | quantiles, mean, standard deviation, interval of a mean |
//! | [`proportion`] | intervals of a proportion and of a difference |
//! | [`decomposition`] | a change of a share, taken apart into mix and what happened within groups |
//! | [`rank`] | Spearman's rho, Kendall's tau-b, their intervals and approximate p-values |
//! | [`permutation`] | the same two, tested within clusters |
//! | [`random_intercept`] | variance between and within groups, shrunken group means |
//! | [`funnel`] | control limits against group size, over-dispersion |
//! | [`control_chart`] | p, X-bar and S, EWMA and individuals charts |
//! | [`trend`] | trend in proportions over ordered groups: approximate, exact, by permutation |
//! | [`multiplicity`] | many p-values at once |
//! | [`spread`] | interval of a standard deviation, equality of spread |
//! | [`linear`] | least squares by QR, errors robust to clusters |
//! | [`analysis_of_variance`] | one-way analysis of variance |
//! | [`rater_agreement`] | intraclass correlations of a targets-by-raters table |
//! | [`categorical`] | logistic and proportional-odds regression, errors robust to clusters, check of proportionality |
//! | [`clustering`] | which of some points are alike, and an order that shows it |
//! | [`within_between`] | a covariate split into its group mean and the deviation from it |
//! | [`resampling`] | bootstrap over clusters: percentile and BCa intervals |
//! | [`rank_bootstrap`] | rank correlations, plain, partial and weighted, bootstrapped over clusters |
//! | [`partial_rank`] | partial rank correlation, and its permutation test within clusters |
//! | [`exact_rank`] | exact null distributions of rank correlations for few pairs |
//! | [`mixed`] | random intercept with covariates, by restricted maximum likelihood on group sums |
//! | [`log_spread`] | groups' spreads compared on the logarithmic scale |
//! | [`nonresponse`] | weights for answers that did not come back, and bounds |
//! | [`smooth`] | local and monotone curves, a curve with a band over clusters |
//! | [`random`] | named, counter-based random streams |

pub mod analysis_of_variance;
pub mod balance;
pub mod categorical;
pub mod clustering;
pub mod control_chart;
pub mod decomposition;
pub mod description;
pub mod exact_rank;
pub mod funnel;
pub mod linear;
pub mod log_spread;
pub mod mixed;
pub mod multiplicity;
pub mod nonresponse;
pub mod partial_rank;
pub mod permutation;
pub mod proportion;
pub mod random;
pub mod random_intercept;
pub mod rank;
pub mod rank_bootstrap;
pub mod rater_agreement;
pub mod resampling;
mod root;
pub mod smooth;
pub mod spread;
pub mod trend;
pub mod within_between;

#[cfg(test)]
mod tests;

/// The 0.975 quantile of the standard normal distribution, for two-sided 95 % intervals.
///
/// The rounded 1.96 would move the fourth digit of published Wilson limits. The tests compare it with the quantile
/// function of `statrs`.
pub const Z_95: f64 = 1.959963984540054;

/// The 0.999 quantile of the standard normal distribution, for two-sided 99.8 % limits.
pub const Z_998: f64 = 3.090232306167813;

/// The 0.95 quantile of chi-square with one degree of freedom, [`Z_95`] squared: the drop in twice the
/// log-likelihood that bounds a 95 % profile interval.
pub const CHI_SQUARE_95: f64 = Z_95 * Z_95;

/// Two limits, in the units of the quantity they bound; `lo <= hi`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Interval {
    /// The lower limit.
    pub lo: f64,
    /// The upper limit.
    pub hi: f64,
}

impl Interval {
    /// Whether the value lies between the limits, or on one of them.
    pub fn contains(&self, value: f64) -> bool {
        self.lo <= value && value <= self.hi
    }
}

/// Why a quantity cannot be estimated from what was given. It is a result to be printed, not a failure of the run.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NotEstimable {
    /// Fewer observations than the method can work with.
    #[error("too few observations: {needed} are needed, {got} are there")]
    TooFew {
        /// The smallest number the method accepts.
        needed: u64,
        /// The number given.
        got: u64,
    },
    /// A variable has one value only, so nothing can go with it.
    #[error("all values are equal")]
    AllEqual,
    /// Groups are to be compared, and there are fewer than two.
    #[error("there are fewer than two groups to compare")]
    OneGroup,
    /// No group holds two observations, so spread within groups is unknown.
    #[error("no group holds two or more observations")]
    OnlySingletons,
    /// There are groups and observations, but within the groups nothing varies.
    #[error("nothing varies within the groups")]
    NoVariation,
    /// The estimate lies on the edge of its range, where the method gives no interval.
    #[error("the estimate lies at the end of its range, where this interval is not defined")]
    AtLimit,
    /// A covariate is a linear combination of the others (or of the constant), so its coefficient has no meaning.
    #[error("covariate {} is a combination of the others", column + 1)]
    Collinear {
        /// The position of the covariate among those given, from 0.
        column: usize,
    },
    /// A combination of the covariates separates the outcome's categories, so a coefficient has no finite estimate.
    #[error("covariate {} separates the outcome: its coefficient has no finite estimate", column + 1)]
    Separation {
        /// The position of the covariate that runs away first, from 0.
        column: usize,
    },
    /// The search for the best estimate did not settle.
    #[error("the estimate did not settle in {iterations} steps")]
    NotConverged {
        /// The steps taken.
        iterations: u32,
    },
    /// Fewer clusters than an interval over clusters needs.
    #[error("too few clusters: {needed} are needed, {got} are there")]
    TooFewClusters {
        /// The smallest number the method accepts.
        needed: u64,
        /// The number given.
        got: u64,
    },
    /// Too many of the resamples had no estimate, so those left do not stand for all.
    #[error("{failed} of {replicates} resamples had no estimate")]
    ResamplesFailed {
        /// The resamples without an estimate.
        failed: u64,
        /// The resamples drawn.
        replicates: u64,
    },
    /// A covariate is not known for so many rows that those left do not stand for all.
    #[error("covariate {} is missing in {missing} of {of} rows", column + 1)]
    MissingForMany {
        /// The position of the covariate among those given, from 0.
        column: usize,
        /// The rows without it.
        missing: u64,
        /// All rows.
        of: u64,
    },
    /// Slices that describe the same rows have different lengths.
    #[error("lengths differ: {left} against {right}")]
    LengthsDiffer {
        /// The length of the first slice.
        left: usize,
        /// The length of the other slice.
        right: usize,
    },
    /// A value is NaN or infinite.
    #[error("a value is not a finite number")]
    NotFinite,
    /// An argument lies outside the range in which the method is defined.
    #[error("{what} is out of range")]
    OutOfRange {
        /// The argument, in words.
        what: &'static str,
    },
}

/// Refuses slices of different length.
fn same_length(left: usize, right: usize) -> Result<(), NotEstimable> {
    if left == right {
        Ok(())
    } else {
        Err(NotEstimable::LengthsDiffer { left, right })
    }
}

/// Refuses NaN and infinities.
fn all_finite(values: &[f64]) -> Result<(), NotEstimable> {
    if values.iter().all(|v| v.is_finite()) {
        Ok(())
    } else {
        Err(NotEstimable::NotFinite)
    }
}

/// Refuses fewer than `needed` observations.
fn at_least(needed: u64, got: u64) -> Result<(), NotEstimable> {
    if got >= needed {
        Ok(())
    } else {
        Err(NotEstimable::TooFew { needed, got })
    }
}

/// Lets a computed number through only if it is finite: the last guard against overflow on extreme input.
fn finite(value: f64) -> Result<f64, NotEstimable> {
    if value.is_finite() {
        Ok(value)
    } else {
        Err(NotEstimable::NotFinite)
    }
}
