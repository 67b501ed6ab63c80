//! Which fittings a query looks at, and how it groups them.

use fitcohort_pipeline::quarter::Quarter;
use fitcohort_pipeline::store::schema::GROUP_COLUMNS;

use crate::error::QueryError;

/// Grouping columns, filters and span of a query.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Selection {
    /// Grouping columns, in the order in which they come first in the table.
    pub by: Vec<String>,
    /// Column and the value it must have; an empty value asks for rows where it is not known.
    pub filters: Vec<(String, String)>,
    /// First quarter, where limited.
    pub from: Option<Quarter>,
    /// Last quarter, where limited.
    pub to: Option<Quarter>,
}

impl Selection {
    /// Everything, grouped by some columns.
    #[must_use]
    pub fn by(columns: &[&str]) -> Self {
        Self {
            by: columns.iter().map(|column| (*column).to_owned()).collect(),
            ..Self::default()
        }
    }

    /// The same, of one quarter only.
    #[must_use]
    pub fn in_quarter(mut self, quarter: Quarter) -> Self {
        self.from = Some(quarter);
        self.to = Some(quarter);
        self
    }

    /// Reads a filter `COLUMN=VALUE`.
    ///
    /// # Errors
    /// [`QueryError::Selection`] where there is no `=`.
    pub fn parse_filter(text: &str) -> Result<(String, String), QueryError> {
        text.split_once('=')
            .map(|(column, value)| (column.to_owned(), value.to_owned()))
            .ok_or_else(|| QueryError::Selection {
                what: format!(
                    "a filter is written COLUMN=VALUE, such as clinic_id=north; got {text}"
                ),
            })
    }

    /// Checks that the columns are there and the span is in order.
    pub(crate) fn check(&self, query: &str, label_columns: &[String]) -> Result<(), QueryError> {
        let known = || {
            let labels = label_columns.iter().map(String::as_str);
            GROUP_COLUMNS.into_iter().chain(labels)
        };
        let columns = self
            .by
            .iter()
            .chain(self.filters.iter().map(|(column, _)| column));
        for column in columns {
            if !known().any(|name| name == column) {
                return Err(QueryError::UnknownColumn {
                    query: query.to_owned(),
                    column: column.clone(),
                    known: known().collect::<Vec<_>>().join(", "),
                });
            }
        }
        for (position, column) in self.by.iter().enumerate() {
            if self
                .by
                .iter()
                .take(position)
                .any(|earlier| earlier == column)
            {
                return Err(QueryError::Selection {
                    what: format!("the grouping column {column} is named twice"),
                });
            }
        }
        match (self.from, self.to) {
            // A year takes its quarters in.
            (Some(from), Some(to)) if from > to && !(to.is_year() && from.year == to.year) => {
                Err(QueryError::Selection {
                    what: format!("the span ends ({to}) before it begins ({from})"),
                })
            }
            _ => Ok(()),
        }
    }

    /// Whether grouping or filtering is by something that tells the ears of a fitting apart.
    pub(crate) fn tells_ears_apart(&self) -> bool {
        self.by
            .iter()
            .chain(self.filters.iter().map(|(column, _)| column))
            .any(|column| matches!(column.as_str(), "ear" | "coupling" | "style"))
    }
}
