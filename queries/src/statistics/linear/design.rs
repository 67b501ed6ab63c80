//! The outcome and the covariates, scaled and centred, handed out block by block.

use nalgebra::DMatrix;

use super::super::{NotEstimable, all_finite, at_least, same_length};

/// One variable in its own unit, a power of two, and less a centre near its mean.
///
/// Scaling by a power of two is exact, so it only keeps squares inside the range of f64. The centre is subtracted
/// where there is an intercept: what is left of a year or of a large level is then its variation, and the digits go
/// there.
pub(super) struct Scaled<'a> {
    values: &'a [f64],
    /// The size of the unit.
    pub(super) unit: f64,
    /// What is subtracted, in units; 0 without an intercept.
    pub(super) centre: f64,
    /// The root of the sum of squares before centring, in units: the measure of what rounding may do.
    pub(super) length: f64,
}

impl<'a> Scaled<'a> {
    fn new(values: &'a [f64], centred: bool) -> Self {
        let largest = values.iter().fold(0.0, |most: f64, v| most.max(v.abs()));
        // The exponent alone, without the fraction: the largest power of two not above the value.
        let power = f64::from_bits(largest.to_bits() & f64::INFINITY.to_bits());
        let unit = power.max(f64::MIN_POSITIVE);
        let factor = 1.0 / unit;
        let (sum, squares) = values.iter().fold((0.0, 0.0), |(sum, squares), value| {
            let value = value * factor;
            (sum + value, squares + value * value)
        });
        Self {
            values,
            unit,
            centre: if centred {
                sum / values.len().max(1) as f64
            } else {
                0.0
            },
            length: f64::sqrt(squares),
        }
    }

    /// The values of some rows.
    pub(super) fn rows(&self, rows: std::ops::Range<usize>) -> impl Iterator<Item = f64> {
        let factor = 1.0 / self.unit;
        let centre = self.centre;
        let values = self.values.get(rows).unwrap_or_default();
        values.iter().map(move |value| value * factor - centre)
    }

    /// The value of one row.
    pub(super) fn at(&self, row: usize) -> f64 {
        self.values[row] * (1.0 / self.unit) - self.centre
    }
}

/// The outcome and the covariates of one fit, checked.
pub(super) struct Design<'a> {
    pub(super) y: Scaled<'a>,
    pub(super) x: Vec<Scaled<'a>>,
    pub(super) intercept: bool,
    /// The number of rows.
    pub(super) n: usize,
}

impl<'a> Design<'a> {
    pub(super) fn new(
        y: &'a [f64],
        columns: &[&'a [f64]],
        intercept: bool,
    ) -> Result<Self, NotEstimable> {
        for column in columns {
            same_length(y.len(), column.len())?;
        }
        if columns.is_empty() && !intercept {
            return Err(NotEstimable::OutOfRange {
                what: "the number of covariates",
            });
        }
        all_finite(y)?;
        for column in columns {
            all_finite(column)?;
        }
        let coefficients = columns.len() + usize::from(intercept);
        at_least(coefficients as u64 + 1, y.len() as u64)?;
        Ok(Self {
            y: Scaled::new(y, intercept),
            x: columns
                .iter()
                .map(|column| Scaled::new(column, intercept))
                .collect(),
            intercept,
            n: y.len(),
        })
    }

    /// The number of coefficients.
    pub(super) fn coefficients(&self) -> usize {
        self.x.len() + usize::from(self.intercept)
    }

    /// The columns of a block: ones where there is an intercept, the covariates, the outcome.
    pub(super) fn width(&self) -> usize {
        self.coefficients() + 1
    }

    /// Some rows as a matrix.
    pub(super) fn block(&self, rows: std::ops::Range<usize>) -> DMatrix<f64> {
        let mut values = Vec::with_capacity(rows.len() * self.width());
        if self.intercept {
            values.resize(rows.len(), 1.0);
        }
        for variable in self.x.iter().chain([&self.y]) {
            values.extend(variable.rows(rows.clone()));
        }
        DMatrix::from_vec(rows.len(), self.width(), values)
    }
}
