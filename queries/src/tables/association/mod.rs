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
use crate::study;
use crate::table::Table;
use ranks::Method;
pub(crate) use ranks::slices;
use row::{COLUMNS, Resampling, Row};
use sample::Sample;

/// The plan's numbers of replicates.
pub(crate) fn resampling(plan: &Plan) -> Resampling {
    Resampling {
        permutations: plan.permutations.into(),
        resamples: plan.resamples.into(),
        seed: plan.seed,
    }
}

/// Spearman's correlation of an exposure with the outcome item over some rows.
pub(crate) fn spearman(fits: &Fits, plan: &Plan, rows: &[usize], exposure: Measure) -> Vec<Row> {
    let sample = Sample::new(fits, plan, rows, exposure);
    ranks::rows(&sample, &[Method::Spearman], resampling(plan))
}

/// Every row of a group, the plain ones first.
fn rows_of(fits: &Fits, plan: &Plan, rows: &[usize]) -> Vec<Row> {
    let exposure = study::exposure(plan);
    let sample = Sample::new(fits, plan, rows, exposure);
    let resampling = resampling(plan);
    let mut out = ranks::rows(&sample, &Method::ALL, resampling);
    match sample.complete() {
        Ok(known) => {
            let answered = sample.answered(&known);
            out.extend(models::rows(&sample, &answered, exposure.name(), None));
        }
        Err(reason) => {
            let all: Vec<usize> = (0..sample.len()).collect();
            let answered = sample.answered(&all);
            let names = sample.covariate_names();
            out.extend(
                models::METHODS
                    .map(|method| Row::without(method, false, &answered, &reason, &names)),
            );
        }
    }
    out.extend(weighting::rows(&sample, exposure.name(), resampling));
    out
}

/// Associations of the plan's exposure with the outcome item: group × method × weighted.
pub(super) fn association(analysis: &mut Analysis<'_>) -> Result<Table, QueryError> {
    let by = analysis.by().to_vec();
    let plan = analysis.plan;
    study::check(plan, &analysis.cohort.manifest.label_columns)?;
    let fits = analysis.fits()?;
    let columns = [&COLUMNS[..], &[("weighted", Kind::Flag)]].concat();
    let mut out = Builder::new("association", &by, &columns);
    for group in fits.groups(&by) {
        for row in rows_of(fits, plan, &group.rows) {
            let mut cells = row.cells();
            cells.push(row.weighted.into());
            out.row(&group.labels, cells);
        }
    }
    Ok(out.build())
}
