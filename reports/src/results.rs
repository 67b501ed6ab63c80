//! `results.json`: every number of the page by a stable key, unrounded, with its n and interval.

use std::collections::BTreeMap;
use std::collections::btree_map::Entry;

use fitcohort_queries::review::{Context, Review};
use fitcohort_queries::table::{Table, Values};
use serde_json::{Map, Value, json};

/// The key of the numbers of the plan and the run: minimum cell, seed, resamples, permutations.
pub(crate) const CONTEXT: &str = "context";

/// Columns that name a row rather than measure something, in the order of the key.
const NAMES: [&str; 32] = [
    "measure",
    "component",
    "criterion",
    "table_name",
    "step",
    "analysis",
    "variable",
    "level",
    "third",
    "exposure",
    "method",
    "weighted",
    "instrument",
    "item",
    "quarter",
    "stage",
    "quantity",
    "input_band",
    "grouping",
    "group",
    "grade",
    "rule",
    "medical_referral",
    "clinic_id",
    "clinician_id",
    "mark",
    "fitting_id",
    "reason",
    "score",
    "frequency_hz",
    "bin_lo",
    "bin_hi",
];

/// What names a row in tables where the list above does not.
const NAMES_OF: [(&str, &[&str]); 9] = [
    // Why fittings fell out is said by the step.
    ("flow", &["step"]),
    // The grid of the funnel is keyed by its n.
    ("funnel", &["measure", "n"]),
    ("curve", &["at"]),
    ("intervals", &["method", "interval"]),
    ("model", &["model", "term"]),
    ("proportionality", &["term"]),
    ("satisfied", &["treatment"]),
    ("checklist", &["guideline", "item"]),
    ("weights", &[]),
];

/// The results of a review, or the key that two rows share, which is a fault of the program: a number that two places
/// claim cannot be looked up.
pub(crate) fn results(review: &Review) -> Result<Value, String> {
    let mut numbers: BTreeMap<String, Value> = BTreeMap::new();
    let mut add = |name: String, values: Map<String, Value>| match numbers.entry(name) {
        Entry::Vacant(slot) => {
            slot.insert(Value::Object(values));
            Ok(())
        }
        Entry::Occupied(taken) => Err(taken.key().clone()),
    };
    add(
        CONTEXT.to_owned(),
        context(&review.context)
            .into_iter()
            .map(|(name, value)| (name.to_owned(), json!(value)))
            .collect(),
    )?;
    for (key, table) in &review.tables {
        add(
            size_name(key),
            Map::from_iter([("rows".into(), json!(table.rows()))]),
        )?;
        for row in 0..table.rows() {
            add(row_name(key, table, row), values(table, row))?;
        }
    }
    Ok(json!({
        "reader": review.reader.name(),
        "quarter": review.context.quarter,
        "criterion": review.context.criterion,
        "second_criterion": review.context.second_criterion,
        "referral_rule": review.context.referral_rule,
        "study": {
            "hypothesis": review.context.hypothesis,
            "exposure": review.context.exposure,
            "outcome": review.context.outcome,
            "unit": review.context.unit,
            "exclusions": review.context.exclusions,
        },
        "numbers": numbers.into_iter().collect::<Map<String, Value>>(),
    }))
}

/// The numbers of the plan and the run that a page speaks of.
pub(crate) fn context(context: &Context) -> [(&'static str, u64); 4] {
    [
        (
            "minimum_cell",
            u64::try_from(context.minimum_cell).unwrap_or(0),
        ),
        ("permutations", u64::from(context.permutations)),
        ("resamples", u64::from(context.resamples)),
        ("seed", context.seed),
    ]
}

/// The key of the number of rows of a table.
pub(crate) fn size_name(key: &str) -> String {
    format!("tables/{key}")
}

/// The key of a row: the table and what names the row.
pub(crate) fn row_name(key: &str, table: &Table, row: usize) -> String {
    let names = NAMES_OF
        .iter()
        .find(|(known, _)| *known == key)
        .map_or(&NAMES[..], |(_, names)| *names);
    let mut out = key.to_owned();
    for found in names.iter().filter_map(|name| table.column(name)) {
        out.push('/');
        match value(&found.values, row) {
            Value::Null => out.push('-'),
            // A label may hold the sign between the parts of a key.
            Value::String(text) => out.push_str(&text.replace('~', "~0").replace('/', "~1")),
            other => out.push_str(&other.to_string()),
        }
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
