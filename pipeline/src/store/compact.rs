//! Compaction: history goes, the snapshot in force stays.

use std::collections::HashSet;
use std::fs;
use std::path::{Path, PathBuf};

use super::disk::{self, WritePoint};
use super::locks::{NoReaders, WaitingFor, WhenLocked, WriteLock};
use super::pointer::{self, Pointer};
use super::{Cohort, MANIFEST, SNAPSHOTS, leftovers, verify};
use crate::error::PipelineError;

/// What a compaction did.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Compacted {
    /// The snapshot in force, before and after.
    pub snapshot: String,
    /// Snapshots that were dropped.
    pub snapshots: u64,
    /// Files that were removed.
    pub files: u64,
    /// Their size.
    pub bytes: u64,
}

/// Drops every snapshot but the one in force, and every file that it does not name.
///
/// The files in force are read and hashed before anything goes, since what goes cannot be had back. Then the manifests
/// of older snapshots go first, then files, then folders that are empty: stopped at any moment, the snapshot in force is
/// whole, and so is every older one whose manifest is still there. Waits for writers and then for readers, or gives up.
///
/// # Errors
/// Those of [`Cohort::open`]; [`PipelineError::DamagedStore`] where a file in force is damaged, and nothing was removed;
/// [`PipelineError::Locked`], [`PipelineError::BeingRead`] or [`PipelineError::Write`].
pub fn compact(
    folder: &Path,
    when_locked: WhenLocked,
    waits: &dyn Fn(WaitingFor),
) -> Result<Compacted, PipelineError> {
    // Nothing is made in a folder that is no cohort.
    Pointer::read(folder)?;
    let lock = WriteLock::take(folder, when_locked, waits)?;
    let cohort = Cohort::open_locked(folder)?;
    verify::check_bytes(&cohort, |_| true)?;
    let _alone = NoReaders::take(&lock, folder, when_locked, waits)?;
    lock.remove_leftovers(folder, Some(&cohort))?;

    let mut done = Compacted {
        snapshot: cohort.manifest.snapshot.clone(),
        ..Compacted::default()
    };
    let snapshots = folder.join(SNAPSHOTS);
    let homes: Vec<PathBuf> = disk::entries(&snapshots)?
        .into_iter()
        .filter(|path| leftovers::number_of(path).is_some())
        // A link is not ours, wherever it leads.
        .filter(|path| fs::symlink_metadata(path).is_ok_and(|found| found.is_dir()))
        .collect();
    let old =
        |home: &PathBuf| leftovers::number_of(home) != pointer::number(&cohort.manifest.snapshot);
    for home in homes.iter().filter(|home| old(home)) {
        let manifest = home.join(MANIFEST);
        if let Ok(found) = fs::symlink_metadata(&manifest) {
            disk::remove_file(&manifest, WritePoint::OldManifest)?;
            disk::sync_folder(home, WritePoint::OldManifestSync)?;
            done.snapshots += 1;
            done.files += 1;
            done.bytes += found.len();
        }
    }
    let mut named: HashSet<PathBuf> = cohort.file_names().map(|name| folder.join(name)).collect();
    named.insert(snapshots.join(&cohort.manifest.snapshot).join(MANIFEST));
    for home in &homes {
        sweep(home, &named, &mut done)?;
    }
    disk::sync_folder(&snapshots, WritePoint::OldFolderSync)?;
    Ok(done)
}

/// Removes files of a folder that are not named, and folders that are empty then. Whether the folder itself went.
fn sweep(
    folder: &Path,
    named: &HashSet<PathBuf>,
    done: &mut Compacted,
) -> Result<bool, PipelineError> {
    let mut left = false;
    for path in disk::entries(folder)? {
        let found =
            fs::symlink_metadata(&path).map_err(|source| PipelineError::read(&path, source))?;
        if found.is_dir() {
            left |= !sweep(&path, named, done)?;
        } else if named.contains(&path) {
            left = true;
        } else {
            disk::remove_file(&path, WritePoint::OldFile)?;
            done.files += 1;
            done.bytes += found.len();
        }
    }
    if !left {
        disk::remove_folder(folder, WritePoint::OldFolder)?;
    }
    Ok(!left)
}
