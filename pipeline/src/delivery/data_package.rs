//! The published format of a delivery as a Frictionless Data Package, made from the columns that the reader goes by.
//!
//! `pipeline/datapackage.json` is this package as a file; a test keeps the two equal. It says what a schema can say:
//! names, types, words, ranges, keys. What depends on more than one cell or on the plan (an instrument's range, the
//! prescription behind a target) is judged by `check` alone.

use super::columns::{
    ColumnSpec, FITTINGS, Kind, OUTCOMES, ears, ears_long, responses_long, responses_wide,
};
use crate::table_schema::{Field, ForeignKey, License, Package, Resource, Schema};
use crate::vocabulary::{FREQUENCIES, Truth};

/// A pseudonym.
const IDENTIFIER: &str = "[A-Za-z0-9_-]{1,64}";

/// A label without control characters.
const LABEL: &str = "[^\\u0000-\\u001F\\u007F-\\u009F]+";

/// Most characters of a label.
const LONGEST_LABEL: usize = 64;

/// A day of 1900 to 2199 that the calendar has, its month, or its quarter. As a whole in brackets, since readers put
/// their anchors around it. The last part is the leap days, of the years that have one: 1900 and 2100 have none.
const DATE: &str = "(?:(?:19|2[01])[0-9]{2}-(?:Q[1-4]|(?:0[13578]|1[02])(?:-(?:0[1-9]|[12][0-9]|3[01]))?|\
                    (?:0[469]|11)(?:-(?:0[1-9]|[12][0-9]|30))?|02(?:-(?:0[1-9]|1[0-9]|2[0-8]))?)|\
                    (?:(?:19|21)(?:0[48]|[2468][048]|[13579][26])|20(?:[02468][048]|[13579][26]))-02-29)";

/// A number of -10 to 120 in plain decimals, minus zero left out, or `>110`.
const THRESHOLD: &str = "(?:\\+?0*(?:(?:1[01][0-9]|[1-9]?[0-9])(?:\\.[0-9]+)?|120(?:\\.0+)?)|\
                         -0*(?:10(?:\\.0+)?|[1-9](?:\\.[0-9]+)?|0\\.[0-9]*[1-9][0-9]*)|>\\+?0*110(?:\\.0+)?)";

/// Scores of instruments that a plan declares reach no further.
const SCORE_LIMIT: i64 = 1_000_000;

/// The licences of the schema, as of everything here.
const LICENSES: [License; 2] = [
    License {
        name: "MIT",
        title: "MIT License",
    },
    License {
        name: "Apache-2.0",
        title: "Apache License 2.0",
    },
];

/// The package of a delivery: the four tables, `responses` in both forms.
#[must_use]
pub fn delivery_package() -> Package {
    let fittings_key = || ForeignKey::new(&["fitting_id"], "fittings");
    let ear_key = || ForeignKey::new(&["fitting_id", "ear"], "ears");
    let mut package = Package::new(
        "fitcohort-delivery",
        "A delivery of hearing-aid fitting records",
        "The tables that fitcohort reads, one file or several each, as CSV (also .csv.gz, .csv.zst) or Parquet. \
         Columns may stand in any order, and those that are not required may be left out: a validator that goes by position \
         has to be told so. fittings may have further labels, named x_ and 1 to 30 of a-z, 0-9 and _; each is text of at \
         most 64 printable characters. Rows may belong to fittings of an earlier delivery; such a key cannot \
         be looked up here. The same row twice is a repeat and no fault. This is the schema alone, without \
         data: it is free to use under MIT or Apache-2.0, the records described by it are their owner's. What the demo \
         and `fitcohort synthesize` write is invented.",
        vec![
            resource(
                "fittings",
                "One row a fitting: a visit at which one ear or two were fitted.",
                FITTINGS,
                |schema| schema.primary_key = vec!["fitting_id"],
            ),
            resource(
                "ears",
                "One row for each ear assessed, fitted or not.",
                &ears(),
                |schema| {
                    schema.primary_key = vec!["fitting_id", "ear"];
                    schema.foreign_keys = vec![fittings_key()];
                },
            ),
            resource(
                "ears-long",
                "Another form of ears: one row a threshold, which the other rows of the ear join. A file is of this form \
                 where its header row names frequency_hz and threshold.",
                &ears_long(),
                |schema| {
                    schema.foreign_keys = vec![fittings_key()];
                },
            ),
            resource(
                "responses",
                "One row for each real-ear point. A target needs the prescription of its fitting.",
                &responses_long(),
                |schema| {
                    let point = [
                        "fitting_id",
                        "ear",
                        "stage",
                        "quantity",
                        "input_level_db",
                        "frequency_hz",
                    ];
                    schema.unique_keys = vec![point.to_vec()];
                    schema.foreign_keys = vec![fittings_key(), ear_key()];
                },
            ),
            resource(
                "responses-wide",
                "Another form of responses: one row a curve, with at least one measured value. A file is of this form \
                 where its header row names a target or a measured value by frequency.",
                &responses_wide(),
                |schema| {
                    let curve = ["fitting_id", "ear", "stage", "quantity", "input_level_db"];
                    schema.unique_keys = vec![curve.to_vec()];
                    schema.foreign_keys = vec![fittings_key(), ear_key()];
                },
            ),
            resource(
                "outcomes",
                "One row for each answer. Built in are ioi-ha, items 1 to 7 with scores 1 to 5, and use-log, item \
                 hours_per_day with 0 to 24; a plan may declare others.",
                OUTCOMES,
                |schema| {
                    let answer = ["fitting_id", "instrument", "item", "weeks_after"];
                    schema.unique_keys = vec![answer.to_vec()];
                    schema.foreign_keys = vec![fittings_key()];
                },
            ),
        ],
    );
    package.licenses = LICENSES.to_vec();
    package
}

fn resource(
    name: &str,
    description: &str,
    columns: &[ColumnSpec],
    keys: impl FnOnce(&mut Schema),
) -> Resource {
    let mut schema = Schema::new(columns.iter().map(field).collect());
    keys(&mut schema);
    Resource::csv(name, &format!("{name}.csv"), description, schema)
}

/// A column as a field of the schema.
fn field(column: &ColumnSpec) -> Field {
    let name = column.name;
    let field = match column.kind {
        Kind::Identifier => Field::shaped(name, IDENTIFIER),
        Kind::Date => Field::shaped(name, DATE),
        Kind::Whole(low, high) => Field::whole(name, low, high),
        Kind::Hundredths(low, high) => Field::number(name, low / 100, high / 100),
        Kind::Threshold => Field::shaped(name, THRESHOLD),
        Kind::Words(words) if words == Truth::WORDS => Field::flag(name),
        Kind::Words(words) => Field::words(name, words.iter().copied()),
        Kind::Label => Field::shaped(name, LABEL).at_most(LONGEST_LABEL),
        Kind::Frequency => Field::whole_of(name, FREQUENCIES.map(i64::from)),
        Kind::Score => Field::number(name, -SCORE_LIMIT, SCORE_LIMIT),
    };
    field
        .required(column.required)
        .described(described(column.name))
}

/// What a column says, with its unit.
fn described(name: &str) -> String {
    let at_frequency = |prefix: &str, words: &str| -> Option<String> {
        let frequency = name.strip_prefix(prefix)?;
        frequency
            .bytes()
            .all(|byte| byte.is_ascii_digit())
            .then(|| format!("{words} at {frequency} Hz"))
    };
    if let Some(words) = at_frequency("threshold_", "Hearing threshold") {
        return format!(
            "{words}, dB HL, -10 to 120; blank: not tested; >110: no response at the limit of 110 dB HL."
        );
    }
    if let Some(words) = at_frequency("target_", "Prescribed value") {
        return format!("{words}, in the unit of quantity; blank: no target.");
    }
    if let Some(words) = at_frequency("measured_", "Measured value") {
        return format!("{words}, in the unit of quantity; blank: not measured.");
    }
    match name {
        "fitting_id" => "Pseudonym of the fitting, 1 to 64 characters.",
        "patient_id" => "Pseudonym of the person, the same at every visit.",
        "clinic_id" => "Pseudonym of the clinic.",
        "clinician_id" => "Pseudonym of the clinician.",
        "fitted_on" => {
            "Day (2026-08-17), month (2026-08) or quarter (2026-Q3) of the fitting; kept no finer than its quarter."
        }
        "age_years" => "Age in whole years; 90 stands for 90 and older, and a greater age is kept as 90.",
        "experience" => "Whether the person had hearing aids before: new or experienced.",
        "prescription" => "The rule that the targets come from; to be given where there are targets.",
        "medical_referral" => "What is recorded of a medical referral; blank is unknown.",
        "returned" => "Whether the hearing aids came back.",
        "ear" => "The ear of the row.",
        "fitted" => "Whether this ear was fitted.",
        "coupling" => "How the ear canal is coupled.",
        "style" => "Style of the hearing aid, in the practice's own words.",
        "stage" => "first: before adjustment; final: as the person left; blank is final.",
        "quantity" => {
            "REAR: real-ear aided response, dB SPL in the ear canal; REIG: real-ear insertion gain, dB."
        }
        "input_level_db" => "Level of the input signal, dB SPL, 40 to 95.",
        "threshold" => "Hearing threshold at the frequency, dB HL; >110: no response at the limit of 110 dB HL.",
        "frequency_hz" => "Frequency of the point, Hz.",
        "target_db" => "Prescribed value, in the unit of quantity; blank: no target.",
        "measured_db" => "Measured value, in the unit of quantity.",
        "instrument" => "Questionnaire or log that the answer belongs to.",
        "item" => "Item of the instrument.",
        "score" => "Score of the answer, on the instrument's own scale.",
        "weeks_after" => "Weeks from the fitting to the answer, 0 to 520.",
        _ => "",
    }
    .to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// `FITCOHORT_WRITE_DATA_PACKAGE=1 cargo test -p fitcohort-pipeline data_package` writes the file anew.
    #[test]
    fn the_published_file_is_that_of_the_code() {
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/datapackage.json");
        let wanted = delivery_package().to_json();
        if std::env::var_os("FITCOHORT_WRITE_DATA_PACKAGE").is_some_and(|value| value == "1") {
            std::fs::write(path, wanted).unwrap();
            return;
        }
        let published = std::fs::read_to_string(path).unwrap();
        assert_eq!(
            published, wanted,
            "write it anew with FITCOHORT_WRITE_DATA_PACKAGE=1"
        );
    }

    #[test]
    fn every_column_of_every_table_is_described() {
        let package = delivery_package();
        let counts: Vec<usize> = package
            .resources
            .iter()
            .map(|resource| resource.schema.fields.len())
            .collect();
        assert_eq!(counts, [10, 15, 7, 8, 25, 5]);
        for resource in &package.resources {
            for field in &resource.schema.fields {
                assert!(!field.description.is_empty(), "{}", field.name);
            }
        }
    }

    /// Keys name columns that are there.
    #[test]
    fn keys_lead_somewhere() {
        let package = delivery_package();
        let fields = |name: &str| -> Vec<String> {
            let resource = package.resources.iter().find(|r| r.name == name).unwrap();
            let fields = resource.schema.fields.iter();
            fields.map(|field| field.name.clone()).collect()
        };
        for resource in &package.resources {
            let own = fields(&resource.name);
            let schema = &resource.schema;
            let keys = schema.unique_keys.iter().flatten();
            for name in schema.primary_key.iter().chain(keys) {
                assert!(own.iter().any(|field| field == name), "{name}");
            }
            for key in &schema.foreign_keys {
                let other = fields(key.reference.resource);
                assert!(key.fields.iter().all(|name| own.iter().any(|f| f == name)));
                assert!(
                    key.reference
                        .fields
                        .iter()
                        .all(|name| other.iter().any(|f| f == name))
                );
            }
        }
    }
}
