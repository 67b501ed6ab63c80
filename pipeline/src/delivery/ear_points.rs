//! Rows of `ears` in the long form: a row a threshold. What was said of the whole ear stands in any of its rows, or in
//! none; the rows of an ear are joined when the delivery is settled.

use super::batch::RowBatch;
use super::cells::Fault;
use super::header::Header;
use super::rows::{Finder, Known, Parsed, each_row};
use crate::records::{EarRecord, Place};
use crate::rules::Rule;
use crate::vocabulary::{Coupling, Ear, TableName, Truth};

/// Reads rows of `ears` in the long form; rows of an ear that stand together become one record.
pub(super) fn ears(
    file: u16,
    header: &Header,
    batch: &RowBatch,
    known: &Known<'_>,
) -> Parsed<EarRecord> {
    let mut finder = Finder::new(known);
    let mut parsed = each_row(TableName::Ears, file, header, batch, |cells, place, out| {
        let fitting = finder.number(cells, 0)?;
        let ear = cells.required_word(1, Ear::from_word)?;
        let mut row = EarRecord::new(fitting, ear, place);
        row.long = true;
        row.fitted = cells.word(2, Truth::from_word)?.map(|t| t == Truth::True);
        let position = cells.frequency(3)?;
        let (threshold, censored) = cells
            .threshold(4)?
            .ok_or_else(|| -> Fault { cells.fault(4, Rule::Required) })?;
        row.set(position, threshold, censored);
        row.coupling = cells.word(5, Coupling::from_word)?;
        row.style = cells.label(6)?.map(Into::into);
        add_row(out, row, position);
        Ok(())
    });
    parsed.strangers = finder.into_strangers();
    parsed
}

/// Adds a row to the last record where it belongs there and its place is free, or begins another.
fn add_row(out: &mut Vec<EarRecord>, row: EarRecord, position: usize) {
    if let Some(last) = out.last_mut()
        && (last.fitting, last.ear) == (row.fitting, row.ear)
        && last.says_of_the_ear(&row)
        && last.tested & row.tested == 0
        && let Some(offset) = offset(last.place, row.place)
        && let (Some(slot), Some(&threshold)) = (
            last.line_offset.get_mut(position),
            row.thresholds.get(position),
        )
    {
        *slot = offset;
        last.set(position, threshold, row.censored != 0);
        return;
    }
    out.push(row);
}

/// Lines from one place to a later one of the same file, where they can be counted.
fn offset(from: Place, to: Place) -> Option<u16> {
    u16::try_from(to.line.checked_sub(from.line)?).ok()
}
