//! The descriptor of an export, and where its numbers come from.

use fitcohort_pipeline::derive::{AGE_BANDS, GRADES};
use fitcohort_pipeline::plan::{Criterion, Plan};
use fitcohort_pipeline::table_schema::{Field, Package, Resource, Schema};
use fitcohort_pipeline::vocabulary::{Coupling, Experience};
use serde_json::{Value, json};

use super::account::Account;
use super::details::{AGE_SPANS, PTA_STEP_DB};
use crate::selection::Selection;
use crate::table::Table;

/// All that is said about an export beside its table.
pub(super) struct Context<'a> {
    pub(super) plan: &'a Plan,
    pub(super) criterion: &'a Criterion,
    pub(super) second_criterion: &'a Criterion,
    pub(super) snapshot: &'a str,
    pub(super) version: &'a str,
    pub(super) selection: &'a Selection,
    pub(super) invented: bool,
    pub(super) account: &'a Account,
    pub(super) clinics: usize,
    pub(super) clinicians: usize,
}

/// The descriptor of `fittings.csv`: exactly its columns.
pub(super) fn descriptor(context: &Context<'_>, table: &Table) -> String {
    let minimum = context.plan.minimum_cell;
    let data = if context.invented {
        "INVENTED DATA: no person, clinic, clinician or hearing aid in it is real. "
    } else {
        ""
    };
    let description = format!(
        "{data}One row a fitting, without ids, in the order of its own values. Every combination of the columns up to the \
         first measure, {FIRST_MEASURE}, is shared by at least {minimum} patients; a value that would tell fewer apart is coarser or \
         blank, so a blank is either not known or blanked. Levels are in whole dB, the outermost standing for what is \
         beyond. Several exports of one snapshot under one plan tell no more than the whole; those of different snapshots \
         or plans can be subtracted from each other and should not be given to the same reader. Values that all {minimum} or more \
         patients of a combination share are not hidden. fittings.parquet is the same table."
    );
    let fields = table
        .columns
        .iter()
        .map(|column| field(context, &column.name))
        .collect();
    let resource = Resource::csv(
        "fittings",
        "fittings.csv",
        "One row a fitting with at least one fitted ear.",
        Schema::new(fields),
    );
    Package::new(
        "fitcohort-export",
        "Hearing-aid fittings with small cells protected",
        &description,
        vec![resource],
    )
    .to_json()
}

/// The column after the last that others may know.
pub(super) const FIRST_MEASURE: &str = "verified";

fn field(context: &Context<'_>, name: &str) -> Field {
    let numbers = |count: usize| i64::try_from(count.max(1)).unwrap_or(i64::MAX);
    let criterion = &context.criterion.words;
    let second = &context.second_criterion.words;
    let outcome = &context.plan.outcome;
    let from = outcome.satisfied_from;
    let item = format!("{}, item {}", outcome.instrument, outcome.item);
    match name {
        "quarter" => Field::shaped(name, "[0-9]{4}(?:-Q[1-4])?")
            .described("Quarter of the fitting, or its year where the quarter would tell too few apart."),
        "age_band" => Field::words(name, AGE_BANDS.into_iter().chain(AGE_SPANS))
            .described("Age in years: a band of ten, or a wider span where the band would tell too few apart."),
        "grade" => Field::words(name, GRADES)
            .described("Grade of hearing loss by the better ear's average over 500, 1000, 2000 and 4000 Hz."),
        "better_ear_pta_db" => Field::any_whole(name).described(format!(
            "Average threshold of the better ear over 500, 1000, 2000 and 4000 Hz, dB HL, to the nearest {PTA_STEP_DB}."
        )),
        "ear" => Field::words(name, ["left", "right", "both"]).described("Which ears were fitted."),
        "coupling" => Field::words(name, Coupling::WORDS.iter().copied().chain(["mixed"]))
            .described("How the ear canal is coupled; mixed where the ears differ."),
        "style" => Field::text(name)
            .described("Style of the hearing aids, in the practice's own words; mixed where the ears differ."),
        "prescription" => Field::text(name).described("The rule that the targets come from."),
        "experience" => Field::words(name, Experience::WORDS.iter().copied())
            .described("Whether the person had hearing aids before."),
        "clinic" => Field::whole(name, 1, numbers(context.clinics)).described(
            "Clinic, numbered by its rows in the protected table; 1 has most.",
        ),
        "clinician" => Field::whole(name, 1, numbers(context.clinicians)).described(
            "Clinician, numbered by their rows in the protected table; 1 has most.",
        ),
        "verified" => Field::flag(name)
            .required(true)
            .described("Whether any response of the final stage is recorded."),
        "within_criterion" => Field::flag(name).described(format!(
            "Whether all fitted ears are within the criterion: {criterion}. Blank where it cannot be told."
        )),
        "within_second" => {
            Field::flag(name).described(format!("The same by the second criterion: {second}."))
        }
        "first_within_criterion" => {
            Field::flag(name).described("within_criterion of the first stage, before adjustment.")
        }
        "rms_db" => Field::any_whole(name).described(
            "RMS deviation from target over 500, 1000, 2000 and 4000 Hz at average input, final stage, dB, whole and capped.",
        ),
        "first_rms_db" => Field::any_whole(name).described("rms_db of the first stage, before adjustment, dB."),
        "signed_db" => Field::any_whole(name).described(
            "Mean deviation from target, 250 to 4000 Hz, dB, whole and capped; negative: below target.",
        ),
        "high_frequency_db" => Field::any_whole(name).described(
            "Mean deviation from target at 3000, 4000 and 6000 Hz, dB, whole and capped; negative: a shortfall.",
        ),
        "share_within" => Field::number(name, 0, 1)
            .described("Share of the compared points within the criterion's limits, 0 to 1, in tenths."),
        "answered" => Field::flag(name)
            .required(true)
            .described(format!("Whether {item} was answered.")),
        "score" => Field::any_whole(name)
            .described(format!("Score of {item}, the latest answer, to the nearest whole.")),
        "satisfied" => Field::flag(name).described(format!("Whether that score is {from} or more.")),
        "returned" => Field::flag(name).described("Whether the hearing aids came back."),
        _ => Field::text(name).described("A further label of the practice's own."),
    }
}

/// Version, snapshot, plan, selection and the account of protection. Of a filter only the column is named: its value
/// may be an id. Hashes of deliveries stay at home, since whoever guesses at the records of a small one could confirm
/// the guess.
pub(super) fn provenance(context: &Context<'_>, table: &Table) -> String {
    let minimum = context.plan.minimum_cell;
    let account = context.account;
    let count = |n: usize| -> Value {
        match i64::try_from(n) {
            Ok(n) if n > 0 && n < minimum => format!("fewer than {minimum}").into(),
            _ => n.into(),
        }
    };
    let counts = |of: &[(String, usize)]| -> Value {
        let counted = of.iter().map(|(name, n)| (name.clone(), count(*n)));
        Value::Object(counted.collect())
    };
    // What a study leaves out is named by values, which may be ids; it plays no part here.
    let plan = Plan {
        exclusions: Vec::new(),
        file_text: None,
        ..context.plan.clone()
    };
    let selection = context.selection;
    let filtered: Vec<&str> = selection
        .filters
        .iter()
        .map(|(column, _)| column.as_str())
        .collect();
    let value = json!({
        "version": context.version,
        "snapshot": context.snapshot,
        "invented": context.invented,
        "plan": plan.to_toml(),
        "criterion": {
            "name": context.criterion.name,
            "text": context.criterion.words,
            "source": context.criterion.source,
        },
        "second_criterion": {
            "name": context.second_criterion.name,
            "text": context.second_criterion.words,
        },
        "selection": {
            "from": selection.from.map(|quarter| quarter.to_string()),
            "to": selection.to.map(|quarter| quarter.to_string()),
            "columns_filtered": filtered,
        },
        "rows": table.rows(),
        "protection": {
            "patients_to_a_combination": minimum,
            "method": "combinations of values that others may know are each shared by that many patients (k-anonymity, Samarati & Sweeney 1998)",
            "counted_over": "the whole snapshot, whatever was selected",
            "fittings": count(account.fittings),
            "patients": count(account.patients),
            "fittings_withheld": count(account.withheld),
            "values_made_coarser": counts(&account.coarser),
            "values_blanked": counts(&account.blanked),
            "levels_capped": counts(&account.capped),
        },
    });
    format!("{value:#}\n")
}
