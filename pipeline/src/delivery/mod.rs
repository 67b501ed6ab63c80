//! Reads a delivery: finds its files, matches headers, parses rows, and keeps the account of every row.

mod blocks;
mod cells;
pub mod columns;
mod header;
mod instruments;
mod parquet_pages;
mod parquet_rows;
mod rows;
mod source;
mod thrift;

use std::collections::{HashMap, HashSet};
use std::path::{Path, PathBuf};

use rayon::prelude::*;

#[cfg(feature = "hostile")]
pub(crate) use header::{NONE_KNOWN, SEPARATORS, printable};
pub use instruments::ITEM_SEPARATOR;
pub(crate) use rows::STRANGER;
pub use source::{DeliveryFile, Packing};

use crate::error::PipelineError;
use crate::intake::Intake;
use crate::records::{Answer, Curve, EarRecord, Fitting, Labels, Place, RowIssue};
use crate::rules::Rule;
use crate::settle::{self, Precedence};
use crate::vocabulary::TableName;
use header::Header;
use instruments::Instruments;
use rows::{Known, Parsed};
use source::{RowBatch, Source};

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
    /// Looks what a folder holds.
    ///
    /// # Errors
    /// [`PipelineError::Read`] where the folder cannot be read, a refusal by `missing-table` where it holds no table.
    pub fn open(folder: &Path) -> Result<Self, PipelineError> {
        let read = |source| PipelineError::read(folder, source);
        let mut files = Vec::new();
        let mut not_read = Vec::new();
        for entry in std::fs::read_dir(folder).map_err(read)? {
            let entry = entry.map_err(read)?;
            let path = entry.path();
            // Names decide first: what is no table's need not even be there, such as an editor's lock link.
            let recognised = match DeliveryFile::recognise(&path, 0) {
                None => None,
                Some(file) => {
                    let metadata = std::fs::metadata(&path)
                        .map_err(|source| PipelineError::read(&path, source))?;
                    metadata.is_file().then_some(DeliveryFile {
                        bytes: metadata.len(),
                        ..file
                    })
                }
            };
            match recognised {
                Some(file) => files.push(file),
                None => not_read.push(entry.file_name().to_string_lossy().into_owned()),
            }
        }
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

/// A file as it was read.
#[derive(Clone, Debug)]
pub struct FileRead {
    /// The table.
    pub table: TableName,
    /// Name within the delivery.
    pub name: String,
    /// Size on disk.
    pub bytes: u64,
    /// BLAKE3 of its bytes, hexadecimal.
    pub hash: String,
    /// Rows read, header not counted.
    pub rows: u64,
    /// Header row, for naming columns in issues.
    pub header: Vec<String>,
}

/// Rows parsed and not yet settled against each other and against the cohort.
#[derive(Debug, Default)]
pub struct Unsettled {
    pub(crate) fittings: Vec<(Fitting, Place)>,
    pub(crate) ears: Vec<EarRecord>,
    pub(crate) curves: Vec<Curve>,
    pub(crate) answers: Vec<Answer>,
    /// Ids of fittings named by other tables that the delivery's `fittings` does not have.
    pub(crate) strangers: Vec<Box<str>>,
    pub(crate) label_names: Labels,
    pub(crate) items: Labels,
    pub(crate) issues: Vec<RowIssue>,
    pub(crate) repeated_fittings: u64,
    /// Ids of fittings that the delivery brings in rows that were set aside: rows of theirs have no parent, even where
    /// the cohort has a fitting of that id.
    pub(crate) refused: HashSet<Box<str>>,
    /// The files, by table and in the order of their numbers within the table.
    pub files: Vec<FileRead>,
    /// Things worth saying: rule and what it is about.
    pub notes: Vec<(Rule, String)>,
}

impl Unsettled {
    /// Hash of the delivery's content: of its files' hashes by table, whatever their names.
    #[must_use]
    pub fn content_hash(&self) -> String {
        let mut parts: Vec<String> = self
            .files
            .iter()
            .map(|file| format!("{}:{}\n", file.table.word(), file.hash))
            .collect();
        parts.sort();
        let mut hasher = blake3::Hasher::new();
        for part in parts {
            hasher.update(part.as_bytes());
        }
        hasher.finalize().to_hex().to_string()
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
    let mut fittings = Vec::new();
    let mut refused_ids = HashSet::new();
    each_file(
        delivery,
        TableName::Fittings,
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
        &mut reading,
        progress,
        |job, batch| rows::ears(job.number, job.header, batch, &known),
        |parsed, locals| strangers.adopt(parsed, locals, &mut ears, |record| &mut record.fitting),
    )?;
    let mut curves: Vec<Curve> = Vec::new();
    each_file(
        delivery,
        TableName::Responses,
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
    reading.strangers = strangers.ids.values().to_vec();
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
            Precedence::Delivery,
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
        let header = Header::new(
            table,
            source.header.clone(),
            &file.path,
            &mut reading.label_names,
        )?;
        let job = Job {
            number,
            header: &header,
        };
        let mut rows = 0;
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
                if let Some(fault) = part.fault {
                    return Err(PipelineError::refused(
                        fault.rule,
                        &file.path,
                        Some(fault.line.into()),
                        "",
                    ));
                }
                rows += part.rows_read;
                reading.issues.extend(part.issues);
                take(part.records, &part.strangers);
            }
            batches = next?;
        }
        if rows == 0 {
            reading.notes.push((Rule::HeaderOnly, file.name.clone()));
        }
        reading.files.push(FileRead {
            table,
            name: file.name.clone(),
            bytes: file.bytes,
            hash: source.hash().to_hex().to_string(),
            rows,
            header: header.names,
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

/// The sentence about a row that was set aside.
#[must_use]
pub fn sentence(issue: &RowIssue, header: &[String]) -> String {
    let name = issue
        .column
        .and_then(|column| header.get(usize::from(column)))
        .map_or("", String::as_str);
    let allowed = columns::columns_for(issue.table, header)
        .iter()
        .find(|spec| spec.name == name)
        .map(|spec| spec.kind.allowed())
        .unwrap_or_default();
    issue
        .rule
        .text()
        .sentence
        .replace("{column}", name)
        .replace("{allowed}", &allowed)
}

/// Headers by table and file number.
#[must_use]
pub fn headers(files: &[FileRead]) -> HashMap<(TableName, u16), &FileRead> {
    let mut next: HashMap<TableName, u16> = HashMap::new();
    let mut out = HashMap::new();
    for file in files {
        let number = next.entry(file.table).or_insert(0);
        out.insert((file.table, *number), file);
        *number += 1;
    }
    out
}
