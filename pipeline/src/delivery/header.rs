//! Matches a header row against the columns of its table.

use std::path::Path;

use super::columns::{ColumnSpec, columns_for, is_label_column, is_wide};
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
    /// Whether the table is in the wide form.
    pub(crate) wide: bool,
    /// Positions in the file of columns whose values are never written anywhere: such as become pseudonyms, and such as
    /// a column map leaves out.
    #[expect(dead_code, reason = "filled and read by what comes next")]
    pub(crate) hidden: Vec<usize>,
}

/// Columns a table may have, its further labels included.
pub(super) const MOST_COLUMNS: usize = 256;

impl Header {
    /// Matches a header row.
    ///
    /// # Errors
    /// A refusal by `too-many-columns`, `repeated-column`, `unknown-column` or `missing-column`.
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
        let is_known = |name: &str| {
            specs.iter().any(|spec| spec.name == name)
                || (table == TableName::Fittings && is_label_column(name))
        };
        if !names.iter().any(|name| is_known(name)) {
            // It may well be a row of values, which are not repeated.
            let separated = names
                .iter()
                .any(|name| name.split([';', '\t']).any(is_known));
            let what = if separated { SEPARATORS } else { NONE_KNOWN };
            return Err(refuse(Rule::UnknownColumn, what));
        }
        for (position, name) in names.iter().enumerate() {
            if names.iter().take(position).any(|earlier| earlier == name) {
                return Err(refuse(Rule::RepeatedColumn, &printable(name)));
            }
            if let Some(slot) = specs
                .iter()
                .position(|spec| spec.name == name)
                .and_then(|at| positions.get_mut(at))
            {
                *slot = Some(position);
            } else if table == TableName::Fittings && is_label_column(name) {
                let number = label_names.number(name);
                match u16::try_from(number) {
                    Ok(number) if usize::from(number) < MOST_COLUMNS => {
                        labels.push((position, number));
                    }
                    _ => return Err(refuse(Rule::TooManyColumns, "")),
                }
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
            wide: table == TableName::Responses && is_wide(&names),
            names,
            specs,
            positions,
            labels,
            hidden: Vec::new(),
        })
    }
}

pub(crate) const NONE_KNOWN: &str =
    "(none of its names is known: the header row is missing, or something stands before it)";
pub(crate) const SEPARATORS: &str = "(columns are separated by commas, not by semicolons or tabs)";

/// A name that can be shown in one line: other separators are made visible, and it is cut at 80 characters.
pub(crate) fn printable(name: &str) -> String {
    let mut shown: String = name
        .chars()
        .take(80)
        .map(|c| if c.is_control() { ' ' } else { c })
        .collect();
    if name.contains(';') || name.contains('\t') {
        shown.push(' ');
        shown.push_str(SEPARATORS);
    } else if shown.trim().is_empty() {
        shown = "(a column without a name)".to_owned();
    }
    shown
}
