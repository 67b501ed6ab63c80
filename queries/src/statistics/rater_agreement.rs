//! Intraclass correlations of raters: how far judges who rate the same targets agree.

use super::analysis_of_variance::f_upper_tail;
use super::{Interval, NotEstimable, all_finite, at_least, finite, root, same_length};

/// One of the six forms of Shrout & Fleiss.
///
/// The first number is the design: 1, each target has its own judges, drawn at random; 2, the same judges, drawn at
/// random, rate all targets (differences in their level count as disagreement); 3, these judges are the only ones of
/// interest (differences in level do not count). The second is 1 for the rating of one judge, k for the mean of all.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Form {
    /// ICC(1,1): one judge, each target with its own judges.
    OneWaySingle,
    /// ICC(2,1): one judge, judges a sample of judges.
    RandomSingle,
    /// ICC(3,1): one judge, these judges only.
    FixedSingle,
    /// ICC(1,k): the mean of the judges, each target with its own judges.
    OneWayMean,
    /// ICC(2,k): the mean of the judges, judges a sample of judges.
    RandomMean,
    /// ICC(3,k): the mean of the judges, these judges only.
    FixedMean,
}

impl Form {
    /// All six, in the order of the table of Shrout & Fleiss.
    pub const ALL: [Self; 6] = [
        Self::OneWaySingle,
        Self::RandomSingle,
        Self::FixedSingle,
        Self::OneWayMean,
        Self::RandomMean,
        Self::FixedMean,
    ];

    /// The usual name, such as "ICC(2,1)".
    pub fn name(self) -> &'static str {
        match self {
            Self::OneWaySingle => "ICC(1,1)",
            Self::RandomSingle => "ICC(2,1)",
            Self::FixedSingle => "ICC(3,1)",
            Self::OneWayMean => "ICC(1,k)",
            Self::RandomMean => "ICC(2,k)",
            Self::FixedMean => "ICC(3,k)",
        }
    }
}

/// One intraclass correlation.
#[derive(Debug, Clone, PartialEq)]
pub struct Coefficient {
    /// The form.
    pub form: Form,
    /// The estimate, at most 1; below 0 when targets differ less than judges disagree by chance.
    pub estimate: f64,
    /// The 95 % interval; [`NotEstimable::AtLimit`] where the judges agree without any error, the targets do not
    /// differ at all, or (form 2) they are so alike that the interval's approximation fails;
    /// [`NotEstimable::OutOfRange`] for tables so large that the F distribution loses its digits.
    pub interval: Result<Interval, NotEstimable>,
}

/// The mean squares of a targets-by-judges table, in units squared.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MeanSquares {
    /// Between targets (BMS).
    pub targets: f64,
    /// Within targets (WMS).
    pub within: f64,
    /// Between judges (JMS).
    pub judges: f64,
    /// What remains beside targets and judges (EMS).
    pub residual: f64,
}

/// The six intraclass correlations of one table, see [`intraclass`].
#[derive(Debug, Clone, PartialEq)]
pub struct Intraclass {
    /// The number of targets.
    pub targets: u64,
    /// The number of judges, k.
    pub judges: u64,
    /// The mean squares behind the coefficients.
    pub mean_squares: MeanSquares,
    /// One entry a form, in the order of [`Form::ALL`]; [`NotEstimable::AtLimit`] where a form has no finite value.
    pub forms: Vec<Result<Coefficient, NotEstimable>>,
}

/// The six intraclass correlations of Shrout & Fleiss with their 95 % intervals.
///
/// `table` has one slice a target with one rating a judge, judges in the same order, in any units. Sources: Shrout &
/// Fleiss (1979), Psych Bull 86:420, for the forms and the F-based intervals, that of form 2 by Satterthwaite's degrees
/// of freedom.
///
/// # Errors
/// [`NotEstimable::TooFew`] below two targets or two judges; [`NotEstimable::LengthsDiffer`] for a ragged table;
/// [`NotEstimable::AllEqual`] when all ratings are the same; [`NotEstimable::NotFinite`].
pub fn intraclass(table: &[&[f64]]) -> Result<Intraclass, NotEstimable> {
    at_least(2, table.len() as u64)?;
    let k = table.first().map_or(0, |ratings| ratings.len());
    for ratings in table {
        same_length(k, ratings.len())?;
        all_finite(ratings)?;
    }
    at_least(2, k as u64)?;
    let squares = mean_squares(table, k)?;
    if squares.targets <= 0.0 && squares.within <= 0.0 {
        return Err(NotEstimable::AllEqual);
    }
    let shape = Shape {
        n: table.len() as f64,
        k: k as f64,
        squares,
    };
    Ok(Intraclass {
        targets: table.len() as u64,
        judges: k as u64,
        mean_squares: squares,
        forms: Form::ALL.map(|form| shape.coefficient(form)).to_vec(),
    })
}

/// Two passes: means on ratings less the first, then squared deviations from them.
fn mean_squares(table: &[&[f64]], k: usize) -> Result<MeanSquares, NotEstimable> {
    let origin = table.iter().find_map(|r| r.first()).copied().unwrap_or(0.0);
    let (n, judges) = (table.len() as f64, k as f64);
    let rows: Vec<f64> = table
        .iter()
        .map(|ratings| ratings.iter().map(|v| v - origin).sum::<f64>() / judges)
        .collect();
    let columns: Vec<f64> = (0..k)
        .map(|judge| {
            table
                .iter()
                .map(|ratings| ratings[judge] - origin)
                .sum::<f64>()
                / n
        })
        .collect();
    let grand = rows.iter().sum::<f64>() / n;
    let (mut within, mut residual) = (0.0, 0.0);
    for (ratings, row) in table.iter().zip(&rows) {
        for (value, column) in ratings.iter().zip(&columns) {
            let deviation = (value - origin) - row;
            within += deviation * deviation;
            residual += (deviation - (column - grand)).powi(2);
        }
    }
    let about = |means: &[f64]| means.iter().map(|m| (m - grand).powi(2)).sum::<f64>();
    Ok(MeanSquares {
        targets: finite(judges * about(&rows) / (n - 1.0))?,
        within: finite(within / (n * (judges - 1.0)))?,
        judges: finite(n * about(&columns) / (judges - 1.0))?,
        residual: finite(residual / ((n - 1.0) * (judges - 1.0)))?,
    })
}

/// A table's size and mean squares.
struct Shape {
    n: f64,
    k: f64,
    squares: MeanSquares,
}

impl Shape {
    fn coefficient(&self, form: Form) -> Result<Coefficient, NotEstimable> {
        let (n, k) = (self.n, self.k);
        let MeanSquares {
            targets,
            within,
            judges,
            residual,
        } = self.squares;
        let level = (judges - residual) / n;
        let (difference, divisor) = match form {
            Form::OneWaySingle => (targets - within, targets + (k - 1.0) * within),
            Form::RandomSingle => (
                targets - residual,
                targets + (k - 1.0) * residual + k * level,
            ),
            Form::FixedSingle => (targets - residual, targets + (k - 1.0) * residual),
            Form::OneWayMean => (targets - within, targets),
            Form::RandomMean => (targets - residual, targets + level),
            Form::FixedMean => (targets - residual, targets),
        };
        let ratio = difference / divisor;
        if divisor <= 0.0 || !ratio.is_finite() {
            return Err(NotEstimable::AtLimit);
        }
        Ok(Coefficient {
            form,
            estimate: ratio,
            interval: self.interval(form),
        })
    }

    fn interval(&self, form: Form) -> Result<Interval, NotEstimable> {
        let (n, k) = (self.n, self.k);
        let of_one = match form {
            Form::OneWaySingle | Form::OneWayMean => {
                self.of_ratio(self.squares.within, n * (k - 1.0))?
            }
            Form::FixedSingle | Form::FixedMean => {
                self.of_ratio(self.squares.residual, (n - 1.0) * (k - 1.0))?
            }
            Form::RandomSingle | Form::RandomMean => self.of_random_judges()?,
        };
        // Spearman and Brown: from one judge to the mean of k.
        let to_form = |one: f64| match form {
            Form::OneWaySingle | Form::RandomSingle | Form::FixedSingle => one,
            Form::OneWayMean | Form::RandomMean | Form::FixedMean => {
                k * one / (1.0 + (k - 1.0) * one)
            }
        };
        let limits = Interval {
            lo: to_form(of_one.lo),
            hi: to_form(of_one.hi),
        };
        if limits.lo.is_finite() && limits.hi.is_finite() && limits.lo <= limits.hi {
            Ok(limits)
        } else {
            Err(NotEstimable::AtLimit)
        }
    }

    /// The interval of forms 1 and 3: limits of the ratio of mean squares, turned into correlations.
    fn of_ratio(&self, error: f64, degrees: f64) -> Result<Interval, NotEstimable> {
        if error <= 0.0 || self.squares.targets <= 0.0 {
            return Err(NotEstimable::AtLimit);
        }
        let f = self.squares.targets / error;
        let low = f / upper_quantile(self.n - 1.0, degrees)?;
        let high = f * upper_quantile(degrees, self.n - 1.0)?;
        let correlation = |ratio: f64| (ratio - 1.0) / (ratio + self.k - 1.0);
        Ok(Interval {
            lo: correlation(low),
            hi: correlation(high),
        })
    }

    /// The interval of form 2, one judge: the error is a sum of two mean squares, whose degrees of freedom are
    /// Satterthwaite's.
    fn of_random_judges(&self) -> Result<Interval, NotEstimable> {
        let (n, k) = (self.n, self.k);
        let MeanSquares {
            targets,
            judges,
            residual,
            ..
        } = self.squares;
        if residual <= 0.0 || targets <= 0.0 {
            return Err(NotEstimable::AtLimit);
        }
        let rho = self.coefficient_of_random_judge();
        let f_judges = judges / residual;
        let rest = n * (1.0 + (k - 1.0) * rho) - k * rho;
        let whole = k * rho * f_judges;
        let degrees = (k - 1.0) * (n - 1.0) * (whole + rest).powi(2)
            / ((n - 1.0) * whole * whole + rest * rest);
        let error = k * judges + (k * n - k - n) * residual;
        let low = upper_quantile(n - 1.0, degrees)?;
        let high = upper_quantile(degrees, n - 1.0)?;
        let limits = Interval {
            lo: n * (targets - low * residual) / (low * error + n * targets),
            hi: n * (high * targets - residual) / (error + n * high * targets),
        };
        // With targets far more alike than chance has it the approximation leaves the range of a correlation among k.
        if limits.lo < -1.0 / (k - 1.0) {
            return Err(NotEstimable::AtLimit);
        }
        Ok(limits)
    }

    /// ICC(2,1), which the degrees of freedom of its interval need.
    fn coefficient_of_random_judge(&self) -> f64 {
        let (n, k) = (self.n, self.k);
        let squares = self.squares;
        (squares.targets - squares.residual)
            / (squares.targets
                + (k - 1.0) * squares.residual
                + k * (squares.judges - squares.residual) / n)
    }
}

/// The 0.975 quantile of F.
///
/// A root of the upper tail on the logarithmic scale; the inversion in `statrs` 0.19 need not end for large degrees.
fn upper_quantile(above: f64, below: f64) -> Result<f64, NotEstimable> {
    // Up to here the incomplete beta function of `statrs` is held against other libraries.
    if !(above > 0.0 && below > 0.0) || above.min(below) > 1e6 {
        return Err(NotEstimable::OutOfRange {
            what: "the size of the table",
        });
    }
    let tail = |log: f64| f_upper_tail(log.exp(), above, below).unwrap_or(0.0) - 0.025;
    // A quantile beyond these ends is none to print.
    let end = 600.0;
    let log = root::between(tail, -end, end);
    if log.abs() >= end {
        return Err(NotEstimable::AtLimit);
    }
    finite(log.exp())
}
