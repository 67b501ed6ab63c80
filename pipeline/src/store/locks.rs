//! Two locks on files of the cohort's folder, both given up when dropped or when the process ends, however it ends.
//!
//! Writers hold `LOCK`, one at a time. Readers share `READERS`, so that compaction, which takes it for itself after
//! `LOCK`, removes no file that a reader may still open. Ingests remove nothing that was ever in force and pass by it.

use std::fs::{File, TryLockError};
use std::path::Path;
use std::sync::Arc;

use super::disk::{self, WritePoint};
use super::{CURRENT, Cohort, LOCK, READERS, leftovers, pointer};
use crate::error::PipelineError;

/// What to do where another process holds a lock.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WhenLocked {
    /// Wait until it is free.
    Wait,
    /// Say so and do nothing.
    GiveUp,
}

/// Whose end is waited for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WaitingFor {
    /// A process that writes to the cohort.
    Writer,
    /// Processes that read the cohort.
    Readers,
}

/// The right to write to a cohort.
#[derive(Debug)]
pub(crate) struct WriteLock {
    _file: File,
}

impl WriteLock {
    /// Takes the lock of a cohort, or of a folder in which one may be begun.
    pub(crate) fn take(
        folder: &Path,
        when_locked: WhenLocked,
        waits: &dyn Fn(WaitingFor),
    ) -> Result<Self, PipelineError> {
        disk::make_folder_durably(
            folder,
            WritePoint::CohortFolder,
            WritePoint::CohortParentSync,
        )?;
        leftovers::not_somebody_elses(folder)?;
        let path = folder.join(LOCK);
        let file = disk::open_lock(&path, WritePoint::Lock)
            .map_err(|source| PipelineError::write(&path, source))?;
        hold(
            &file,
            &path,
            when_locked,
            &|| waits(WaitingFor::Writer),
            || PipelineError::Locked {
                path: folder.to_path_buf(),
            },
        )?;
        // Readers may have no right to make it.
        let path = folder.join(READERS);
        disk::open_lock(&path, WritePoint::Readers)
            .map_err(|source| PipelineError::write(&path, source))?;
        if !folder.join(CURRENT).exists() {
            leftovers::pointer_not_lost(folder)?;
        }
        Ok(Self { _file: file })
    }

    /// Removes what a stopped writer left behind beside the snapshot in force.
    pub(crate) fn remove_leftovers(
        &self,
        folder: &Path,
        in_force: Option<&Cohort>,
    ) -> Result<(), PipelineError> {
        let number = in_force.and_then(|cohort| pointer::number(&cohort.manifest.snapshot));
        leftovers::remove(folder, number)
    }
}

/// The knowledge that nobody writes to the cohort, until dropped: for a moment, since a writer waits for it.
#[derive(Debug)]
pub(crate) struct NoWriter {
    _file: Option<File>,
}

impl NoWriter {
    /// None where somebody writes. A folder without a lock that may be opened has no writer that we could know of.
    pub(crate) fn now(folder: &Path) -> Option<Self> {
        let Ok(file) = File::open(folder.join(LOCK)) else {
            return Some(Self { _file: None });
        };
        match file.try_lock_shared() {
            Err(TryLockError::WouldBlock) => None,
            _ => Some(Self { _file: Some(file) }),
        }
    }
}

/// A reader's claim that no file of the snapshot it opened is removed.
#[derive(Clone, Debug)]
pub(crate) struct ReadLock {
    file: Option<Arc<File>>,
}

impl ReadLock {
    /// Shares the readers' lock of a cohort, after a compaction that is under way. A folder or a file system that has no
    /// lock for us is read without.
    pub(crate) fn share(folder: &Path) -> Self {
        let path = folder.join(READERS);
        let file = File::open(&path).or_else(|error| {
            // A cohort of format 1 has none yet, and a folder that is no cohort gets none.
            if folder.join(CURRENT).exists() {
                disk::open_lock(&path, WritePoint::Readers)
            } else {
                Err(error)
            }
        });
        Self {
            file: file
                .ok()
                .filter(|file| file.lock_shared().is_ok())
                .map(Arc::new),
        }
    }

    /// Whether there is a lock.
    pub(crate) fn is_held(&self) -> bool {
        self.file.is_some()
    }
}

/// The knowledge that nobody reads the cohort, until dropped.
#[derive(Debug)]
pub(crate) struct NoReaders {
    _file: File,
}

impl NoReaders {
    /// Waits until nobody reads. The writers' lock is held, so that two who wait do not wait for each other.
    pub(crate) fn take(
        _lock: &WriteLock,
        folder: &Path,
        when_locked: WhenLocked,
        waits: &dyn Fn(WaitingFor),
    ) -> Result<Self, PipelineError> {
        let path = folder.join(READERS);
        let file = disk::open_lock(&path, WritePoint::Readers)
            .map_err(|source| PipelineError::write(&path, source))?;
        hold(
            &file,
            &path,
            when_locked,
            &|| waits(WaitingFor::Readers),
            || PipelineError::BeingRead {
                path: folder.to_path_buf(),
            },
        )?;
        Ok(Self { _file: file })
    }
}

/// Takes a lock for this process alone.
fn hold(
    file: &File,
    path: &Path,
    when_locked: WhenLocked,
    waits: &dyn Fn(),
    locked: impl FnOnce() -> PipelineError,
) -> Result<(), PipelineError> {
    match file.try_lock() {
        Ok(()) => Ok(()),
        Err(TryLockError::WouldBlock) if when_locked == WhenLocked::Wait => {
            waits();
            file.lock()
                .map_err(|source| PipelineError::write(path, source))
        }
        Err(TryLockError::WouldBlock) => Err(locked()),
        Err(TryLockError::Error(source)) => Err(PipelineError::write(path, source)),
    }
}
