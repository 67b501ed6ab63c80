//! Rows of earlier deliveries that wait for a parent: kept as text by our columns, and judged by the same functions as
//! any other row once the parent is there.

use std::collections::BTreeMap;
use std::path::Path;

use csv::ByteRecord;

use super::batch::RowBatch;
use super::columns::columns_for;
use super::header::Header;
use super::instruments::Instruments;
use super::rows::{self, Known, Parsed, STRANGER};
use crate::intake::Intake;
use crate::plan::Plan;
use crate::records::{Answer, Curve, EarRecord, Labels, RowIssue};
use crate::vocabulary::TableName;

/// The cells of a row that are not blank, by our columns.
pub(crate) type Record = BTreeMap<String, String>;

/// Rows of one earlier delivery, judged anew and not yet settled. A row's place is its position among the rows of its
/// table here.
#[derive(Debug, Default)]
pub struct WaitingRows {
    pub(crate) ears: Vec<EarRecord>,
    pub(crate) curves: Vec<Curve>,
    pub(crate) answers: Vec<Answer>,
    /// Ids of the fittings that the rows name.
    pub(crate) strangers: Vec<Box<str>>,
    pub(crate) issues: Vec<RowIssue>,
    /// By table: the number that each row was given by the caller.
    pub(crate) numbers: [Vec<u32>; TableName::ALL.len()],
}

impl WaitingRows {
    /// Judges rows of a table, each with a number of the caller's.
    pub(crate) fn add(
        &mut self,
        table: TableName,
        records: &[(u32, &Record)],
        instruments: &Instruments,
    ) {
        // Rows of the long and of the wide form have different columns; all keep their order.
        let form = |record: &Record| -> Vec<&'static str> {
            let names: Vec<String> = record.keys().cloned().collect();
            let columns = columns_for(table, &names);
            columns.iter().map(|column| column.name).collect()
        };
        let rows: Vec<(Vec<&str>, (u32, &Record))> = records
            .iter()
            .map(|(number, record)| (form(record), (*number, *record)))
            .collect();
        for run in rows.chunk_by(|(a, _), (b, _)| a == b) {
            let Some((names, _)) = run.first() else {
                continue;
            };
            let records: Vec<(u32, &Record)> = run.iter().map(|(_, row)| *row).collect();
            self.add_form(table, names, &records, instruments);
        }
    }

    fn add_form(
        &mut self,
        table: TableName,
        names: &[&str],
        records: &[(u32, &Record)],
        instruments: &Instruments,
    ) {
        let owned = names.iter().map(|name| (*name).to_owned()).collect();
        // Our own columns are never refused.
        // Their ids are pseudonyms already, whatever the delivery of the day makes of its own.
        let plan = Plan::default();
        let (path, labels) = (Path::new(""), &mut Labels::default());
        let Ok(header) = Header::new(table, owned, path, labels, &Intake::plain(&plan)) else {
            return;
        };
        let Some(numbers) = self.numbers.get_mut(table as usize) else {
            return;
        };
        let batch = RowBatch::Fields {
            first_row: u32::try_from(numbers.len()).unwrap_or(u32::MAX),
            faults: Vec::new(),
            records: records
                .iter()
                .map(|(_, record)| as_fields(record, names))
                .collect(),
        };
        numbers.extend(records.iter().map(|(number, _)| *number));
        let none = Known::new();
        match table {
            // A fitting has no parent to wait for.
            TableName::Fittings => {}
            TableName::Ears => {
                let parsed = rows::ears(0, &header, &batch, &none);
                let ears = self.take(parsed, |record| &mut record.fitting);
                self.ears.extend(ears);
            }
            TableName::Responses => {
                let parsed = rows::responses(0, &header, &batch, &none);
                let curves = self.take(parsed, |curve| &mut curve.key.fitting);
                self.curves.extend(curves);
            }
            TableName::Outcomes => {
                let parsed = rows::outcomes(0, &header, &batch, &none, instruments);
                let answers = self.take(parsed, |answer| &mut answer.fitting);
                self.answers.extend(answers);
            }
        }
    }

    /// Takes issues and ids over, and numbers fittings over all of the delivery's rows.
    fn take<T>(&mut self, parsed: Parsed<T>, fitting: impl Fn(&mut T) -> &mut u32) -> Vec<T> {
        let before = u32::try_from(self.strangers.len()).unwrap_or(STRANGER - 1);
        self.strangers.extend(parsed.strangers);
        self.issues.extend(parsed.issues);
        let mut records = parsed.records;
        for record in &mut records {
            let number = fitting(record);
            *number = (*number & !STRANGER).saturating_add(before) | STRANGER;
        }
        records
    }
}

fn as_fields(record: &Record, names: &[&str]) -> ByteRecord {
    names
        .iter()
        .map(|name| record.get(*name).map_or("", String::as_str))
        .collect::<Vec<_>>()
        .into()
}
