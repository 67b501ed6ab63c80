//! The natural order of rows: grades by severity, input bands by level, stages in time, all else by value.

use std::cmp::Ordering;

use fitcohort_pipeline::derive::{AGE_BANDS, GRADES};

use crate::table::{Table, Values};

const INPUT_BANDS: [&str; 3] = ["soft", "average", "loud"];
const STAGES: [&str; 2] = ["first", "final"];
const REFERRALS: [&str; 5] = [
    "none",
    "advised",
    "completed",
    "unknown",
    "cannot be evaluated",
];

/// Compares two labels of a column; what is not known comes last.
pub(crate) fn labels(column: &str, a: Option<&str>, b: Option<&str>) -> Ordering {
    let rank = |label: &str| -> usize {
        let order: &[&str] = match column {
            "grade" => &GRADES,
            "age_band" => &AGE_BANDS,
            "input_band" => &INPUT_BANDS,
            "stage" => &STAGES,
            "medical_referral" => &REFERRALS,
            _ => &[],
        };
        order
            .iter()
            .position(|known| *known == label)
            .unwrap_or(order.len())
    };
    match (a, b) {
        (Some(a), Some(b)) => rank(a).cmp(&rank(b)).then_with(|| a.cmp(b)),
        (Some(_), None) => Ordering::Less,
        (None, Some(_)) => Ordering::Greater,
        (None, None) => Ordering::Equal,
    }
}

/// The table with its rows sorted by some columns, each in its natural order. Rows that compare equal keep their order.
pub(crate) fn sorted(table: &Table, columns: &[String]) -> Table {
    let mut rows: Vec<usize> = (0..table.rows()).collect();
    rows.sort_by(|&a, &b| {
        columns
            .iter()
            .map(
                |name| match table.column(name).map(|column| &column.values) {
                    Some(Values::Text(_)) => {
                        labels(name, table.text_at(name, a), table.text_at(name, b))
                    }
                    Some(_) => compare_reals(table.real_at(name, a), table.real_at(name, b)),
                    None => Ordering::Equal,
                },
            )
            .find(|ordering| ordering.is_ne())
            .unwrap_or(Ordering::Equal)
    });
    table.reordered(&rows)
}

fn compare_reals(a: Option<f64>, b: Option<f64>) -> Ordering {
    match (a, b) {
        (Some(a), Some(b)) => a.total_cmp(&b),
        (Some(_), None) => Ordering::Less,
        (None, Some(_)) => Ordering::Greater,
        (None, None) => Ordering::Equal,
    }
}
