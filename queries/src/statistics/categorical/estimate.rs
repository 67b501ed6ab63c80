//! What is printed about one parameter: its error, interval, p-value and odds ratio.

use nalgebra::DMatrix;
use statrs::distribution::{ContinuousCDF, Normal, StudentsT};

use super::super::description::student_quantile;
use super::super::{Interval, NotEstimable, Z_95, finite};

/// A covariance matrix of parameters, in the order that its owner names.
#[derive(Debug, Clone, PartialEq)]
pub struct Covariance(pub(super) DMatrix<f64>);

impl Covariance {
    /// The number of parameters.
    pub fn size(&self) -> usize {
        self.0.nrows()
    }

    /// The covariance of two parameters, by their positions from 0.
    pub fn get(&self, row: usize, column: usize) -> Option<f64> {
        self.0.get((row, column)).copied()
    }

    /// The standard error of a parameter, by its position from 0.
    ///
    /// # Errors
    /// [`NotEstimable::OutOfRange`] for a position that does not exist, [`NotEstimable::NoVariation`] for a variance
    /// of 0.
    pub fn standard_error(&self, position: usize) -> Result<f64, NotEstimable> {
        let variance = self
            .get(position, position)
            .ok_or(NotEstimable::OutOfRange {
                what: "the position of a parameter",
            })?;
        if variance > 0.0 {
            finite(variance.sqrt())
        } else {
            Err(NotEstimable::NoVariation)
        }
    }
}

/// An estimate with its error, on the scale of log-odds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// The estimate.
    pub value: f64,
    /// Its standard error.
    pub standard_error: f64,
    /// The degrees of freedom of the t distribution used, none for the normal one.
    pub degrees: Option<f64>,
    /// The two-sided 95 % interval.
    pub interval: Interval,
    /// The two-sided p-value of no effect.
    pub p: f64,
}

impl Estimate {
    /// Wald's interval and test, by t if there are degrees of freedom.
    pub(in crate::statistics) fn new(
        value: f64,
        standard_error: f64,
        degrees: Option<f64>,
    ) -> Result<Self, NotEstimable> {
        let ratio = finite(value.abs() / standard_error)?;
        let (quantile, one_sided) = match degrees {
            None => (Z_95, Normal::standard().sf(ratio)),
            Some(degrees) => {
                let student =
                    StudentsT::new(0.0, 1.0, degrees).map_err(|_| NotEstimable::OutOfRange {
                        what: "the degrees of freedom",
                    })?;
                (student_quantile(degrees)?, student.sf(ratio))
            }
        };
        Ok(Self {
            value,
            standard_error,
            degrees,
            interval: Interval {
                lo: finite(value - quantile * standard_error)?,
                hi: finite(value + quantile * standard_error)?,
            },
            p: finite(2.0 * one_sided)?.min(1.0),
        })
    }

    /// The odds ratio of one unit more of the covariate, and its 95 % interval.
    ///
    /// # Errors
    /// [`NotEstimable::NotFinite`] for a ratio beyond the range of numbers.
    pub fn odds_ratio(&self) -> Result<(f64, Interval), NotEstimable> {
        Ok((
            finite(self.value.exp())?,
            Interval {
                lo: finite(self.interval.lo.exp())?,
                hi: finite(self.interval.hi.exp())?,
            },
        ))
    }
}
