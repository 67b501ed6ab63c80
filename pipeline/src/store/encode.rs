//! Turns settled records into Arrow batches of the store's schemas.

use std::sync::Arc;

use arrow::array::{
    ArrayRef, BooleanArray, Int16Array, Int16Builder, Int32Array, Int64Builder, RecordBatch,
    StringArray,
};
use arrow::error::ArrowError;
use rayon::prelude::*;

use super::labels::{Coded, labels_of};
use super::schema::{StoreTable, schema};
use crate::delivery::ITEM_SEPARATOR;
use crate::derive::{
    CurveMeasures, FittingMeasures, configuration, curve_measures, fitting_measures,
};
use crate::quarter::Quarter;
use crate::records::{Answer, Curve, EarRecord, Records};
use crate::vocabulary::{Ear, N_FREQUENCIES, Stage};

/// Records with everything derived, ready to be cut into batches.
pub(crate) struct Encoder<'a> {
    records: &'a Records,
    measures: Vec<FittingMeasures<'a>>,
    label_names: Vec<&'a str>,
    by_fitting: Vec<Coded>,
    ear: Coded,
    coupling: Coded,
    style: Coded,
    verified: Vec<bool>,
    ear_rows: Vec<[Option<u32>; 2]>,
    ear_coupling: Coded,
    ear_style: Coded,
    latest: Vec<bool>,
    rows: Vec<Partition>,
}

/// Rows of one quarter, by position in the records.
pub(crate) struct Partition {
    pub(crate) quarter: Quarter,
    fittings: Vec<u32>,
    ears: Vec<u32>,
    curves: Vec<u32>,
    answers: Vec<u32>,
}

impl Partition {
    pub(crate) fn rows(&self, table: StoreTable) -> &[u32] {
        match table {
            StoreTable::Fittings => &self.fittings,
            StoreTable::Ears => &self.ears,
            StoreTable::Curves => &self.curves,
            StoreTable::Answers => &self.answers,
        }
    }
}

impl<'a> Encoder<'a> {
    pub(crate) fn new(records: &'a Records) -> Self {
        let fittings = &records.fittings;
        let ear_rows = rows_of_ears(records);
        let measures: Vec<FittingMeasures> = fittings
            .par_iter()
            .zip(&ear_rows)
            .map(|(fitting, rows)| {
                let ear = |row: &Option<u32>| records.ears.get((*row)? as usize);
                match rows.each_ref().map(ear) {
                    [Some(left), Some(right)] => fitting_measures(fitting, &[left, right]),
                    [Some(one), None] | [None, Some(one)] => fitting_measures(fitting, &[one]),
                    [None, None] => fitting_measures(fitting, &[]),
                }
            })
            .collect();
        let quarters: Vec<String> = fittings.iter().map(|f| f.quarter.to_string()).collect();
        let mut label_names: Vec<(&str, u16)> = records
            .label_names
            .values()
            .iter()
            .zip(0_u16..)
            .map(|(name, number)| (&**name, number))
            .collect();
        label_names.sort_unstable();
        let mut by_fitting = vec![
            Coded::new(quarters.iter().map(|quarter| Some(quarter.as_str()))),
            Coded::new(fittings.iter().map(|f| Some(&*f.clinic))),
            Coded::new(fittings.iter().map(|f| Some(&*f.clinician))),
            Coded::new(fittings.iter().map(|f| f.experience.map(|e| e.word()))),
            Coded::new(measures.iter().map(|m| m.age_band)),
            Coded::new(measures.iter().map(|m| m.grade)),
            Coded::new(fittings.iter().map(|f| f.prescription.as_deref())),
        ];
        for (_, number) in &label_names {
            by_fitting.push(Coded::new(fittings.iter().map(|fitting| {
                fitting
                    .labels
                    .iter()
                    .find(|(of, _)| of == number)
                    .map(|(_, label)| &**label)
            })));
        }
        let mut verified = vec![false; fittings.len()];
        for curve in &records.curves {
            // A response in an ear that got nothing verifies nothing.
            let fitted = measures
                .get(curve.key.fitting as usize)
                .and_then(|m| m.fitted.get(curve.key.ear as usize))
                == Some(&true);
            if fitted
                && curve.key.stage == Stage::Final
                && curve.has_measured != 0
                && let Some(slot) = verified.get_mut(curve.key.fitting as usize)
            {
                *slot = true;
            }
        }
        Self {
            ear: Coded::new(measures.iter().map(|m| m.ear)),
            coupling: Coded::new(measures.iter().map(|m| m.coupling)),
            style: Coded::new(measures.iter().map(|m| m.style)),
            ear_coupling: Coded::new(records.ears.iter().map(|e| e.coupling.map(|c| c.word()))),
            ear_style: Coded::new(records.ears.iter().map(|e| e.style.as_deref())),
            latest: latest_answers(&records.answers),
            label_names: label_names.iter().map(|(name, _)| *name).collect(),
            rows: partitions(records),
            records,
            measures,
            by_fitting,
            verified,
            ear_rows,
        }
    }

    /// The quarters there are, with their rows.
    pub(crate) fn partitions(&self) -> &[Partition] {
        &self.rows
    }

    /// Names of the label columns, sorted.
    pub(crate) fn label_names(&self) -> &[&'a str] {
        &self.label_names
    }

    /// A batch of a table's rows.
    pub(crate) fn batch(&self, table: StoreTable, rows: &[u32]) -> Result<RecordBatch, ArrowError> {
        let mut columns = match table {
            StoreTable::Fittings => self.fitting_columns(rows)?,
            StoreTable::Ears => self.ear_columns(rows)?,
            StoreTable::Curves => self.curve_columns(rows)?,
            StoreTable::Answers => self.answer_columns(rows)?,
        };
        columns.shrink_to_fit();
        RecordBatch::try_new(schema(table, &self.label_names), columns)
    }

    /// Id and grouping columns; `ear`, `coupling` and `style` are the caller's.
    fn group_columns(
        &self,
        numbers: &[u32],
        own: [ArrayRef; 3],
        with_patient: bool,
    ) -> Result<Vec<ArrayRef>, ArrowError> {
        let fitting = |number: &u32| self.records.fittings.get(*number as usize);
        let ids = numbers.iter().map(|n| fitting(n).map(|f| &*f.id));
        let mut columns: Vec<ArrayRef> = vec![Arc::new(ids.collect::<StringArray>())];
        if with_patient {
            let patients = numbers.iter().map(|n| fitting(n).map(|f| &*f.patient));
            columns.push(Arc::new(patients.collect::<StringArray>()));
        }
        let mut coded = self
            .by_fitting
            .iter()
            .map(|column| column.array(numbers.iter().copied()));
        for column in coded.by_ref().take(3) {
            columns.push(column?);
        }
        columns.extend(own);
        for column in coded {
            columns.push(column?);
        }
        Ok(columns)
    }

    fn fitting_columns(&self, rows: &[u32]) -> Result<Vec<ArrayRef>, ArrowError> {
        let own = [
            self.ear.array(rows.iter().copied())?,
            self.coupling.array(rows.iter().copied())?,
            self.style.array(rows.iter().copied())?,
        ];
        let mut columns = self.group_columns(rows, own, true)?;
        let fittings = || {
            rows.iter()
                .filter_map(|n| self.records.fittings.get(*n as usize))
        };
        let measures = || rows.iter().filter_map(|n| self.measures.get(*n as usize));
        let flag = |value: &dyn Fn(&FittingMeasures<'_>) -> Option<bool>| -> ArrayRef {
            Arc::new(measures().map(value).collect::<BooleanArray>())
        };
        columns.push(Arc::new(fittings().map(|f| f.age).collect::<Int16Array>()));
        columns.push(labels_of(fittings().map(|f| Some(f.referral.word())))?);
        columns.push(Arc::new(
            fittings().map(|f| f.returned).collect::<BooleanArray>(),
        ));
        columns.push(Arc::new(
            measures()
                .map(|m| Some(m.n_fitted()))
                .collect::<Int16Array>(),
        ));
        columns.push(flag(&|m| Some(m.fitted[0])));
        columns.push(flag(&|m| Some(m.fitted[1])));
        columns.push(Arc::new(
            rows.iter()
                .map(|n| self.verified.get(*n as usize).copied())
                .collect::<BooleanArray>(),
        ));
        for side in 0..2 {
            let sums = measures().map(|m| m.pure_tone.get(side)?.map(|p| p.sum));
            columns.push(Arc::new(sums.collect::<Int32Array>()));
        }
        columns.push(flag(&|m| m.pure_tone[0].map(|p| p.lower_bound)));
        columns.push(flag(&|m| m.pure_tone[1].map(|p| p.lower_bound)));
        columns.push(flag(&|m| m.asymmetry.adjacent_15));
        columns.push(flag(&|m| m.asymmetry.average_15));
        columns.push(flag(&|m| m.asymmetry.contiguous_10));
        columns.push(flag(&|m| m.asymmetry.three_k));
        columns.push(flag(&|m| m.asymmetry.one_sided));
        Ok(columns)
    }

    fn ear_columns(&self, rows: &[u32]) -> Result<Vec<ArrayRef>, ArrowError> {
        let ears: Vec<&EarRecord> = rows
            .iter()
            .filter_map(|row| self.records.ears.get(*row as usize))
            .collect();
        let numbers: Vec<u32> = ears.iter().map(|record| record.fitting).collect();
        let own = [
            labels_of(ears.iter().map(|record| Some(record.ear.word())))?,
            self.ear_coupling.array(rows.iter().copied())?,
            self.ear_style.array(rows.iter().copied())?,
        ];
        let mut columns = self.group_columns(&numbers, own, false)?;
        let fitted: BooleanArray = ears.iter().map(|r| Some(r.fitted == Some(true))).collect();
        columns.push(Arc::new(fitted));
        columns.push(labels_of(ears.iter().map(|record| configuration(record)))?);
        for position in 0..N_FREQUENCIES {
            let thresholds: Int16Array = ears.iter().map(|r| r.threshold(position)).collect();
            columns.push(Arc::new(thresholds));
        }
        for position in 0..N_FREQUENCIES {
            let limits: BooleanArray = ears
                .iter()
                .map(|r| {
                    r.threshold(position)
                        .map(|_| r.censored & (1 << position) != 0)
                })
                .collect();
            columns.push(Arc::new(limits));
        }
        Ok(columns)
    }

    fn curve_columns(&self, rows: &[u32]) -> Result<Vec<ArrayRef>, ArrowError> {
        let curves: Vec<&Curve> = rows
            .iter()
            .filter_map(|row| self.records.curves.get(*row as usize))
            .collect();
        let numbers: Vec<u32> = curves.iter().map(|curve| curve.key.fitting).collect();
        let ear_row = |curve: &Curve| -> Option<u32> {
            self.ear_rows
                .get(curve.key.fitting as usize)
                .and_then(|rows| rows.get(curve.key.ear as usize).copied().flatten())
        };
        // A row beyond the last has no label; a curve always has its ear.
        let ear_rows: Vec<u32> = curves
            .iter()
            .map(|c| ear_row(c).unwrap_or(u32::MAX))
            .collect();
        let words =
            |word: &dyn Fn(&Curve) -> &'static str| labels_of(curves.iter().map(|c| Some(word(c))));
        let own = [
            words(&|curve| curve.key.ear.word())?,
            self.ear_coupling.array(ear_rows.iter().copied())?,
            self.ear_style.array(ear_rows.iter().copied())?,
        ];
        let mut columns = self.group_columns(&numbers, own, false)?;
        let fitted: BooleanArray = ear_rows
            .iter()
            .map(|row| {
                Some(
                    self.records
                        .ears
                        .get(*row as usize)
                        .is_some_and(|r| r.fitted == Some(true)),
                )
            })
            .collect();
        columns.push(Arc::new(fitted));
        let n_fitted: Int16Array = numbers
            .iter()
            .map(|n| {
                self.measures
                    .get(*n as usize)
                    .map(FittingMeasures::n_fitted)
            })
            .collect();
        columns.push(Arc::new(n_fitted));
        columns.push(words(&|curve| curve.key.stage.word())?);
        columns.push(words(&|curve| curve.key.quantity.word())?);
        columns.push(Arc::new(
            curves
                .iter()
                .map(|c| Some(c.key.input_level))
                .collect::<Int16Array>(),
        ));
        columns.extend(points_and_measures(&curves));
        Ok(columns)
    }

    fn answer_columns(&self, rows: &[u32]) -> Result<Vec<ArrayRef>, ArrowError> {
        let answers: Vec<&Answer> = rows
            .iter()
            .filter_map(|row| self.records.answers.get(*row as usize))
            .collect();
        let numbers: Vec<u32> = answers.iter().map(|answer| answer.fitting).collect();
        let own = [
            self.ear.array(numbers.iter().copied())?,
            self.coupling.array(numbers.iter().copied())?,
            self.style.array(numbers.iter().copied())?,
        ];
        let mut columns = self.group_columns(&numbers, own, false)?;
        let fitted: BooleanArray = numbers
            .iter()
            .map(|n| {
                Some(
                    self.measures
                        .get(*n as usize)
                        .is_some_and(|m| m.ear.is_some()),
                )
            })
            .collect();
        columns.push(Arc::new(fitted));
        let item = |answer: &Answer| {
            self.records
                .items
                .label(answer.item.into())
                .split_once(ITEM_SEPARATOR)
        };
        columns.push(labels_of(
            answers.iter().map(|a| item(a).map(|(name, _)| name)),
        )?);
        columns.push(labels_of(
            answers.iter().map(|a| item(a).map(|(_, item)| item)),
        )?);
        columns.push(Arc::new(
            answers
                .iter()
                .map(|a| Some(a.score))
                .collect::<Int32Array>(),
        ));
        columns.push(Arc::new(
            answers
                .iter()
                .map(|a| a.weeks_after)
                .collect::<Int32Array>(),
        ));
        let latest: BooleanArray = rows
            .iter()
            .map(|row| self.latest.get(*row as usize).copied())
            .collect();
        columns.push(Arc::new(latest));
        Ok(columns)
    }
}

/// Targets, measured values and deviations by frequency, then the measures of each curve. A curve is looked at once: its
/// points stand together in memory, those of a frequency do not.
fn points_and_measures(curves: &[&Curve]) -> Vec<ArrayRef> {
    let shorts = || -> [Int16Builder; N_FREQUENCIES] {
        std::array::from_fn(|_| Int16Builder::with_capacity(curves.len()))
    };
    let (mut targets, mut measured, mut deviations) = (shorts(), shorts(), shorts());
    let mut derived: [Int64Builder; 5] =
        std::array::from_fn(|_| Int64Builder::with_capacity(curves.len()));
    for curve in curves {
        let columns = targets.iter_mut().zip(&mut measured).zip(&mut deviations);
        for (((targets, measured), deviations), position) in columns.zip(0..) {
            let point = curve.point(position);
            targets.append_option(point.0);
            measured.append_option(point.1);
            deviations.append_option(curve.deviation(position));
        }
        let CurveMeasures {
            sum_of_squares,
            rms,
            signed,
            high_frequency,
            slope,
        } = curve_measures(curve);
        let measures = [sum_of_squares, rms, signed, high_frequency, slope];
        for (column, measure) in derived.iter_mut().zip(measures) {
            column.append_option(measure);
        }
    }
    let points = targets.into_iter().chain(measured).chain(deviations);
    points
        .map(|mut column| -> ArrayRef { Arc::new(column.finish()) })
        .chain(derived.map(|mut column| -> ArrayRef { Arc::new(column.finish()) }))
        .collect()
}

/// For each fitting the row of its left and of its right ear.
fn rows_of_ears(records: &Records) -> Vec<[Option<u32>; 2]> {
    let mut rows = vec![[None, None]; records.fittings.len()];
    for (record, row) in records.ears.iter().zip(0_u32..) {
        let slot = rows
            .get_mut(record.fitting as usize)
            .and_then(|pair: &mut [Option<u32>; 2]| pair.get_mut(record.ear as usize));
        if let Some(slot) = slot {
            *slot = Some(row);
        }
    }
    debug_assert_eq!([Ear::Left as usize, Ear::Right as usize], [0, 1]);
    rows
}

/// Marks the last answer to each item of a fitting: by weeks after, an answer without weeks counting as earliest.
fn latest_answers(answers: &[Answer]) -> Vec<bool> {
    // Sorted by fitting, item and weeks, so the last of a run is the latest.
    let nexts = answers
        .iter()
        .skip(1)
        .map(Some)
        .chain(std::iter::once(None));
    answers
        .iter()
        .zip(nexts)
        .map(|(answer, next)| {
            next.is_none_or(|next| (next.fitting, next.item) != (answer.fitting, answer.item))
        })
        .collect()
}

fn partitions(records: &Records) -> Vec<Partition> {
    let mut quarters: Vec<Quarter> = records.fittings.iter().map(|f| f.quarter).collect();
    quarters.sort_unstable();
    quarters.dedup();
    let mut parts: Vec<Partition> = quarters
        .iter()
        .map(|&quarter| Partition {
            quarter,
            fittings: Vec::new(),
            ears: Vec::new(),
            curves: Vec::new(),
            answers: Vec::new(),
        })
        .collect();
    let of_fitting: Vec<usize> = records
        .fittings
        .iter()
        .map(|fitting| quarters.binary_search(&fitting.quarter).unwrap_or(0))
        .collect();
    let mut place = |fitting: u32, row: u32, rows: fn(&mut Partition) -> &mut Vec<u32>| {
        if let Some(part) = of_fitting
            .get(fitting as usize)
            .and_then(|part| parts.get_mut(*part))
        {
            rows(part).push(row);
        }
    };
    for number in (0_u32..).take(records.fittings.len()) {
        place(number, number, |part| &mut part.fittings);
    }
    for (record, row) in records.ears.iter().zip(0_u32..) {
        place(record.fitting, row, |part| &mut part.ears);
    }
    for (curve, row) in records.curves.iter().zip(0_u32..) {
        place(curve.key.fitting, row, |part| &mut part.curves);
    }
    for (answer, row) in records.answers.iter().zip(0_u32..) {
        place(answer.fitting, row, |part| &mut part.answers);
    }
    parts
}
