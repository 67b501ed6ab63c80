//! Reads a delivery: finds its files, matches headers, parses rows, and keeps the account of every row.

mod batch;
mod blocks;
mod cells;
pub mod columns;
pub mod data_package;
mod ear_points;
mod fhir_rows;
mod file_read;
pub(crate) mod header;
mod instruments;
mod parquet_pages;
mod parquet_rows;
mod raw_text;
mod rows;
mod source;
mod thrift;
mod waiting_rows;
mod withheld;

use std::collections::HashSet;
use std::path::{Path, PathBuf};

use rayon::prelude::*;

pub(crate) use file_read::sentence_by;
pub use file_read::{FileRead, MappedFile, headers, sentence};
pub(crate) use header::printable;
pub use instruments::ITEM_SEPARATOR;
pub(crate) use instruments::Instruments;
pub(crate) use raw_text::{RawRow, RawRows};
pub(crate) use rows::STRANGER;
pub use source::{DeliveryFile, Packing};
pub(crate) use waiting_rows::Record;
pub use waiting_rows::WaitingRows;

use crate::error::PipelineError;
use crate::identity::{self, Tallies};
use crate::intake::Intake;
use crate::map::translate::Translation;
use crate::map::{self, ColumnMap};
use crate::records::{Answer, Curve, EarRecord, Fitting, Labels, Place, RowIssue};
use crate::rules::Rule;
use crate::settle;
use crate::table_schema::DESCRIPTOR;
use crate::vocabulary::TableName;
use batch::RowBatch;
use header::Header;
use rows::{Known, Parsed};
pub(crate) use source::Source;

/// Batches read ahead while the ones before are parsed, for each thread.
const BATCHES_PER_THREAD: usize = 2;

/// A delivery: a folder with files of the four tables.
#[derive(Clone, Debug)]
pub struct Delivery {
    /// The folder.
    pub folder: PathBuf,
    /// Its files by table and name.
    pub files: Vec<DeliveryFile>,
    /// Names in the folder that belong to no table and were not read.
    pub not_read: Vec<String>,
}

impl Delivery {
    /// Looks what a folder holds: files named like a table, or those that a column map reads.
    ///
    /// # Errors
    /// [`PipelineError::Read`] where the folder cannot be read, a refusal by `missing-table` where it holds no table; with
    /// a map, by `unmatched-files` or `unmapped-file` where map and folder do not fit.
    pub fn open(folder: &Path, map: Option<&ColumnMap>) -> Result<Self, PipelineError> {
        if let Some(map) = map {
            return map::files::open(folder, map);
        }
        let read = |source| PipelineError::read(folder, source);
        let mut files = Vec::new();
        let mut not_read = Vec::new();
        for entry in std::fs::read_dir(folder).map_err(read)? {
            let entry = entry.map_err(read)?;
            let path = entry.path();
            // Names decide first: what is no table's need not even be there, such as an editor's lock link.
            let recognised = match DeliveryFile::recognise(&path) {
                None => None,
                Some(file) => file.sized()?,
            };
            match recognised {
                Some(file) => files.push(file),
                // The descriptor of a delivery belongs to it, though nothing is read from it.
                None if entry.file_name() == DESCRIPTOR => {}
                None => not_read.push(shown_name(&entry.file_name().to_string_lossy())),
            }
        }
        Self::of(folder, files, not_read)
    }

    /// A delivery of some files, in any order.
    ///
    /// # Errors
    /// A refusal by `missing-table` where there is none.
    pub(crate) fn of(
        folder: &Path,
        mut files: Vec<DeliveryFile>,
        mut not_read: Vec<String>,
    ) -> Result<Self, PipelineError> {
        files.sort();
        not_read.sort();
        if files.is_empty() {
            return Err(PipelineError::refused(
                Rule::MissingTable,
                folder,
                None,
                "fittings",
            ));
        }
        Ok(Self {
            folder: folder.to_path_buf(),
            files,
            not_read,
        })
    }

    /// Refuses files whose names tell who a person is. The refusal names the table and the number of the file.
    fn check_file_names(&self) -> Result<(), PipelineError> {
        let mut number = 0;
        let mut table = None;
        for file in &self.files {
            number = if table == Some(file.table) {
                number + 1
            } else {
                1
            };
            table = Some(file.table);
            if let Some(class) = identity::class_of_file_name(&file.name) {
                return Err(PipelineError::identifying(
                    Rule::IdentifyingFileName,
                    &self.folder,
                    None,
                    &format!("{} table (file {number} in order)", file.table.word()),
                    class,
                ));
            }
        }
        Ok(())
    }

    /// Bytes of all files.
    #[must_use]
    pub fn bytes(&self) -> u64 {
        self.files.iter().map(|file| file.bytes).sum()
    }

    /// Whether the delivery brings a table.
    #[must_use]
    pub fn has(&self, table: TableName) -> bool {
        self.files.iter().any(|file| file.table == table)
    }
}

/// The name of a file that is not read, unless it tells who a person is.
pub(crate) fn shown_name(name: &str) -> String {
    match identity::class_of_file_name(name) {
        Some(class) => format!("(a name that holds what looks like {})", class.words()),
        None => name.to_owned(),
    }
}

/// Rows parsed and not yet settled against each other and against the cohort.
#[derive(Debug, Default)]
pub struct Unsettled {
    pub(crate) fittings: Vec<(Fitting, Place)>,
    pub(crate) ears: Vec<EarRecord>,
    pub(crate) curves: Vec<Curve>,
    pub(crate) answers: Vec<Answer>,
    /// Ids of fittings named by other tables that the delivery's `fittings` does not have; blank where the delivery
    /// brings the fitting in a row that was set aside, so that nobody's rows are taken for its own.
    pub(crate) strangers: Vec<Box<str>>,
    pub(crate) label_names: Labels,
    pub(crate) items: Labels,
    pub(crate) issues: Vec<RowIssue>,
    pub(crate) repeated_fittings: u64,
    /// Ids of fittings that the delivery brings in rows that were set aside: rows of theirs have no parent, even where
    /// the cohort has a fitting of that id.
    refused: HashSet<Box<str>>,
    /// The files, by table and in the order of their numbers within the table.
    pub files: Vec<FileRead>,
    /// Things worth saying: rule and what it is about.
    pub notes: Vec<(Rule, String)>,
}

impl Unsettled {
    /// Hash of the delivery's content: of its files' hashes by table, whatever their names, and of what a column map makes
    /// of them: the same bytes read otherwise are another delivery.
    #[must_use]
    pub fn content_hash(&self) -> String {
        let mut parts: Vec<String> = self
            .files
            .iter()
            .map(|file| match file.read_by() {
                None => format!("{}:{}\n", file.table.word(), file.hash),
                Some(map) => format!("{}:{}:{map}\n", file.table.word(), file.hash),
            })
            .collect();
        parts.sort();
        let mut hasher = blake3::Hasher::new();
        for part in parts {
            hasher.update(part.as_bytes());
        }
        hasher.finalize().to_hex().to_string()
    }

    /// Lets go of every row: the delivery was dealt with before, whatever became of its rows since.
    pub(crate) fn pass_over(&mut self) {
        let files = std::mem::take(&mut self.files);
        let notes = std::mem::take(&mut self.notes);
        *self = Self {
            files,
            notes,
            ..Self::default()
        };
    }

    /// Whether the delivery brings a fitting whose row is not set aside.
    pub(crate) fn brings(&self, fitting: &str) -> bool {
        // Sorted by id when they were settled.
        self.fittings
            .binary_search_by(|(candidate, _)| (*candidate.id).cmp(fitting))
            .is_ok()
    }
}

/// Ids of strangers over all batches.
#[derive(Default)]
struct Strangers {
    ids: Labels,
}

impl Strangers {
    /// Takes the records of one batch over, strangers numbered over all batches instead of within theirs.
    fn adopt<T>(
        &mut self,
        parsed: Vec<T>,
        local: &[Box<str>],
        into: &mut Vec<T>,
        fitting: impl Fn(&mut T) -> &mut u32,
    ) {
        let numbers: Vec<u32> = local
            .iter()
            .map(|id| self.ids.number(id) | STRANGER)
            .collect();
        into.extend(parsed.into_iter().map(|mut record| {
            let fitting = fitting(&mut record);
            if *fitting & STRANGER != 0
                && let Some(number) = numbers.get((*fitting & !STRANGER) as usize)
            {
                *fitting = *number;
            }
            record
        }));
    }
}

/// Reads every file of a delivery. `progress` is told the bytes of each file as it is done.
///
/// # Errors
/// A refusal of the whole delivery by rule and place, or [`PipelineError::Read`].
pub fn read(
    delivery: &Delivery,
    intake: &Intake<'_>,
    progress: &(dyn Fn(u64) + Sync),
) -> Result<Unsettled, PipelineError> {
    let mut reading = Unsettled::default();
    for table in TableName::ALL.iter().filter(|table| !delivery.has(**table)) {
        reading
            .notes
            .push((Rule::TableNotDelivered, table.word().to_owned()));
    }
    delivery.check_file_names()?;
    let mut fittings = Vec::new();
    let mut refused_ids = HashSet::new();
    each_file(
        delivery,
        TableName::Fittings,
        intake,
        &mut reading,
        progress,
        |job, batch| rows::fittings(job.number, job.header, batch),
        |parsed, refused| {
            fittings.extend(parsed);
            refused_ids.extend(refused.iter().cloned());
        },
    )?;
    reading.refused = refused_ids;
    reading.settle_fittings(fittings);

    let kept = std::mem::take(&mut reading.fittings);
    let known: Known<'_> = kept
        .iter()
        .zip(0_u32..)
        .map(|((fitting, _), number)| (&*fitting.id, number))
        .collect();
    let instruments = Instruments::new(intake.plan, &mut reading.items);
    let mut strangers = Strangers::default();
    let mut ears: Vec<EarRecord> = Vec::new();
    each_file(
        delivery,
        TableName::Ears,
        intake,
        &mut reading,
        progress,
        |job, batch| rows::ears(job.number, job.header, batch, &known),
        |parsed, locals| strangers.adopt(parsed, locals, &mut ears, |record| &mut record.fitting),
    )?;
    let mut curves: Vec<Curve> = Vec::new();
    each_file(
        delivery,
        TableName::Responses,
        intake,
        &mut reading,
        progress,
        |job, batch| rows::responses(job.number, job.header, batch, &known),
        |parsed, locals| {
            strangers.adopt(parsed, locals, &mut curves, |curve| &mut curve.key.fitting)
        },
    )?;
    let mut answers: Vec<Answer> = Vec::new();
    each_file(
        delivery,
        TableName::Outcomes,
        intake,
        &mut reading,
        progress,
        |job, batch| rows::outcomes(job.number, job.header, batch, &known, &instruments),
        |parsed, locals| {
            strangers.adopt(parsed, locals, &mut answers, |answer| &mut answer.fitting)
        },
    )?;
    drop(known);
    reading.fittings = kept;
    reading.ears = ears;
    reading.curves = curves;
    reading.answers = answers;
    let refused = std::mem::take(&mut reading.refused);
    reading.strangers = strangers
        .ids
        .values()
        .iter()
        .map(|id| match refused.contains(id) {
            true => Box::default(),
            false => id.clone(),
        })
        .collect();
    Ok(reading)
}

impl Unsettled {
    /// Sorts fittings by id and settles repeats and contradictions among them.
    fn settle_fittings(&mut self, mut fittings: Vec<(Fitting, Place)>) {
        fittings.par_sort_unstable_by(|(a, a_place), (b, b_place)| {
            a.id.cmp(&b.id).then(a_place.cmp(b_place))
        });
        let settled = settle::settle(
            fittings,
            |(a, _), (b, _)| a.id == b.id,
            |(a, _), (b, _)| a == b,
            |(_, place)| *place,
        );
        self.repeated_fittings = settled.repeats;
        for (fitting, place) in settled.contradictions {
            self.issues.push(RowIssue {
                table: TableName::Fittings,
                place,
                column: None,
                rule: Rule::Contradiction,
            });
            self.refused.insert(fitting.id);
        }
        self.fittings = settled.kept;
    }
}

/// A file being parsed.
struct Job<'a> {
    number: u16,
    header: &'a Header,
}

/// Reads the files of one table: batches are parsed side by side while the next are read, and taken in order.
fn each_file<T: Send>(
    delivery: &Delivery,
    table: TableName,
    intake: &Intake<'_>,
    reading: &mut Unsettled,
    progress: &(dyn Fn(u64) + Sync),
    parse: impl Fn(&Job<'_>, &RowBatch) -> Parsed<T> + Sync,
    mut take: impl FnMut(Vec<T>, &[Box<str>]),
) -> Result<(), PipelineError> {
    let files: Vec<&DeliveryFile> = delivery
        .files
        .iter()
        .filter(|file| file.table == table)
        .collect();
    if files.len() >= usize::from(Place::STORE) {
        return Err(PipelineError::TooManyFiles {
            path: delivery.folder.clone(),
            limit: usize::from(Place::STORE),
        });
    }
    let ahead = rayon::current_num_threads() * BATCHES_PER_THREAD;
    for (file, number) in files.into_iter().zip(0_u16..) {
        let mut source = Source::open(file)?;
        let header = Header::of(file, &source, &mut reading.label_names, intake)?;
        if let Some(translation) = &header.translation {
            source.leave_out(&translation.hidden);
        }
        let job = Job {
            number,
            header: &header,
        };
        let (mut rows, mut passed_over) = (0, 0);
        let mut tallies = Tallies::default();
        let mut batches = read_ahead(&mut source, ahead)?;
        while !batches.is_empty() {
            let (next, parsed) = rayon::join(
                || read_ahead(&mut source, ahead),
                || {
                    batches
                        .par_iter()
                        .map(|batch| parse(&job, batch))
                        .collect::<Vec<_>>()
                },
            );
            for part in parsed {
                if let Some(found) = part.identifying {
                    return Err(found.refusal(&file.path, &header.names));
                }
                tallies.add(part.tallies);
                if let Some(fault) = part.fault {
                    return Err(PipelineError::refused(
                        fault.rule,
                        &file.path,
                        Some(fault.line.into()),
                        "",
                    ));
                }
                rows += part.rows_read;
                passed_over += part.passed_over;
                reading.issues.extend(part.issues);
                take(part.records, &part.strangers);
            }
            batches = next?;
        }
        if let Some(found) = tallies.verdict() {
            return Err(found.refusal(&file.path, &header.names));
        }
        reading.notes.extend(source.notes());
        if passed_over > 0 {
            let about = format!("{}: {passed_over} of {}", file.name, rows + passed_over);
            reading.notes.push((Rule::PassedOver, about));
        } else if rows == 0 && file.fhir.is_none() {
            reading.notes.push((Rule::HeaderOnly, file.name.clone()));
        }
        reading.files.push(FileRead {
            table,
            name: file.name.clone(),
            bytes: file.bytes,
            hash: source.hash().to_hex().to_string(),
            rows,
            passed_over,
            mapped: file.mapped.as_ref().map(|mapped| MappedFile {
                hash: mapped.source.hash(),
                theirs: header
                    .translation
                    .as_ref()
                    .map(Translation::theirs)
                    .unwrap_or_default(),
            }),
            header: header.names,
            fhir: file.fhir.as_ref().map(|fhir| fhir.source.hash()),
        });
        progress(file.bytes);
    }
    Ok(())
}

fn read_ahead(source: &mut Source, count: usize) -> Result<Vec<RowBatch>, PipelineError> {
    let mut batches = Vec::with_capacity(count);
    while batches.len() < count {
        match source.next_batch()? {
            Some(batch) => batches.push(batch),
            None => break,
        }
    }
    Ok(batches)
}
