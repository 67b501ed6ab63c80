//! `ears`: who was fitted in two ears, among people with a loss in both; adjusted odds ratios and trends.

use std::collections::{BTreeMap, BTreeSet};

use fitcohort_pipeline::quarter::Quarter;

use crate::analysis::Analysis;
use crate::builder::{Builder, Cell, Kind, count_at, labels_at, share};
use crate::covariates::{Covariates, SMALL_GROUP, not_estimable};
use crate::engine::EARS;
use crate::error::QueryError;
use crate::fits::{Fits, Measure, groups_of, numbered};
use crate::statistics::NotEstimable;
use crate::statistics::categorical::estimate::Estimate;
use crate::statistics::categorical::logistic;
use crate::statistics::categorical::sandwich::{self, cluster_robust_logistic};
use crate::statistics::trend::{TrendForm, p_of_trend};
use crate::study;
use crate::table::Table;

use super::association::{resampling, row::Resampling, sample::FEWEST_CLINICIANS};
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
    let odds = odds_ratios(fits, &by, &names, plan.outcome.satisfied_from);
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
    let mut counts: BTreeMap<Labels, BTreeMap<Quarter, (u64, u64)>> = BTreeMap::new();
    for row in 0..by_quarter.rows() {
        let quarter = by_quarter.text_at("quarter", row);
        let Some(quarter) = quarter.and_then(|text| text.parse().ok()) else {
            continue;
        };
        counts
            .entry(labels_at(by_quarter, over_time, row))
            .or_default()
            .insert(
                quarter,
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
                .map(|(quarter, (k, n))| (score_of(*quarter), *k, *n))
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

/// A quarter as a number that grows by one a quarter, a year as one that grows by one a year. A cohort has one of the two.
fn score_of(quarter: Quarter) -> f64 {
    if quarter.is_year() {
        return f64::from(quarter.year);
    }
    f64::from(quarter.year) * 4.0 + f64::from(quarter.number)
}

/// Odds ratios of groups against the reference, or why there are none.
#[derive(Default)]
struct Odds {
    reference: Option<Labels>,
    by_group: BTreeMap<Labels, Result<(Estimate, String), String>>,
    /// Why a group that is not among them has none.
    otherwise: String,
}

impl Odds {
    fn none(otherwise: String) -> Self {
        Self {
            otherwise,
            ..Self::default()
        }
    }

    /// Odds ratio, limits, p and how, for a group.
    fn cells(&self, labels: &[Option<String>]) -> [Cell; 5] {
        let without = |ratio: Cell, how: &str| {
            [
                ratio,
                Cell::Real(None),
                Cell::Real(None),
                Cell::Real(None),
                how.into(),
            ]
        };
        if self.reference.as_deref() == Some(labels) {
            return without(1.0.into(), "the reference of the odds ratios");
        }
        let empty = || Cell::Real(None);
        match self.by_group.get(labels) {
            None => without(empty(), &self.otherwise),
            Some(Err(reason)) => without(empty(), reason),
            Some(Ok((estimate, how))) => match estimate.odds_ratio() {
                Err(reason) => without(empty(), &not_estimable(&reason, &[])),
                Ok((ratio, interval)) => [
                    ratio.into(),
                    interval.lo.into(),
                    interval.hi.into(),
                    estimate.p.into(),
                    how.as_str().into(),
                ],
            },
        }
    }
}

/// The candidates of one group.
struct Candidates {
    labels: Labels,
    /// Their places among the candidates with every covariate known.
    places: Vec<usize>,
    two_ear: usize,
}

impl Candidates {
    /// Why the group cannot enter a model; none where it can.
    fn reason(&self) -> Option<String> {
        let n = self.places.len();
        if n < SMALL_GROUP {
            let reason = NotEstimable::TooFew {
                needed: SMALL_GROUP as u64,
                got: n as u64,
            };
            return Some(not_estimable(&reason, &[]));
        }
        match self.two_ear {
            0 => Some("not estimable: nobody in the group was fitted in two ears".to_owned()),
            all if all == n => {
                Some("not estimable: everybody in the group was fitted in two ears".to_owned())
            }
            _ => None,
        }
    }
}

/// Logistic regression of two ears on the groups, adjusted for the covariates, errors robust to clinicians; to patients
/// for a group that too few clinicians stand behind. Groups that cannot enter the model have their own reason.
fn odds_ratios(fits: &Fits, by: &[String], names: &[String], satisfied_from: f64) -> Odds {
    if by.is_empty() {
        return Odds::none("an odds ratio compares groups: none are asked for".to_owned());
    }
    let all: Vec<(usize, f64)> = (0..fits.len())
        .filter_map(|row| Some((row, fits.value(Measure::TwoEar, row, satisfied_from)?)))
        .collect();
    let rows: Vec<usize> = all.iter().map(|(row, _)| *row).collect();
    let covariates = Covariates::of(fits, names, &rows);
    let known = match covariates.complete() {
        Ok(known) => known,
        Err(reason) => return Odds::none(not_estimable(&reason, names)),
    };
    let known: Vec<(usize, usize, bool)> = known
        .iter()
        .filter_map(|&position| {
            let (row, value) = all.get(position)?;
            Some((position, *row, *value > 0.5))
        })
        .collect();
    let known_rows: Vec<usize> = known.iter().map(|(_, row, _)| *row).collect();
    let is_two_ear = |place: &usize| known.get(*place).is_some_and(|(_, _, two_ear)| *two_ear);
    let groups = groups_of(fits.table(), by, &known_rows)
        .into_iter()
        .map(|group| {
            // Rows come in ascending order, so a row's place is found by halving.
            let place = |row| known_rows.binary_search(row).ok();
            let places: Vec<usize> = group.rows.iter().filter_map(place).collect();
            Candidates {
                labels: group.labels,
                two_ear: places.iter().filter(|place| is_two_ear(place)).count(),
                places,
            }
        });
    let mut odds = Odds::none("no candidate with every covariate known".to_owned());
    let (entering, others): (Vec<Candidates>, Vec<Candidates>) =
        groups.partition(|group| group.reason().is_none());
    for group in others {
        let reason = group.reason().unwrap_or_default();
        odds.by_group.insert(group.labels, Err(reason));
    }
    // Of groups of equal size the first is the reference.
    let Some(reference) = entering.iter().rev().max_by_key(|group| group.places.len()) else {
        return odds;
    };
    odds.reference = Some(reference.labels.clone());
    let reference_words = in_words(&reference.labels);
    let reference_labels = reference.labels.clone();
    let mut places: Vec<usize> = entering
        .iter()
        .flat_map(|group| group.places.iter().copied())
        .collect();
    places.sort_unstable();
    let there: Vec<(usize, usize, bool)> = places
        .iter()
        .filter_map(|&place| known.get(place).copied())
        .collect();
    let positions: Vec<usize> = there.iter().map(|(position, _, _)| *position).collect();
    let outcome: Vec<bool> = there.iter().map(|(_, _, two_ear)| *two_ear).collect();
    let labelled = |column: &str| {
        numbered(there.iter().map(|(_, row, _)| {
            let label = fits.table().text_at(column, *row);
            label.unwrap_or_default().to_owned()
        }))
    };
    let (clinician, patient) = (labelled("clinician_id"), labelled("patient_id"));
    let compared: Vec<&Candidates> = entering
        .iter()
        .filter(|group| group.labels != reference_labels)
        .collect();
    if compared.is_empty() {
        odds.otherwise = not_estimable(&NotEstimable::OneGroup, &[]);
        return odds;
    }
    let member = |group: &Candidates| -> Vec<bool> {
        places
            .iter()
            .map(|place| group.places.binary_search(place).is_ok())
            .collect()
    };
    let columns = covariates.columns(&positions);
    let columns = columns.after(
        compared
            .iter()
            .map(|group| {
                let indicator = |inside: bool| f64::from(u8::from(inside));
                (
                    in_words(&group.labels),
                    member(group).into_iter().map(indicator).collect(),
                )
            })
            .collect(),
    );
    let values: Vec<&[f64]> = columns.values.iter().map(Vec::as_slice).collect();
    let fitted = logistic::fit(&outcome, &values, None).and_then(|fitted| {
        let over = |cluster| cluster_robust_logistic(&fitted, &outcome, &values, None, cluster);
        Ok((over(&clinician), over(&patient)?))
    });
    let (by_clinician, by_patient) = match fitted {
        Ok(found) => found,
        Err(reason) => {
            let reason = not_estimable(&reason, &columns.names);
            for group in &compared {
                odds.by_group
                    .insert(group.labels.clone(), Err(reason.clone()));
            }
            return odds;
        }
    };
    let behind = |inside: &[bool]| {
        let of = clinician.iter().zip(inside);
        let clinicians: BTreeSet<u32> = of.filter(|(_, in_it)| **in_it).map(|(c, _)| *c).collect();
        clinicians.len() as u64
    };
    let enough = behind(&member(reference)) >= FEWEST_CLINICIANS;
    for (position, group) in compared.iter().enumerate() {
        // Where a group is one or few clinicians' own, what clinicians have in common is the group itself.
        let widely = enough && behind(&member(group)) >= FEWEST_CLINICIANS;
        let (robust, words) = match &by_clinician {
            Ok(robust) if widely => (robust, "clinicians"),
            _ => (&by_patient, "patients"),
        };
        let how = format!(
            "logistic, against {reference_words}, {}; {} over {} {words}, t with {} degrees",
            columns.adjusted_for(),
            sandwich::NAME,
            robust.clusters,
            robust.degrees()
        );
        // Position 0 is the intercept.
        let estimate = robust
            .coefficient(position + 1)
            .map(|estimate| (estimate, how))
            .map_err(|reason| not_estimable(&reason, &[]));
        odds.by_group.insert(group.labels.clone(), estimate);
    }
    odds
}

/// The labels of a group in words.
fn in_words(labels: &[Option<String>]) -> String {
    labels
        .iter()
        .map(|label| label.as_deref().unwrap_or(NOT_KNOWN))
        .collect::<Vec<_>>()
        .join(", ")
}
