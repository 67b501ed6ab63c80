//! The cohort store: a folder of Parquet files, and a manifest for each snapshot of them.
//!
//! ```text
//! cohort/
//!   CURRENT                                   name of the snapshot in force, replaced by rename
//!   LOCK                                      held by the process that writes
//!   snapshots/000001/manifest.json            what the cohort is made of
//!   snapshots/000001/curves/quarter=2026-Q3/part-0.parquet
//!   snapshots/000001/set-aside.parquet        rows of that delivery set aside
//! ```
//! A snapshot may name files of earlier snapshots. Files are never changed once they are named.

mod decode;
mod encode;
mod files;
mod labels;
mod manifest;
pub mod schema;
mod set_aside;

use std::collections::HashSet;
use std::fs::{self, File, TryLockError};
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

use rayon::prelude::*;

pub use manifest::{
    AccountEntry, Dates, DeliveryEntry, FORMAT, Manifest, Part, PseudonymEntry, RuleEntry,
};
pub use set_aside::{
    SET_ASIDE_COLUMNS, SetAsideRow, in_words as set_aside_in_words,
    write_csv as write_set_aside_csv,
};

use crate::delivery::FileRead;
use crate::error::PipelineError;
use crate::records::{Records, RowIssue};
use encode::Encoder;
use schema::{StoreTable, schema};

const CURRENT: &str = "CURRENT";
const CURRENT_NEW: &str = "CURRENT.new";
const LOCK: &str = "LOCK";
const SNAPSHOTS: &str = "snapshots";
const MANIFEST: &str = "manifest.json";
const STAGING: &str = "staging";

/// A snapshot of a cohort, opened for reading.
#[derive(Clone, Debug)]
pub struct Cohort {
    /// The cohort's folder.
    pub folder: PathBuf,
    /// The manifest of the snapshot.
    pub manifest: Manifest,
}

impl Cohort {
    /// Opens the snapshot in force.
    ///
    /// # Errors
    /// [`PipelineError::NotACohort`], [`PipelineError::NewerFormat`], [`PipelineError::DamagedStore`] or
    /// [`PipelineError::Read`].
    pub fn open(folder: &Path) -> Result<Self, PipelineError> {
        let pointer = folder.join(CURRENT);
        let name = match fs::read_to_string(&pointer) {
            Ok(name) => name.trim().to_owned(),
            Err(error)
                if matches!(error.kind(), ErrorKind::NotFound | ErrorKind::NotADirectory) =>
            {
                return Err(PipelineError::NotACohort {
                    path: folder.to_path_buf(),
                });
            }
            Err(source) => return Err(PipelineError::read(&pointer, source)),
        };
        if name.is_empty() || !name.bytes().all(|b| b.is_ascii_digit()) {
            return Err(PipelineError::damaged(
                &pointer,
                "it does not name a snapshot",
            ));
        }
        let path = folder.join(SNAPSHOTS).join(&name).join(MANIFEST);
        let text =
            fs::read_to_string(&path).map_err(|source| PipelineError::read(&path, source))?;
        // The format is looked at first: a newer manifest need not be of a form that is understood.
        let value: serde_json::Value =
            serde_json::from_str(&text).map_err(|e| PipelineError::damaged(&path, e))?;
        let found = value
            .get("format")
            .and_then(serde_json::Value::as_u64)
            .and_then(|format| u32::try_from(format).ok())
            .ok_or_else(|| PipelineError::damaged(&path, "it states no format"))?;
        if found > FORMAT {
            return Err(PipelineError::NewerFormat {
                path,
                found,
                known: FORMAT,
            });
        }
        let manifest: Manifest =
            serde_json::from_value(value).map_err(|e| PipelineError::damaged(&path, e))?;
        if manifest.snapshot != name {
            return Err(PipelineError::damaged(
                &path,
                format!("it is the manifest of snapshot {}", manifest.snapshot),
            ));
        }
        for part in &manifest.parts {
            check_size(&folder.join(&part.path), part.bytes)?;
        }
        Ok(Self {
            folder: folder.to_path_buf(),
            manifest,
        })
    }

    /// Paths of the parts of a table, with the part.
    pub fn parts(&self, table: StoreTable) -> impl Iterator<Item = (PathBuf, &Part)> {
        self.manifest
            .parts
            .iter()
            .filter(move |part| part.table == table.name())
            .map(|part| (self.folder.join(&part.path), part))
    }

    /// Quarters that hold any of some fittings.
    pub(crate) fn quarters_with(
        &self,
        ids: &HashSet<&str>,
    ) -> Result<HashSet<String>, PipelineError> {
        decode::quarters_with(&self.folder, &self.manifest, ids)
    }

    /// The rows that an ingest set aside: table, file and line.
    pub(crate) fn rows_set_aside(
        &self,
        entry: &DeliveryEntry,
    ) -> Result<Vec<(String, String, u32)>, PipelineError> {
        match &entry.set_aside {
            Some(path) => set_aside::read(&self.folder.join(path)),
            None => Ok(Vec::new()),
        }
    }

    /// Records of some quarters.
    pub(crate) fn read_quarters(
        &self,
        quarters: &HashSet<String>,
    ) -> Result<Records, PipelineError> {
        decode::read_quarters(&self.folder, &self.manifest, quarters)
    }
}

/// Finds parts that are gone or cut off before anything is computed from the others; their bytes are not read.
fn check_size(path: &Path, bytes: u64) -> Result<(), PipelineError> {
    match fs::metadata(path) {
        Ok(metadata) if metadata.len() == bytes => Ok(()),
        Ok(metadata) => Err(PipelineError::damaged(
            path,
            format!(
                "it has {} bytes, where the manifest says {bytes}",
                metadata.len()
            ),
        )),
        Err(error) if error.kind() == ErrorKind::NotFound => {
            Err(PipelineError::damaged(path, "it is gone"))
        }
        Err(source) => Err(PipelineError::read(path, source)),
    }
}

/// The right to write to a cohort; given back when dropped, or when the process ends, however it ends.
#[derive(Debug)]
pub(crate) struct WriteLock {
    _file: File,
}

impl WriteLock {
    /// Takes the lock, or says that another process has it.
    pub(crate) fn take(folder: &Path) -> Result<Self, PipelineError> {
        fs::create_dir_all(folder).map_err(|source| PipelineError::write(folder, source))?;
        if !folder.join(CURRENT).exists() {
            ours_to_begin(folder)?;
        }
        let path = folder.join(LOCK);
        let file = File::create(&path).map_err(|source| PipelineError::write(&path, source))?;
        match file.try_lock() {
            Ok(()) => Ok(Self { _file: file }),
            Err(TryLockError::WouldBlock) => Err(PipelineError::Locked {
                path: folder.to_path_buf(),
            }),
            Err(TryLockError::Error(source)) => Err(PipelineError::write(&path, source)),
        }
    }
}

/// Whether a cohort may be begun in a folder that has no pointer: nothing of anybody else's is in it, and no cohort that
/// has lost its pointer.
fn ours_to_begin(folder: &Path) -> Result<(), PipelineError> {
    let read = |source| PipelineError::read(folder, source);
    let mut names = HashSet::new();
    for entry in fs::read_dir(folder).map_err(read)? {
        names.insert(
            entry
                .map_err(read)?
                .file_name()
                .to_string_lossy()
                .into_owned(),
        );
    }
    let known = [LOCK, STAGING, SNAPSHOTS, CURRENT_NEW];
    let begun = names.contains(LOCK) && names.iter().all(|name| known.contains(&name.as_str()));
    if !names.is_empty() && !begun {
        return Err(PipelineError::Occupied {
            path: folder.to_path_buf(),
        });
    }
    let has_snapshot =
        fs::read_dir(folder.join(SNAPSHOTS)).is_ok_and(|mut entries| entries.next().is_some());
    if has_snapshot && !names.contains(CURRENT_NEW) {
        return Err(PipelineError::damaged(
            &folder.join(CURRENT),
            "it is missing although there are snapshots",
        ));
    }
    Ok(())
}

/// The name of the snapshot after one.
fn next_name(folder: &Path, before: Option<&Manifest>) -> Result<String, PipelineError> {
    let Some(manifest) = before else {
        return Ok(format!("{:06}", 1));
    };
    manifest
        .snapshot
        .parse::<u32>()
        .ok()
        .and_then(|number| number.checked_add(1))
        .map(|number| format!("{number:06}"))
        .ok_or_else(|| PipelineError::damaged(folder, "the name of its snapshot is not a number"))
}

/// What goes into a new snapshot.
pub(crate) struct NewSnapshot<'a> {
    /// The cohort's folder.
    pub(crate) folder: &'a Path,
    /// The snapshot before.
    pub(crate) before: Option<&'a Manifest>,
    /// Records to write.
    pub(crate) records: &'a Records,
    /// Quarters whose earlier parts the records replace.
    pub(crate) replaced: &'a HashSet<String>,
    /// The delivery; its snapshot and set-aside file are filled in here.
    pub(crate) delivery: DeliveryEntry,
    /// Position among the deliveries of the entry that it replaces, where it was delivered before.
    pub(crate) again: Option<usize>,
    /// Rows set aside.
    pub(crate) issues: &'a [RowIssue],
    /// Files of the delivery.
    pub(crate) files: &'a [FileRead],
    /// How fine dates are.
    pub(crate) dates: Dates,
}

impl NewSnapshot<'_> {
    /// Writes the snapshot beside the cohort, then puts it in force by renaming. The caller holds the lock.
    pub(crate) fn commit(
        self,
        _lock: &WriteLock,
        progress: &(dyn Fn(u64) + Sync),
    ) -> Result<Manifest, PipelineError> {
        let name = next_name(self.folder, self.before)?;
        let staging = self.folder.join(STAGING);
        // What a killed writer left behind was never in force.
        remove(&staging)?;
        let snapshots = self.folder.join(SNAPSHOTS);
        let home = snapshots.join(&name);
        remove(&home)?;
        fs::create_dir_all(&staging).map_err(|source| PipelineError::write(&staging, source))?;
        fs::create_dir_all(&snapshots)
            .map_err(|source| PipelineError::write(&snapshots, source))?;

        let encoder = Encoder::new(self.records);
        let label_columns: Vec<String> = encoder
            .label_names()
            .iter()
            .map(|n| (*n).to_owned())
            .collect();
        let new_parts = self.write_parts(&encoder, &staging, &name, &label_columns, progress)?;
        let mut delivery = self.delivery;
        delivery.snapshot.clone_from(&name);
        if !self.issues.is_empty() {
            set_aside::write(&staging.join("set-aside.parquet"), self.issues, self.files)?;
            delivery.set_aside = Some(format!("{SNAPSHOTS}/{name}/set-aside.parquet"));
        }
        let mut manifest = self.before.cloned().unwrap_or_default();
        manifest.format = FORMAT;
        manifest.dates = self.dates;
        manifest.snapshot.clone_from(&name);
        match self.again.and_then(|at| manifest.deliveries.get_mut(at)) {
            Some(entry) => *entry = delivery,
            None => manifest.deliveries.push(delivery),
        }
        manifest
            .parts
            .retain(|part| !self.replaced.contains(&part.quarter));
        manifest.parts.extend(new_parts);
        manifest
            .parts
            .sort_by(|a, b| (&a.table, &a.quarter, &a.path).cmp(&(&b.table, &b.quarter, &b.path)));
        let mut labels: Vec<String> = manifest
            .parts
            .iter()
            .flat_map(|part| part.label_columns.iter().cloned())
            .collect();
        labels.sort();
        labels.dedup();
        manifest.label_columns = labels;
        let text = serde_json::to_string_pretty(&manifest)
            .map_err(|error| PipelineError::write(&staging, std::io::Error::other(error)))?;
        files::write_text(&staging.join(MANIFEST), &format!("{text}\n"))?;
        files::sync_tree(&staging)?;
        // The pointer's successor is there before the snapshot is: a snapshot without either is a cohort that lost its
        // pointer, not a leftover.
        let pointer_new = self.folder.join(CURRENT_NEW);
        files::write_text(&pointer_new, &format!("{name}\n"))?;
        files::sync_folder(self.folder)?;
        fs::rename(&staging, &home).map_err(|source| PipelineError::write(&home, source))?;
        files::sync_folder(&snapshots)?;
        let pointer = self.folder.join(CURRENT);
        fs::rename(&pointer_new, &pointer)
            .map_err(|source| PipelineError::write(&pointer, source))?;
        files::sync_folder(self.folder)?;
        Ok(manifest)
    }

    fn write_parts(
        &self,
        encoder: &Encoder<'_>,
        staging: &Path,
        name: &str,
        label_columns: &[String],
        progress: &(dyn Fn(u64) + Sync),
    ) -> Result<Vec<Part>, PipelineError> {
        let mut jobs: Vec<_> = encoder
            .partitions()
            .iter()
            .flat_map(|partition| StoreTable::ALL.map(|table| (partition, table)))
            .filter(|(partition, table)| !partition.rows(*table).is_empty())
            .collect();
        // The largest first, so that no thread is left with one at the end.
        jobs.sort_by_key(|(partition, table)| std::cmp::Reverse(partition.rows(*table).len()));
        let labels = encoder.label_names();
        jobs.into_par_iter()
            .map(|(partition, table)| {
                let rows = partition.rows(table);
                let inside = format!(
                    "{}/quarter={}/part-0.parquet",
                    table.name(),
                    partition.quarter
                );
                let unique: &[&str] = match table {
                    StoreTable::Fittings => &["fitting_id", "patient_id"],
                    _ => &["fitting_id"],
                };
                let written = files::write_parquet(
                    &staging.join(&inside),
                    schema(table, labels),
                    table.sorted_by(),
                    unique,
                    rows.chunks(files::ROW_GROUP)
                        .map(|chunk| encoder.batch(table, chunk)),
                )?;
                progress(rows.len() as u64);
                Ok(Part {
                    table: table.name().to_owned(),
                    quarter: partition.quarter.to_string(),
                    path: format!("{SNAPSHOTS}/{name}/{inside}"),
                    rows: rows.len() as u64,
                    bytes: written.bytes,
                    hash: written.hash,
                    label_columns: label_columns.to_vec(),
                })
            })
            .collect()
    }
}

fn remove(folder: &Path) -> Result<(), PipelineError> {
    match fs::remove_dir_all(folder) {
        Ok(()) => Ok(()),
        Err(error) if error.kind() == ErrorKind::NotFound => Ok(()),
        Err(source) => Err(PipelineError::write(folder, source)),
    }
}
