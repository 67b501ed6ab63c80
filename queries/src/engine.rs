//! Runs the SQL text of `queries/sql` over the parts of a snapshot. The only module that knows polars.
//!
//! Counts and sums are over whole numbers, so that they are the same in every order and on every engine; sums of
//! floating-point numbers never happen here.

use std::collections::BTreeMap;

use fitcohort_pipeline::store::Cohort;
use fitcohort_pipeline::store::schema::StoreTable;
use polars::prelude::*;
use polars::sql::SQLContext;

use crate::error::QueryError;
use crate::selection::Selection;
use crate::table::{Table, Values};

/// A text of `queries/sql` with its name.
#[derive(Clone, Copy, Debug)]
pub(crate) struct SqlText {
    pub(crate) name: &'static str,
    pub(crate) text: &'static str,
}

/// Declares the texts from their files.
macro_rules! sql_texts {
    ($($constant:ident = $name:literal;)+) => {
        $(pub(crate) const $constant: SqlText = SqlText {
            name: $name,
            text: include_str!(concat!("../sql/", $name, ".sql")),
        };)+

        /// Every text, for tests.
        #[cfg(test)]
        pub(crate) const ALL_TEXTS: &[SqlText] = &[$($constant),+];
    };
}

sql_texts! {
    MATCH = "match";
    CURVES = "curves";
    CURVES_FITTINGS = "curves_fittings";
    FITS = "fits";
    FITS_BAND = "fits_band";
    VERIFICATION = "verification";
    EARS = "ears";
    OUTCOMES = "outcomes";
    SHARES = "shares";
    REFERRALS = "referrals";
    REFERRAL_LIST = "referral_list";
    FLOW = "flow";
    POINTS_WITHIN = "points_within";
    BEYOND_LIMIT = "beyond_limit";
    ON_TARGET = "on_target";
    CLINICIAN_IDS = "clinician_ids";
    FITTING_POINTS = "fitting_points";
}

/// Values for the places `{name}` of a text. Every value is made by this crate from checked names and numbers.
#[derive(Clone, Debug, Default)]
pub(crate) struct Places(BTreeMap<&'static str, String>);

impl Places {
    /// The places that stand for the grouping: `{by}`, `{by_last}`, `{group_by}`, `{order_by}`.
    pub(crate) fn grouping(by: &[String]) -> Self {
        let names = by.join(", ");
        let last = by
            .iter()
            .map(|column| format!("{column} NULLS LAST, "))
            .collect::<String>();
        let clause = |word: &str, list: &str| {
            if by.is_empty() {
                String::new()
            } else {
                format!("{word} {list}")
            }
        };
        Self::default()
            .with(
                "by",
                by.iter()
                    .map(|column| format!("{column}, "))
                    .collect::<String>(),
            )
            .with("group_by", clause("GROUP BY", &names))
            .with("order_by", clause("ORDER BY", last.trim_end_matches(", ")))
            .with("by_last", last)
    }

    pub(crate) fn with(mut self, name: &'static str, value: impl Into<String>) -> Self {
        self.0.insert(name, value.into());
        self
    }

    fn fill(&self, text: SqlText) -> String {
        let body: String = text
            .text
            .lines()
            .filter(|line| !line.trim_start().starts_with("--"))
            .map(|line| format!("{line}\n"))
            .collect();
        self.0.iter().fold(body, |filled, (name, value)| {
            filled.replace(&format!("{{{name}}}"), value)
        })
    }
}

/// A text as an SQL literal.
pub(crate) fn literal(text: &str) -> String {
    format!("'{}'", text.replace('\'', "''"))
}

/// The tables of a snapshot, limited to a selection, ready for queries.
pub(crate) struct Engine {
    context: SQLContext,
}

impl Engine {
    /// Opens the parts of a snapshot as the tables `fittings`, `ears`, `curves` and `answers`.
    pub(crate) fn open(cohort: &Cohort, selection: &Selection) -> Result<Self, QueryError> {
        let context = SQLContext::new();
        for table in StoreTable::ALL {
            let frame = scan(cohort, table).and_then(|frame| limited(frame, selection));
            context.register(
                table.name(),
                frame.map_err(|error| failed(table.name(), &error))?,
            );
        }
        Ok(Self { context })
    }

    /// Runs a text and returns its rows as a table of the text's name.
    pub(crate) fn run(&mut self, text: SqlText, places: &Places) -> Result<Table, QueryError> {
        self.collect(text, places).map(|(_, table)| table)
    }

    /// Runs a text and keeps its rows as a further table for later texts; returns them too.
    pub(crate) fn keep(&mut self, text: SqlText, places: &Places) -> Result<Table, QueryError> {
        let (frame, table) = self.collect(text, places)?;
        self.context.register(text.name, frame.lazy());
        Ok(table)
    }

    fn collect(
        &mut self,
        text: SqlText,
        places: &Places,
    ) -> Result<(DataFrame, Table), QueryError> {
        self.context
            .execute(&places.fill(text))
            .and_then(LazyFrame::collect)
            .and_then(|frame| {
                let table = as_table(text.name, &frame)?;
                Ok((frame, table))
            })
            .map_err(|error| failed(text.name, &error))
    }
}

fn failed(query: &str, error: &PolarsError) -> QueryError {
    QueryError::Engine {
        query: query.to_owned(),
        message: error.to_string(),
    }
}

/// All parts of a table as one frame; a label column that a part lacks is null there.
fn scan(cohort: &Cohort, table: StoreTable) -> PolarsResult<LazyFrame> {
    let labels = &cohort.manifest.label_columns;
    let mut frames = Vec::new();
    for (path, part) in cohort.parts(table) {
        let path = PlRefPath::try_from_path(&path)?;
        // The path is a path, whatever characters are in it, and the quarter is a column of the file itself.
        let arguments = ScanArgsParquet {
            glob: false,
            hive_options: HiveOptions::new_disabled(),
            ..ScanArgsParquet::default()
        };
        let frame = LazyFrame::scan_parquet(path, arguments)?;
        let missing: Vec<Expr> = labels
            .iter()
            .filter(|label| !part.label_columns.contains(label))
            .map(|label| lit(NULL).cast(DataType::String).alias(label.as_str()))
            .collect();
        frames.push(if missing.is_empty() && *labels == part.label_columns {
            frame
        } else {
            let names = fitcohort_pipeline::store::schema::schema(
                table,
                &labels.iter().map(String::as_str).collect::<Vec<_>>(),
            );
            let order: Vec<Expr> = names
                .fields()
                .iter()
                .map(|field| col(field.name().as_str()))
                .collect();
            frame.with_columns(missing).select(order)
        });
    }
    if frames.is_empty() {
        return empty(table, labels);
    }
    concat(frames, UnionArgs::default())
}

/// A frame of a table's columns without any row, for a cohort that has none.
fn empty(table: StoreTable, labels: &[String]) -> PolarsResult<LazyFrame> {
    use fitcohort_pipeline::store::schema::schema;
    let names: Vec<&str> = labels.iter().map(String::as_str).collect();
    let columns: Vec<Column> = schema(table, &names)
        .fields()
        .iter()
        .map(|field| {
            let kind = match field.data_type().to_string().as_str() {
                "Boolean" => DataType::Boolean,
                "Int16" => DataType::Int16,
                "Int32" => DataType::Int32,
                "Int64" => DataType::Int64,
                _ => DataType::String,
            };
            Column::new_empty(field.name().as_str().into(), &kind)
        })
        .collect();
    Ok(DataFrame::new(0, columns)?.lazy())
}

fn limited(mut frame: LazyFrame, selection: &Selection) -> PolarsResult<LazyFrame> {
    for (column, value) in &selection.filters {
        let column = col(column.as_str());
        frame = frame.filter(if value.is_empty() {
            column.is_null()
        } else {
            column.eq(lit(value.clone()))
        });
    }
    // Quarters and years are written so that their order as texts is their order in time; a year at the end takes its
    // quarters in.
    if let Some(from) = selection.from {
        frame = frame.filter(col("quarter").gt_eq(lit(from.to_string())));
    }
    if let Some(to) = selection.to {
        frame = frame.filter(match to.is_year() {
            true => col("quarter").lt(lit((u32::from(to.year) + 1).to_string())),
            false => col("quarter").lt_eq(lit(to.to_string())),
        });
    }
    Ok(frame)
}

fn as_table(name: &str, frame: &DataFrame) -> PolarsResult<Table> {
    let mut table = Table::new(name);
    for column in frame.columns() {
        let series = column.as_materialized_series();
        let values = match series.dtype() {
            DataType::Boolean => Values::Flag(series.bool()?.iter().collect()),
            DataType::Float64 | DataType::Float32 => {
                let series = series.cast(&DataType::Float64)?;
                Values::Real(series.f64()?.iter().collect())
            }
            DataType::String => Values::Text(
                series
                    .str()?
                    .iter()
                    .map(|text| text.map(str::to_owned))
                    .collect(),
            ),
            kind if kind.is_integer() => {
                let series = series.cast(&DataType::Int64)?;
                Values::Integer(series.i64()?.iter().collect())
            }
            // A column of nothing but nulls.
            _ => Values::Text(vec![None; series.len()]),
        };
        table = table.with(column.name(), values);
    }
    Ok(table)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The places that the tables fill; a text that names another would reach the engine unfilled.
    const KNOWN: [&str; 27] = [
        "n_fittings",
        "by",
        "by_last",
        "group_by",
        "order_by",
        "input_band",
        "band",
        "within",
        "within_second",
        "compared",
        "satisfied_from",
        "frequency",
        "limit",
        "ears_needed",
        "columns",
        "n_points",
        "n_points_within",
        "candidate_sum",
        "instrument",
        "item",
        "flag",
        "name",
        "value",
        "outside",
        "n_compared",
        "n_equal",
        "least",
    ];

    #[test]
    fn every_place_of_every_text_is_known() {
        for text in ALL_TEXTS {
            for place in text.text.split('{').skip(1) {
                let name = place.split('}').next().unwrap();
                assert!(KNOWN.contains(&name), "{} names {{{name}}}", text.name);
            }
        }
    }

    #[test]
    fn grouping_and_literals_are_filled_in() {
        let by = ["clinic_id".to_owned(), "ear".to_owned()];
        let sql = Places::grouping(&by).fill(VERIFICATION);
        assert!(sql.contains("SELECT clinic_id, ear,  COUNT(*)"), "{sql}");
        assert!(sql.contains("GROUP BY clinic_id, ear"), "{sql}");
        assert!(
            sql.contains("ORDER BY clinic_id NULLS LAST, ear NULLS LAST"),
            "{sql}"
        );
        let whole = Places::grouping(&[]).fill(VERIFICATION);
        assert!(!whole.contains("GROUP BY"), "{whole}");
        assert_eq!(literal("it's"), "'it''s'");
    }
}
