//! Matches a header row against the columns of its table.

use std::path::Path;

use super::columns::{ColumnSpec, Form, columns_for, is_label_column};
use crate::error::PipelineError;
use crate::records::Labels;
use crate::rules::Rule;
use crate::vocabulary::TableName;

/// A header row that has passed: where each column of the table stands.
#[derive(Debug)]
pub(crate) struct Header {
    /// Names as they stand in the file.
    pub(crate) names: Vec<String>,
    /// Columns of the table.
    pub(crate) specs: Vec<ColumnSpec>,
    /// For each column of the table, its position in the file.
    pub(crate) positions: Vec<Option<usize>>,
    /// Further labels: position in the file, and number of the label column.
    pub(crate) labels: Vec<(usize, u16)>,
    /// Whether frequencies stand side by side or in rows of their own.
    pub(crate) form: Form,
    /// Positions in the file of columns whose values are never written anywhere: such as become pseudonyms, and such as
    /// a column map leaves out.
    #[expect(dead_code, reason = "filled and read by what comes next")]
    pub(crate) hidden: Vec<usize>,
}

/// Columns a table may have, its further labels included.
const MOST_COLUMNS: usize = 256;

impl Header {
    /// Matches a header row.
    ///
    /// # Errors
    /// A refusal by `repeated-column`, `unknown-column` or `missing-column`.
    pub(crate) fn new(
        table: TableName,
        names: Vec<String>,
        file: &Path,
        label_names: &mut Labels,
    ) -> Result<Self, PipelineError> {
        if names.len() > MOST_COLUMNS {
            return Err(PipelineError::refused(
                Rule::TooManyColumns,
                file,
                Some(1),
                "",
            ));
        }
        let specs = columns_for(table, &names);
        let mut positions = vec![None; specs.len()];
        let mut labels = Vec::new();
        let refuse = |rule, column: &str| PipelineError::refused(rule, file, Some(1), column);
        for (position, name) in names.iter().enumerate() {
            if names.iter().take(position).any(|earlier| earlier == name) {
                return Err(refuse(Rule::RepeatedColumn, name));
            }
            if let Some(slot) = specs
                .iter()
                .position(|spec| spec.name == name)
                .and_then(|at| positions.get_mut(at))
            {
                *slot = Some(position);
            } else if table == TableName::Fittings && is_label_column(name) {
                let number = u16::try_from(label_names.number(name)).unwrap_or(u16::MAX);
                labels.push((position, number));
            } else {
                return Err(refuse(Rule::UnknownColumn, &printable(name)));
            }
        }
        for (spec, position) in specs.iter().zip(&positions) {
            if spec.required && position.is_none() {
                return Err(refuse(Rule::MissingColumn, spec.name));
            }
        }
        Ok(Self {
            form: Form::of(table, &names),
            names,
            specs,
            positions,
            labels,
            hidden: Vec::new(),
        })
    }
}

/// A name that can be shown in one line: other separators are made visible, and it is cut at 80 characters.
fn printable(name: &str) -> String {
    let mut shown: String = name
        .chars()
        .take(80)
        .map(|c| if c.is_control() { ' ' } else { c })
        .collect();
    if name.contains(';') || name.contains('\t') {
        shown.push_str(" (columns are separated by commas, not by semicolons or tabs)");
    } else if shown.trim().is_empty() {
        shown = "(a column without a name)".to_owned();
    }
    shown
}
