//! One row of a table of associations.

use super::sample::Answered;
use crate::builder::{Cell, Kind};
use crate::covariates::not_estimable;
use crate::statistics::{Interval, NotEstimable};

/// How many repeats the resampling methods have, and the root of their random streams.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Resampling {
    pub(crate) permutations: u64,
    pub(crate) resamples: u64,
    pub(crate) seed: u64,
}

/// An estimate with its interval and p.
#[derive(Clone, Debug)]
pub(crate) struct Row {
    pub(crate) method: &'static str,
    pub(crate) weighted: bool,
    pub(crate) n: u64,
    pub(crate) clusters: u64,
    pub(crate) estimate: Option<f64>,
    pub(crate) interval: Option<Interval>,
    pub(crate) p: Option<f64>,
    /// How the interval was made, or why there is none.
    pub(crate) how: String,
}

impl Row {
    /// A row without an estimate, and the reason; covariates have their names from `names`.
    pub(crate) fn without(
        method: &'static str,
        weighted: bool,
        answered: &Answered,
        reason: &NotEstimable,
        names: &[String],
    ) -> Self {
        Self {
            method,
            weighted,
            n: answered.n(),
            clusters: answered.clusters,
            estimate: None,
            interval: None,
            p: None,
            how: not_estimable(reason, names),
        }
    }

    /// The cells of the row, less that of the weighting.
    pub(crate) fn cells(&self) -> Vec<Cell> {
        vec![
            self.method.into(),
            self.n.into(),
            self.clusters.into(),
            self.estimate.into(),
            self.interval.map(|i| i.lo).into(),
            self.interval.map(|i| i.hi).into(),
            self.p.into(),
            self.how.as_str().into(),
        ]
    }
}

/// Columns of a row, less that of the weighting.
pub(crate) const COLUMNS: [(&str, Kind); 8] = [
    ("method", Kind::Text),
    ("n", Kind::Integer),
    ("n_clusters", Kind::Integer),
    ("estimate", Kind::Real),
    ("lo", Kind::Real),
    ("hi", Kind::Real),
    ("p", Kind::Real),
    ("interval", Kind::Text),
];
