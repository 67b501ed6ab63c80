//! Rank correlations: bootstrapped over clusters, tested within clinicians.

use super::row::{Resampling, Row};
use super::sample::{Answered, Cluster, Sample};
use crate::covariates::RankColumns;
use crate::statistics::exact_rank;
use crate::statistics::partial_rank::freedman_lane;
use crate::statistics::permutation::{self, Statistic};
use crate::statistics::rank::{bonett_wright, kendall_interval};
use crate::statistics::rank_bootstrap::{RankData, RankReplicates, Reweigh, prepare};
use crate::statistics::resampling::{Levels, Replicates};
use crate::statistics::{Interval, NotEstimable};

/// Up to so many arrangements are looked at one by one, and the p-value is exact.
const FEW_ARRANGEMENTS: u64 = 20_000;

/// The rank correlations of a table.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Method {
    Spearman,
    Kendall,
    Partial,
}

impl Method {
    pub(crate) const ALL: [Self; 3] = [Self::Spearman, Self::Kendall, Self::Partial];

    pub(crate) fn name(self) -> &'static str {
        match self {
            Self::Spearman => "spearman",
            Self::Kendall => "kendall",
            Self::Partial => "partial",
        }
    }
}

/// Slices of columns, as the statistics take them.
pub(crate) fn slices<T>(columns: &[Vec<T>]) -> Vec<&[T]> {
    columns.iter().map(Vec::as_slice).collect()
}

/// Answered fittings made ready for ranking.
pub(crate) fn ready(answered: &Answered, given: &RankColumns) -> Result<RankData, NotEstimable> {
    prepare(
        &answered.exposure,
        &answered.score,
        &slices(&given.numeric),
        &slices(&given.categorical),
        &answered.cluster,
    )
}

/// The bootstrap of one method.
fn of_method(found: &RankReplicates, method: Method) -> &Result<Replicates, NotEstimable> {
    match method {
        Method::Spearman => &found.spearman,
        Method::Kendall => &found.kendall,
        Method::Partial => &found.partial,
    }
}

/// The interval that is printed, or without one the reason. Of the bootstrap intervals the percentile one at levels
/// widened for few clusters holds its 95 % best in simulation (docs/calibration.md); BCa stands beside it.
fn printed(found: &Replicates, clusters: u64) -> Result<Interval, NotEstimable> {
    found.percentile(Levels::Expanded { clusters })
}

fn how(kind: Cluster, clusters: u64, resampling: Resampling) -> String {
    format!(
        "percentile bootstrap over {clusters} {}, {} resamples",
        kind.words(),
        resampling.resamples
    )
}

/// The p-value of a method within clinicians: exact where there are few arrangements, else by shuffles.
fn p_within(
    answered: &Answered,
    given: &RankColumns,
    method: Method,
    resampling: Resampling,
) -> Option<f64> {
    let (x, y, cluster) = (&answered.exposure, &answered.score, &answered.clinician);
    let Resampling {
        permutations, seed, ..
    } = resampling;
    let plain = |statistic| {
        exact_rank::within_clusters(x, y, cluster, statistic, FEW_ARRANGEMENTS)
            .map(|exact| exact.p)
            .or_else(|_| {
                permutation::within_clusters(x, y, cluster, permutations, seed, statistic)
                    .map(|found| found.p)
            })
    };
    let found = match method {
        Method::Spearman => plain(Statistic::Spearman),
        Method::Kendall => plain(Statistic::Kendall),
        // Without covariates it is rho, and so is its test.
        Method::Partial if given.numeric.is_empty() && given.categorical.is_empty() => {
            plain(Statistic::Spearman)
        }
        Method::Partial => freedman_lane(
            x,
            y,
            &slices(&given.numeric),
            &slices(&given.categorical),
            cluster,
            permutations,
            seed,
        )
        .map(|found| found.p),
    };
    found.ok()
}

/// A row from a bootstrap, with the textbook interval where the bootstrap gives none.
fn plain_row(
    answered: &Answered,
    given: &RankColumns,
    method: Method,
    data: &RankData,
    found: &RankReplicates,
    resampling: Resampling,
) -> Row {
    let replicates = of_method(found, method);
    // Without a bootstrap there may still be an estimate.
    let estimate = match replicates {
        Ok(replicates) => Ok(replicates.estimate),
        Err(_) => {
            let estimates = data.estimates(None);
            match method {
                Method::Spearman => estimates.spearman,
                Method::Kendall => estimates.kendall,
                Method::Partial => estimates.partial,
            }
        }
    };
    let estimate = match estimate {
        Ok(estimate) => estimate,
        Err(reason) => return Row::without(method.name(), false, answered, &reason, &[]),
    };
    let made = match replicates {
        Ok(replicates) => printed(replicates, answered.clusters),
        Err(reason) => Err(reason.clone()),
    };
    let (interval, how) = match made {
        Ok(interval) => (
            Some(interval),
            how(answered.kind, answered.clusters, resampling),
        ),
        Err(reason) => textbook(answered, given, method, estimate, &reason),
    };
    Row {
        method: method.name(),
        weighted: false,
        n: answered.n(),
        clusters: answered.clusters,
        estimate: Some(estimate),
        interval,
        p: p_within(answered, given, method, resampling),
        how,
    }
}

/// The interval that takes fittings as independent, for want of a better one, and words that say so.
fn textbook(
    answered: &Answered,
    given: &RankColumns,
    method: Method,
    estimate: f64,
    reason: &NotEstimable,
) -> (Option<Interval>, String) {
    let (made, name) = match method {
        Method::Spearman => (bonett_wright(estimate, answered.n()), "Bonett-Wright error"),
        // Each column that is given takes a degree of freedom.
        Method::Partial => (
            bonett_wright(estimate, answered.n().saturating_sub(given.width())),
            "Bonett-Wright error",
        ),
        Method::Kendall => (kendall_interval(estimate, answered.n()), "Fieller error"),
    };
    match made {
        Ok(interval) => (
            Some(interval),
            format!(
                "Fisher z, {name}, fittings taken as independent; bootstrap not estimable: {reason}"
            ),
        ),
        Err(reason) => (None, format!("not estimable: {reason}")),
    }
}

/// The rank correlations of a sample as rows: rho and tau-b over all who answered, the partial one over those of them
/// with every covariate known; and the intervals of the first two side by side.
pub(crate) fn rows(
    sample: &Sample,
    methods: &[Method],
    resampling: Resampling,
) -> (Vec<Row>, Vec<NamedInterval>) {
    let all: Vec<usize> = (0..sample.len()).collect();
    let everyone = sample.answered(&all);
    let complete = sample.complete();
    // One bootstrap serves all where nobody lacks a covariate.
    let shared = methods.contains(&Method::Partial)
        && complete
            .as_ref()
            .is_ok_and(|known| known.len() == all.len());
    let plain: Vec<Method> = methods
        .iter()
        .copied()
        .filter(|method| shared || *method != Method::Partial)
        .collect();
    let given = if shared {
        sample.rank_columns(&everyone.positions)
    } else {
        RankColumns::default()
    };
    let (mut rows, intervals) = bootstrapped(&everyone, &given, &plain, resampling);
    if methods.contains(&Method::Partial) && !shared {
        let names = sample.covariate_names();
        rows.extend(match complete {
            Ok(known) => {
                let answered = sample.answered(&known);
                let given = sample.rank_columns(&answered.positions);
                bootstrapped(&answered, &given, &[Method::Partial], resampling).0
            }
            Err(reason) => vec![Row::without("partial", false, &everyone, &reason, &names)],
        });
    }
    (rows, intervals)
}

fn bootstrapped(
    answered: &Answered,
    given: &RankColumns,
    methods: &[Method],
    resampling: Resampling,
) -> (Vec<Row>, Vec<NamedInterval>) {
    let data = match ready(answered, given) {
        Ok(data) => data,
        Err(reason) => {
            let without =
                |method: &Method| Row::without(method.name(), false, answered, &reason, &[]);
            return (methods.iter().map(without).collect(), Vec::new());
        }
    };
    let found = data.bootstrap(resampling.resamples, resampling.seed);
    let rows = methods
        .iter()
        .map(|method| plain_row(answered, given, *method, &data, &found, resampling))
        .collect();
    let plain = methods
        .iter()
        .filter(|method| **method != Method::Partial)
        .flat_map(|method| side_by_side(answered, &found, *method, resampling))
        .collect();
    (rows, plain)
}

/// The weighted rank correlations, with the weights found anew in each resample of the clusters, those without an answer
/// among them.
pub(crate) fn weighted_rows(
    answered: &Answered,
    clusters: u64,
    data: &RankData,
    resampling: Resampling,
    reweigh: Reweigh<'_>,
) -> Vec<Row> {
    let found = data.bootstrap_reweighed(resampling.resamples, resampling.seed, reweigh);
    Method::ALL
        .iter()
        .map(|method| match of_method(&found, *method) {
            Err(reason) => Row::without(method.name(), true, answered, reason, &[]),
            Ok(replicates) => {
                let made = printed(replicates, clusters);
                Row {
                    method: method.name(),
                    weighted: true,
                    n: answered.n(),
                    clusters,
                    estimate: Some(replicates.estimate),
                    how: match &made {
                        Ok(_) => format!(
                            "{}, weights anew in each; p by the spread of Fisher's z over them",
                            how(answered.kind, clusters, resampling)
                        ),
                        Err(reason) => format!("not estimable: {reason}"),
                    },
                    interval: made.ok(),
                    p: replicates.p_of_correlation(clusters).ok(),
                }
            }
        })
        .collect()
}

/// An interval of a method by name.
pub(crate) struct NamedInterval {
    pub(crate) method: &'static str,
    pub(crate) how: String,
    pub(crate) n: u64,
    pub(crate) interval: Option<Interval>,
}

/// The intervals of rho or tau-b side by side: over clusters, and as if fittings were independent.
fn side_by_side(
    answered: &Answered,
    found: &RankReplicates,
    method: Method,
    resampling: Resampling,
) -> Vec<NamedInterval> {
    let Ok(replicates) = of_method(found, method) else {
        return Vec::new();
    };
    let over = how(answered.kind, answered.clusters, resampling);
    let clusters = answered.clusters;
    let independent = match method {
        Method::Kendall => kendall_interval(replicates.estimate, answered.n()),
        _ => bonett_wright(replicates.estimate, answered.n()),
    };
    [
        (over.clone(), printed(replicates, clusters)),
        (
            over.replacen("percentile", "BCa", 1),
            replicates.bca(Levels::Expanded { clusters }),
        ),
        (
            "Fisher z, fittings taken as independent".to_owned(),
            independent,
        ),
    ]
    .into_iter()
    .map(|(how, made)| NamedInterval {
        method: method.name(),
        how: match &made {
            Ok(_) => how,
            Err(reason) => format!("{how}: not estimable: {reason}"),
        },
        n: answered.n(),
        interval: made.ok(),
    })
    .collect()
}
