//! `association`: does closer match go with satisfaction? Rank correlations over fittings.

use crate::analysis::Analysis;
use crate::builder::{Builder, Cell, Kind};
use crate::error::QueryError;
use crate::fits::{Fits, Measure, numbered};
use crate::statistics::permutation::{Statistic, within_clusters};
use crate::statistics::rank::{bonett_wright, kendall, kendall_interval, spearman};
use crate::statistics::{Interval, NotEstimable};
use crate::table::Table;

/// How many repeats a permutation test has, and the root of its random streams.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Resampling {
    pub(crate) replicates: u64,
    pub(crate) seed: u64,
}

/// Fittings with both an exposure and an answer.
pub(crate) struct Pairs {
    exposure: Vec<f64>,
    score: Vec<f64>,
    clinician: Vec<u32>,
    clusters: u64,
}

impl Pairs {
    /// Takes the rows of a group that have both.
    pub(crate) fn new(fits: &Fits, rows: &[usize], exposure: Measure, satisfied_from: f64) -> Self {
        let complete: Vec<(usize, f64, f64)> = rows
            .iter()
            .filter_map(|&row| {
                Some((
                    row,
                    fits.value(exposure, row, satisfied_from)?,
                    fits.score(row)?,
                ))
            })
            .collect();
        let clinician = numbered(complete.iter().map(|(row, _, _)| {
            fits.table()
                .text_at("clinician_id", *row)
                .unwrap_or_default()
                .to_owned()
        }));
        let clusters = clinician
            .iter()
            .max()
            .map_or(0, |last| u64::from(*last) + 1);
        Self {
            exposure: complete.iter().map(|(_, x, _)| *x).collect(),
            score: complete.iter().map(|(_, _, y)| *y).collect(),
            clinician,
            clusters,
        }
    }

    /// Fittings.
    pub(crate) fn n(&self) -> u64 {
        self.exposure.len() as u64
    }
}

/// A correlation with its interval and permutation p.
pub(crate) struct Correlation {
    pub(crate) estimate: Option<f64>,
    pub(crate) interval: Option<Interval>,
    pub(crate) p: Option<f64>,
    /// How the interval was made, or why there is none.
    pub(crate) how: String,
}

/// Correlates by one method. What cannot be estimated is none, with the reason.
pub(crate) fn correlate(
    pairs: &Pairs,
    statistic: Statistic,
    resampling: Resampling,
) -> Correlation {
    let estimate = match statistic {
        Statistic::Spearman => spearman(&pairs.exposure, &pairs.score),
        Statistic::Kendall => kendall(&pairs.exposure, &pairs.score).map(|k| k.tau_b),
    };
    let (interval, how) = match (&estimate, statistic) {
        (Ok(rho), Statistic::Spearman) => (
            bonett_wright(*rho, pairs.n()),
            "Fisher z, Bonett-Wright error",
        ),
        (Ok(tau), Statistic::Kendall) => {
            (kendall_interval(*tau, pairs.n()), "Fisher z, Fieller error")
        }
        (Err(reason), _) => (Err(reason.clone()), ""),
    };
    let p = within_clusters(
        &pairs.exposure,
        &pairs.score,
        &pairs.clinician,
        resampling.replicates,
        resampling.seed,
        statistic,
    );
    Correlation {
        how: match &interval {
            Ok(_) => how.to_owned(),
            Err(reason) => not_estimable(reason),
        },
        estimate: estimate.ok(),
        interval: interval.ok(),
        p: p.ok().map(|result| result.p),
    }
}

/// The sentence that stands where an interval would.
pub(crate) fn not_estimable(reason: &NotEstimable) -> String {
    format!("not estimable: {reason}")
}

/// Method and its name in the table.
pub(crate) const METHODS: [(Statistic, &str); 2] = [
    (Statistic::Spearman, "spearman"),
    (Statistic::Kendall, "kendall"),
];

/// Columns of a correlation.
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

/// The cells of one correlation.
pub(crate) fn cells(name: &str, pairs: &Pairs, found: &Correlation) -> Vec<Cell> {
    vec![
        name.into(),
        pairs.n().into(),
        pairs.clusters.into(),
        found.estimate.into(),
        found.interval.map(|i| i.lo).into(),
        found.interval.map(|i| i.hi).into(),
        found.p.into(),
        found.how.as_str().into(),
    ]
}

/// Correlations of the RMS deviation with the outcome item: group × method.
pub(super) fn association(analysis: &mut Analysis<'_>) -> Result<Table, QueryError> {
    let by = analysis.by().to_vec();
    let resampling = Resampling {
        replicates: analysis.plan.permutations.into(),
        seed: analysis.plan.seed,
    };
    let satisfied_from = analysis.plan.outcome.satisfied_from;
    let fits = analysis.fits()?;
    let columns = [&COLUMNS[..], &[("weighted", Kind::Flag)]].concat();
    let mut out = Builder::new("association", &by, &columns);
    for group in fits.groups(&by) {
        let pairs = Pairs::new(fits, &group.rows, Measure::Rms, satisfied_from);
        for (statistic, name) in METHODS {
            let found = correlate(&pairs, statistic, resampling);
            let mut cells = cells(name, &pairs, &found);
            cells.push(false.into());
            out.row(&group.labels, cells);
        }
    }
    Ok(out.build())
}
