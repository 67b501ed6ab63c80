//! Matches a header row against the columns of its table.

use std::path::Path;

use super::columns::{ColumnSpec, Form, Kind, columns_for, is_label_column};
use super::source::{DeliveryFile, Source};
use crate::error::PipelineError;
use crate::identity::{self, ColumnPseudonyms, Pseudonyms};
use crate::intake::Intake;
use crate::map::files::Mapped;
use crate::map::translate::Translation;
use crate::map::{self};
use crate::records::Labels;
use crate::rules::Rule;
use crate::vocabulary::TableName;

/// A header row that has passed: where each column of the table stands.
#[derive(Debug)]
pub(crate) struct Header {
    /// Names as they stand in the file; our names of what a column map reads.
    pub(crate) names: Vec<String>,
    /// Columns of the table.
    pub(crate) specs: Vec<ColumnSpec>,
    /// For each column of the table, its position among the names.
    pub(crate) positions: Vec<Option<usize>>,
    /// Further labels: position among the names, and number of the label column.
    pub(crate) labels: Vec<(usize, u16)>,
    /// Whether frequencies stand side by side or in rows of their own.
    pub(crate) form: Form,
    /// Positions in the file of columns whose values are never written anywhere: such as become pseudonyms, and such as
    /// a column map leaves out.
    pub(crate) hidden: Vec<usize>,
    /// How rows of the file become rows under this header, where a column map reads it.
    pub(crate) translation: Option<Translation>,
    /// For each column of the table, what makes it pseudonyms.
    pub(crate) pseudonyms: Vec<Option<ColumnPseudonyms>>,
    /// Keep the year of a fitting only.
    pub(crate) year_only: bool,
}

/// Columns a table may have, its further labels included.
pub(super) const MOST_COLUMNS: usize = 256;

impl Header {
    /// Matches the header row of a file, through its column map where one reads it.
    ///
    /// # Errors
    /// As [`Header::new`] and [`Translation::new`].
    pub(crate) fn of(
        file: &DeliveryFile,
        source: &Source,
        label_names: &mut Labels,
        intake: &Intake<'_>,
    ) -> Result<Self, PipelineError> {
        let Some(mapped) = &file.mapped else {
            let names = source.header.clone();
            return Self::new(file.table, names, &file.path, label_names, intake);
        };
        let translation = Translation::new(mapped, file, &source.header, &source.typed)?;
        let mut header = Self::new(
            file.table,
            translation.ours(),
            &file.path,
            label_names,
            intake,
        )?;
        header.pass_their_names(&translation.theirs(), &file.path)?;
        header.pass_raw_ids(mapped, &translation.theirs(), file, intake)?;
        let pseudonyms = header.hidden.iter();
        let pseudonyms = pseudonyms.filter_map(|position| translation.in_file(*position));
        header.hidden = translation
            .hidden
            .iter()
            .copied()
            .chain(pseudonyms)
            .collect();
        header.translation = Some(translation);
        Ok(header)
    }

    /// Looks at what the sender calls the columns that are read as ids and labels; such as become pseudonyms may be called
    /// anything.
    fn pass_their_names(
        &self,
        theirs: &[Option<String>],
        file: &Path,
    ) -> Result<(), PipelineError> {
        let pseudonyms = self.pseudonyms.iter().map(Option::is_some);
        let ids_and_labels = self
            .specs
            .iter()
            .zip(&self.positions)
            .zip(pseudonyms)
            .filter(|((spec, _), pseudonym)| {
                matches!(spec.kind, Kind::Identifier | Kind::Label) && !pseudonym
            })
            .filter_map(|((_, position), _)| *position)
            .chain(self.labels.iter().map(|(position, _)| *position));
        for position in ids_and_labels {
            if let Some(Some(name)) = theirs.get(position) {
                identity::pass_column(name, file)?;
            }
        }
        Ok(())
    }

    /// Looks that no column of theirs which becomes pseudonyms, by this source or by another of the same file, is read for
    /// another column as it is.
    fn pass_raw_ids(
        &self,
        mapped: &Mapped,
        theirs: &[Option<String>],
        file: &DeliveryFile,
        intake: &Intake<'_>,
    ) -> Result<(), PipelineError> {
        let columns = intake.pseudonyms.map_or(&[][..], Pseudonyms::columns);
        let raw: Vec<&str> = mapped
            .beside
            .iter()
            .flat_map(|source| {
                columns.iter().filter_map(|column| {
                    if source.columns.is_empty() {
                        Some(*column)
                    } else {
                        source.columns.get(*column).map(String::as_str)
                    }
                })
            })
            .collect();
        for (ours, theirs) in self.names.iter().zip(theirs) {
            let Some(theirs) = theirs else { continue };
            if raw.contains(&theirs.as_str()) && !columns.contains(&ours.as_str()) {
                let name = map::header::quoted(theirs);
                return Err(PipelineError::refused(
                    Rule::ReadAsItIs,
                    &file.path,
                    Some(1),
                    &name,
                ));
            }
        }
        Ok(())
    }

    /// Where one of the names stands in the file; none for a constant of a column map.
    pub(crate) fn in_file(&self, position: usize) -> Option<usize> {
        match &self.translation {
            None => (position < self.names.len()).then_some(position),
            Some(translation) => translation.in_file(position),
        }
    }

    /// Fields in a row of the file.
    pub(super) fn width(&self) -> usize {
        self.translation
            .as_ref()
            .map_or(self.names.len(), Translation::width)
    }

    /// The first column that a field of the file is read for: its position among the names, and what it is, a further
    /// label where it is no column of the table's own.
    pub(super) fn column_at(&self, in_file: usize) -> Option<(usize, Option<&ColumnSpec>)> {
        let position = (0..self.names.len()).find(|at| self.in_file(*at) == Some(in_file))?;
        let columns = self.specs.iter().zip(&self.positions);
        let spec = columns
            .filter(|(_, at)| **at == Some(position))
            .map(|(spec, _)| spec)
            .next();
        Some((position, spec))
    }

    /// Matches a header row.
    ///
    /// # Errors
    /// A refusal by `no-header-row`, `identifying-column`, `too-many-columns`, `repeated-column`, `unknown-column` or
    /// `missing-column`.
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
            form: Form::of(table, &names),
            names,
            specs,
            positions,
            labels,
            hidden,
            translation: None,
            pseudonyms,
            year_only: intake.year_only,
        })
    }
}

fn names_a_column(specs: &[ColumnSpec], name: &str) -> bool {
    specs.iter().any(|spec| spec.name == name)
}

/// A name that can be shown in one line: other separators are made visible, and it is cut at 80 characters.
pub(crate) fn printable(name: &str) -> String {
    let mut shown: String = name
        .chars()
        .take(80)
        .map(|c| if c.is_control() { ' ' } else { c })
        .collect();
    if identity::is_value(name) {
        shown = "(a name that is not repeated here)".to_owned();
    } else if shown.trim().is_empty() {
        shown = "(a column without a name)".to_owned();
    }
    shown
}
