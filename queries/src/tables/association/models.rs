//! Ordinal models of the answer: adjusted, and split into within and between clinicians.

use super::row::Row;
use super::sample::{Answered, Cluster, FEWEST_CLINICIANS, Sample};
use super::slices;
use crate::covariates::Columns;
use crate::statistics::NotEstimable;
use crate::statistics::categorical::estimate::Estimate;
use crate::statistics::categorical::proportional_odds;
use crate::statistics::categorical::sandwich::{self, cluster_robust};
use crate::statistics::within_between::split;

/// The names of the rows.
pub(crate) const METHODS: [&str; 3] = ["ordinal", "ordinal_within", "ordinal_between"];

/// A coefficient of a model, or why it has none.
pub(crate) struct Term {
    pub(crate) name: String,
    pub(crate) estimate: Result<Estimate, NotEstimable>,
}

/// An ordinal model of answered fittings: the leading columns first, then the covariates.
pub(crate) struct Model {
    pub(crate) terms: Vec<Term>,
    pub(crate) how: String,
}

/// Fits the answers on some columns, with errors robust to clusters.
pub(crate) fn fit(
    answered: &Answered,
    columns: &Columns,
    weights: Option<&[f64]>,
) -> Result<Model, NotEstimable> {
    let values = slices(&columns.values);
    let fitted = proportional_odds::fit(&answered.score, &values, weights)?;
    let robust = cluster_robust(
        &fitted,
        &answered.score,
        &values,
        weights,
        &answered.cluster,
    )?;
    Ok(Model {
        terms: columns
            .names
            .iter()
            .enumerate()
            .map(|(position, name)| Term {
                name: name.clone(),
                estimate: robust.coefficient(position),
            })
            .collect(),
        how: format!(
            "proportional odds, {}; Wald, {} over {} {}, t with {} degrees",
            columns.adjusted_for(),
            sandwich::NAME,
            answered.clusters,
            answered.kind.words(),
            robust.degrees()
        ),
    })
}

/// The covariates of answered fittings, after some leading columns.
pub(crate) fn with_covariates(
    sample: &Sample,
    answered: &Answered,
    leading: Vec<(&str, Vec<f64>)>,
) -> Columns {
    let leading = leading
        .into_iter()
        .map(|(name, values)| (name.to_owned(), values))
        .collect();
    sample.columns(&answered.positions).after(leading)
}

/// The coefficient of one leading column as a row.
fn row(method: &'static str, answered: &Answered, weighted: bool, term: &Term, how: &str) -> Row {
    match &term.estimate {
        Err(reason) => Row::without(method, weighted, answered, reason, &[]),
        Ok(estimate) => Row {
            method,
            weighted,
            n: answered.n(),
            clusters: answered.clusters,
            estimate: Some(estimate.value),
            interval: Some(estimate.interval),
            p: Some(estimate.p),
            how: if weighted {
                format!("{how}, weights taken as known")
            } else {
                how.to_owned()
            },
        },
    }
}

/// The three rows of the ordinal models, plain or weighted.
pub(crate) fn rows(
    sample: &Sample,
    answered: &Answered,
    exposure: &str,
    weights: Option<&[f64]>,
) -> Vec<Row> {
    let weighted = weights.is_some();
    let [ordinal, within, between] = METHODS;
    let whole = with_covariates(
        sample,
        answered,
        vec![(exposure, answered.exposure.clone())],
    );
    let without = |method, reason: &NotEstimable, names: &[String]| {
        Row::without(method, weighted, answered, reason, names)
    };
    let model = fit(answered, &whole, weights);
    let of_whole = |method| match &model {
        Ok(model) => model
            .terms
            .first()
            .map(|term| row(method, answered, weighted, term, &model.how)),
        Err(reason) => Some(without(method, reason, &whole.names)),
    };
    let mut out: Vec<Row> = of_whole(ordinal).into_iter().collect();
    let parts = match split(&answered.exposure, &answered.clinician) {
        Ok(parts) => parts,
        // With one clinician everything is within.
        Err(NotEstimable::OneGroup) => {
            out.extend(of_whole(within));
            out.push(without(between, &NotEstimable::OneGroup, &[]));
            return out;
        }
        Err(reason) => {
            out.extend([within, between].map(|method| without(method, &reason, &[])));
            return out;
        }
    };
    let split = with_covariates(
        sample,
        answered,
        vec![
            ("deviation from the clinician's mean", parts.within),
            ("the clinician's mean", parts.between),
        ],
    );
    match fit(answered, &split, weights) {
        Ok(model) => {
            for (method, term) in [within, between].into_iter().zip(&model.terms) {
                // The difference between clinicians is told by clinicians, however many patients they have.
                out.push(if method == between && answered.kind == Cluster::Patient {
                    let reason = NotEstimable::TooFewClusters {
                        needed: FEWEST_CLINICIANS,
                        got: parts.groups,
                    };
                    without(method, &reason, &[])
                } else {
                    row(method, answered, weighted, term, &model.how)
                });
            }
        }
        Err(reason) => {
            out.extend([within, between].map(|method| without(method, &reason, &split.names)));
        }
    }
    out
}
