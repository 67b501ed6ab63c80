//! `provenance.json`: where the numbers come from. It holds no wall time, so that the same input
//! gives the same bytes.

use fitcohort_queries::review::Review;
use serde_json::{Value, json};

/// The provenance of a review.
pub(crate) fn provenance(review: &Review) -> Value {
    let context = &review.context;
    let inputs: Vec<Value> = context
        .inputs
        .iter()
        .map(|input| json!({ "delivery": input.delivery, "hash": input.hash }))
        .collect();
    json!({
        "version": context.version,
        "reader": review.reader.name(),
        "snapshot": context.snapshot,
        "seed": context.seed,
        "plan": context.plan_text,
        "plan_file": context.plan_file,
        "criterion": {
            "name": context.criterion,
            "text": context.criterion_text,
            "source": context.criterion_source,
        },
        "second_criterion": {
            "name": context.second_criterion,
            "text": context.second_criterion_text,
        },
        "quarter": context.quarter,
        "first_quarter": context.first_quarter,
        "last_quarter": context.last_quarter,
        "minimum_cell": context.minimum_cell,
        "invented": context.invented,
        "dates": if context.year_only { "year" } else { "quarter" },
        "limited_data_set": !context.year_only,
        "clinician": context.clinician,
        "letters": context.letters,
        "inputs": inputs,
    })
}
