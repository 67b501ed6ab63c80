//! Gathers the reviews of a snapshot: what all readers share, then each reader's own tables.

use std::collections::BTreeMap;
use std::str::FromStr;

use fitcohort_pipeline::plan::{Criterion, Exclusion, Plan};
use fitcohort_pipeline::quarter::Quarter;
use fitcohort_pipeline::store::schema::StoreTable;
use fitcohort_pipeline::store::{Cohort, Dates};
use fitcohort_pipeline::vocabulary::FREQUENCIES;

use super::headline::headline;
use super::letters::Letters;
use super::{
    Context, InputHash, Reader, Review, disclosure, one_clinician, owner, researcher, shown,
    trainer,
};
use crate::analysis::Analysis;
use crate::builder::{Builder, Kind};
use crate::engine;
use crate::error::QueryError;
use crate::selection::Selection;
use crate::table::Table;

/// What a report is asked for.
#[derive(Clone)]
pub struct ReviewRequest<'a> {
    /// The snapshot.
    pub cohort: &'a Cohort,
    /// The plan.
    pub plan: &'a Plan,
    /// For whom.
    pub readers: &'a [Reader],
    /// The quarters under review; the last one where none is given. Of several, all but the last get the owner's report
    /// alone: what holds everything up to a quarter would, less the same up to another, leave single people.
    pub quarters: &'a [Quarter],
    /// The id of the clinician whose page is asked for; the trainer's reports on all where none is given.
    pub clinician: Option<&'a str>,
    /// Whether letters stand in the place of clinicians' labels.
    pub letters: bool,
    /// Version of the tool, for the page.
    pub version: &'a str,
    /// Called after each quarter.
    pub progress: &'a dyn Fn(),
}

/// What the reviews of all quarters share.
struct Shared {
    quality: Table,
    clinicians: Vec<String>,
    letters: Option<Letters>,
}

/// Gathers the reviews, by quarter in time, in the order of the readers asked for.
///
/// # Errors
/// [`QueryError`] where the plan, a quarter or the clinician does not make sense, or a query fails.
pub fn gather(request: &ReviewRequest<'_>) -> Result<Vec<Review>, QueryError> {
    let (cohort, plan) = (request.cohort, request.plan);
    let stored = quarters(cohort);
    let asked = asked(request, &stored)?;
    let mut everything = Analysis::open(cohort, plan, Selection::default())?;
    // The owner's pages alone, with labels, need no list of them.
    let are_asked_for = request.letters || request.readers.contains(&Reader::Trainer);
    let clinicians = if are_asked_for {
        clinicians(&mut everything)?
    } else {
        Vec::new()
    };
    let letters = request
        .letters
        .then(|| Letters::deal(cohort, plan.seed, clinicians.clone()));
    let shared = Shared {
        quality: everything.query("quality")?,
        clinicians: letters.as_ref().map_or(clinicians, Letters::in_order),
        letters,
    };
    let mut reviews = Vec::new();
    for (place, quarter) in asked.iter().enumerate() {
        let is_last = place + 1 == asked.len();
        reviews.extend(of_quarter(request, &shared, &stored, *quarter, is_last)?);
        (request.progress)();
    }
    // Over all readers and quarters at once: what one is not shown must not follow from what another is.
    disclosure::withhold(&mut reviews, plan.minimum_cell);
    reviews.iter_mut().for_each(one_clinician::without_beside);
    // What follows from other cells, from those alone that are left.
    for review in &mut reviews {
        shown::add(review, &shared.clinicians);
    }
    // Last of all, so that what is withheld does not hang on it.
    if let Some(letters) = &shared.letters {
        for review in &mut reviews {
            letters.put_into(review, plan);
        }
    }
    Ok(reviews)
}

/// The quarters under review in time, each once; one that is none where the cohort is empty.
fn asked(
    request: &ReviewRequest<'_>,
    stored: &[Quarter],
) -> Result<Vec<Option<Quarter>>, QueryError> {
    if let Some(unknown) = request
        .quarters
        .iter()
        .find(|asked| !stored.contains(asked))
    {
        let what = match (stored.first(), stored.last()) {
            (Some(first), Some(last)) => {
                format!("no fitting is stored for {unknown}; the cohort has {first} to {last}")
            }
            _ => format!("no fitting is stored for {unknown}: the cohort is empty"),
        };
        return Err(QueryError::Selection { what });
    }
    let mut out: Vec<Option<Quarter>> = request.quarters.iter().copied().map(Some).collect();
    if out.is_empty() {
        out.push(stored.last().copied());
    }
    out.sort_unstable();
    out.dedup();
    Ok(out)
}

/// The reviews of one quarter.
fn of_quarter(
    request: &ReviewRequest<'_>,
    shared: &Shared,
    stored: &[Quarter],
    quarter: Option<Quarter>,
    is_last: bool,
) -> Result<Vec<Review>, QueryError> {
    let (cohort, plan) = (request.cohort, request.plan);
    let readers: Vec<Reader> = request
        .readers
        .iter()
        .copied()
        .filter(|reader| is_last || *reader == Reader::Owner)
        .collect();
    if readers.is_empty() {
        return Ok(Vec::new());
    }
    // Up to the quarter under review: a page about the past does not know what came later.
    let selection = Selection {
        to: quarter,
        ..Selection::default()
    };
    let mut whole = Analysis::open(cohort, plan, selection)?;
    let context = Context {
        is_followed: !is_last,
        ..context(request, &whole, stored, quarter)?
    };
    let trends = whole.query("trends")?;
    let tolerance = tolerance(&[&whole.criterion, &whole.second_criterion]);
    if let Some(clinician) = request.clinician
        && !clinicians(&mut whole)?.iter().any(|id| id == clinician)
    {
        return Err(QueryError::UnknownClinician {
            clinician: clinician.to_owned(),
            up_to: quarter.map(|q| q.to_string()),
        });
    }
    let mut reviews = Vec::new();
    for reader in readers {
        let clinician = request.clinician.filter(|_| reader == Reader::Trainer);
        let mut tables = match reader {
            Reader::Owner => owner::tables(&mut whole, quarter, &trends, is_last)?,
            Reader::Researcher => researcher::tables(&mut whole)?,
            Reader::Trainer => match clinician {
                Some(clinician) => one_clinician::tables(&mut whole, clinician, &trends)?,
                None => trainer::tables(&mut whole)?,
            },
        };
        if clinician.is_none() {
            tables.insert("headline", headline(&trends, whole.fits()?, plan, quarter));
        }
        tables.insert("quality", shared.quality.clone());
        tables.insert("tolerance", tolerance.clone());
        let tables: BTreeMap<String, Table> = tables
            .into_iter()
            .map(|(key, table)| (key.to_owned(), table.named(key)))
            .collect();
        let letters = shared.letters.as_ref();
        let called = |id| letters.map_or(Some(id), |letters| letters.of(id));
        reviews.push(Review {
            reader,
            context: Context {
                clinician: clinician.and_then(called).map(str::to_owned),
                ..context.clone()
            },
            tables,
        });
    }
    Ok(reviews)
}

/// The ids of the clinicians with a fitting.
fn clinicians(analysis: &mut Analysis<'_>) -> Result<Vec<String>, QueryError> {
    let places = analysis.places(&[]);
    let found = analysis.run(engine::CLINICIAN_IDS, &[], &places)?;
    Ok((0..found.rows())
        .filter_map(|row| found.text_at("clinician_id", row).map(str::to_owned))
        .collect())
}

/// The quarters that hold a fitting (years, where dates are kept to the year), in time, each once.
#[must_use]
pub fn quarters(cohort: &Cohort) -> Vec<Quarter> {
    let mut quarters: Vec<Quarter> = cohort
        .parts(StoreTable::Fittings)
        .filter_map(|(_, part)| Quarter::from_str(&part.quarter).ok())
        .collect();
    quarters.sort_unstable();
    quarters.dedup();
    quarters
}

fn context(
    request: &ReviewRequest<'_>,
    whole: &Analysis<'_>,
    quarters: &[Quarter],
    quarter: Option<Quarter>,
) -> Result<Context, QueryError> {
    let (cohort, plan) = (request.cohort, request.plan);
    let (criterion, second) = (&whole.criterion, &whole.second_criterion);
    // A delivery that is invented says so in a label of every fitting.
    let invented = cohort
        .manifest
        .label_columns
        .iter()
        .any(|label| label == "x_data")
        && {
            let mut marked = Analysis::open(cohort, plan, Selection::by(&["x_data"]))?;
            let found = marked.query("verification")?;
            (0..found.rows()).any(|row| found.text_at("x_data", row) == Some("invented"))
        };
    Ok(Context {
        version: request.version.to_owned(),
        snapshot: cohort.manifest.snapshot.clone(),
        seed: plan.seed,
        plan_text: plan.to_toml(),
        criterion: criterion.name.clone(),
        criterion_text: criterion.words.clone(),
        criterion_source: criterion.source.clone(),
        second_criterion: second.name.clone(),
        second_criterion_text: second.words.clone(),
        quarter: quarter.map(|q| q.to_string()),
        first_quarter: quarters.first().map(Quarter::to_string),
        // What the page speaks of ends with the quarter under review.
        last_quarter: quarter.map(|q| q.to_string()),
        minimum_cell: plan.minimum_cell,
        outcome: match plan.outcome.instrument.as_str() {
            "ioi-ha" => format!("IOI-HA item {}", plan.outcome.item),
            other => format!("{other}, item {}", plan.outcome.item),
        },
        referral_rule: plan.referral_rule.clone(),
        permutations: plan.permutations,
        resamples: plan.resamples,
        hypothesis: plan.primary.hypothesis.clone(),
        primary_method: plan.primary.method.clone(),
        primary_weighted: plan.primary.weighted,
        exposure: plan.exposure.clone(),
        covariates: plan.covariates.clone(),
        unit: plan.unit.clone(),
        exclusions: plan.exclusions.iter().map(in_words).collect(),
        plan_file: plan.file_text.clone(),
        invented,
        year_only: cohort.manifest.dates == Dates::Year,
        clinician: None,
        letters: false,
        is_followed: false,
        inputs: cohort
            .manifest
            .deliveries
            .iter()
            .map(|delivery| InputHash {
                delivery: delivery.snapshot.clone(),
                hash: delivery.hash.clone(),
            })
            .collect(),
    })
}

/// An exclusion as a reader would say it.
pub(super) fn in_words(exclusion: &Exclusion) -> String {
    let Exclusion {
        column,
        values,
        below,
        above,
        reason,
    } = exclusion;
    let labels: Vec<&str> = values
        .iter()
        .map(|value| match value.as_str() {
            "" => "not known",
            other => other,
        })
        .collect();
    let limits = [("below", below), ("above", above)]
        .iter()
        .filter_map(|(word, limit)| limit.map(|limit| format!("{word} {limit}")))
        .collect::<Vec<_>>();
    let what = [labels.join(", "), limits.join(" or ")].concat();
    format!("{column} {what}: {reason}")
}

/// Limits of the criteria by frequency: criterion × frequency_hz.
fn tolerance(criteria: &[&Criterion]) -> Table {
    let mut out = Builder::new(
        "tolerance",
        &[],
        &[
            ("criterion", Kind::Text),
            ("frequency_hz", Kind::Integer),
            ("limit_db", Kind::Real),
        ],
    );
    for criterion in criteria {
        for (frequency, limit) in FREQUENCIES.iter().zip(criterion.limits) {
            if let Some(limit) = limit {
                out.row(
                    &[],
                    vec![
                        criterion.name.as_str().into(),
                        i64::from(*frequency).into(),
                        (f64::from(limit) / 100.0).into(),
                    ],
                );
            }
        }
    }
    out.build()
}
