//! The fittings of a quarter to look at again, by id, reason and size.

use std::cmp::Ordering;
use std::collections::BTreeMap;

use fitcohort_pipeline::plan::Plan;
use fitcohort_pipeline::quarter::Quarter;
use fitcohort_pipeline::vocabulary::FREQUENCIES;

use crate::analysis::Analysis;
use crate::builder::{Builder, Cell, Kind};
use crate::engine::{BEYOND_LIMIT, ON_TARGET};
use crate::error::QueryError;
use crate::fits::{Fits, Measure};
use crate::table::Table;

/// An ear with at least so many points, all on target, is on the list: one whole curve at the four frequencies of the RMS
/// deviation. Our choice, no source.
const LEAST_POINTS: u32 = 4;

/// A fitting's RMS deviation from here on is large where the criterion names none, dB (McCreery, Bentler & Roush 2013).
const LARGE_DB: f64 = 5.0;

/// Why a fitting is on the list, in the order of the list: what concerns a person before what concerns a record, and
/// what was measured before what was not, since there may be many of those.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Reason {
    /// A low answer, and a large deviation from target.
    Dissatisfied,
    /// Every final response of an ear equals its target.
    OnTarget,
    /// Outside the criterion.
    Outside,
    /// Fitted, without any final response.
    Unverified,
}

impl Reason {
    fn code(self) -> &'static str {
        match self {
            Self::Dissatisfied => "dissatisfied",
            Self::OnTarget => "on_target",
            Self::Outside => "outside_criterion",
            Self::Unverified => "unverified",
        }
    }

    fn unit(self) -> &'static str {
        match self {
            Self::Dissatisfied | Self::Outside => "dB",
            Self::OnTarget => "points",
            Self::Unverified => "ears",
        }
    }
}

/// One line of the list.
#[derive(Clone, Debug, PartialEq)]
struct Line {
    fitting: String,
    clinic: Option<String>,
    clinician: Option<String>,
    reason: Reason,
    size: f64,
    ear: Option<String>,
    frequency: Option<u16>,
    side: Option<&'static str>,
}

/// The fittings of the quarter to look at again: fitting_id × reason, ordered by reason, size and id.
///
/// `size` in `unit`: `dissatisfied` the fitting's RMS deviation, dB; `on_target` the points of the ear that are all on
/// target; `outside_criterion` the greatest excess over the criterion's limit, dB, with `frequency_hz`, `ear` and `side` (`above` or
/// `below` target), or that of the RMS deviation where the criterion looks at it; `unverified` the fitted ears. A line names
/// a single record: keep the table inside the practice.
pub(super) fn recheck(
    whole: &mut Analysis<'_>,
    in_quarter: &mut Analysis<'_>,
    quarter: Option<Quarter>,
) -> Result<Table, QueryError> {
    let mut lines: Vec<Line> = Vec::new();
    if let Some(quarter) = quarter {
        let plan = whole.plan;
        let large = match whole.criterion.sum_of_squares_below {
            Some(below) => root_mean_square(below),
            None => LARGE_DB,
        };
        from_fits(whole.fits()?, plan, &quarter.to_string(), large, &mut lines);
        outside(in_quarter, &mut lines)?;
        on_target(in_quarter, &mut lines)?;
    }
    lines.sort_by(compare);
    Ok(table(lines))
}

fn compare(one: &Line, other: &Line) -> Ordering {
    one.reason
        .cmp(&other.reason)
        .then(other.size.total_cmp(&one.size))
        .then_with(|| one.fitting.cmp(&other.fitting))
}

/// RMS over four frequencies from a sum of squares in hundredths squared, dB.
fn root_mean_square(sum_of_squares: i64) -> f64 {
    (sum_of_squares as f64 / 4.0).sqrt() / 100.0
}

/// Scores up to here are low: the lowest quarter of the instrument's range, 1 and 2 of 1 to 5.
fn low_score(plan: &Plan) -> f64 {
    let name = plan.outcome.instrument.as_str();
    let (lowest, highest) = match (plan.instruments.get(name), name) {
        (Some(declared), _) => (declared.minimum, declared.maximum),
        (None, "use-log") => (0.0, 24.0),
        _ => (1.0, 5.0),
    };
    lowest + (highest - lowest) / 4.0
}

/// What the fit-level table shows: low answers with a large deviation, and fittings without a final response.
fn from_fits(fits: &Fits, plan: &Plan, quarter: &str, large: f64, lines: &mut Vec<Line>) {
    let table = fits.table();
    let low = low_score(plan);
    for row in 0..fits.len() {
        if table.text_at("quarter", row) != Some(quarter) {
            continue;
        }
        let text = |column: &str| table.text_at(column, row).map(str::to_owned);
        let mut add = |reason: Reason, size: f64| {
            lines.push(Line {
                fitting: text("fitting_id").unwrap_or_default(),
                clinic: text("clinic_id"),
                clinician: text("clinician_id"),
                reason,
                size,
                ear: None,
                frequency: None,
                side: None,
            });
        };
        let rms = fits.value(Measure::Rms, row, plan.outcome.satisfied_from);
        if let (Some(score), Some(rms)) = (fits.score(row), rms)
            && score <= low
            && rms >= large
        {
            add(Reason::Dissatisfied, rms);
        }
        if table.flag_at("verified", row) == Some(false)
            && let Some(ears) = table.real_at("n_fitted", row)
        {
            add(Reason::Unverified, ears);
        }
    }
}

/// One line for the row of a result on ears.
fn line_of(found: &Table, row: usize, reason: Reason, size: f64) -> Line {
    let text = |column: &str| found.text_at(column, row).map(str::to_owned);
    Line {
        fitting: text("fitting_id").unwrap_or_default(),
        clinic: text("clinic_id"),
        clinician: text("clinician_id"),
        reason,
        size,
        ear: text("ear"),
        frequency: None,
        side: None,
    }
}

/// Keeps the line of greatest size of each fitting; of equal ones the first.
fn keep_greatest(greatest: &mut BTreeMap<String, Line>, line: Line) {
    match greatest.get(&line.fitting) {
        Some(known) if known.size >= line.size => {}
        _ => {
            greatest.insert(line.fitting.clone(), line);
        }
    }
}

fn outside(analysis: &mut Analysis<'_>, lines: &mut Vec<Line>) -> Result<(), QueryError> {
    let criterion = analysis.criterion.clone();
    let mut greatest = BTreeMap::new();
    if let Some(below) = criterion.sum_of_squares_below {
        let places = analysis
            .places(&[])
            .with("value", "sum_of_squares")
            .with("outside", format!("sum_of_squares >= {below}"));
        let found = analysis.run(BEYOND_LIMIT, &[], &places)?;
        for row in 0..found.rows() {
            let Some(highest) = found.integer_at("highest", row) else {
                continue;
            };
            let excess = root_mean_square(highest) - root_mean_square(below);
            keep_greatest(&mut greatest, line_of(&found, row, Reason::Outside, excess));
        }
    }
    for (frequency, limit) in FREQUENCIES.iter().zip(criterion.limits) {
        // Limits are not looked at where the criterion is one of the RMS deviation.
        let (Some(limit), None) = (limit, criterion.sum_of_squares_below) else {
            continue;
        };
        let value = format!("deviation_{frequency}");
        let places = analysis
            .places(&[])
            .with(
                "outside",
                format!("({value} < -{limit} OR {value} > {limit})"),
            )
            .with("value", value);
        let found = analysis.run(BEYOND_LIMIT, &[], &places)?;
        for row in 0..found.rows() {
            let (Some(lowest), Some(highest)) = (
                found.integer_at("lowest", row),
                found.integer_at("highest", row),
            ) else {
                continue;
            };
            let is_below = -lowest > highest;
            let farthest = if is_below { -lowest } else { highest };
            let excess = (farthest - i64::from(limit)) as f64 / 100.0;
            keep_greatest(
                &mut greatest,
                Line {
                    frequency: Some(*frequency),
                    side: Some(if is_below { "below" } else { "above" }),
                    ..line_of(&found, row, Reason::Outside, excess)
                },
            );
        }
    }
    lines.extend(greatest.into_values());
    Ok(())
}

fn on_target(analysis: &mut Analysis<'_>, lines: &mut Vec<Line>) -> Result<(), QueryError> {
    let sum = |test: &str| -> String {
        FREQUENCIES
            .iter()
            .map(|f| format!("CASE WHEN deviation_{f} {test} THEN 1 ELSE 0 END"))
            .collect::<Vec<_>>()
            .join(" + ")
    };
    let places = analysis
        .places(&[])
        .with("n_compared", sum("IS NOT NULL"))
        .with("n_equal", sum("= 0"))
        .with("least", LEAST_POINTS.to_string());
    let found = analysis.run(ON_TARGET, &[], &places)?;
    let mut greatest = BTreeMap::new();
    for row in 0..found.rows() {
        if let Some(points) = found.real_at("n_compared", row) {
            keep_greatest(
                &mut greatest,
                line_of(&found, row, Reason::OnTarget, points),
            );
        }
    }
    lines.extend(greatest.into_values());
    Ok(())
}

fn table(lines: Vec<Line>) -> Table {
    let mut out = Builder::new(
        "recheck",
        &[],
        &[
            ("fitting_id", Kind::Text),
            ("clinic_id", Kind::Text),
            ("clinician_id", Kind::Text),
            ("reason", Kind::Text),
            ("size", Kind::Real),
            ("unit", Kind::Text),
            ("ear", Kind::Text),
            ("frequency_hz", Kind::Integer),
            ("side", Kind::Text),
        ],
    );
    for line in lines {
        out.row(
            &[],
            vec![
                line.fitting.as_str().into(),
                line.clinic.into(),
                line.clinician.into(),
                line.reason.code().into(),
                line.size.into(),
                line.reason.unit().into(),
                line.ear.into(),
                Cell::Integer(line.frequency.map(i64::from)),
                Cell::Text(line.side.map(str::to_owned)),
            ],
        );
    }
    out.build()
}
