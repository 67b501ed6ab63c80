//! Keys across the parts: every part is sorted by fitting, so the parts of a quarter are walked through side by side, and
//! then all fittings of all quarters.

use std::cmp::Reverse;
use std::collections::{BTreeMap, BinaryHeap, HashSet};
use std::fs::File;
use std::path::Path;

use arrow::array::{Array, AsArray, StringArray};
use arrow::compute::cast;
use arrow::datatypes::DataType;
use parquet::arrow::ProjectionMask;
use parquet::arrow::arrow_reader::{ParquetRecordBatchReader, ParquetRecordBatchReaderBuilder};
use rayon::prelude::*;

use super::Finding;
use crate::store::manifest::{Manifest, Part};
use crate::store::schema::StoreTable;

/// Rows in a batch: as many parts as there are quarters may be open at once.
const BATCH_ROWS: usize = 2048;

/// The columns that tell rows of a fitting apart, after its id.
fn key_columns(table: StoreTable) -> &'static [&'static str] {
    match table {
        StoreTable::Fittings => &[],
        StoreTable::Ears => &["ear"],
        StoreTable::Curves => &["ear", "stage", "quantity", "input_level"],
        StoreTable::Answers => &["instrument", "item", "weeks_after"],
    }
}

/// Checks keys of quarters all of whose files are as they should be.
pub(super) fn check(
    folder: &Path,
    manifest: &Manifest,
    sound: &HashSet<String>,
    findings: &mut Vec<Finding>,
) {
    let mut quarters: BTreeMap<&str, Vec<&Part>> = BTreeMap::new();
    for part in &manifest.parts {
        quarters.entry(&part.quarter).or_default().push(part);
    }
    let whole: Vec<&Vec<&Part>> = quarters
        .values()
        .filter(|parts| parts.iter().all(|part| sound.contains(&part.path)))
        .collect();
    let found: Vec<Vec<Finding>> = whole
        .par_iter()
        .map(|parts| guarded(parts, || quarter(folder, parts)))
        .collect();
    findings.extend(found.into_iter().flatten());
    let all: Vec<&Part> = whole
        .iter()
        .flat_map(|parts| parts.iter().copied())
        .collect();
    findings.extend(guarded(&all, || across_quarters(folder, &all)));
}

/// What is wrong, whether it came as a list, ended the walk, or made the decoder give up.
fn guarded(parts: &[&Part], walk: impl FnOnce() -> Result<Vec<Finding>, Finding>) -> Vec<Finding> {
    match std::panic::catch_unwind(std::panic::AssertUnwindSafe(walk)) {
        Ok(Ok(findings)) => findings,
        Ok(Err(finding)) => vec![finding],
        Err(_) => parts
            .first()
            .map(|part| Finding::new(&part.path, "it cannot be read as Parquet"))
            .into_iter()
            .collect(),
    }
}

/// A row's keys, and where it stands.
struct Row {
    id: String,
    key: String,
    part: usize,
    number: u64,
}

/// The rows of a part, by key.
struct Cursor {
    reader: ParquetRecordBatchReader,
    columns: &'static [&'static str],
    batch: Vec<StringArray>,
    at: usize,
    rows: u64,
    last: String,
    path: String,
}

impl Cursor {
    fn open(folder: &Path, part: &Part, table: StoreTable) -> Result<Self, Finding> {
        let unreadable = || Finding::new(&part.path, "it cannot be read as Parquet");
        let file = File::open(folder.join(&part.path)).map_err(|_| unreadable())?;
        let builder = ParquetRecordBatchReaderBuilder::try_new(file).map_err(|_| unreadable())?;
        let columns = key_columns(table);
        let names = std::iter::once("fitting_id").chain(columns.iter().copied());
        let mask = ProjectionMask::columns(builder.parquet_schema(), names);
        let reader = builder
            .with_projection(mask)
            .with_batch_size(BATCH_ROWS)
            .build()
            .map_err(|_| unreadable())?;
        Ok(Self {
            reader,
            columns,
            batch: Vec::new(),
            at: 0,
            rows: 0,
            last: String::new(),
            path: part.path.clone(),
        })
    }

    fn next(&mut self, part: usize) -> Result<Option<Row>, Finding> {
        let wrong = |detail: String| Finding::new(&self.path, detail);
        while self.batch.first().is_none_or(|ids| self.at >= ids.len()) {
            let Some(batch) = self.reader.next() else {
                return Ok(None);
            };
            let batch = batch.map_err(|_| wrong("it cannot be read as Parquet".to_owned()))?;
            self.batch = std::iter::once(&"fitting_id")
                .chain(self.columns)
                .map(|name| {
                    batch
                        .column_by_name(name)
                        .and_then(|column| cast(column, &DataType::Utf8).ok())
                        .and_then(|column| column.as_string_opt::<i32>().cloned())
                        .ok_or_else(|| wrong(format!("it has no column {name}")))
                })
                .collect::<Result<_, _>>()?;
            self.at = 0;
        }
        let mut texts = self
            .batch
            .iter()
            .map(|texts| (!texts.is_null(self.at)).then(|| texts.value(self.at)));
        let number = self.rows + 1;
        let Some(Some(id)) = texts.next() else {
            return Err(wrong(format!("its row {number} has no fitting_id")));
        };
        if *id < *self.last {
            return Err(wrong(format!(
                "its row {number} is not in the order of fitting_id"
            )));
        }
        // A null is told from an empty text.
        let mut key = String::new();
        for text in texts {
            key.push_str(text.unwrap_or("\u{1}"));
            key.push('\u{1f}');
        }
        let row = Row {
            id: id.to_owned(),
            key,
            part,
            number,
        };
        self.last.clone_from(&row.id);
        self.at += 1;
        self.rows = number;
        Ok(Some(row))
    }
}

/// The rows of several parts in the order of their fittings.
struct Merge {
    cursors: Vec<Cursor>,
    heap: BinaryHeap<Reverse<(String, usize)>>,
    heads: Vec<Option<Row>>,
}

impl Merge {
    fn open(folder: &Path, parts: &[&Part], table: StoreTable) -> Result<Self, Finding> {
        let cursors = parts
            .iter()
            .filter(|part| part.table == table.name())
            .map(|part| Cursor::open(folder, part, table))
            .collect::<Result<Vec<_>, _>>()?;
        let mut merge = Self {
            heads: cursors.iter().map(|_| None).collect(),
            heap: BinaryHeap::new(),
            cursors,
        };
        for number in 0..merge.cursors.len() {
            merge.fill(number)?;
        }
        Ok(merge)
    }

    fn fill(&mut self, number: usize) -> Result<(), Finding> {
        if let (Some(cursor), Some(head)) =
            (self.cursors.get_mut(number), self.heads.get_mut(number))
        {
            *head = cursor.next(number)?;
            if let Some(row) = head {
                self.heap.push(Reverse((row.id.clone(), number)));
            }
        }
        Ok(())
    }

    /// The fitting of the next row.
    fn peek(&self) -> Option<&str> {
        self.heap.peek().map(|Reverse((id, _))| id.as_str())
    }

    fn next(&mut self) -> Result<Option<Row>, Finding> {
        let Some(Reverse((_, number))) = self.heap.pop() else {
            return Ok(None);
        };
        let row = self.heads.get_mut(number).and_then(Option::take);
        self.fill(number)?;
        Ok(row)
    }

    fn path(&self, part: usize) -> &str {
        self.cursors
            .get(part)
            .map_or("", |cursor| cursor.path.as_str())
    }
}

/// Rows that share a fault: the first of them, and how many, by part.
#[derive(Default)]
struct Tally(BTreeMap<usize, (u64, u64)>);

impl Tally {
    fn add(&mut self, row: &Row) {
        self.0.entry(row.part).or_insert((row.number, 0)).1 += 1;
    }

    fn report(self, merge: &Merge, what: &str, out: &mut Vec<Finding>) {
        for (part, (first, rows)) in self.0 {
            out.push(Finding::new(
                merge.path(part),
                format!("{rows} of its rows {what}, the first being row {first}"),
            ));
        }
    }
}

/// Walks through the tables of one quarter.
fn quarter(folder: &Path, parts: &[&Part]) -> Result<Vec<Finding>, Finding> {
    let mut out = Vec::new();
    let mut fittings = Merge::open(folder, parts, StoreTable::Fittings)?;
    let tables = [StoreTable::Ears, StoreTable::Curves, StoreTable::Answers];
    let mut children = tables
        .iter()
        .map(|table| {
            Ok((
                Merge::open(folder, parts, *table)?,
                Tally::default(),
                Tally::default(),
            ))
        })
        .collect::<Result<Vec<_>, Finding>>()?;
    let mut repeated = Tally::default();
    let mut last = None;
    let mut keys = HashSet::new();
    while let Some(row) = fittings.next()? {
        if last.as_ref() == Some(&row.id) {
            repeated.add(&row);
            continue;
        }
        for (child, orphans, twice) in &mut children {
            keys.clear();
            while child.peek().is_some_and(|id| *id <= *row.id) {
                let Some(found) = child.next()? else { break };
                if found.id != row.id {
                    orphans.add(&found);
                } else if keys.contains(&found.key) {
                    twice.add(&found);
                } else {
                    keys.insert(found.key);
                }
            }
        }
        last = Some(row.id);
    }
    repeated.report(&fittings, "hold a fitting that is there already", &mut out);
    for (mut child, mut orphans, twice) in children {
        while let Some(row) = child.next()? {
            orphans.add(&row);
        }
        orphans.report(&child, "have no fitting in their quarter", &mut out);
        twice.report(&child, "have a key that is there already", &mut out);
    }
    Ok(out)
}

/// Walks through the fittings of all quarters.
fn across_quarters(folder: &Path, parts: &[&Part]) -> Result<Vec<Finding>, Finding> {
    let fittings: Vec<&Part> = parts
        .iter()
        .copied()
        .filter(|part| part.table == StoreTable::Fittings.name())
        .collect();
    let quarter_of = |part: usize| fittings.get(part).map(|part| part.quarter.as_str());
    let mut merge = Merge::open(folder, &fittings, StoreTable::Fittings)?;
    let mut tally = Tally::default();
    let mut last: Option<Row> = None;
    while let Some(row) = merge.next()? {
        if last
            .as_ref()
            .is_some_and(|last| last.id == row.id && quarter_of(last.part) != quarter_of(row.part))
        {
            tally.add(&row);
        }
        last = Some(row);
    }
    let mut out = Vec::new();
    tally.report(&merge, "hold a fitting of another quarter too", &mut out);
    Ok(out)
}
