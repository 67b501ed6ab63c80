//! The fittings of one analysis as columns of numbers.

use std::collections::BTreeSet;

use fitcohort_pipeline::plan::Plan;

use crate::covariates::{Columns, Covariates, RankColumns};
use crate::fits::{Fits, Measure, numbered};
use crate::statistics::NotEstimable;

/// With fewer clinicians than this, intervals are made over patients: so few clusters say too little about their spread.
pub(crate) const FEWEST_CLINICIANS: u64 = 10;

/// What is resampled, or taken as alike, as a whole.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Cluster {
    Clinician,
    Patient,
}

impl Cluster {
    /// The word for several.
    pub(crate) fn words(self) -> &'static str {
        match self {
            Self::Clinician => "clinicians",
            Self::Patient => "patients",
        }
    }
}

/// Fittings with a known exposure, answered or not.
pub(crate) struct Sample {
    pub(crate) exposure: Vec<f64>,
    /// The answer, where there is one.
    pub(crate) score: Vec<Option<f64>>,
    pub(crate) clinician: Vec<u32>,
    patient: Vec<u32>,
    covariates: Covariates,
}

/// Fittings with an exposure and an answer.
pub(crate) struct Answered {
    pub(crate) exposure: Vec<f64>,
    pub(crate) score: Vec<f64>,
    pub(crate) clinician: Vec<u32>,
    /// The label of what is taken as alike.
    pub(crate) cluster: Vec<u32>,
    pub(crate) kind: Cluster,
    pub(crate) clusters: u64,
    /// Their places in the sample.
    pub(crate) positions: Vec<usize>,
}

impl Answered {
    /// Fittings.
    pub(crate) fn n(&self) -> u64 {
        self.exposure.len() as u64
    }
}

fn distinct(labels: &[u32]) -> u64 {
    labels.iter().collect::<BTreeSet<_>>().len() as u64
}

fn pick<T: Copy>(values: &[T], positions: &[usize]) -> Vec<T> {
    positions
        .iter()
        .filter_map(|&position| values.get(position).copied())
        .collect()
}

impl Sample {
    /// Fittings of the plan's study (rows of [`crate::study::rows`]), with one exposure.
    pub(crate) fn new(fits: &Fits, plan: &Plan, rows: &[usize], exposure: Measure) -> Self {
        let satisfied_from = plan.outcome.satisfied_from;
        Self::with_exposure(fits, plan, rows, |row| {
            fits.value(exposure, row, satisfied_from)
        })
    }

    /// As [`Sample::new`], with an exposure of the caller's, known for every row.
    pub(crate) fn with_exposure(
        fits: &Fits,
        plan: &Plan,
        rows: &[usize],
        exposure: impl Fn(usize) -> Option<f64>,
    ) -> Self {
        let labels = |column: &str| {
            numbered(rows.iter().map(|&row| {
                fits.table()
                    .text_at(column, row)
                    .unwrap_or_default()
                    .to_owned()
            }))
        };
        Self {
            exposure: rows.iter().filter_map(|&row| exposure(row)).collect(),
            score: rows.iter().map(|&row| fits.score(row)).collect(),
            clinician: labels("clinician_id"),
            patient: labels("patient_id"),
            covariates: Covariates::of(fits, &plan.covariates, rows),
        }
    }

    /// Fittings, answered or not.
    pub(crate) fn len(&self) -> usize {
        self.exposure.len()
    }

    /// Names of the covariates.
    pub(crate) fn covariate_names(&self) -> Vec<String> {
        self.covariates.names()
    }

    /// Places with every covariate known.
    ///
    /// # Errors
    /// [`NotEstimable::MissingForMany`].
    pub(crate) fn complete(&self) -> Result<Vec<usize>, NotEstimable> {
        self.covariates.complete()
    }

    /// Of some places, those with an answer.
    pub(crate) fn answered(&self, positions: &[usize]) -> Answered {
        let with_score: Vec<(usize, f64)> = positions
            .iter()
            .filter_map(|&position| Some((position, self.score.get(position).copied().flatten()?)))
            .collect();
        let positions: Vec<usize> = with_score.iter().map(|(position, _)| *position).collect();
        let clinician = pick(&self.clinician, &positions);
        let kind = if distinct(&clinician) < FEWEST_CLINICIANS {
            Cluster::Patient
        } else {
            Cluster::Clinician
        };
        let cluster = pick(self.labels(kind), &positions);
        Answered {
            exposure: pick(&self.exposure, &positions),
            score: with_score.iter().map(|(_, score)| *score).collect(),
            clinician,
            clusters: distinct(&cluster),
            cluster,
            kind,
            positions,
        }
    }

    /// Everybody asked at some places, answered or not, as rows that stand beside those who answered: without an answer a
    /// row holds the first known one, and is to weigh nothing.
    pub(crate) fn asked(&self, positions: &[usize], answered: &Answered) -> Answered {
        let any = answered.score.first().copied().unwrap_or_default();
        let cluster = pick(self.labels(answered.kind), positions);
        Answered {
            exposure: pick(&self.exposure, positions),
            score: pick(&self.score, positions)
                .into_iter()
                .map(|score| score.unwrap_or(any))
                .collect(),
            clinician: pick(&self.clinician, positions),
            clusters: distinct(&cluster),
            cluster,
            kind: answered.kind,
            positions: positions.to_vec(),
        }
    }

    /// The cluster of the fittings at some places, numbered from 0 without gaps, in the order of the labels.
    pub(crate) fn clusters_of(&self, positions: &[usize], kind: Cluster) -> Vec<u32> {
        let labels = pick(self.labels(kind), positions);
        let known: Vec<u32> = labels
            .iter()
            .copied()
            .collect::<BTreeSet<_>>()
            .into_iter()
            .collect();
        labels
            .iter()
            .map(|label| known.partition_point(|other| other < label) as u32)
            .collect()
    }

    /// The labels of what is taken as alike, one a fitting.
    fn labels(&self, kind: Cluster) -> &[u32] {
        match kind {
            Cluster::Clinician => &self.clinician,
            Cluster::Patient => &self.patient,
        }
    }

    /// Columns of the covariates at some places.
    pub(crate) fn columns(&self, positions: &[usize]) -> Columns {
        self.covariates.columns(positions)
    }

    /// The covariates at some places, for ranking.
    pub(crate) fn rank_columns(&self, positions: &[usize]) -> RankColumns {
        self.covariates.rank_columns(positions)
    }
}
