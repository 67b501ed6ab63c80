//! Gathers the reviews of a snapshot: what all readers share, then each reader's own tables.

use std::collections::BTreeMap;
use std::str::FromStr;

use fitcohort_pipeline::plan::{Criterion, Plan};
use fitcohort_pipeline::quarter::Quarter;
use fitcohort_pipeline::store::Cohort;
use fitcohort_pipeline::store::schema::StoreTable;
use fitcohort_pipeline::vocabulary::FREQUENCIES;

use super::{Context, InputHash, Reader, Review, owner, researcher, trainer};
use crate::analysis::Analysis;
use crate::builder::{Builder, Cell, Kind, count_at, interval_of_share};
use crate::error::QueryError;
use crate::fits::Measure;
use crate::selection::Selection;
use crate::table::Table;

/// What a report is asked for.
#[derive(Clone, Debug)]
pub struct ReviewRequest<'a> {
    /// The snapshot.
    pub cohort: &'a Cohort,
    /// The plan.
    pub plan: &'a Plan,
    /// For whom.
    pub readers: &'a [Reader],
    /// The quarter under review; the last one where none is given.
    pub quarter: Option<Quarter>,
    /// Version of the tool, for the page.
    pub version: &'a str,
}

/// Gathers the reviews, in the order of the readers asked for.
///
/// # Errors
/// [`QueryError`] where the plan or the quarter does not make sense, or a query fails.
pub fn gather(request: &ReviewRequest<'_>) -> Result<Vec<Review>, QueryError> {
    let (cohort, plan) = (request.cohort, request.plan);
    let quarters = quarters(cohort);
    let quarter = match request.quarter {
        Some(asked) if !quarters.contains(&asked) => {
            return Err(QueryError::Selection {
                what: match (quarters.first(), quarters.last()) {
                    (Some(first), Some(last)) => {
                        format!(
                            "no fitting is stored for {asked}; the cohort has {first} to {last}"
                        )
                    }
                    _ => format!("no fitting is stored for {asked}: the cohort is empty"),
                },
            });
        }
        Some(asked) => Some(asked),
        None => quarters.last().copied(),
    };
    // Up to the quarter under review: a page about the past does not know what came later.
    let selection = Selection {
        to: quarter,
        ..Selection::default()
    };
    let mut whole = Analysis::open(cohort, plan, selection)?;
    let context = context(request, &whole, &quarters, quarter)?;
    let trends = whole.query("trends")?;
    let quality = Analysis::open(cohort, plan, Selection::default())?.query("quality")?;
    let tolerance = tolerance(&[&whole.criterion, &whole.second_criterion]);
    let mut reviews = Vec::new();
    for &reader in request.readers {
        let mut tables = match reader {
            Reader::Owner => owner::tables(cohort, plan, quarter, &trends)?,
            Reader::Researcher => researcher::tables(&mut whole)?,
            Reader::Trainer => trainer::tables(&mut whole)?,
        };
        if reader != Reader::Owner {
            tables.insert("headline", headline(&trends, quarter));
        }
        tables.insert("quality", quality.clone());
        tables.insert("tolerance", tolerance.clone());
        let tables: BTreeMap<String, Table> = tables
            .into_iter()
            .map(|(key, table)| {
                (
                    key.to_owned(),
                    withhold(key, table.named(key), plan.minimum_cell),
                )
            })
            .collect();
        reviews.push(Review {
            reader,
            context: context.clone(),
            tables,
        });
    }
    Ok(reviews)
}

/// The quarters that hold a fitting, in time.
fn quarters(cohort: &Cohort) -> Vec<Quarter> {
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
        invented,
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

/// What the headline numbers are called on the page, and their unit.
pub(super) const HEADLINES: [(Measure, &str, &str); 7] = [
    (
        Measure::WithinCriterion,
        "Fittings within the criterion",
        "share",
    ),
    (
        Measure::WithinSecond,
        "Fittings within the second criterion",
        "share",
    ),
    (
        Measure::Verified,
        "Fittings verified by a final real-ear response",
        "share",
    ),
    (Measure::TwoEar, "Candidates fitted in both ears", "share"),
    (
        Measure::Answered,
        "Fittings with an answer on satisfaction",
        "share",
    ),
    (
        Measure::Satisfied,
        "Satisfied, of those who answered",
        "share",
    ),
    (Measure::Rms, "Mean RMS deviation from target", "dB"),
];

/// The headline numbers of the quarter under review, from the trends.
pub(super) fn headline(trends: &Table, quarter: Option<Quarter>) -> Table {
    let mut out = Builder::new(
        "headline",
        &[],
        &[
            ("measure", Kind::Text),
            ("label", Kind::Text),
            ("unit", Kind::Text),
            ("n", Kind::Integer),
            ("value", Kind::Real),
            ("lo", Kind::Real),
            ("hi", Kind::Real),
            ("centre", Kind::Real),
            ("lower", Kind::Real),
            ("upper", Kind::Real),
            ("signal", Kind::Text),
        ],
    );
    let quarter = quarter.map(|q| q.to_string());
    for (measure, label, unit) in HEADLINES {
        let row = (0..trends.rows()).find(|&row| {
            trends.text_at("measure", row) == Some(measure.name())
                && trends.text_at("quarter", row) == quarter.as_deref()
        });
        let Some(row) = row else { continue };
        let n = count_at(trends, "n", row);
        let value = trends.real_at("value", row);
        let interval = value
            .filter(|_| unit == "share")
            .and_then(|share| interval_of_share(share, n));
        let real = |column| Cell::Real(trends.real_at(column, row));
        out.row(
            &[],
            vec![
                measure.name().into(),
                label.into(),
                unit.into(),
                n.into(),
                value.into(),
                interval.map(|i| i.lo).into(),
                interval.map(|i| i.hi).into(),
                real("centre"),
                real("lower"),
                real("upper"),
                Cell::Text(trends.text_at("signal", row).map(str::to_owned)),
            ],
        );
    }
    out.build()
}

/// Columns that count people or fittings, one of which every table with cells to withhold has.
const COUNTS: [&str; 7] = [
    "n",
    "n_fittings",
    "n_candidates",
    "n_ears",
    "n_answered",
    "n_first",
    "n_final",
];

/// Tables whose counts are the message itself, or that name single records for local use.
const NOT_WITHHELD: [&str; 5] = ["quality", "tolerance", "flow", "referral_list", "funnel"];

/// Takes the values out of rows built on fewer than `minimum` people, and marks them.
fn withhold(key: &str, mut table: Table, minimum: i64) -> Table {
    let Some(count) = COUNTS.into_iter().find(|name| table.column(name).is_some()) else {
        return table;
    };
    if NOT_WITHHELD.contains(&key) {
        return table;
    }
    let few: Vec<bool> = (0..table.rows())
        .map(|row| {
            table
                .integer_at(count, row)
                .is_some_and(|n| n > 0 && n < minimum)
        })
        .collect();
    let cleared: Vec<String> = table
        .columns
        .iter()
        .filter(|column| matches!(column.values, crate::table::Values::Real(_)))
        .map(|column| column.name.clone())
        .filter(|name| !matches!(name.as_str(), "bin_lo" | "bin_hi"))
        .chain(COUNTS.iter().map(|name| (*name).to_owned()))
        .chain(["n_two_ear".to_owned(), "signal".to_owned()])
        .collect();
    for (row, _) in few.iter().enumerate().filter(|(_, few)| **few) {
        for name in &cleared {
            table.clear(name, row);
        }
    }
    table.flag("withheld", few.into_iter().map(Some).collect())
}
