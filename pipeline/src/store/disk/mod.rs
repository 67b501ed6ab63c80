//! Everything the store does to the disk goes through here, at a named [`WritePoint`]: the places at which a full disk, a
//! failing one or the end of the process can interrupt it. Tests make each of them fail in turn (feature `faults`);
//! without that feature a point is a name and nothing else.

#[cfg(feature = "faults")]
mod faults;
mod points;

use std::fs::{self, File};
use std::io::{self, ErrorKind, Write};
use std::path::{Path, PathBuf};

pub use points::{Operation, WritePoint};

use crate::error::PipelineError;

/// Does something at a point.
#[cfg(feature = "faults")]
fn at<T>(point: WritePoint, act: impl FnOnce() -> io::Result<T>) -> io::Result<T> {
    faults::around(point, act)
}

/// Does something at a point.
#[cfg(not(feature = "faults"))]
fn at<T>(_point: WritePoint, act: impl FnOnce() -> io::Result<T>) -> io::Result<T> {
    act()
}

/// A file being written.
#[derive(Debug)]
pub(crate) struct Output {
    file: File,
    point: WritePoint,
}

impl Output {
    /// Makes a file, or empties one that is there; what is written to it is written at the second point.
    pub(crate) fn create(
        path: &Path,
        creating: WritePoint,
        writing: WritePoint,
    ) -> io::Result<Self> {
        let file = at(creating, || File::create(path))?;
        Ok(Self {
            file,
            point: writing,
        })
    }

    /// Flushes the file to the disk.
    pub(crate) fn sync(&self, point: WritePoint) -> io::Result<()> {
        at(point, || self.file.sync_all())
    }
}

impl Write for Output {
    fn write(&mut self, buffer: &[u8]) -> io::Result<usize> {
        #[cfg(feature = "faults")]
        return faults::write(self.point, buffer, &mut self.file);
        #[cfg(not(feature = "faults"))]
        {
            let _ = self.point;
            self.file.write(buffer)
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file.flush()
    }
}

/// Opens a file that locks are taken on, and makes it where it is not there; its content is left alone.
pub(crate) fn open_lock(path: &Path, point: WritePoint) -> io::Result<File> {
    at(point, || {
        File::options()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(path)
    })
}

/// Makes a folder and those above it.
pub(crate) fn make_folder(path: &Path, point: WritePoint) -> Result<(), PipelineError> {
    at(point, || fs::create_dir_all(path)).map_err(|source| PipelineError::write(path, source))
}

/// Makes a folder with those above it that are not there, so that all of them outlast a loss of power.
pub(crate) fn make_folder_durably(
    path: &Path,
    making: WritePoint,
    syncing: WritePoint,
) -> Result<(), PipelineError> {
    let missing: Vec<&Path> = path
        .ancestors()
        .take_while(|folder| !folder.as_os_str().is_empty() && !folder.exists())
        .collect();
    make_folder(path, making)?;
    for folder in missing.into_iter().rev() {
        match folder.parent() {
            Some(above) if !above.as_os_str().is_empty() => sync_folder(above, syncing)?,
            _ => sync_folder(Path::new("."), syncing)?,
        }
    }
    Ok(())
}

/// Renames a file or folder.
pub(crate) fn rename(from: &Path, to: &Path, point: WritePoint) -> Result<(), PipelineError> {
    at(point, || fs::rename(from, to)).map_err(|source| PipelineError::write(to, source))
}

/// Removes a file, or a link to whatever it leads to; one that is not there is fine.
pub(crate) fn remove_file(path: &Path, point: WritePoint) -> Result<(), PipelineError> {
    if fs::symlink_metadata(path).is_err_and(|error| error.kind() == ErrorKind::NotFound) {
        return Ok(());
    }
    at(point, || fs::remove_file(path)).map_err(|source| PipelineError::write(path, source))
}

/// Removes a folder that is empty.
pub(crate) fn remove_folder(path: &Path, point: WritePoint) -> Result<(), PipelineError> {
    at(point, || fs::remove_dir(path)).map_err(|source| PipelineError::write(path, source))
}

/// Removes a folder with all that is in it, or a file; one that is not there is fine. Links are not followed.
pub(crate) fn remove_tree(path: &Path, point: WritePoint) -> Result<(), PipelineError> {
    match fs::symlink_metadata(path) {
        Ok(found) if found.is_dir() => {}
        Ok(_) => return remove_file(path, point),
        Err(error) if error.kind() == ErrorKind::NotFound => return Ok(()),
        Err(source) => return Err(PipelineError::write(path, source)),
    }
    for entry in entries(path)? {
        remove_tree(&entry, point)?;
    }
    remove_folder(path, point)
}

/// What is in a folder, sorted by name.
pub(crate) fn entries(folder: &Path) -> Result<Vec<PathBuf>, PipelineError> {
    let read = |source| PipelineError::read(folder, source);
    let mut found = fs::read_dir(folder)
        .map_err(read)?
        .map(|entry| entry.map(|entry| entry.path()))
        .collect::<Result<Vec<PathBuf>, io::Error>>()
        .map_err(read)?;
    found.sort();
    Ok(found)
}

/// Flushes a folder and the folders in it to the disk, the innermost first.
pub(crate) fn sync_tree(path: &Path, point: WritePoint) -> Result<(), PipelineError> {
    for entry in entries(path)? {
        if fs::symlink_metadata(&entry).is_ok_and(|found| found.is_dir()) {
            sync_tree(&entry, point)?;
        }
    }
    sync_folder(path, point)
}

/// Flushes a folder's entries to the disk, where the system can: some file systems cannot, and a folder that may be
/// written to need not be one that may be opened.
pub(crate) fn sync_folder(path: &Path, point: WritePoint) -> Result<(), PipelineError> {
    at(point, || {
        #[cfg(unix)]
        match File::open(path).and_then(|folder| folder.sync_all()) {
            Err(error)
                if !matches!(
                    error.kind(),
                    ErrorKind::PermissionDenied | ErrorKind::InvalidInput | ErrorKind::Unsupported
                ) =>
            {
                return Err(error);
            }
            _ => {}
        }
        Ok(())
    })
    .map_err(|source| PipelineError::write(path, source))
}
