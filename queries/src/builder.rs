//! Builds a table row by row.

use crate::statistics::Interval;
use crate::statistics::description::{mean_interval, mean_sd};
use crate::statistics::proportion::wilson;
use crate::table::{Table, Values};

/// One value of a row.
#[derive(Clone, Debug)]
pub(crate) enum Cell {
    Text(Option<String>),
    Integer(Option<i64>),
    Real(Option<f64>),
    Flag(Option<bool>),
}

impl From<&str> for Cell {
    fn from(text: &str) -> Self {
        Self::Text(Some(text.to_owned()))
    }
}

impl From<Option<String>> for Cell {
    fn from(text: Option<String>) -> Self {
        Self::Text(text)
    }
}

impl From<u64> for Cell {
    fn from(count: u64) -> Self {
        Self::Integer(i64::try_from(count).ok())
    }
}

impl From<usize> for Cell {
    fn from(count: usize) -> Self {
        Self::Integer(i64::try_from(count).ok())
    }
}

impl From<i64> for Cell {
    fn from(count: i64) -> Self {
        Self::Integer(Some(count))
    }
}

impl From<Option<i64>> for Cell {
    fn from(count: Option<i64>) -> Self {
        Self::Integer(count)
    }
}

impl From<f64> for Cell {
    fn from(value: f64) -> Self {
        Self::Real(Some(value))
    }
}

impl From<Option<f64>> for Cell {
    fn from(value: Option<f64>) -> Self {
        Self::Real(value)
    }
}

impl From<bool> for Cell {
    fn from(value: bool) -> Self {
        Self::Flag(Some(value))
    }
}

/// The kind of a column.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Kind {
    Text,
    Integer,
    Real,
    Flag,
}

/// Columns with their kinds, and rows as they come.
pub(crate) struct Builder {
    name: String,
    columns: Vec<(String, Kind)>,
    rows: Vec<Vec<Cell>>,
}

impl Builder {
    /// Grouping columns are text and come first.
    pub(crate) fn new(name: &str, by: &[String], columns: &[(&str, Kind)]) -> Self {
        let grouping = by.iter().map(|column| (column.clone(), Kind::Text));
        let own = columns
            .iter()
            .map(|(column, kind)| ((*column).to_owned(), *kind));
        Self {
            name: name.to_owned(),
            columns: grouping.chain(own).collect(),
            rows: Vec::new(),
        }
    }

    /// Adds a row: labels of the grouping columns, then the columns' own values.
    pub(crate) fn row(&mut self, labels: &[Option<String>], cells: Vec<Cell>) {
        debug_assert_eq!(
            labels.len() + cells.len(),
            self.columns.len(),
            "{}",
            self.name
        );
        let labels = labels.iter().cloned().map(Cell::Text);
        self.rows.push(labels.chain(cells).collect());
    }

    /// The table. A value of another kind than its column's is a null.
    pub(crate) fn build(self) -> Table {
        let mut table = Table::new(&self.name);
        for (position, (name, kind)) in self.columns.iter().enumerate() {
            let cells = self.rows.iter().map(|row| row.get(position));
            let values = match kind {
                Kind::Text => Values::Text(
                    cells
                        .map(|cell| match cell {
                            Some(Cell::Text(value)) => value.clone(),
                            _ => None,
                        })
                        .collect(),
                ),
                Kind::Integer => Values::Integer(
                    cells
                        .map(|cell| match cell {
                            Some(Cell::Integer(value)) => *value,
                            _ => None,
                        })
                        .collect(),
                ),
                Kind::Real => Values::Real(
                    cells
                        .map(|cell| match cell {
                            Some(Cell::Real(value)) => value.filter(|x| x.is_finite()),
                            _ => None,
                        })
                        .collect(),
                ),
                Kind::Flag => Values::Flag(
                    cells
                        .map(|cell| match cell {
                            Some(Cell::Flag(value)) => *value,
                            _ => None,
                        })
                        .collect(),
                ),
            };
            table = table.with(name, values);
        }
        table
    }
}

/// Labels of the grouping columns in a row of a result.
pub(crate) fn labels_at(table: &Table, by: &[String], row: usize) -> Vec<Option<String>> {
    by.iter()
        .map(|column| table.text_at(column, row).map(str::to_owned))
        .collect()
}

/// A count as the statistics take it.
pub(crate) fn count_at(table: &Table, column: &str, row: usize) -> u64 {
    table
        .integer_at(column, row)
        .and_then(|count| u64::try_from(count).ok())
        .unwrap_or(0)
}

/// A share with its Wilson limits: share, lower, upper; nulls where nothing is in the denominator.
pub(crate) fn share(successes: u64, n: u64) -> [Cell; 3] {
    match wilson(successes, n) {
        Ok(interval) => [
            ratio(successes, n).into(),
            interval.lo.into(),
            interval.hi.into(),
        ],
        Err(_) => [Cell::Real(None), Cell::Real(None), Cell::Real(None)],
    }
}

/// A quotient of counts; none where the denominator is 0.
pub(crate) fn ratio(numerator: u64, denominator: u64) -> Option<f64> {
    (denominator > 0).then(|| numerator as f64 / denominator as f64)
}

/// The Wilson interval of a share whose count is known by share and denominator.
pub(crate) fn interval_of_share(share: f64, n: u64) -> Option<Interval> {
    wilson((share * n as f64).round() as u64, n).ok()
}

/// The mean of some values, summed in their order; none where there is none.
pub(crate) fn mean(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
}

/// Student's t interval of the mean of some values.
pub(crate) fn interval_of_mean(values: &[f64]) -> Option<Interval> {
    let summary = mean_sd(values).ok()?;
    mean_interval(summary.n, summary.mean, summary.sd).ok()
}
