//! `ears`: who was fitted in two ears, among people with a loss in both; adjusted odds ratios and trends.

use std::collections::BTreeMap;

use crate::analysis::Analysis;
use crate::builder::{Builder, Cell, Kind, count_at, labels_at, share};
use crate::covariates::{Columns, Covariates, not_estimable};
use crate::engine::EARS;
use crate::error::QueryError;
use crate::fits::{Fits, Measure, numbered};
use crate::statistics::NotEstimable;
use crate::statistics::categorical::estimate::Estimate;
use crate::statistics::categorical::logistic;
use crate::statistics::categorical::sandwich::{self, cluster_robust_logistic};
use crate::statistics::trend::{TrendForm, p_of_trend};
use crate::study;
use crate::table::Table;

use super::association::{resampling, row::Resampling};
use super::case_mix::covariates_for;

/// The labels of a group.
type Labels = Vec<Option<String>>;

/// What an empty label of a group is called.
const NOT_KNOWN: &str = "not known";

/// Two-ear uptake among candidates: group. The odds ratio is that of the group against the one with most candidates, the
/// trend that over quarters within the group.
pub(super) fn ears(analysis: &mut Analysis<'_>) -> Result<Table, QueryError> {
    let by = analysis.by().to_vec();
    let plan = analysis.plan;
    study::check(plan, &analysis.cohort.manifest.label_columns)?;
    let found = analysis.run_on_fits(EARS, &by)?;
    let over_time: Vec<String> = by.iter().filter(|key| *key != "quarter").cloned().collect();
    let quarters = [over_time.clone(), vec!["quarter".to_owned()]].concat();
    let by_quarter = analysis.run_on_fits(EARS, &quarters)?;
    let trends = trends(&by_quarter, &over_time, resampling(plan));
    let names = covariates_for(plan, Measure::TwoEar, &by);
    let fits = analysis.fits()?;
    let odds = odds_ratios(fits, &found, &by, &names, plan.outcome.satisfied_from);
    let mut out = Builder::new(
        "ears",
        &by,
        &[
            ("n_candidates", Kind::Integer),
            ("n_two_ear", Kind::Integer),
            ("two_ear", Kind::Real),
            ("two_ear_lo", Kind::Real),
            ("two_ear_hi", Kind::Real),
            ("odds_ratio", Kind::Real),
            ("odds_ratio_lo", Kind::Real),
            ("odds_ratio_hi", Kind::Real),
            ("odds_ratio_p", Kind::Real),
            ("odds_ratio_how", Kind::Text),
            ("trend_p", Kind::Real),
            ("trend_how", Kind::Text),
        ],
    );
    for row in 0..found.rows() {
        let n = count_at(&found, "n_candidates", row);
        let two_ear = count_at(&found, "n_two_ear", row);
        let labels = labels_at(&found, &by, row);
        let mut cells: Vec<Cell> = vec![n.into(), two_ear.into()];
        cells.extend(share(two_ear, n));
        cells.extend(odds.cells(&labels));
        let key = labels_at(&found, &over_time, row);
        cells.extend(match trends.get(&key) {
            Some((p, how)) => [Cell::from(*p), how.as_str().into()],
            None => [Cell::Real(None), Cell::Text(None)],
        });
        out.row(&labels, cells);
    }
    Ok(out.build())
}

/// By group, the p-value of a trend over quarters and how it was made.
fn trends(
    by_quarter: &Table,
    over_time: &[String],
    resampling: Resampling,
) -> BTreeMap<Labels, (Option<f64>, String)> {
    let mut counts: BTreeMap<Labels, BTreeMap<String, (u64, u64)>> = BTreeMap::new();
    for row in 0..by_quarter.rows() {
        let quarter = by_quarter.text_at("quarter", row).unwrap_or_default();
        counts
            .entry(labels_at(by_quarter, over_time, row))
            .or_default()
            .insert(
                quarter.to_owned(),
                (
                    count_at(by_quarter, "n_two_ear", row),
                    count_at(by_quarter, "n_candidates", row),
                ),
            );
    }
    counts
        .into_iter()
        .map(|(labels, quarters)| {
            let there: Vec<(f64, u64, u64)> = quarters
                .iter()
                .filter(|(_, (_, n))| *n > 0)
                .filter_map(|(quarter, (k, n))| Some((score_of(quarter)?, *k, *n)))
                .collect();
            let scores: Vec<f64> = there.iter().map(|(score, _, _)| *score).collect();
            let successes: Vec<u64> = there.iter().map(|(_, k, _)| *k).collect();
            let trials: Vec<u64> = there.iter().map(|(_, _, n)| *n).collect();
            let tested = p_of_trend(
                &scores,
                &successes,
                &trials,
                resampling.permutations,
                resampling.seed,
            );
            let entry = match tested {
                Ok((p, form)) => (
                    Some(p),
                    match form {
                        TrendForm::Approximate => "Cochran-Armitage over quarters".to_owned(),
                        TrendForm::Exact => "exact trend test over quarters".to_owned(),
                        TrendForm::Permutation => format!(
                            "trend test over quarters, {} permutations",
                            resampling.permutations
                        ),
                    },
                ),
                Err(reason) => (None, not_estimable(&reason, &[])),
            };
            (labels, entry)
        })
        .collect()
}

/// A quarter such as `2026-Q3` as a number that grows by one a quarter.
fn score_of(quarter: &str) -> Option<f64> {
    let (year, part) = quarter.split_once("-Q")?;
    let (year, part): (f64, f64) = (year.parse().ok()?, part.parse().ok()?);
    Some(year * 4.0 + part)
}

/// Odds ratios of groups against the reference, or why there are none.
struct Odds {
    reference: Labels,
    by_group: BTreeMap<Labels, Result<Estimate, NotEstimable>>,
    how: String,
}

impl Odds {
    fn none(how: String) -> Self {
        Self {
            reference: Vec::new(),
            by_group: BTreeMap::new(),
            how,
        }
    }

    /// Odds ratio, limits, p and how, for a group.
    fn cells(&self, labels: &[Option<String>]) -> [Cell; 5] {
        let without = |how: &str| {
            [
                Cell::Real(None),
                Cell::Real(None),
                Cell::Real(None),
                Cell::Real(None),
                how.into(),
            ]
        };
        if !labels.is_empty() && labels == self.reference {
            let mut cells = without("the reference of the odds ratios");
            if let Some(first) = cells.first_mut() {
                *first = 1.0.into();
            }
            return cells;
        }
        match self.by_group.get(labels) {
            None => without(&self.how),
            Some(Err(reason)) => without(&not_estimable(reason, &[])),
            Some(Ok(estimate)) => match estimate.odds_ratio() {
                Err(reason) => without(&not_estimable(&reason, &[])),
                Ok((ratio, interval)) => [
                    ratio.into(),
                    interval.lo.into(),
                    interval.hi.into(),
                    estimate.p.into(),
                    self.how.as_str().into(),
                ],
            },
        }
    }
}

/// Logistic regression of two ears on the groups, adjusted for the covariates, errors robust to clinicians.
fn odds_ratios(
    fits: &Fits,
    found: &Table,
    by: &[String],
    names: &[String],
    satisfied_from: f64,
) -> Odds {
    if by.is_empty() {
        return Odds::none("an odds ratio compares groups: none are asked for".to_owned());
    }
    let with_candidates: Vec<(Labels, u64)> = (0..found.rows())
        .map(|row| {
            (
                labels_at(found, by, row),
                count_at(found, "n_candidates", row),
            )
        })
        .filter(|(_, n)| *n > 0)
        .collect();
    let reference = with_candidates
        .iter()
        .rev()
        .max_by_key(|(_, n)| *n)
        .map(|(labels, _)| labels.clone())
        .unwrap_or_default();
    let rows: Vec<(usize, f64)> = (0..fits.len())
        .filter_map(|row| Some((row, fits.value(Measure::TwoEar, row, satisfied_from)?)))
        .collect();
    let table_rows: Vec<usize> = rows.iter().map(|(row, _)| *row).collect();
    let covariates = Covariates::of(fits, names, &table_rows);
    let known = match covariates.complete() {
        Ok(known) => known,
        Err(reason) => return Odds::none(not_estimable(&reason, names)),
    };
    let group_of: Vec<Labels> = known
        .iter()
        .filter_map(|&position| table_rows.get(position))
        .map(|&row| labels_at(fits.table(), by, row))
        .collect();
    let groups: Vec<&Labels> = with_candidates
        .iter()
        .map(|(labels, _)| labels)
        .filter(|labels| **labels != reference && group_of.contains(labels))
        .collect();
    if groups.is_empty() {
        return Odds::none(not_estimable(&NotEstimable::OneGroup, &[]));
    }
    let in_words = |labels: &[Option<String>]| {
        labels
            .iter()
            .map(|label| label.as_deref().unwrap_or(NOT_KNOWN))
            .collect::<Vec<_>>()
            .join(", ")
    };
    let mut columns = Columns {
        values: groups
            .iter()
            .map(|group| {
                group_of
                    .iter()
                    .map(|labels| f64::from(u8::from(labels == *group)))
                    .collect()
            })
            .collect(),
        names: groups.iter().map(|group| in_words(group)).collect(),
    };
    let adjusting = covariates.columns(&known);
    columns.values.extend(adjusting.values);
    columns.names.extend(adjusting.names);
    let outcome: Vec<bool> = known
        .iter()
        .filter_map(|&position| rows.get(position))
        .map(|(_, value)| *value > 0.5)
        .collect();
    let clinician = numbered(
        known
            .iter()
            .filter_map(|&position| table_rows.get(position))
            .map(|&row| {
                fits.table()
                    .text_at("clinician_id", row)
                    .unwrap_or_default()
                    .to_owned()
            }),
    );
    let values: Vec<&[f64]> = columns.values.iter().map(Vec::as_slice).collect();
    let fitted = logistic::fit(&outcome, &values, None).and_then(|fitted| {
        let robust = cluster_robust_logistic(&fitted, &outcome, &values, None, &clinician)?;
        Ok((fitted, robust))
    });
    match fitted {
        Err(reason) => Odds::none(not_estimable(&reason, &columns.names)),
        Ok((_, robust)) => Odds {
            by_group: groups
                .iter()
                .enumerate()
                // Position 0 is the intercept.
                .map(|(position, group)| ((*group).clone(), robust.coefficient(position + 1)))
                .collect(),
            how: format!(
                "logistic, against {}{}; {} over {} clinicians, t with {} degrees",
                in_words(&reference),
                if names.is_empty() {
                    String::new()
                } else {
                    format!(", adjusted for {}", names.join(", "))
                },
                sandwich::NAME,
                robust.clusters,
                robust.degrees()
            ),
            reference,
        },
    }
}
