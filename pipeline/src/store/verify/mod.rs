//! Whether a cohort is as its manifest says, down to every row.
//!
//! Files are read one after the other, batch by batch; keys are compared by walking through the sorted parts side by
//! side. Memory does not grow with the cohort.

mod accounts;
mod file;
mod keys;
mod older;

use std::collections::HashSet;
use std::path::Path;

use rayon::prelude::*;

use super::disk;
use super::locks::{NoWriter, ReadLock};
use super::manifest::Manifest;
use super::pointer::{self, Pointer};
use super::{Cohort, Inside, MANIFEST, SNAPSHOTS, leftovers};
use crate::error::PipelineError;

/// Something that is not as it should be.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Finding {
    /// The file, from the cohort's folder.
    pub path: String,
    /// What is wrong. It repeats no value of a record.
    pub detail: String,
}

impl Finding {
    fn new(path: &str, detail: impl Into<String>) -> Self {
        Self {
            path: path.to_owned(),
            detail: detail.into(),
        }
    }
}

/// What a verification found.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Verified {
    /// The snapshot in force.
    pub snapshot: String,
    /// Older snapshots that were looked at too.
    pub older: Vec<String>,
    /// Files that were read, without the manifests.
    pub files: u64,
    /// Their rows.
    pub rows: u64,
    /// Their size.
    pub bytes: u64,
    /// What is wrong, sorted by file; empty where the cohort is whole.
    pub findings: Vec<Finding>,
    /// What a stopped writer left behind, from the cohort's folder. It is no fault, and goes with the next ingest or
    /// compaction.
    pub leftovers: Vec<String>,
    /// Another process is writing at this moment, so leftovers were not looked for.
    pub being_written: bool,
}

/// Checks every file of the snapshot in force and, where asked for, of the older ones that are still there.
///
/// Each is there, of its size, has its hash, and holds its rows, counted by its footer and by reading them; columns are
/// those of the schema and quarters those of the folder. Fittings, ears, curves and answers are sorted, have their keys
/// once and their fitting in the same quarter; no fitting is in two quarters. The accounts of every delivery close. Of
/// older snapshots the files are checked, not the keys across them.
///
/// `progress` is called with the bytes of each file when it is done.
///
/// # Errors
/// Those of [`Cohort::open`] on pointer and manifest: where they are damaged, there is nothing to compare with.
pub fn verify(
    folder: &Path,
    history: bool,
    progress: &(dyn Fn(u64) + Sync),
) -> Result<Verified, PipelineError> {
    let _reading = ReadLock::share(folder);
    let cohort = Cohort::open_manifest(folder, &Pointer::read(folder)?)?;
    let manifest = &cohort.manifest;
    let mut out = Verified {
        snapshot: manifest.snapshot.clone(),
        ..Verified::default()
    };
    let inside = Inside::new(folder)?;
    let checked = check_files(&inside, &file::named(manifest), &mut out, progress);
    accounts::check(manifest, &mut out.findings);
    keys::check(folder, manifest, &checked, &mut out.findings);
    let older = older::read(folder, &cohort)?;
    if history {
        let mut seen: HashSet<file::Named> = file::named(manifest).into_iter().collect();
        for snapshot in &older.manifests {
            let new: Vec<file::Named> = file::named(snapshot)
                .into_iter()
                .filter(|named| seen.insert(named.clone()))
                .collect();
            check_files(&inside, &new, &mut out, progress);
            accounts::check(snapshot, &mut out.findings);
            out.older.push(snapshot.snapshot.clone());
        }
        out.findings.extend(older.findings.iter().cloned());
    }
    match NoWriter::now(folder) {
        Some(_no_writer) => out.leftovers = left_over(folder, manifest, &older)?,
        None => out.being_written = true,
    }
    out.findings.sort();
    out.findings.dedup();
    Ok(out)
}

/// Bytes of all files that a verification reads of the snapshot in force, for a progress bar.
///
/// # Errors
/// Those of [`verify`].
pub fn bytes_to_read(folder: &Path) -> Result<u64, PipelineError> {
    let cohort = Cohort::open_manifest(folder, &Pointer::read(folder)?)?;
    Ok(file::named(&cohort.manifest)
        .iter()
        .filter_map(|named| named.bytes)
        .sum())
}

/// Reads and hashes the files of a snapshot that are wanted by their path, and stops at the first that is damaged.
pub(crate) fn check_bytes(
    cohort: &Cohort,
    wanted: impl Fn(&str) -> bool + Sync,
) -> Result<(), PipelineError> {
    let inside = Inside::new(&cohort.folder)?;
    file::named(&cohort.manifest)
        .par_iter()
        .filter(|named| wanted(&named.path))
        .try_for_each(|named| file::check_bytes(&inside, named).map(|_| ()))
}

/// Checks files side by side; returns the paths of those that are as they should be.
fn check_files(
    inside: &Inside<'_>,
    files: &[file::Named],
    out: &mut Verified,
    progress: &(dyn Fn(u64) + Sync),
) -> HashSet<String> {
    let checked: Vec<file::Checked> = files
        .par_iter()
        .map(|named| {
            let checked = file::check(inside, named);
            progress(checked.bytes);
            checked
        })
        .collect();
    let mut sound = HashSet::new();
    for (named, checked) in files.iter().zip(checked) {
        out.files += 1;
        out.rows += checked.rows;
        out.bytes += checked.bytes;
        if checked.findings.is_empty() {
            sound.insert(named.path.clone());
        }
        for detail in checked.findings {
            out.findings.push(Finding::new(&named.path, detail));
        }
    }
    sound
}

/// What is there and named by no snapshot, from the cohort's folder, sorted.
fn left_over(
    folder: &Path,
    in_force: &Manifest,
    older: &older::Older,
) -> Result<Vec<String>, PipelineError> {
    let shown = |path: &Path| -> String {
        path.strip_prefix(folder)
            .unwrap_or(path)
            .components()
            .map(|component| component.as_os_str().to_string_lossy())
            .collect::<Vec<_>>()
            .join("/")
    };
    let number = pointer::number(&in_force.snapshot);
    let beside = leftovers::list(folder, number)?;
    let mut found: Vec<String> = beside.iter().map(|path| shown(path)).collect();
    // Without the manifest of an older snapshot nobody knows which files are its.
    if older.findings.is_empty() {
        let mut named: HashSet<String> = std::iter::once(in_force)
            .chain(&older.manifests)
            .flat_map(file::named)
            .map(|named| named.path)
            .collect();
        for snapshot in std::iter::once(in_force).chain(&older.manifests) {
            named.insert(format!("{SNAPSHOTS}/{}/{MANIFEST}", snapshot.snapshot));
        }
        let mut folders: Vec<_> = disk::entries(&folder.join(SNAPSHOTS))?
            .into_iter()
            .filter(|path| !beside.contains(path))
            .collect();
        while let Some(path) = folders.pop() {
            let is_folder = std::fs::symlink_metadata(&path).is_ok_and(|found| found.is_dir());
            if is_folder {
                folders.extend(disk::entries(&path)?);
            } else if !named.contains(&shown(&path)) {
                found.push(shown(&path));
            }
        }
    }
    found.sort();
    Ok(found)
}
