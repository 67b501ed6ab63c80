//! A snapshot under a plan and a selection, ready to answer queries.

use fitcohort_pipeline::plan::{Criterion, Plan, to_hundredths};
use fitcohort_pipeline::store::schema::GROUP_COLUMNS;
use fitcohort_pipeline::store::{Cohort, Dates};
use fitcohort_pipeline::vocabulary::{FREQUENCIES, UP_TO_4000};

use crate::engine::{Engine, FITS, FITS_BAND, Places, SqlText, literal};
use crate::error::QueryError;
use crate::fits::Fits;
use crate::order;
use crate::selection::Selection;
use crate::table::Table;

/// A snapshot under a plan and a selection. The fit-level table is made when first needed, then kept.
pub struct Analysis<'a> {
    pub(crate) cohort: &'a Cohort,
    pub(crate) plan: &'a Plan,
    pub(crate) criterion: Criterion,
    pub(crate) second_criterion: Criterion,
    pub(crate) selection: Selection,
    engine: Engine,
    fits: Option<Fits>,
}

impl<'a> Analysis<'a> {
    /// Opens a snapshot. The grouping of the selection is checked here and used by each query.
    ///
    /// # Errors
    /// [`QueryError`] where the selection or the plan does not make sense, or the parts cannot be opened.
    pub fn open(
        cohort: &'a Cohort,
        plan: &'a Plan,
        selection: Selection,
    ) -> Result<Self, QueryError> {
        plan.validate()?;
        selection.check("the cohort", &cohort.manifest.label_columns)?;
        let quarter = [selection.from, selection.to]
            .into_iter()
            .flatten()
            .find(|limit| !limit.is_year());
        if let (Dates::Year, Some(quarter)) = (cohort.manifest.dates, quarter) {
            return Err(QueryError::Selection {
                what: format!(
                    "the cohort keeps years only, so {quarter} cannot be told apart; ask for {}",
                    quarter.year
                ),
            });
        }
        Ok(Self {
            cohort,
            plan,
            criterion: plan.criterion()?,
            second_criterion: plan.second_criterion()?,
            engine: Engine::open(cohort, &selection)?,
            selection,
            fits: None,
        })
    }

    /// Grouping columns of the selection.
    pub(crate) fn by(&self) -> &[String] {
        &self.selection.by
    }

    /// The places common to all texts, for a grouping.
    pub(crate) fn places(&self, by: &[String]) -> Places {
        let bands = &self.plan.input_bands;
        Places::grouping(by)
            .with(
                "input_band",
                format!(
                    "CASE WHEN input_level <= {} THEN 'soft' WHEN input_level < {} THEN 'average' ELSE 'loud' END",
                    to_hundredths(bands.soft_up_to),
                    to_hundredths(bands.loud_from)
                ),
            )
            .with("within", within(&self.criterion))
            .with("within_second", within(&self.second_criterion))
            .with("compared", compared())
            .with("satisfied_from", to_hundredths(self.plan.outcome.satisfied_from).to_string())
    }

    /// Runs a text under a grouping; rows come in their natural order.
    pub(crate) fn run(
        &mut self,
        text: SqlText,
        by: &[String],
        places: &Places,
    ) -> Result<Table, QueryError> {
        let table = self.engine.run(text, places)?;
        Ok(order::sorted(&table, by))
    }

    /// As [`Analysis::run`], over the fit-level table.
    pub(crate) fn run_on_fits(
        &mut self,
        text: SqlText,
        by: &[String],
    ) -> Result<Table, QueryError> {
        self.fits()?;
        let places = self.places(by);
        self.run(text, by, &places)
    }

    /// The places of texts that count the points of a curve.
    fn counting_points(&self) -> Places {
        let count = |counted| count_of_points(&self.criterion, counted);
        self.places(&[])
            .with("n_points", count(Counted::Compared))
            .with("n_points_within", count(Counted::Within))
    }

    /// The measures of match of the fittings with final curves in one input band (`soft`, `average` or `loud`), in the
    /// order of their ids. Of [`crate::fits::Measure`] only those of match can be read off it.
    pub(crate) fn fits_of_band(&mut self, band: &str) -> Result<Fits, QueryError> {
        let places = self.counting_points().with("band", literal(band));
        self.run(FITS_BAND, &[], &places).map(Fits::new)
    }

    /// The fit-level table.
    pub(crate) fn fits(&mut self) -> Result<&Fits, QueryError> {
        if self.fits.is_none() {
            let labels = self
                .cohort
                .manifest
                .label_columns
                .iter()
                .map(String::as_str);
            let columns: Vec<&str> = GROUP_COLUMNS.into_iter().chain(labels).collect();
            let places = self
                .counting_points()
                .with("columns", columns.join(", "))
                .with(
                    "candidate_sum",
                    (4 * to_hundredths(self.plan.candidate_limit_db)).to_string(),
                )
                .with("instrument", literal(&self.plan.outcome.instrument))
                .with("item", literal(&self.plan.outcome.item));
            let table = self.engine.keep(FITS, &places)?;
            self.fits = Some(Fits::new(table));
        }
        self.fits.as_ref().ok_or_else(|| QueryError::Engine {
            query: FITS.name.to_owned(),
            message: "the fit-level table was not kept".to_owned(),
        })
    }
}

/// A curve by a criterion, as SQL: 0 outside, 1 within, null where not known.
fn within(criterion: &Criterion) -> String {
    if let Some(below) = criterion.sum_of_squares_below {
        return format!(
            "CASE WHEN sum_of_squares IS NULL THEN NULL WHEN sum_of_squares < {below} THEN 1 ELSE 0 END"
        );
    }
    let named: Vec<(u16, i16)> = FREQUENCIES
        .iter()
        .zip(criterion.limits)
        .filter_map(|(frequency, limit)| Some((*frequency, limit?)))
        .collect();
    let any = |test: &dyn Fn(u16, i16) -> String, word: &str| -> String {
        let tests: Vec<String> = named
            .iter()
            .map(|(frequency, limit)| test(*frequency, *limit))
            .collect();
        tests.join(word)
    };
    let outside = any(
        &|f, limit| format!("deviation_{f} < -{limit} OR deviation_{f} > {limit}"),
        " OR ",
    );
    let there = any(&|f, _| format!("deviation_{f} IS NOT NULL"), " AND ");
    format!("CASE WHEN {outside} THEN 0 WHEN {there} THEN 1 ELSE NULL END")
}

/// Whether a curve has any deviation, as SQL.
fn compared() -> String {
    let columns: Vec<String> = FREQUENCIES
        .iter()
        .map(|f| format!("deviation_{f}"))
        .collect();
    format!("COALESCE({}) IS NOT NULL", columns.join(", "))
}

#[derive(Clone, Copy)]
enum Counted {
    Compared,
    Within,
}

/// How many points of a curve the criterion looks at, or finds within, as SQL. A criterion on the RMS looks at no
/// point: there the points from 250 to 4000 Hz within 5 dB are counted.
fn count_of_points(criterion: &Criterion, counted: Counted) -> String {
    let terms: Vec<String> = FREQUENCIES
        .iter()
        .zip(criterion.limits)
        .enumerate()
        .filter_map(|(position, (frequency, limit))| {
            let limit = match criterion.sum_of_squares_below {
                Some(_) => UP_TO_4000.contains(&position).then_some(500),
                None => limit,
            }?;
            Some(match counted {
                Counted::Compared => {
                    format!("CASE WHEN deviation_{frequency} IS NOT NULL THEN 1 ELSE 0 END")
                }
                Counted::Within => format!(
                    "CASE WHEN deviation_{frequency} >= -{limit} AND deviation_{frequency} <= {limit} THEN 1 ELSE 0 END"
                ),
            })
        })
        .collect();
    terms.join(" + ")
}
