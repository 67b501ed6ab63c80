//! `association`: does closer match go with satisfaction? Rank correlations and ordinal models over fittings, as they are
//! and weighted for the answers that did not come back.

pub(crate) mod models;
pub(crate) mod ranks;
pub(crate) mod row;
pub(crate) mod sample;
pub(crate) mod weighting;

use fitcohort_pipeline::plan::Plan;

use crate::analysis::Analysis;
use crate::builder::{Builder, Kind};
use crate::error::QueryError;
use crate::fits::{Fits, Measure};
use crate::statistics::NotEstimable;
use crate::study;
use crate::table::Table;
pub(crate) use ranks::slices;
use ranks::{Method, NamedInterval};
use row::{COLUMNS, Resampling, Row};
use sample::Sample;
use weighting::{Weighting, weighting};

/// The plan's numbers of replicates.
pub(crate) fn resampling(plan: &Plan) -> Resampling {
    Resampling {
        permutations: plan.permutations.into(),
        resamples: plan.resamples.into(),
        seed: plan.seed,
    }
}

/// Spearman's correlation of an exposure with the outcome item over the rows of the study with that exposure.
pub(crate) fn spearman(fits: &Fits, plan: &Plan, rows: &[usize], exposure: Measure) -> Vec<Row> {
    let sample = Sample::new(
        fits,
        plan,
        &study::rows(fits, plan, exposure, rows),
        exposure,
    );
    ranks::rows(&sample, &[Method::Spearman], resampling(plan)).0
}

/// What an association analysis finds in a group.
pub(crate) struct Found {
    pub(crate) sample: Sample,
    /// Every row, the plain ones first.
    pub(crate) rows: Vec<Row>,
    /// The intervals of the plain rank correlations side by side.
    pub(crate) intervals: Vec<NamedInterval>,
    /// The weights behind the weighted rows, or why there are none, with the names of covariates.
    pub(crate) weighting: Result<Weighting, (NotEstimable, Vec<String>)>,
}

/// Analyses some rows of the study.
pub(crate) fn found(fits: &Fits, plan: &Plan, rows: &[usize]) -> Found {
    let exposure = study::exposure(plan);
    let sample = Sample::new(fits, plan, rows, exposure);
    let resampling = resampling(plan);
    let (mut out, intervals) = ranks::rows(&sample, &Method::ALL, resampling);
    out.extend(ordinal(&sample, exposure.name()));
    let weighting = weighting(&sample, exposure.name());
    out.extend(weighting::rows(
        &sample,
        &weighting,
        exposure.name(),
        resampling,
    ));
    Found {
        sample,
        rows: out,
        intervals,
        weighting,
    }
}

/// The rows of the ordinal models, each fitting that answered counting once.
fn ordinal(sample: &Sample, exposure: &str) -> Vec<Row> {
    match sample.complete() {
        Ok(known) => models::rows(sample, &sample.answered(&known), exposure, None),
        Err(reason) => {
            let all: Vec<usize> = (0..sample.len()).collect();
            let answered = sample.answered(&all);
            let names = sample.covariate_names();
            models::METHODS
                .map(|method| Row::without(method, false, &answered, &reason, &names))
                .into()
        }
    }
}

/// The one row that the plan's primary method gives for a sample; none for a method that is not known. Its p-value is not
/// asked for and left out where it takes shuffles.
pub(crate) fn primary_of(sample: &Sample, plan: &Plan, exposure: &str) -> Option<Row> {
    let resampling = Resampling {
        permutations: 0,
        ..resampling(plan)
    };
    let named = |row: &Row| row.method == plan.primary.method;
    if plan.primary.weighted {
        let weighting = weighting(sample, exposure);
        return weighting::rows(sample, &weighting, exposure, resampling)
            .into_iter()
            .find(named);
    }
    match Method::ALL
        .into_iter()
        .find(|method| method.name() == plan.primary.method)
    {
        Some(method) => ranks::rows(sample, &[method], resampling)
            .0
            .into_iter()
            .next(),
        None => ordinal(sample, exposure).into_iter().find(named),
    }
}

/// The table of some groups and what was found in each.
pub(crate) fn table<'a>(
    by: &[String],
    groups: impl Iterator<Item = (Vec<Option<String>>, &'a [Row])>,
) -> Table {
    let columns = [&COLUMNS[..], &[("weighted", Kind::Flag)]].concat();
    let mut out = Builder::new("association", by, &columns);
    for (labels, rows) in groups {
        for row in rows {
            let mut cells = row.cells();
            cells.push(row.weighted.into());
            out.row(&labels, cells);
        }
    }
    out.build()
}

/// Associations of the plan's exposure with the outcome item: group × method × weighted.
pub(super) fn association(analysis: &mut Analysis<'_>) -> Result<Table, QueryError> {
    let by = analysis.by().to_vec();
    let plan = analysis.plan;
    study::check(plan, &analysis.cohort.manifest.label_columns)?;
    let fits = analysis.fits()?;
    // Who is in the study is decided once, over all groups: a patient's latest fitting is in one of them.
    let all: Vec<usize> = (0..fits.len()).collect();
    let study = study::rows(fits, plan, study::exposure(plan), &all);
    let groups: Vec<_> = fits
        .groups(&by)
        .into_iter()
        .map(|mut group| {
            group.rows.retain(|row| study.binary_search(row).is_ok());
            (group.labels, found(fits, plan, &group.rows).rows)
        })
        .collect();
    let rows = groups
        .iter()
        .map(|(labels, rows)| (labels.clone(), rows.as_slice()));
    Ok(table(&by, rows))
}
