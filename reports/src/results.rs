//! `results.json`: every number of the page by a stable key, unrounded, with its n and interval.

use std::collections::BTreeMap;

use fitcohort_queries::review::Review;
use fitcohort_queries::table::{Table, Values};
use serde_json::{Map, Value, json};

/// Columns that name a row rather than measure something, in the order of the key.
const NAMES: [&str; 32] = [
    "measure",
    "component",
    "criterion",
    "table_name",
    "step",
    "analysis",
    "model",
    "term",
    "variable",
    "level",
    "third",
    "treatment",
    "at",
    "exposure",
    "method",
    "weighted",
    "instrument",
    "item",
    "quarter",
    "stage",
    "quantity",
    "input_band",
    "grade",
    "rule",
    "medical_referral",
    "clinic_id",
    "clinician_id",
    "fitting_id",
    "score",
    "frequency_hz",
    "bin_lo",
    "bin_hi",
];

/// The results of a review.
pub(crate) fn results(review: &Review) -> Value {
    let mut numbers: BTreeMap<String, Value> = BTreeMap::new();
    for (key, table) in &review.tables {
        for row in 0..table.rows() {
            let mut name = row_name(key, table, row);
            let mut again = 2;
            while numbers.contains_key(&name) {
                name = format!("{}#{again}", row_name(key, table, row));
                again += 1;
            }
            numbers.insert(name, Value::Object(values(table, row)));
        }
    }
    json!({
        "reader": review.reader.name(),
        "quarter": review.context.quarter,
        "criterion": review.context.criterion,
        "second_criterion": review.context.second_criterion,
        "numbers": numbers.into_iter().collect::<Map<String, Value>>(),
    })
}

/// The key of a row: the table and what names the row.
pub(crate) fn row_name(key: &str, table: &Table, row: usize) -> String {
    let mut out = key.to_owned();
    for column in NAMES {
        let Some(found) = table.column(column) else {
            continue;
        };
        out.push('/');
        match value(&found.values, row) {
            Value::Null => out.push('-'),
            Value::String(text) => out.push_str(&text),
            other => out.push_str(&other.to_string()),
        }
    }
    // Two intervals of one method differ in how they were made.
    if key == "intervals" {
        out.push('/');
        out.push_str(table.text_at("interval", row).unwrap_or("-"));
    }
    // The grid of the funnel is keyed by its n.
    if key == "funnel"
        && let Some(n) = table.integer_at("n", row)
    {
        out.push_str(&format!("/{n}"));
    }
    out
}

fn values(table: &Table, row: usize) -> Map<String, Value> {
    table
        .columns
        .iter()
        .map(|column| (column.name.clone(), value(&column.values, row)))
        .collect()
}

fn value(values: &Values, row: usize) -> Value {
    match values {
        Values::Text(values) => json!(values.get(row).cloned().flatten()),
        Values::Integer(values) => json!(values.get(row).copied().flatten()),
        Values::Real(values) => json!(values.get(row).copied().flatten()),
        Values::Flag(values) => json!(values.get(row).copied().flatten()),
    }
}
