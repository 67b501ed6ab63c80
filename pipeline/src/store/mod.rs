//! The cohort store: a folder of Parquet files, and a manifest for each snapshot of them.
//!
//! ```text
//! cohort/
//!   CURRENT                                   name of the snapshot in force and hash of its manifest, replaced by rename
//!   LOCK                                      held by the process that writes
//!   READERS                                   shared by the processes that read
//!   snapshots/000001/manifest.json            what the cohort is made of
//!   snapshots/000001/curves/quarter=2026-Q3/part-0.parquet
//!   snapshots/000001/set-aside.parquet        rows of that delivery set aside
//!   snapshots/000002/set-aside-000001.parquet those of an earlier delivery, after some of them returned
//! ```
//! A snapshot may name files of earlier snapshots. Files are never changed once they are named. Only
//! [`compact::compact`] removes what was in force.

pub mod compact;
mod decode;
mod disk;
mod encode;
mod files;
mod labels;
mod leftovers;
mod locks;
mod manifest;
mod manifest_check;
mod pointer;
pub mod schema;
mod set_aside;
mod snapshot;
pub mod verify;

use std::collections::HashSet;
use std::fs::{self, File};
use std::io::{ErrorKind, Read};
use std::path::{Path, PathBuf};

pub use disk::{Operation, WritePoint};
pub use locks::{WaitingFor, WhenLocked};
pub use manifest::{
    AccountEntry, Dates, DeliveryEntry, FORMAT, FileEntry, Manifest, Part, PseudonymEntry,
    RuleEntry,
};
pub use manifest_check::MAX_MANIFEST_BYTES;
pub use set_aside::{SET_ASIDE_COLUMNS, SetAsideRow, in_words as set_aside_in_words};
pub(crate) use set_aside::{
    SetAsideRows, with_texts as set_aside_with_texts, write_csv as write_set_aside_csv,
};

use crate::error::PipelineError;
use crate::records::Records;
use locks::ReadLock;
pub(crate) use locks::WriteLock;
use pointer::Pointer;
use schema::StoreTable;
pub(crate) use snapshot::{Mended, NewSnapshot};

const CURRENT: &str = "CURRENT";
const CURRENT_NEW: &str = "CURRENT.new";
const LOCK: &str = "LOCK";
const READERS: &str = "READERS";
const SNAPSHOTS: &str = "snapshots";
const MANIFEST: &str = "manifest.json";
const STAGING: &str = "staging";

/// How often a snapshot is looked for that a compaction may have taken away, where no lock keeps it.
const TRIES: u32 = 5;

/// A snapshot of a cohort, opened for reading. Its files stay until it is dropped.
#[derive(Clone, Debug)]
pub struct Cohort {
    /// The cohort's folder.
    pub folder: PathBuf,
    /// The manifest of the snapshot.
    pub manifest: Manifest,
    manifest_hash: String,
    _reading: Option<ReadLock>,
}

impl Cohort {
    /// Opens the snapshot in force. Every part it names is there and of its size; their bytes are not read.
    ///
    /// # Errors
    /// [`PipelineError::NotACohort`], [`PipelineError::NewerFormat`], [`PipelineError::UnknownPointer`],
    /// [`PipelineError::DamagedStore`] or [`PipelineError::Read`].
    pub fn open(folder: &Path) -> Result<Self, PipelineError> {
        let reading = ReadLock::share(folder);
        for _ in 1..TRIES {
            let pointer = Pointer::read(folder)?;
            match Self::open_whole(folder, &pointer) {
                Ok(cohort) => return Ok(cohort.kept_by(reading)),
                Err(_)
                    if !reading.is_held()
                        && Pointer::read(folder).is_ok_and(|now| now != pointer) => {}
                Err(error) => return Err(error),
            }
        }
        let pointer = Pointer::read(folder)?;
        Ok(Self::open_whole(folder, &pointer)?.kept_by(reading))
    }

    fn kept_by(mut self, reading: ReadLock) -> Self {
        self._reading = Some(reading);
        self
    }

    /// Opens the snapshot in force for a process that keeps all others from changing it.
    pub(crate) fn open_locked(folder: &Path) -> Result<Self, PipelineError> {
        Self::open_whole(folder, &Pointer::read(folder)?)
    }

    fn open_whole(folder: &Path, pointer: &Pointer) -> Result<Self, PipelineError> {
        let cohort = Self::open_manifest(folder, pointer)?;
        let inside = Inside::new(folder)?;
        for part in &cohort.manifest.parts {
            inside.check_size(&part.path, Some(part.bytes))?;
        }
        Ok(cohort)
    }

    /// Opens a snapshot by its manifest alone.
    fn open_manifest(folder: &Path, pointer: &Pointer) -> Result<Self, PipelineError> {
        let name = format!("{SNAPSHOTS}/{}/{MANIFEST}", pointer.name);
        let path = folder.join(&name);
        Inside::new(folder)?.check(&name)?;
        let bytes = read_manifest(&path)?;
        let manifest_hash = blake3::hash(&bytes).to_hex().to_string();
        if pointer
            .hash
            .as_ref()
            .is_some_and(|hash| *hash != manifest_hash)
        {
            return Err(PipelineError::damaged(
                &path,
                "its bytes are not those that CURRENT has the hash of",
            ));
        }
        let manifest = Manifest::from_bytes(&bytes, &pointer.name, &path)?;
        if pointer.hash.is_none() && manifest.format > 1 {
            return Err(PipelineError::damaged(
                &folder.join(CURRENT),
                "it has no hash of the manifest",
            ));
        }
        Ok(Self {
            folder: folder.to_path_buf(),
            manifest,
            manifest_hash,
            _reading: None,
        })
    }

    /// Files that the manifest names, from the cohort's folder.
    fn file_names(&self) -> impl Iterator<Item = &str> {
        let parts = self.manifest.parts.iter().map(|part| part.path.as_str());
        let deliveries = self.manifest.deliveries.iter();
        parts.chain(deliveries.filter_map(|delivery| delivery.set_aside.as_deref()))
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
        // An id that is damaged would not be found, and its fitting stored a second time.
        self.check_parts(|part| part.table == StoreTable::Fittings.name())?;
        decode::quarters_with(&self.folder, &self.manifest, ids)
    }

    /// Calls back with the rows of a delivery that wait: number within its file, table, rule and record.
    pub(crate) fn each_waiting(
        &self,
        entry: &DeliveryEntry,
        row: impl FnMut(u32, &str, &str, &str),
    ) -> Result<(), PipelineError> {
        match &entry.set_aside {
            // Most deliveries have none, and their files are not opened.
            Some(name) if entry.waiting > 0 => {
                verify::check_bytes(self, |path| path == name)?;
                set_aside::each_waiting(&self.folder.join(name), row)
            }
            _ => Ok(()),
        }
    }

    /// Hashes some parts before they are relied on.
    fn check_parts(&self, wanted: impl Fn(&Part) -> bool) -> Result<(), PipelineError> {
        let parts = self.manifest.parts.iter().filter(|part| wanted(part));
        let paths: HashSet<&str> = parts.map(|part| part.path.as_str()).collect();
        verify::check_bytes(self, |path| paths.contains(path))
    }

    /// Records of some quarters. They are written anew, so their files are hashed first: a damaged one must not come out
    /// of this with a good hash.
    pub(crate) fn read_quarters(
        &self,
        quarters: &HashSet<String>,
    ) -> Result<Records, PipelineError> {
        self.check_parts(|part| quarters.contains(&part.quarter))?;
        decode::read_quarters(&self.folder, &self.manifest, quarters)
    }
}

/// The rows set aside of a delivery of the cohort in a folder, some at a time.
pub(crate) fn rows_set_aside(
    folder: &Path,
    entry: &DeliveryEntry,
) -> Result<SetAsideRows<'static>, PipelineError> {
    match &entry.set_aside {
        Some(path) => set_aside::read(&folder.join(path)),
        None => Ok(Box::new(std::iter::empty())),
    }
}

/// The bytes of a manifest, up to a size.
fn read_manifest(path: &Path) -> Result<Vec<u8>, PipelineError> {
    let read = |source: std::io::Error| match source.kind() {
        ErrorKind::NotFound => PipelineError::damaged(path, "it is gone"),
        _ => PipelineError::read(path, source),
    };
    let file = File::open(path).map_err(read)?;
    let mut bytes = Vec::new();
    file.take(MAX_MANIFEST_BYTES + 1)
        .read_to_end(&mut bytes)
        .map_err(read)?;
    if bytes.len() as u64 > MAX_MANIFEST_BYTES {
        return Err(PipelineError::damaged(
            path,
            format!("it has more than the {MAX_MANIFEST_BYTES} bytes that a manifest can have"),
        ));
    }
    Ok(bytes)
}

/// The cohort's folder, as the place that no file of the cohort may be outside of.
struct Inside<'a> {
    folder: &'a Path,
    real: PathBuf,
}

impl<'a> Inside<'a> {
    fn new(folder: &'a Path) -> Result<Self, PipelineError> {
        let real =
            fs::canonicalize(folder).map_err(|source| PipelineError::read(folder, source))?;
        Ok(Self { folder, real })
    }

    /// The path of a file that is there, inside the cohort, and not by a link that leads out of it.
    fn check(&self, name: &str) -> Result<PathBuf, PipelineError> {
        let path = self.folder.join(name);
        match fs::canonicalize(&path) {
            Ok(real) if real.starts_with(&self.real) => Ok(path),
            Ok(_) => Err(PipelineError::damaged(
                &path,
                "it is a link that leads out of the cohort",
            )),
            Err(error)
                if matches!(error.kind(), ErrorKind::NotFound | ErrorKind::NotADirectory) =>
            {
                Err(PipelineError::damaged(&path, "it is gone"))
            }
            Err(source) => Err(PipelineError::read(&path, source)),
        }
    }

    /// Finds files that are gone or cut off before anything is computed from the others.
    fn check_size(&self, name: &str, bytes: Option<u64>) -> Result<u64, PipelineError> {
        let path = self.check(name)?;
        let found = fs::metadata(&path).map_err(|source| PipelineError::read(&path, source))?;
        match bytes {
            _ if !found.is_file() => Err(PipelineError::damaged(&path, "it is no file")),
            Some(bytes) if found.len() != bytes => Err(PipelineError::damaged(
                &path,
                format!(
                    "it has {} bytes, where the manifest says {bytes}",
                    found.len()
                ),
            )),
            _ => Ok(found.len()),
        }
    }
}
