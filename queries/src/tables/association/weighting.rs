//! Weights for the answers that did not come back, and the rows that are made with them.

use super::ranks::{self, ready};
use super::row::{Resampling, Row};
use super::sample::{Answered, Sample};
use super::{models, slices};
use crate::statistics::NotEstimable;
use crate::statistics::nonresponse::weights::ResponseModel;
use crate::statistics::resampling::LANES;

/// The fittings asked, and the model of who answers.
pub(crate) struct Weighting {
    pub(crate) answered: Answered,
    pub(crate) model: ResponseModel,
    /// Whether each cluster of those asked has somebody who answered.
    same_clusters: bool,
    /// The places of those asked, with every covariate known.
    asked: Vec<usize>,
}

/// Fits who answers on exposure and covariates, over the fittings with every covariate known.
///
/// # Errors
/// Why there are no weights, with the names of the columns.
pub(crate) fn weighting(
    sample: &Sample,
    exposure: &str,
) -> Result<Weighting, (NotEstimable, Vec<String>)> {
    let asked = sample
        .complete()
        .map_err(|reason| (reason, sample.covariate_names()))?;
    let answered = sample.answered(&asked);
    let has_answered: Vec<bool> = asked
        .iter()
        .map(|&position| sample.score.get(position).copied().flatten().is_some())
        .collect();
    let exposures: Vec<f64> = asked
        .iter()
        .filter_map(|&position| sample.exposure.get(position).copied())
        .collect();
    let columns = sample
        .columns(&asked)
        .after(vec![(exposure.to_owned(), exposures)]);
    let cluster = sample.clusters_of(&asked, answered.kind);
    let model = ResponseModel::fit(&has_answered, &slices(&columns.values), &cluster)
        .map_err(|reason| (reason, columns.names))?;
    Ok(Weighting {
        same_clusters: model.clusters() as u64 == answered.clusters,
        answered,
        model,
        asked,
    })
}

/// Every weighted row: the rank correlations, then the ordinal models.
pub(crate) fn rows(
    sample: &Sample,
    weighting: &Result<Weighting, (NotEstimable, Vec<String>)>,
    exposure: &str,
    resampling: Resampling,
) -> Vec<Row> {
    let found = match weighting {
        Ok(found) => found,
        Err((reason, names)) => {
            let all: Vec<usize> = (0..sample.len()).collect();
            let answered = sample.answered(&all);
            return ranks::Method::ALL
                .map(ranks::Method::name)
                .into_iter()
                .chain(models::METHODS)
                .map(|method| Row::without(method, true, &answered, reason, names))
                .collect();
        }
    };
    let mut rows = rank_rows(sample, found, resampling);
    rows.extend(models::rows(
        sample,
        &found.answered,
        exposure,
        Some(found.model.weights()),
    ));
    rows
}

fn rank_rows(sample: &Sample, found: &Weighting, resampling: Resampling) -> Vec<Row> {
    let answered = &found.answered;
    let clusters = found.model.clusters() as u64;
    let without = |reason: &NotEstimable| {
        ranks::Method::ALL
            .iter()
            .map(|method| Row::without(method.name(), true, answered, reason, &[]))
            .collect()
    };
    if found.same_clusters {
        let given = sample.rank_columns(&answered.positions);
        return match ready(answered, &given) {
            Err(reason) => without(&reason),
            Ok(data) => {
                ranks::weighted_rows(answered, clusters, &data, resampling, &|drawn, out| {
                    found.model.reweigh_side_by_side(drawn, out)
                })
            }
        };
    }
    // Some clusters have nobody who answered. They are drawn too, so that the model of who answers is found anew from
    // all who were asked; those without an answer weigh nothing.
    let everyone = sample.asked(&found.asked, answered);
    let given = sample.rank_columns(&found.asked);
    let places: Vec<usize> = found
        .asked
        .iter()
        .enumerate()
        .filter(|(_, position)| sample.score.get(**position).copied().flatten().is_some())
        .map(|(place, _)| place)
        .collect();
    match ready(&everyone, &given) {
        Err(reason) => without(&reason),
        Ok(data) => ranks::weighted_rows(answered, clusters, &data, resampling, &|drawn, out| {
            let mut weights = vec![[0.0; LANES]; places.len()];
            let outcome = found.model.reweigh_side_by_side(drawn, &mut weights);
            out.fill([0.0; LANES]);
            for (place, weight) in places.iter().zip(weights) {
                if let Some(slot) = out.get_mut(*place) {
                    *slot = weight;
                }
            }
            outcome
        }),
    }
}
