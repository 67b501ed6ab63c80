//! Reads parts of the cohort back into records, for the quarters that a delivery touches.

use std::cell::Cell;
use std::collections::HashSet;
use std::fs::File;
use std::path::Path;

use arrow::array::{
    Array, AsArray, BooleanArray, Int16Array, Int32Array, RecordBatch, StringArray,
};
use arrow::compute::cast;
use arrow::datatypes::{DataType, Int16Type, Int32Type};
use parquet::arrow::ProjectionMask;
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;
use rayon::prelude::*;

use super::manifest::{Manifest, Part};
use super::schema::StoreTable;
use crate::delivery::ITEM_SEPARATOR;
use crate::error::PipelineError;
use crate::quarter::Quarter;
use crate::records::{Answer, Curve, CurveKey, EarRecord, Fitting, Place, Records};
use crate::vocabulary::{Coupling, Ear, Experience, FREQUENCIES, Quantity, Referral, Stage};

const STORE: Place = Place {
    file: Place::STORE,
    line: 0,
};

/// The batches of a part, of some columns or all.
fn batches(
    folder: &Path,
    part: &Part,
    columns: Option<&[&str]>,
) -> Result<impl Iterator<Item = Result<RecordBatch, PipelineError>>, PipelineError> {
    let path = folder.join(&part.path);
    let file = File::open(&path).map_err(|source| PipelineError::read(&path, source))?;
    let mut builder = ParquetRecordBatchReaderBuilder::try_new(file)
        .map_err(|e| PipelineError::damaged(&path, e))?;
    if let Some(columns) = columns {
        let mask = ProjectionMask::columns(builder.parquet_schema(), columns.iter().copied());
        builder = builder.with_projection(mask);
    }
    let reader = builder
        .with_batch_size(1 << 16)
        .build()
        .map_err(|e| PipelineError::damaged(&path, e))?;
    Ok(reader.map(move |batch| batch.map_err(|e| PipelineError::damaged(&path, e))))
}

/// The quarters that hold any fitting of a set of ids.
pub(crate) fn quarters_with(
    folder: &Path,
    manifest: &Manifest,
    ids: &HashSet<&str>,
) -> Result<HashSet<String>, PipelineError> {
    if ids.is_empty() {
        return Ok(HashSet::new());
    }
    let parts: Vec<&Part> = parts(manifest, StoreTable::Fittings).collect();
    let looked: Vec<Result<bool, PipelineError>> = parts
        .par_iter()
        .map(|part| holds_any(folder, part, ids))
        .collect();
    let mut quarters = HashSet::new();
    for (part, found) in parts.into_iter().zip(looked) {
        if found? {
            quarters.insert(part.quarter.clone());
        }
    }
    Ok(quarters)
}

/// Whether a part holds any fitting of a set of ids.
fn holds_any(folder: &Path, part: &Part, ids: &HashSet<&str>) -> Result<bool, PipelineError> {
    for batch in batches(folder, part, Some(&["fitting_id"]))? {
        let batch = batch?;
        let texts = Texts::new(&batch, "fitting_id", folder, part)?;
        if (0..batch.num_rows()).any(|row| texts.at(row).is_some_and(|id| ids.contains(id))) {
            return Ok(true);
        }
    }
    Ok(false)
}

fn parts(manifest: &Manifest, table: StoreTable) -> impl Iterator<Item = &Part> {
    manifest
        .parts
        .iter()
        .filter(move |part| part.table == table.name())
}

/// A text column.
struct Texts(StringArray);

impl Texts {
    fn new(
        batch: &RecordBatch,
        name: &str,
        folder: &Path,
        part: &Part,
    ) -> Result<Self, PipelineError> {
        let column = batch
            .column_by_name(name)
            .and_then(|column| cast(column, &DataType::Utf8).ok())
            .ok_or_else(|| missing(folder, part, name))?;
        Ok(Self(column.as_string::<i32>().clone()))
    }

    fn at(&self, row: usize) -> Option<&str> {
        (row < self.0.len() && !self.0.is_null(row)).then(|| self.0.value(row))
    }

    fn word(&self, row: usize) -> &[u8] {
        self.at(row).unwrap_or_default().as_bytes()
    }
}

fn missing(folder: &Path, part: &Part, name: &str) -> PipelineError {
    PipelineError::damaged(&folder.join(&part.path), format!("it has no column {name}"))
}

/// The columns of a batch, by name, with errors that name the file.
struct Reader<'a> {
    batch: &'a RecordBatch,
    folder: &'a Path,
    part: &'a Part,
}

impl Reader<'_> {
    fn texts(&self, name: &str) -> Result<Texts, PipelineError> {
        Texts::new(self.batch, name, self.folder, self.part)
    }

    fn shorts(&self, name: &str) -> Result<Int16Array, PipelineError> {
        self.batch
            .column_by_name(name)
            .and_then(|column| column.as_primitive_opt::<Int16Type>())
            .cloned()
            .ok_or_else(|| missing(self.folder, self.part, name))
    }

    fn integers(&self, name: &str) -> Result<Int32Array, PipelineError> {
        self.batch
            .column_by_name(name)
            .and_then(|column| column.as_primitive_opt::<Int32Type>())
            .cloned()
            .ok_or_else(|| missing(self.folder, self.part, name))
    }

    fn flags(&self, name: &str) -> Result<BooleanArray, PipelineError> {
        self.batch
            .column_by_name(name)
            .and_then(|column| column.as_boolean_opt())
            .cloned()
            .ok_or_else(|| missing(self.folder, self.part, name))
    }

    fn shorts_by_frequency(&self, prefix: &str) -> Result<Vec<Int16Array>, PipelineError> {
        FREQUENCIES
            .iter()
            .map(|frequency| self.shorts(&format!("{prefix}_{frequency}")))
            .collect()
    }

    fn unknown(&self, what: &str) -> PipelineError {
        PipelineError::damaged(
            &self.folder.join(&self.part.path),
            format!("it holds a {what} that is not known"),
        )
    }
}

fn short(array: &Int16Array, row: usize) -> Option<i16> {
    (!array.is_null(row)).then(|| array.value(row))
}

/// The records of some quarters.
pub(crate) fn read_quarters(
    folder: &Path,
    manifest: &Manifest,
    quarters: &HashSet<String>,
) -> Result<Records, PipelineError> {
    let mut records = Records::default();
    let wanted = |table| parts(manifest, table).filter(|part| quarters.contains(&part.quarter));
    let mut fittings: Vec<Fitting> = Vec::new();
    for part in wanted(StoreTable::Fittings) {
        for batch in batches(folder, part, None)? {
            read_fittings(
                &Reader {
                    batch: &batch?,
                    folder,
                    part,
                },
                &mut records,
                &mut fittings,
            )?;
        }
    }
    fittings.sort_unstable_by(|a, b| a.id.cmp(&b.id));
    // Within a part rows are sorted by fitting: mostly it is that of the row before, or the next.
    let last = Cell::new(0_usize);
    let number = |id: Option<&str>| -> Option<u32> {
        let id = id?;
        let is_at = |at: &usize| fittings.get(*at).is_some_and(|fitting| *fitting.id == *id);
        let near = [last.get(), last.get() + 1].into_iter().find(is_at);
        let at = near.or_else(|| {
            let found = fittings.binary_search_by(|fitting| (*fitting.id).cmp(id));
            found.ok()
        })?;
        last.set(at);
        u32::try_from(at).ok()
    };
    for part in wanted(StoreTable::Ears) {
        for batch in batches(folder, part, None)? {
            read_ears(
                &Reader {
                    batch: &batch?,
                    folder,
                    part,
                },
                &number,
                &mut records.ears,
            )?;
        }
    }
    for part in wanted(StoreTable::Curves) {
        for batch in batches(folder, part, None)? {
            read_curves(
                &Reader {
                    batch: &batch?,
                    folder,
                    part,
                },
                &number,
                &mut records.curves,
            )?;
        }
    }
    for part in wanted(StoreTable::Answers) {
        for batch in batches(folder, part, None)? {
            let batch = batch?;
            let reader = Reader {
                batch: &batch,
                folder,
                part,
            };
            let ids = reader.texts("fitting_id")?;
            let (instruments, items) = (reader.texts("instrument")?, reader.texts("item")?);
            let (scores, weeks) = (reader.integers("score")?, reader.integers("weeks_after")?);
            for row in 0..batch.num_rows() {
                let fitting = number(ids.at(row)).ok_or_else(|| reader.unknown("fitting"))?;
                let name = format!(
                    "{}{ITEM_SEPARATOR}{}",
                    instruments.at(row).unwrap_or_default(),
                    items.at(row).unwrap_or_default()
                );
                records.answers.push(Answer {
                    fitting,
                    item: u16::try_from(records.items.number(&name)).unwrap_or(u16::MAX),
                    weeks_after: (!weeks.is_null(row)).then(|| weeks.value(row)),
                    score: scores.value(row),
                    place: STORE,
                });
            }
        }
    }
    records.fitting_places = vec![STORE; fittings.len()];
    records.fittings = fittings;
    Ok(records)
}

fn read_fittings(
    reader: &Reader<'_>,
    records: &mut Records,
    out: &mut Vec<Fitting>,
) -> Result<(), PipelineError> {
    let texts = |name: &str| reader.texts(name);
    let (ids, patients) = (texts("fitting_id")?, texts("patient_id")?);
    let (clinics, clinicians, quarters) = (
        texts("clinic_id")?,
        texts("clinician_id")?,
        texts("quarter")?,
    );
    let (experiences, prescriptions) = (texts("experience")?, texts("prescription")?);
    let referrals = texts("medical_referral")?;
    let (ages, returned) = (reader.shorts("age_years")?, reader.flags("returned")?);
    let labels: Vec<(u16, Texts)> = reader
        .part
        .label_columns
        .iter()
        .map(|name| {
            let number = u16::try_from(records.label_names.number(name)).unwrap_or(u16::MAX);
            Ok((number, texts(name)?))
        })
        .collect::<Result<_, PipelineError>>()?;
    for row in 0..reader.batch.num_rows() {
        let required = |texts: &Texts| -> Box<str> { texts.at(row).unwrap_or_default().into() };
        let quarter = quarters
            .at(row)
            .and_then(|text| text.parse::<Quarter>().ok())
            .ok_or_else(|| reader.unknown("quarter"))?;
        out.push(Fitting {
            id: required(&ids),
            patient: required(&patients),
            clinic: required(&clinics),
            clinician: required(&clinicians),
            quarter,
            age: short(&ages, row),
            experience: experiences
                .at(row)
                .and_then(|w| Experience::from_word(w.as_bytes())),
            prescription: prescriptions.at(row).map(Into::into),
            referral: referrals
                .at(row)
                .and_then(|w| Referral::from_word(w.as_bytes()))
                .ok_or_else(|| reader.unknown("referral"))?,
            returned: (!returned.is_null(row)).then(|| returned.value(row)),
            labels: labels
                .iter()
                .filter_map(|(number, texts)| Some((*number, texts.at(row)?.into())))
                .collect(),
        });
    }
    Ok(())
}

fn read_ears(
    reader: &Reader<'_>,
    number: &dyn Fn(Option<&str>) -> Option<u32>,
    out: &mut Vec<EarRecord>,
) -> Result<(), PipelineError> {
    let (ids, ears) = (reader.texts("fitting_id")?, reader.texts("ear")?);
    let (couplings, styles) = (reader.texts("coupling")?, reader.texts("style")?);
    let fitted = reader.flags("fitted")?;
    let thresholds = reader.shorts_by_frequency("threshold")?;
    let limits: Vec<BooleanArray> = FREQUENCIES
        .iter()
        .map(|frequency| reader.flags(&format!("no_response_{frequency}")))
        .collect::<Result<_, _>>()?;
    for row in 0..reader.batch.num_rows() {
        let fitting = number(ids.at(row)).ok_or_else(|| reader.unknown("fitting"))?;
        let ear = ears
            .at(row)
            .and_then(|w| Ear::from_word(w.as_bytes()))
            .ok_or_else(|| reader.unknown("ear"))?;
        let mut record = EarRecord::new(fitting, ear, STORE);
        record.fitted = Some(fitted.value(row));
        record.coupling = couplings
            .at(row)
            .and_then(|w| Coupling::from_word(w.as_bytes()));
        record.style = styles.at(row).map(Into::into);
        for (position, (values, limits)) in thresholds.iter().zip(&limits).enumerate() {
            if let Some(value) = short(values, row) {
                record.set(position, value, !limits.is_null(row) && limits.value(row));
            }
        }
        out.push(record);
    }
    Ok(())
}

fn read_curves(
    reader: &Reader<'_>,
    number: &dyn Fn(Option<&str>) -> Option<u32>,
    out: &mut Vec<Curve>,
) -> Result<(), PipelineError> {
    let (ids, ears) = (reader.texts("fitting_id")?, reader.texts("ear")?);
    let (stages, quantities) = (reader.texts("stage")?, reader.texts("quantity")?);
    let levels = reader.shorts("input_level")?;
    let targets = reader.shorts_by_frequency("target")?;
    let measured = reader.shorts_by_frequency("measured")?;
    for row in 0..reader.batch.num_rows() {
        let key = CurveKey {
            fitting: number(ids.at(row)).ok_or_else(|| reader.unknown("fitting"))?,
            ear: Ear::from_word(ears.word(row)).ok_or_else(|| reader.unknown("ear"))?,
            stage: Stage::from_word(stages.word(row)).ok_or_else(|| reader.unknown("stage"))?,
            quantity: Quantity::from_word(quantities.word(row))
                .ok_or_else(|| reader.unknown("quantity"))?,
            input_level: levels.value(row),
        };
        let mut curve = Curve::new(key, STORE, false);
        for (position, (targets, measured)) in targets.iter().zip(&measured).enumerate() {
            curve.set(position, short(targets, row), short(measured, row));
        }
        out.push(curve);
    }
    Ok(())
}
