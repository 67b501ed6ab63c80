//! Least squares by QR, with errors robust to clusters.
//!
//! The model is `y = X b + e`. The columns are scaled (and centred where there is an intercept), reduced to a small
//! triangle by Householder QR of row blocks, and the triangle is solved by column-pivoted Householder QR. The cross
//! product `X'X`, which would square the condition of the problem, is never formed. Sources: Golub (1965), Numer Math
//! 7:206; Businger & Golub (1965), Numer Math 7:269 (both from memory).

mod clusters;
mod design;
mod solve;

use std::fmt;

use rayon::prelude::*;
use statrs::distribution::{ContinuousCDF, StudentsT};

pub use clusters::{Correction, Robust, cluster_robust};
use design::Design;
use nalgebra::DMatrix;
use solve::{Solution, solve};

use super::analysis_of_variance::f_upper_tail;
use super::description::student_quantile;
use super::{Interval, NotEstimable, all_finite, finite};

/// Beyond this condition half of the 16 digits of f64 are gone.
const ILL_CONDITIONED: f64 = 6.7e7;

/// What a reader of a fit should be told beside its numbers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Warning {
    /// The covariates are close to a combination of each other: coefficients move with the eighth digit of the data.
    IllConditioned {
        /// The condition number, see [`Linear::condition`].
        condition: f64,
    },
    /// The covariates give the outcome exactly: residuals, standard errors and what rests on them are rounding.
    ExactFit,
}

impl fmt::Display for Warning {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::IllConditioned { condition } => write!(
                f,
                "the covariates are almost a combination of each other (condition {condition:.0e}): the coefficients have few certain digits"
            ),
            Self::ExactFit => write!(
                f,
                "the covariates give the outcome exactly: standard errors are rounding only"
            ),
        }
    }
}

/// A linear model fitted by least squares, see [`fit`].
#[derive(Debug, Clone, PartialEq)]
pub struct Linear {
    /// The coefficients: that of the constant first where there is an intercept, then one a covariate in the order
    /// given, each in units of the outcome per unit of the covariate.
    pub coefficients: Vec<f64>,
    /// The classical standard errors of the coefficients, for independent errors of one variance.
    pub standard_errors: Vec<f64>,
    /// The unscaled covariance `(X'X)^-1` of the coefficients, row by row; times the squared `residual_sd` it is
    /// their covariance.
    pub unscaled_covariance: Vec<Vec<f64>>,
    /// The standard deviation of the residuals, with divisor `residual_degrees`, in units of the outcome.
    pub residual_sd: f64,
    /// The share of the sum of squares explained, about the mean with an intercept and about 0 without, in `0..=1`.
    pub r_squared: f64,
    /// The F statistic of all covariates together; none without covariates or after an exact fit.
    pub f: Option<f64>,
    /// Its upper-tail p-value.
    pub f_p: Option<f64>,
    /// The degrees of freedom of the covariates.
    pub model_degrees: f64,
    /// The degrees of freedom of the residuals: observations less coefficients.
    pub residual_degrees: f64,
    /// The number of observations.
    pub observations: u64,
    /// The rank of the design: the number of coefficients, since a design of lower rank is refused.
    pub rank: u64,
    /// The condition number of the covariates, centred where there is an intercept and each of unit length: the
    /// largest over the smallest singular value. 1 for unrelated covariates.
    pub condition: f64,
    /// What to tell beside the numbers; empty in ordinary cases.
    pub warnings: Vec<Warning>,
}

/// One coefficient held against 0.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CoefficientTest {
    /// The coefficient in standard errors.
    pub t: f64,
    /// The two-sided p-value from Student's t.
    pub p: f64,
    /// The 95 % interval of the coefficient.
    pub interval: Interval,
}

impl CoefficientTest {
    /// Holds a coefficient against 0 on Student's t.
    fn new(estimate: f64, standard_error: f64, degrees: f64) -> Result<Self, NotEstimable> {
        if standard_error <= 0.0 {
            return Err(NotEstimable::AtLimit);
        }
        let student = StudentsT::new(0.0, 1.0, degrees).map_err(|_| NotEstimable::OutOfRange {
            what: "the degrees of freedom",
        })?;
        let t = finite(estimate / standard_error)?;
        let half = student_quantile(degrees)? * standard_error;
        let interval = Interval {
            lo: estimate - half,
            hi: estimate + half,
        };
        all_finite(&[interval.lo, interval.hi])?;
        Ok(Self {
            t,
            p: finite((2.0 * student.sf(t.abs())).min(1.0))?,
            interval,
        })
    }
}

/// Fits a linear model by least squares.
///
/// `y` is the outcome, one value a row; `columns` the covariates, each as long as `y`, in any units; `intercept` adds
/// a constant. The rows are taken as independent in the standard errors; for rows in clusters see [`cluster_robust`].
/// Any number of rows is worked through in blocks; the result does not depend on the number of threads.
///
/// A nearly collinear design is fitted and gets [`Warning::IllConditioned`]; one that is collinear to the rounding of
/// its own values is refused.
///
/// # Errors
/// [`NotEstimable::LengthsDiffer`]; [`NotEstimable::NotFinite`] for NaN or infinities, or results beyond the range of
/// f64; [`NotEstimable::TooFew`] unless there are more rows than coefficients; [`NotEstimable::AllEqual`] for an
/// outcome without variation (with an intercept) or of zeros (without); [`NotEstimable::Collinear`] with the last
/// covariate that takes part in a combination, or one that is constant beside an intercept;
/// [`NotEstimable::OutOfRange`] for neither covariates nor intercept.
pub fn fit(y: &[f64], columns: &[&[f64]], intercept: bool) -> Result<Linear, NotEstimable> {
    let design = Design::new(y, columns, intercept)?;
    let solution = solve(&design)?;
    Linear::from_solution(&design, &solution)
}

/// The residuals of [`fit`], one a row, in units of the outcome.
///
/// # Errors
/// As [`fit`].
pub fn residuals(y: &[f64], columns: &[&[f64]], intercept: bool) -> Result<Vec<f64>, NotEstimable> {
    let design = Design::new(y, columns, intercept)?;
    let solution = solve(&design)?;
    (0..design.n)
        .into_par_iter()
        .map(|row| finite(solution.residual_at(&design, row) * design.y.unit))
        .collect()
}

impl Linear {
    /// Brings a solution back into the units of the data.
    fn from_solution(design: &Design, solution: &Solution) -> Result<Self, NotEstimable> {
        let coefficients = design.coefficients();
        let residual_degrees = (design.n - coefficients) as f64;
        let model_degrees = design.x.len() as f64;
        let sd = solution.residual / residual_degrees.sqrt();
        let back = units(design);
        let outcome = design.y.unit;
        let in_units = |values: &mut dyn Iterator<Item = f64>| {
            values
                .zip(&back)
                .map(|(value, unit)| finite(value * (outcome / unit)))
                .collect::<Result<Vec<f64>, NotEstimable>>()
        };
        let unscaled = &solution.root * solution.root.transpose();
        let f = (model_degrees > 0.0 && !solution.exact)
            .then(|| finite((solution.explained / sd).powi(2) / model_degrees))
            .transpose()?;
        let mut warnings = Vec::new();
        if solution.condition > ILL_CONDITIONED {
            warnings.push(Warning::IllConditioned {
                condition: solution.condition,
            });
        }
        if solution.exact {
            warnings.push(Warning::ExactFit);
        }
        let total = solution.explained.hypot(solution.residual);
        Ok(Self {
            coefficients: in_units(&mut solution.coefficients.iter().copied())?,
            standard_errors: in_units(&mut solution.root.row_iter().map(|row| row.norm() * sd))?,
            unscaled_covariance: covariance(&unscaled, &back, 1.0)?,
            residual_sd: finite(sd * outcome)?,
            r_squared: (solution.explained / total).powi(2),
            f,
            f_p: f
                .map(|f| f_upper_tail(f, model_degrees, residual_degrees))
                .transpose()?,
            model_degrees,
            residual_degrees,
            observations: design.n as u64,
            rank: coefficients as u64,
            condition: finite(solution.condition)?,
            warnings,
        })
    }

    /// Each coefficient held against 0, on Student's t with the degrees of freedom of the residuals.
    ///
    /// # Errors
    /// Per coefficient [`NotEstimable::AtLimit`] when its standard error is 0.
    pub fn tests(&self) -> Vec<Result<CoefficientTest, NotEstimable>> {
        self.coefficients
            .iter()
            .zip(&self.standard_errors)
            .map(|(b, se)| CoefficientTest::new(*b, *se, self.residual_degrees))
            .collect()
    }
}

/// The unit of each coefficient's column: 1 for the constant, then those of the covariates.
fn units(design: &Design) -> Vec<f64> {
    design
        .intercept
        .then_some(1.0)
        .into_iter()
        .chain(design.x.iter().map(|x| x.unit))
        .collect()
}

/// A covariance of scaled coefficients in the units of the data; `outcome` is the unit of the outcome, or 1 where it
/// does not enter.
fn covariance(
    scaled: &DMatrix<f64>,
    units: &[f64],
    outcome: f64,
) -> Result<Vec<Vec<f64>>, NotEstimable> {
    units
        .iter()
        .enumerate()
        .map(|(row, of_row)| {
            units
                .iter()
                .enumerate()
                .map(|(column, of_column)| {
                    let value = scaled[(row, column)] * (outcome / of_row) * (outcome / of_column);
                    finite(value)
                })
                .collect()
        })
        .collect()
}
