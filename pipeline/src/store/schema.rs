//! The Arrow schemas of the store, in one place. Levels are hundredths of a dB (i16), sums of four thresholds i32,
//! derived measures billionths of a dB (i64), so that sums over them are exact and free of order.

use std::sync::Arc;

use arrow::datatypes::{DataType, Field, Schema, SchemaRef};

use crate::vocabulary::FREQUENCIES;

/// The four tables of the store.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum StoreTable {
    /// One row a fitting.
    Fittings,
    /// One row an ear.
    Ears,
    /// One row a fitting × ear × stage × quantity × input level.
    Curves,
    /// One row an answer.
    Answers,
}

impl StoreTable {
    /// Every table.
    pub const ALL: [Self; 4] = [Self::Fittings, Self::Ears, Self::Curves, Self::Answers];

    /// Name of the table and of its folder.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Fittings => "fittings",
            Self::Ears => "ears",
            Self::Curves => "curves",
            Self::Answers => "answers",
        }
    }

    /// Columns by which the rows are sorted.
    #[must_use]
    pub const fn sorted_by(self) -> &'static [&'static str] {
        match self {
            Self::Fittings => &["fitting_id"],
            Self::Ears => &["fitting_id", "ear"],
            Self::Curves => &["fitting_id", "ear", "stage", "quantity", "input_level"],
            Self::Answers => &["fitting_id"],
        }
    }
}

/// Grouping columns that every table carries, before the `x_…` labels; in this order.
pub const GROUP_COLUMNS: [&str; 10] = [
    "quarter",
    "clinic_id",
    "clinician_id",
    "ear",
    "coupling",
    "style",
    "experience",
    "age_band",
    "grade",
    "prescription",
];

/// The columns of the referral rules in `fittings`, with the rule each stands for.
pub const FLAG_COLUMNS: [(&str, &str); 5] = [
    ("flag_adjacent_15", "adjacent-15"),
    ("flag_average_15", "average-15"),
    ("flag_contiguous_10", "contiguous-10"),
    ("flag_three_k", "three-k"),
    ("flag_one_sided", "one-sided"),
];

/// Derived measures of a curve, billionths of a dB.
pub const CURVE_MEASURES: [&str; 4] = ["rms", "signed", "high_frequency", "slope"];

fn label() -> DataType {
    DataType::Dictionary(Box::new(DataType::Int32), Box::new(DataType::Utf8))
}

/// The schema of a table, given the names of the `x_…` label columns.
#[must_use]
pub fn schema(table: StoreTable, label_names: &[&str]) -> SchemaRef {
    let mut fields: Vec<Field> = vec![Field::new("fitting_id", DataType::Utf8, false)];
    if table == StoreTable::Fittings {
        fields.push(Field::new("patient_id", DataType::Utf8, false));
    }
    for name in GROUP_COLUMNS.iter().chain(label_names) {
        let always = matches!(*name, "quarter" | "clinic_id" | "clinician_id");
        fields.push(Field::new(*name, label(), !always));
    }
    let mut add = |name: &str, kind: DataType, nullable: bool| {
        fields.push(Field::new(name, kind, nullable));
    };
    match table {
        StoreTable::Fittings => {
            add("age_years", DataType::Int16, true);
            add("medical_referral", label(), false);
            add("returned", DataType::Boolean, true);
            add("n_fitted", DataType::Int16, false);
            add("fitted_left", DataType::Boolean, false);
            add("fitted_right", DataType::Boolean, false);
            add("verified", DataType::Boolean, false);
            add("pure_tone_sum_left", DataType::Int32, true);
            add("pure_tone_sum_right", DataType::Int32, true);
            add("pure_tone_bound_left", DataType::Boolean, true);
            add("pure_tone_bound_right", DataType::Boolean, true);
            for (name, _) in FLAG_COLUMNS {
                add(name, DataType::Boolean, true);
            }
        }
        StoreTable::Ears => {
            add("fitted", DataType::Boolean, false);
            add("configuration", label(), true);
            for frequency in FREQUENCIES {
                add(&format!("threshold_{frequency}"), DataType::Int16, true);
            }
            for frequency in FREQUENCIES {
                add(&format!("no_response_{frequency}"), DataType::Boolean, true);
            }
        }
        StoreTable::Curves => {
            add("fitted", DataType::Boolean, false);
            add("n_fitted", DataType::Int16, false);
            add("stage", label(), false);
            add("quantity", label(), false);
            add("input_level", DataType::Int16, false);
            for prefix in ["target", "measured", "deviation"] {
                for frequency in FREQUENCIES {
                    add(&format!("{prefix}_{frequency}"), DataType::Int16, true);
                }
            }
            add("sum_of_squares", DataType::Int64, true);
            for name in CURVE_MEASURES {
                add(name, DataType::Int64, true);
            }
        }
        StoreTable::Answers => {
            add("fitted", DataType::Boolean, false);
            add("instrument", label(), false);
            add("item", label(), false);
            add("score", DataType::Int32, false);
            add("weeks_after", DataType::Int32, true);
            add("latest", DataType::Boolean, false);
        }
    }
    Arc::new(Schema::new(fields))
}
