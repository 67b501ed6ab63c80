//! The ordinal models of the study report: every coefficient as log odds and as odds ratio, and the check of
//! proportional odds.

use crate::builder::{Builder, Cell, Kind};
use crate::covariates::{Columns, not_estimable};
use crate::statistics::Interval;
use crate::statistics::categorical::proportionality;
use crate::table::Table;
use crate::tables::association::row::Row;
use crate::tables::association::sample::{Answered, Sample};
use crate::tables::association::{models, slices};

/// The answered fittings of an adjusted model and its columns, or why there are none.
pub(super) type Adjusted = Result<(Answered, Columns), String>;

/// Exposure and covariates of the answered fittings with every covariate known, or the reason why not.
pub(super) fn adjusted(sample: &Sample, exposure: &str) -> Adjusted {
    let known = sample
        .complete()
        .map_err(|reason| not_estimable(&reason, &sample.covariate_names()))?;
    let answered = sample.answered(&known);
    let leading = vec![(exposure, answered.exposure.clone())];
    let columns = models::with_covariates(sample, &answered, leading);
    Ok((answered, columns))
}

/// The step of a term for which an odds ratio is told: one unit of most, ten years or dB of what spans many, a tenth of a
/// share.
fn step(term: &str) -> f64 {
    match term {
        "age_years" | "pta4" => 10.0,
        "share_within" => 0.1,
        _ => 1.0,
    }
}

/// What stands in one row of the table.
struct Line<'a> {
    model: &'static str,
    term: &'a str,
    n: u64,
    step: f64,
    /// Log odds of one unit, interval and p, or why there are none.
    found: Result<(f64, Interval, Option<f64>), String>,
    how: &'a str,
}

impl Line<'_> {
    fn cells(&self) -> Vec<Cell> {
        let mut out: Vec<Cell> = vec![self.model.into(), self.term.into(), self.n.into()];
        match &self.found {
            Ok((value, interval, p)) => {
                let ratio = |log_odds: f64| (self.step * log_odds).exp();
                let cells: [Cell; 9] = [
                    (*value).into(),
                    interval.lo.into(),
                    interval.hi.into(),
                    (*p).into(),
                    self.step.into(),
                    ratio(*value).into(),
                    ratio(interval.lo).into(),
                    ratio(interval.hi).into(),
                    self.how.into(),
                ];
                out.extend(cells);
            }
            Err(reason) => {
                out.extend((0..8).map(|_| Cell::Real(None)));
                out.push(reason.as_str().into());
            }
        }
        out
    }
}

/// Every coefficient of the adjusted ordinal model; then that of the exposure split into within and between clinicians,
/// and weighted for answers that did not come back, from the rows of the associations.
pub(super) fn model(adjusted: &Adjusted, exposure: &str, rows: &[Row]) -> Table {
    let mut out = Builder::new(
        "model",
        &[],
        &[
            ("model", Kind::Text),
            ("term", Kind::Text),
            ("n", Kind::Integer),
            ("estimate", Kind::Real),
            ("lo", Kind::Real),
            ("hi", Kind::Real),
            ("p", Kind::Real),
            ("per", Kind::Real),
            ("odds_ratio", Kind::Real),
            ("odds_ratio_lo", Kind::Real),
            ("odds_ratio_hi", Kind::Real),
            ("how", Kind::Text),
        ],
    );
    let mut add = |line: Line<'_>| out.row(&[], line.cells());
    let fitted = match adjusted {
        Err(reason) => Err((0, reason.clone())),
        Ok((answered, columns)) => models::fit(answered, columns, None)
            .map(|model| (answered.n(), model))
            .map_err(|reason| (answered.n(), not_estimable(&reason, &columns.names))),
    };
    match fitted {
        Err((n, reason)) => add(Line {
            model: "adjusted",
            term: exposure,
            n,
            step: step(exposure),
            found: Err(reason),
            how: "",
        }),
        Ok((n, fitted)) => {
            for term in fitted.terms {
                add(Line {
                    model: "adjusted",
                    term: &term.name,
                    n,
                    step: step(&term.name),
                    found: term
                        .estimate
                        .map(|found| (found.value, found.interval, Some(found.p)))
                        .map_err(|reason| not_estimable(&reason, &[])),
                    how: &fitted.how,
                });
            }
        }
    }
    let [whole, within, between] = models::METHODS;
    for (model, term, method, weighted) in [
        ("split", within, within, false),
        ("split", between, between, false),
        ("weighted", exposure, whole, true),
    ] {
        let Some(row) = rows
            .iter()
            .find(|row| row.method == method && row.weighted == weighted)
        else {
            continue;
        };
        add(Line {
            model,
            term,
            n: row.n,
            step: step(exposure),
            found: row
                .estimate
                .zip(row.interval)
                .map(|(value, interval)| (value, interval, row.p))
                .ok_or_else(|| row.how.clone()),
            how: &row.how,
        });
    }
    out.build()
}

/// The check of proportional odds: all covariates at once, then each.
pub(super) fn proportionality(adjusted: &Adjusted) -> Table {
    let mut out = Builder::new(
        "proportionality",
        &[],
        &[
            ("term", Kind::Text),
            ("n", Kind::Integer),
            ("chi_square", Kind::Real),
            ("degrees", Kind::Integer),
            ("p", Kind::Real),
            ("how", Kind::Text),
        ],
    );
    let found = match adjusted {
        Err(reason) => Err(reason.clone()),
        Ok((answered, columns)) => {
            proportionality::check(&answered.score, &slices(&columns.values), None)
                .map(|found| (answered.n(), &columns.names, found))
                .map_err(|reason| not_estimable(&reason, &columns.names))
        }
    };
    match found {
        Err(reason) => out.row(
            &[],
            vec![
                "all".into(),
                Cell::Integer(None),
                Cell::Real(None),
                Cell::Integer(None),
                Cell::Real(None),
                reason.as_str().into(),
            ],
        ),
        Ok((n, names, found)) => {
            let named = std::iter::once("all")
                .chain(names.iter().map(String::as_str))
                .zip(std::iter::once(&found.overall).chain(&found.by_covariate));
            for (term, test) in named {
                out.row(
                    &[],
                    vec![
                        term.into(),
                        n.into(),
                        test.statistic.into(),
                        test.degrees.into(),
                        test.p.into(),
                        "Brant's test, fittings taken as independent".into(),
                    ],
                );
            }
        }
    }
    out.build()
}
