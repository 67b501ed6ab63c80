//! Writes a snapshot beside the cohort, then puts it in force by one rename.

use std::collections::HashSet;
use std::io::ErrorKind;
use std::path::Path;

use rayon::prelude::*;

use super::disk::{self, WritePoint};
use super::encode::Encoder;
use super::locks::WriteLock;
use super::manifest::{Dates, DeliveryEntry, FORMAT, FileEntry, Manifest, Part};
use super::manifest_check::MAX_MANIFEST_BYTES;
use super::pointer::{self, Pointer};
use super::schema::{StoreTable, schema};
use super::set_aside::SetAsideRows;
use super::{
    CURRENT, CURRENT_NEW, Cohort, MANIFEST, SNAPSHOTS, STAGING, files, leftovers, set_aside,
};
use crate::error::PipelineError;
use crate::records::Records;

const SET_ASIDE: &str = "set-aside.parquet";

/// What goes into a new snapshot.
pub(crate) struct NewSnapshot<'a> {
    /// The cohort's folder.
    pub(crate) folder: &'a Path,
    /// The snapshot before.
    pub(crate) before: Option<&'a Cohort>,
    /// Records to write.
    pub(crate) records: &'a Records,
    /// Quarters whose earlier parts the records replace.
    pub(crate) replaced: &'a HashSet<String>,
    /// The delivery and its rows set aside; none where it was there before. Snapshot and file are filled in here.
    pub(crate) delivery: Option<(DeliveryEntry, SetAsideRows<'a>)>,
    /// Earlier deliveries of which rows have returned.
    pub(crate) mended: Vec<Mended>,
    /// How fine dates are.
    pub(crate) dates: Dates,
}

/// An earlier delivery whose account has changed.
pub(crate) struct Mended {
    /// Position among the deliveries of the manifest.
    pub(crate) position: usize,
    /// Its entry as it is now; the file is filled in here.
    pub(crate) entry: DeliveryEntry,
    /// Its rows that are still set aside.
    pub(crate) rows: SetAsideRows<'static>,
}

impl NewSnapshot<'_> {
    /// Writes the snapshot and puts it in force. Where that fails, what was written is removed again as far as the disk
    /// lets us; the next writer removes the rest.
    pub(crate) fn commit(
        self,
        lock: &WriteLock,
        progress: &(dyn Fn(u64) + Sync),
    ) -> Result<Manifest, PipelineError> {
        let folder = self.folder;
        let outcome = self.write(lock, progress);
        if outcome.is_err() {
            // What is in force now is read anew: a rename may have been done although it was said to have failed.
            let in_force = match Pointer::read(folder) {
                Ok(pointer) => pointer::number(&pointer.name).map(Some),
                Err(PipelineError::NotACohort { .. }) => Some(None),
                Err(_) => None,
            };
            if let Some(in_force) = in_force {
                // The first error is the one to tell.
                let _ = leftovers::remove(folder, in_force);
            }
        }
        outcome
    }

    fn write(
        mut self,
        _lock: &WriteLock,
        progress: &(dyn Fn(u64) + Sync),
    ) -> Result<Manifest, PipelineError> {
        let name = next_name(self.folder, self.before)?;
        let staging = self.folder.join(STAGING);
        let snapshots = self.folder.join(SNAPSHOTS);
        let home = snapshots.join(&name);
        disk::make_folder(&staging, WritePoint::StagingFolder)?;
        disk::make_folder(&snapshots, WritePoint::SnapshotsFolder)?;

        let encoder = Encoder::new(self.records);
        let parts = self.write_parts(&encoder, &staging, &name, progress)?;
        let mut mended = Vec::with_capacity(self.mended.len());
        for mut earlier in std::mem::take(&mut self.mended) {
            // Named after the snapshot that brought the delivery: no two brought the same.
            let file = format!("set-aside-{}.parquet", earlier.entry.snapshot);
            store_set_aside(&mut earlier.entry, earlier.rows, &staging, &name, &file)?;
            mended.push((earlier.position, earlier.entry));
        }
        let mut delivery = None;
        if let Some((mut entry, rows)) = self.delivery.take() {
            entry.snapshot.clone_from(&name);
            store_set_aside(&mut entry, rows, &staging, &name, SET_ASIDE)?;
            delivery = Some(entry);
        }
        let manifest = self.manifest(&name, parts, mended, delivery);
        let path = staging.join(MANIFEST);
        let mut text = serde_json::to_string_pretty(&manifest)
            .map_err(|error| PipelineError::write(&path, std::io::Error::other(error)))?;
        text.push('\n');
        if text.len() as u64 > MAX_MANIFEST_BYTES {
            return Err(PipelineError::write(
                &path,
                std::io::Error::new(
                    ErrorKind::FileTooLarge,
                    "the cohort has more deliveries than one manifest holds",
                ),
            ));
        }
        let hash = files::write_text(&path, files::MANIFEST, &text)?;
        disk::sync_tree(&staging, WritePoint::TreeSync)?;
        // The pointer's successor is there before the snapshot is: a snapshot without either is a cohort that lost its
        // pointer, not a leftover.
        let pointer_new = self.folder.join(CURRENT_NEW);
        let pointer = Pointer {
            name,
            hash: Some(hash),
        };
        files::write_text(&pointer_new, files::POINTER, &pointer.text())?;
        disk::sync_folder(self.folder, WritePoint::SuccessorSync)?;
        disk::rename(&staging, &home, WritePoint::SnapshotRename)?;
        disk::sync_folder(&snapshots, WritePoint::SnapshotsSync)?;
        disk::rename(
            &pointer_new,
            &self.folder.join(CURRENT),
            WritePoint::PointerRename,
        )?;
        match disk::sync_folder(self.folder, WritePoint::CohortSync) {
            Err(PipelineError::Write { path, source }) => Err(PipelineError::NotFlushed {
                path,
                snapshot: pointer.name,
                source,
            }),
            Err(error) => Err(error),
            Ok(()) => Ok(manifest),
        }
    }

    /// The manifest of the new snapshot: that of the one before, with what is new.
    fn manifest(
        &self,
        name: &str,
        parts: Vec<Part>,
        mended: Vec<(usize, DeliveryEntry)>,
        delivery: Option<DeliveryEntry>,
    ) -> Manifest {
        let mut manifest = self
            .before
            .map(|cohort| cohort.manifest.clone())
            .unwrap_or_default();
        manifest.format = FORMAT;
        manifest.snapshot = name.to_owned();
        manifest.dates = self.dates;
        manifest.previous = self.before.map(|cohort| cohort.manifest_hash.clone());
        for (position, entry) in mended {
            if let Some(slot) = manifest.deliveries.get_mut(position) {
                *slot = entry;
            }
        }
        manifest.deliveries.extend(delivery);
        manifest
            .parts
            .retain(|part| !self.replaced.contains(&part.quarter));
        manifest.parts.extend(parts);
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
        manifest
    }

    fn write_parts(
        &self,
        encoder: &Encoder<'_>,
        staging: &Path,
        name: &str,
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
                let inside = format!("{}/quarter={}", table.name(), partition.quarter);
                let unique: &[&str] = match table {
                    StoreTable::Fittings => &["fitting_id", "patient_id"],
                    _ => &["fitting_id"],
                };
                let folder = staging.join(&inside);
                disk::make_folder(&folder, WritePoint::PartFolder)?;
                let written = files::write_parquet(
                    &folder.join("part-0.parquet"),
                    files::PART,
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
                    path: format!("{SNAPSHOTS}/{name}/{inside}/part-0.parquet"),
                    rows: written.rows,
                    bytes: written.bytes,
                    hash: written.hash,
                    label_columns: labels.iter().map(|name| (*name).to_owned()).collect(),
                })
            })
            .collect()
    }
}

/// Writes the rows set aside of a delivery, where there are any, and names the file in its entry.
fn store_set_aside(
    entry: &mut DeliveryEntry,
    rows: SetAsideRows<'_>,
    staging: &Path,
    snapshot: &str,
    file: &str,
) -> Result<(), PipelineError> {
    entry.set_aside = None;
    entry.set_aside_file = None;
    if entry.accounts.iter().any(|table| table.rows_set_aside > 0) {
        let written = set_aside::write(&staging.join(file), rows)?;
        entry.set_aside = Some(format!("{SNAPSHOTS}/{snapshot}/{file}"));
        entry.set_aside_file = Some(FileEntry {
            rows: written.rows,
            bytes: written.bytes,
            hash: written.hash,
        });
    }
    Ok(())
}

/// The name of the snapshot after one.
fn next_name(folder: &Path, before: Option<&Cohort>) -> Result<String, PipelineError> {
    let number = match before {
        None => Some(0),
        Some(cohort) => pointer::number(&cohort.manifest.snapshot),
    };
    number
        .and_then(|number| number.checked_add(1))
        .map(pointer::name)
        .ok_or_else(|| PipelineError::damaged(folder, "its snapshots have no number left"))
}
