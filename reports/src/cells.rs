//! How a value of a table is written: its unit follows from table, column and measure.

use fitcohort_queries::table::{Table, Values};

use crate::{format, words};

/// The unit of a real column.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Unit {
    /// Fraction 0-1.
    Share,
    /// A difference of fractions.
    Points,
    /// dB.
    Decibel,
    /// A score.
    Score,
    /// A correlation or coefficient.
    Coefficient,
    /// A variance of levels, dB squared.
    DecibelSquared,
    /// A variance of shares.
    ShareSquared,
    /// A p-value.
    Probability,
    /// A count held as a real number.
    Count,
    /// Years.
    Years,
    /// How many units a ratio is told for.
    Step,
}

impl Unit {
    /// The unit named in column `unit` of the headline.
    pub(crate) fn named(name: &str) -> Self {
        match name {
            "share" => Self::Share,
            "dB" => Self::Decibel,
            "count" => Self::Count,
            "score" => Self::Score,
            "years" => Self::Years,
            _ => Self::Coefficient,
        }
    }

    fn of_measure(measure: &str) -> Self {
        match measure {
            "rms" | "signed" | "high_frequency" | "spread" | "rms_first" | "rms_last"
            | "rms_fall" => Self::Decibel,
            _ => Self::Share,
        }
    }
}

/// The columns of the interval that says how many decimals a level of that column has.
fn interval_of(key: &str, column: &str) -> Option<[String; 2]> {
    const ESTIMATES: [&str; 12] = [
        "value",
        "mean",
        "estimate",
        "observed",
        "centre",
        "ewma",
        "lo",
        "hi",
        "lower",
        "upper",
        "limit_low",
        "limit_high",
    ];
    if ESTIMATES.contains(&column) || (key == "spread" && column == "sd") {
        return Some(["lo".to_owned(), "hi".to_owned()]);
    }
    let stem = column
        .strip_suffix("_lo")
        .or_else(|| column.strip_suffix("_hi"))
        .unwrap_or(column);
    ["shrunken", "rms_first", "rms_final", "rms_fall", "change"]
        .contains(&stem)
        .then(|| [format!("{stem}_lo"), format!("{stem}_hi")])
}

/// How many decimals a level of that row and column has: by its interval, or where it has none by its limits; one where
/// it has neither, as a quantile or a limit of the plan.
pub(crate) fn level_decimals(key: &str, table: &Table, column: &str, row: usize) -> usize {
    let Some([lo, hi]) = interval_of(key, column) else {
        return 1;
    };
    let ends = |lo: &str, hi: &str| Some((table.real_at(lo, row)?, table.real_at(hi, row)?));
    match ends(&lo, &hi).or_else(|| ends("lower", "upper")) {
        Some((lo, hi)) => format::level_decimals(Some(lo), Some(hi)),
        None => 1,
    }
}

/// Writes a number in its unit; `n` decides how many decimals it carries.
pub(crate) fn write(value: f64, unit: Unit, n: Option<i64>) -> String {
    match unit {
        Unit::Share => format::share(value, n),
        Unit::Points => format::points(value, n),
        Unit::Decibel => format::decibel(value),
        Unit::Score => format::fixed(value, if n.is_some_and(|n| n >= 200) { 2 } else { 1 }),
        Unit::Coefficient => format::coefficient(value),
        Unit::DecibelSquared => format!("{}\u{202f}dB²", format::significant(value, 3)),
        Unit::ShareSquared => format!("{}\u{202f}share²", format::significant(value, 3)),
        Unit::Probability => format::p_value(value),
        Unit::Count => format::fixed(value, 0),
        Unit::Years => format::fixed(value, 1),
        Unit::Step => format::plain(value),
    }
}

/// The number of records behind a value, from the first column that holds one.
pub(crate) fn records(table: &Table, column: &str, row: usize) -> Option<i64> {
    // Where curves are incomplete, shares within rest on fewer fittings than levels.
    if column.starts_with("within_")
        && let Some(n) = table.integer_at("n_within", row)
    {
        return Some(n);
    }
    // What a group adds to a change is a portion of the whole.
    if let (Some(n), true) = (
        table.integer_at("n_all", row),
        column == "mix" || column.starts_with("within") || column.starts_with("outer"),
    ) {
        return Some(n);
    }
    // Of those who answered, or did not, that number counts.
    if let Some(n) = column
        .strip_prefix("missing_")
        .and_then(|whom| table.integer_at(&format!("n_{whom}"), row))
    {
        return Some(n);
    }
    [
        "n",
        "n_ears",
        "n_candidates",
        "n_fittings",
        "n_final",
        "n_answered",
    ]
    .iter()
    .find_map(|name| table.integer_at(name, row))
}

/// The unit of a real column of a table at a row.
fn unit(key: &str, column: &str, table: &Table, row: usize) -> Unit {
    let measure = table.text_at("measure", row).unwrap_or("");
    match (key, column) {
        (_, "score") => Unit::Count,
        ("headline", _) => Unit::named(table.text_at("unit", row).unwrap_or("")),
        ("moves", "change" | "change_lo" | "change_hi")
        | ("drivers", "mix" | "within" | "within_lo" | "within_hi" | "outer_lo" | "outer_hi")
        | ("driver_totals", _)
        | ("driver_frequencies", "change" | "change_lo" | "change_hi") => Unit::Points,
        ("moves" | "drivers", _) | ("driver_frequencies", "share" | "before") => Unit::Share,
        ("recheck", "size") => match table.text_at("unit", row) {
            Some("dB") => Unit::Decibel,
            _ => Unit::Count,
        },
        (_, "p" | "p_holm" | "odds_ratio_p" | "trend_p") => Unit::Probability,
        (_, "odds_ratio" | "odds_ratio_lo" | "odds_ratio_hi") => Unit::Coefficient,
        ("model", "per") => Unit::Step,
        ("table_one", "difference") => Unit::Coefficient,
        ("table_one" | "thirds", _) => Unit::named(table.text_at("unit", row).unwrap_or("")),
        ("missing", _) => Unit::Share,
        ("weights", "smallest_probability") | ("satisfied", _) => Unit::Share,
        ("weights", "effective") => Unit::Count,
        ("curve", "fit" | "lo" | "hi") => Unit::Score,
        (
            "association"
            | "association_secondary"
            | "intervals"
            | "model"
            | "proportionality"
            | "sensitivity"
            | "weights",
            _,
        ) => Unit::Coefficient,
        ("trends" | "clinics" | "clinicians" | "funnel", _) => Unit::of_measure(measure),
        ("clinician" | "practice" | "distribution" | "own_quarters" | "practice_quarters", _) => {
            Unit::of_measure(measure)
        }
        ("variance", _) => match (table.text_at("component", row), Unit::of_measure(measure)) {
            (Some("icc"), _) => Unit::Share,
            (_, Unit::Decibel) => Unit::DecibelSquared,
            _ => Unit::ShareSquared,
        },
        ("deviation", "within_5" | "within_criterion") | ("two_ear_by_grade", _) => Unit::Share,
        ("first_final", name) if name.starts_with("within_") => Unit::Share,
        (_, name) if name.starts_with("satisfied") || name.starts_with("response_rate") => {
            Unit::Share
        }
        ("dose_response", "mean" | "lo" | "hi") | ("outcomes", _) => Unit::Score,
        _ => Unit::Decibel,
    }
}

/// The text of a cell, and whether it is a number.
pub(crate) fn cell(key: &str, table: &Table, column: &str, row: usize) -> (String, bool) {
    let Some(found) = table.column(column) else {
        return (String::new(), false);
    };
    let withheld = table.flag_at("withheld", row) == Some(true);
    let nothing = if column == "bin_hi" && table.real_at("bin_lo", row).is_some() {
        "and over"
    } else if withheld {
        "withheld"
    } else {
        "–"
    };
    match &found.values {
        Values::Text(_) => {
            let word = match column {
                "variable" => words::of_variable,
                _ => words::of_value,
            };
            let text = table.text_at(column, row);
            (words::in_full(text.map_or("–", word)), false)
        }
        Values::Flag(_) => {
            let flag = table.flag_at(column, row);
            let text = flag.map_or("–", |yes| if yes { "yes" } else { "no" });
            (text.to_owned(), false)
        }
        Values::Integer(_) => (
            table
                .integer_at(column, row)
                .map_or_else(|| nothing.to_owned(), format::count),
            true,
        ),
        Values::Real(_) => (
            table.real_at(column, row).map_or_else(
                || nothing.to_owned(),
                |value| match unit(key, column, table, row) {
                    Unit::Decibel => format::level(value, level_decimals(key, table, column, row)),
                    other => write(value, other, records(table, column, row)),
                },
            ),
            true,
        ),
    }
}
