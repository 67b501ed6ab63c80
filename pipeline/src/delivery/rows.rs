//! Turns rows of the four tables into records, or into the first rule they break.

use std::collections::HashMap;

use csv::ByteRecord;

use super::batch::{RowBatch, RowFault};
use super::cells::{Cells, Fault};
use super::columns::Form;
use super::ear_points;
use super::header::Header;
use super::instruments::Instruments;
use crate::identity::{Found, Gate, Tallies};
use crate::map::translate::Translation;
use crate::quarter::Quarter;
use crate::records::{Answer, Curve, CurveKey, EarRecord, Fitting, Place, RowIssue};
use crate::rules::Rule;
use crate::vocabulary::{
    Coupling, Ear, Experience, N_FREQUENCIES, Quantity, Referral, Stage, TableName, Truth,
};

/// Set on the number of a fitting that the delivery's own `fittings` does not have.
pub(crate) const STRANGER: u32 = 1 << 31;

/// The fittings of the delivery by id.
pub(crate) type Known<'a> = HashMap<&'a str, u32>;

/// What a batch of rows gave.
#[derive(Debug)]
pub(crate) struct Parsed<T> {
    pub(crate) rows_read: u64,
    /// Rows that a column map passes over; they do not count as read.
    pub(crate) passed_over: u64,
    pub(crate) records: Vec<T>,
    pub(crate) issues: Vec<RowIssue>,
    /// Ids of fittings that are not in the delivery, by number below [`STRANGER`].
    pub(crate) strangers: Vec<Box<str>>,
    /// A place at which the whole file has to be refused.
    pub(crate) fault: Option<RowFault>,
    /// A value that tells who a person is; the rows after it were not read.
    pub(crate) identifying: Option<Found>,
    /// What the values of each column show together.
    pub(crate) tallies: Tallies,
}

/// Reads the rows of a batch one by one; `row` adds records or says which rule the row breaks.
pub(super) fn each_row<T>(
    table: TableName,
    file: u16,
    header: &Header,
    batch: &RowBatch,
    mut row: impl FnMut(&Cells<'_>, Place, &mut Vec<T>) -> Result<(), Fault>,
) -> Parsed<T> {
    let mut parsed = Parsed {
        rows_read: 0,
        passed_over: 0,
        records: Vec::new(),
        issues: Vec::new(),
        strangers: Vec::new(),
        fault: None,
        identifying: None,
        tallies: Tallies::default(),
    };
    let mut gate = Gate::new(table, header);
    let Parsed {
        rows_read,
        passed_over,
        records,
        issues,
        ..
    } = &mut parsed;
    let mut translated = header.translation.as_ref().map(Translation::rows);
    let outcome = batch.for_each(|line, record: &ByteRecord| {
        if gate.is_shut() {
            return;
        }
        let ours = match &mut translated {
            None => Ok(record),
            Some(rows) => match rows.row(record) {
                Ok(Some(ours)) => Ok(ours),
                Ok(None) => {
                    *passed_over += 1;
                    return;
                }
                Err((column, rule)) => Err(Fault { column, rule }),
            },
        };
        *rows_read += 1;
        let place = Place { file, line };
        let cells = ours.and_then(|ours| Cells::new(header, ours));
        match (ours, &cells) {
            (Ok(ours), Ok(_)) => gate.row(line, ours),
            // Nothing is kept of a row that a column map cannot read.
            _ if header.translation.is_some() => {}
            _ => gate.astray(line, record),
        }
        let read = match batch.fault(line) {
            Some(fault) => Err(fault),
            None => cells.and_then(|cells| row(&cells, place, records)),
        };
        if let Err(Fault { column, rule }) = read {
            if let Ok(ours) = ours {
                gate.set_aside(line, ours);
            }
            issues.push(RowIssue {
                table,
                place,
                column,
                rule,
            });
        }
    });
    parsed.fault = outcome.err();
    (parsed.identifying, parsed.tallies) = gate.into_parts();
    parsed
}

/// Numbers fittings by id; remembers the last, since rows of a fitting mostly stand together.
pub(super) struct Finder<'a> {
    known: &'a Known<'a>,
    strangers: HashMap<Box<str>, u32>,
    last_id: Vec<u8>,
    last_number: u32,
}

impl<'a> Finder<'a> {
    pub(super) fn new(known: &'a Known<'a>) -> Self {
        Self {
            known,
            strangers: HashMap::new(),
            last_id: Vec::new(),
            last_number: 0,
        }
    }

    pub(super) fn number(&mut self, cells: &Cells<'_>, column: usize) -> Result<u32, Fault> {
        let text = cells.text(column);
        if !text.is_empty() && text == self.last_id.as_slice() {
            return Ok(self.last_number);
        }
        let id = cells.identifier(column)?;
        let number = match self.known.get(&*id) {
            Some(&number) => number,
            None => match self.strangers.get(&*id) {
                Some(&number) => number,
                None => {
                    let next = u32::try_from(self.strangers.len()).unwrap_or(STRANGER - 1);
                    self.strangers.insert((*id).into(), next | STRANGER);
                    next | STRANGER
                }
            },
        };
        self.last_id.clear();
        self.last_id.extend_from_slice(text);
        self.last_number = number;
        Ok(number)
    }

    /// Ids of strangers in order of their numbers.
    pub(super) fn into_strangers(self) -> Vec<Box<str>> {
        let mut numbered: Vec<(u32, Box<str>)> = self
            .strangers
            .into_iter()
            .map(|(id, number)| (number, id))
            .collect();
        numbered.sort_unstable_by_key(|(number, _)| *number);
        numbered.into_iter().map(|(_, id)| id).collect()
    }
}

/// Oldest age that is kept apart; 90 stands for 90 and older.
const TOP_AGE: i16 = 90;

/// Reads rows of `fittings`; ids of rows that break a rule come back as strangers.
pub(crate) fn fittings(file: u16, header: &Header, batch: &RowBatch) -> Parsed<(Fitting, Place)> {
    let mut refused: Vec<Box<str>> = Vec::new();
    let mut parsed = each_row(
        TableName::Fittings,
        file,
        header,
        batch,
        |cells, place, out| match fitting(cells, header) {
            Ok(fitting) => {
                out.push((fitting, place));
                Ok(())
            }
            Err(fault) => {
                refused.extend(cells.identifier(0).ok().map(Into::into));
                Err(fault)
            }
        },
    );
    parsed.strangers = refused;
    parsed
}

fn fitting(cells: &Cells<'_>, header: &Header) -> Result<Fitting, Fault> {
    let date = cells.required(4)?;
    let kept = match header.year_only {
        true => Quarter::year_of(date),
        false => Quarter::from_date(date),
    };
    Ok(Fitting {
        id: cells.identifier(0)?.into(),
        patient: cells.identifier(1)?.into(),
        clinic: cells.identifier(2)?.into(),
        clinician: cells.identifier(3)?.into(),
        quarter: kept.ok_or_else(|| cells.fault(4, Rule::NotADate))?,
        age: cells
            .whole(5)?
            .map(|age| i16::try_from(age).map_or(TOP_AGE, |age| age.min(TOP_AGE))),
        experience: cells.word(6, Experience::from_word)?,
        prescription: cells.label(7)?.map(Into::into),
        referral: cells
            .word(8, Referral::from_word)?
            .unwrap_or(Referral::Unknown),
        returned: cells.word(9, Truth::from_word)?.map(|t| t == Truth::True),
        labels: labels(cells, header)?,
    })
}

/// Further labels, by number of the label column, so that files may name their columns in any order.
fn labels(cells: &Cells<'_>, header: &Header) -> Result<Vec<(u16, Box<str>)>, Fault> {
    let mut labels = Vec::with_capacity(header.labels.len());
    for (position, number) in &header.labels {
        if let Some(label) = cells.label_at(*position)? {
            labels.push((*number, label.into()));
        }
    }
    labels.sort_unstable();
    Ok(labels)
}

/// Reads rows of `ears`, long or wide.
pub(crate) fn ears(
    file: u16,
    header: &Header,
    batch: &RowBatch,
    known: &Known<'_>,
) -> Parsed<EarRecord> {
    if header.form == Form::Long {
        return ear_points::ears(file, header, batch, known);
    }
    let mut finder = Finder::new(known);
    let mut parsed = each_row(TableName::Ears, file, header, batch, |cells, place, out| {
        let fitting = finder.number(cells, 0)?;
        let ear = cells.required_word(1, Ear::from_word)?;
        let mut record = EarRecord::new(fitting, ear, place);
        record.fitted = Some(cells.required_word(2, Truth::from_word)? == Truth::True);
        for position in 0..N_FREQUENCIES {
            if let Some((threshold, censored)) = cells.threshold(3 + position)? {
                record.set(position, threshold, censored);
            }
        }
        record.coupling = cells.word(3 + N_FREQUENCIES, Coupling::from_word)?;
        record.style = cells.label(4 + N_FREQUENCIES)?.map(Into::into);
        out.push(record);
        Ok(())
    });
    parsed.strangers = finder.into_strangers();
    parsed
}

/// Reads rows of `responses`, long or wide; points of a curve that stand together become one record.
pub(crate) fn responses(
    file: u16,
    header: &Header,
    batch: &RowBatch,
    known: &Known<'_>,
) -> Parsed<Curve> {
    let mut finder = Finder::new(known);
    let wide = header.form == Form::Wide;
    let mut parsed = each_row(
        TableName::Responses,
        file,
        header,
        batch,
        |cells, place, out| {
            let key = CurveKey {
                fitting: finder.number(cells, 0)?,
                ear: cells.required_word(1, Ear::from_word)?,
                stage: cells.word(2, Stage::from_word)?.unwrap_or(Stage::Final),
                quantity: cells.required_word(3, Quantity::from_word)?,
                input_level: cells
                    .level(4)?
                    .ok_or_else(|| cells.fault(4, Rule::Required))?,
            };
            if wide {
                let mut curve = Curve::new(key, place, true);
                for position in 0..N_FREQUENCIES {
                    let target = cells.level(5 + position)?;
                    let measured = cells.level(5 + N_FREQUENCIES + position)?;
                    curve.set(position, target, measured);
                }
                if curve.has_measured == 0 {
                    return Err(Fault::of_row(Rule::NoMeasurement));
                }
                out.push(curve);
            } else {
                let position = cells.frequency(5)?;
                let target = cells.level(6)?;
                let measured = cells
                    .level(7)?
                    .ok_or_else(|| cells.fault(7, Rule::Required))?;
                add_point(out, key, place, position, target, measured);
            }
            Ok(())
        },
    );
    parsed.strangers = finder.into_strangers();
    parsed
}

/// Adds a point to the last curve where it belongs there and its place is free, or begins another.
fn add_point(
    out: &mut Vec<Curve>,
    key: CurveKey,
    place: Place,
    position: usize,
    target: Option<i16>,
    measured: i16,
) {
    if let Some(last) = out.last_mut()
        && last.key == key
        && last.filled() & (1 << position) == 0
        && let Some(offset) = place.line.checked_sub(last.place.line)
        && let Ok(offset) = u16::try_from(offset)
    {
        if let Some(slot) = last.line_offset.get_mut(position) {
            *slot = offset;
        }
        last.set(position, target, Some(measured));
        return;
    }
    let mut curve = Curve::new(key, place, false);
    curve.set(position, target, Some(measured));
    out.push(curve);
}

/// Reads rows of `outcomes`.
pub(crate) fn outcomes(
    file: u16,
    header: &Header,
    batch: &RowBatch,
    known: &Known<'_>,
    instruments: &Instruments,
) -> Parsed<Answer> {
    let mut finder = Finder::new(known);
    let mut parsed = each_row(
        TableName::Outcomes,
        file,
        header,
        batch,
        |cells, place, out| {
            let fitting = finder.number(cells, 0)?;
            let instrument = instruments
                .named(cells.required(1)?)
                .ok_or_else(|| cells.fault(1, Rule::UnknownInstrument))?;
            let item = instrument
                .item(cells.required(2)?)
                .ok_or_else(|| cells.fault(2, Rule::UnknownItem))?;
            let score = cells
                .decimal(3)?
                .ok_or_else(|| cells.fault(3, Rule::Required))?;
            if !instrument.holds(score) {
                return Err(cells.fault(3, Rule::OutOfRange));
            }
            if instrument.whole && !score.is_whole() {
                return Err(cells.fault(3, Rule::NotWhole));
            }
            out.push(Answer {
                fitting,
                item,
                weeks_after: cells
                    .hundredths(4)?
                    .and_then(|weeks| i32::try_from(weeks).ok()),
                score: i32::try_from(score.rounded)
                    .map_err(|_| cells.fault(3, Rule::OutOfRange))?,
                place,
            });
            Ok(())
        },
    );
    parsed.strangers = finder.into_strangers();
    parsed
}
