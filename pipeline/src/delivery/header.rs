//! Matches a header row against the columns of its table.

use std::path::Path;

use super::columns::{ColumnSpec, columns_for, is_label_column, is_wide};
use crate::error::PipelineError;
use crate::identity::{self, ColumnPseudonyms};
use crate::intake::Intake;
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
    /// a column map leaves out. Of a row with another number of fields nothing at all is written where there is one: no
    /// field of it is known not to be the hidden one.
    pub(crate) hidden: Vec<usize>,
    /// For each column of the table, what makes it pseudonyms.
    pub(crate) pseudonyms: Vec<Option<ColumnPseudonyms>>,
    /// Keep the year of a fitting only.
    pub(crate) year_only: bool,
}

/// Columns a table may have, its further labels included.
const MOST_COLUMNS: usize = 256;

impl Header {
    /// Matches a header row.
    ///
    /// # Errors
    /// A refusal by `no-header-row`, `identifying-column`, `repeated-column`, `unknown-column` or `missing-column`.
    pub(crate) fn new(
        table: TableName,
        names: Vec<String>,
        file: &Path,
        label_names: &mut Labels,
        intake: &Intake<'_>,
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
        // A first row that names nothing of the table is no header row but most often data: nothing of it is repeated.
        if !names.iter().any(|name| names_a_column(&specs, name)) {
            return Err(refuse(Rule::NoHeaderRow, ""));
        }
        for name in names.iter().filter(|name| !names_a_column(&specs, name)) {
            identity::pass_column(name, file)?;
        }
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
        let pseudonyms: Vec<Option<ColumnPseudonyms>> = specs
            .iter()
            .map(|spec| intake.pseudonyms?.of_column(spec.name))
            .collect();
        let hidden = pseudonyms
            .iter()
            .zip(&positions)
            .filter_map(|(pseudonyms, position)| pseudonyms.as_ref().and(*position))
            .collect();
        Ok(Self {
            wide: table == TableName::Responses && is_wide(&names),
            names,
            specs,
            positions,
            labels,
            hidden,
            pseudonyms,
            year_only: intake.year_only,
        })
    }
}

fn names_a_column(specs: &[ColumnSpec], name: &str) -> bool {
    specs.iter().any(|spec| spec.name == name)
}

/// A name that can be shown in one line: other separators are made visible, and it is cut at 80 characters.
fn printable(name: &str) -> String {
    let mut shown: String = name
        .chars()
        .take(80)
        .map(|c| if c.is_control() { ' ' } else { c })
        .collect();
    if shown.trim().is_empty() {
        shown = "(a column without a name)".to_owned();
    }
    shown
}
