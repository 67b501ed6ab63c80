//! What a stopped writer leaves behind: a staging folder, the pointer's successor, a snapshot that never came into force.
//! And whose folder it is where there is no pointer.

use std::collections::HashSet;
use std::fs;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

use super::disk::{self, WritePoint};
use super::pointer::{self, Pointer};
use super::{CURRENT, CURRENT_NEW, LOCK, READERS, SNAPSHOTS, STAGING};
use crate::error::PipelineError;

/// A cohort may be begun in a folder without a pointer where nothing of anybody else's is in it. Other writers may be
/// doing so at the same time.
pub(crate) fn not_somebody_elses(folder: &Path) -> Result<(), PipelineError> {
    if folder.join(CURRENT).exists() {
        return Ok(());
    }
    let names: HashSet<String> = disk::entries(folder)?
        .iter()
        .filter_map(|path| path.file_name())
        .map(|name| name.to_string_lossy().into_owned())
        .collect();
    let known = [CURRENT, CURRENT_NEW, LOCK, READERS, SNAPSHOTS, STAGING];
    // The lock is made before anything else, so where it is missing from the list it was made since, or nobody began.
    let begun = names.iter().all(|name| known.contains(&name.as_str()))
        && (names.contains(LOCK) || folder.join(LOCK).exists());
    if names.is_empty() || begun {
        Ok(())
    } else {
        Err(PipelineError::Occupied {
            path: folder.to_path_buf(),
        })
    }
}

/// Where there is no pointer, snapshots are those of a cohort that lost it, and are not to be written over; but for the
/// one snapshot of a first ingest that was stopped before it came into force. The caller holds the lock.
pub(crate) fn pointer_not_lost(folder: &Path) -> Result<(), PipelineError> {
    let snapshots = match disk::entries(&folder.join(SNAPSHOTS)) {
        Ok(snapshots) => snapshots,
        Err(PipelineError::Read { source, .. }) if source.kind() == ErrorKind::NotFound => {
            return Ok(());
        }
        Err(error) => return Err(error),
    };
    let first = pointer::name(1);
    let successor = fs::read(folder.join(CURRENT_NEW))
        .ok()
        .and_then(|bytes| Pointer::parse(&bytes));
    let begun = successor.is_some_and(|successor| successor.name == first)
        && snapshots.iter().all(|path| path.ends_with(&first));
    if snapshots.is_empty() || begun {
        Ok(())
    } else {
        Err(PipelineError::damaged(
            &folder.join(CURRENT),
            "it is missing although there are snapshots",
        ))
    }
}

/// What is left over beside the snapshot in force, in the order in which it may be removed: the pointer's successor
/// last, since a snapshot without it would look like one that had been in force.
pub(crate) fn list(folder: &Path, in_force: Option<u32>) -> Result<Vec<PathBuf>, PipelineError> {
    let mut found = Vec::new();
    let snapshots = folder.join(SNAPSHOTS);
    if snapshots.is_dir() {
        found.extend(disk::entries(&snapshots)?.into_iter().filter(|path| {
            number_of(path).is_some_and(|number| in_force.is_none_or(|last| number > last))
        }));
    }
    for name in [STAGING, CURRENT_NEW] {
        let path = folder.join(name);
        if fs::symlink_metadata(&path).is_ok() {
            found.push(path);
        }
    }
    Ok(found)
}

/// Removes what is left over. The caller holds the lock.
pub(crate) fn remove(folder: &Path, in_force: Option<u32>) -> Result<(), PipelineError> {
    for path in list(folder, in_force)? {
        disk::remove_tree(&path, WritePoint::Leftovers)?;
    }
    Ok(())
}

/// The number of a snapshot by its folder.
pub(crate) fn number_of(path: &Path) -> Option<u32> {
    pointer::number(path.file_name()?.to_str()?)
}
