//! From the bytes of a manifest to a manifest that the rest of the program may rely on, or to what is wrong with it.
//!
//! A manifest is a file like any other: it may come from a later version, be damaged, or be made to harm. What passes
//! here names only files inside the cohort, tables and quarters that there are, and counts whose sums are numbers.

use std::collections::HashSet;
use std::path::{Component, Path};
use std::str::FromStr;

use serde::Deserialize;
use serde_json::error::Category;

use super::manifest::{FORMAT, Manifest};
use super::schema::StoreTable;
use super::{MANIFEST, SNAPSHOTS, pointer};
use crate::delivery::columns::is_label_column;
use crate::error::PipelineError;
use crate::quarter::Quarter;
use crate::vocabulary::TableName;

/// The largest manifest that is read or written, bytes: some ten thousand deliveries. What is read of one takes a few
/// times its size of memory.
pub const MAX_MANIFEST_BYTES: u64 = 64 << 20;

/// All that is looked at before the format is known.
#[derive(Deserialize)]
struct OfAnyFormat {
    format: u64,
}

impl Manifest {
    /// Reads the manifest of a snapshot. The path is for errors only.
    ///
    /// # Errors
    /// [`PipelineError::NewerFormat`] or [`PipelineError::DamagedStore`].
    pub fn from_bytes(bytes: &[u8], snapshot: &str, path: &Path) -> Result<Self, PipelineError> {
        let damaged = |detail: &str| PipelineError::damaged(path, detail);
        // An error of the parser repeats what it found, so only its place is told.
        let broken = |error: &serde_json::Error| {
            PipelineError::damaged(
                path,
                format!(
                    "line {}, column {} is not as a manifest has it",
                    error.line(),
                    error.column()
                ),
            )
        };
        // The format is looked at first: a newer manifest need not be of a form that is understood.
        let found = match serde_json::from_slice::<OfAnyFormat>(bytes) {
            Ok(any) => any.format,
            Err(error) if error.classify() == Category::Data => {
                return Err(damaged("it states no format"));
            }
            Err(error) => return Err(broken(&error)),
        };
        if found > FORMAT.into() {
            return Err(PipelineError::NewerFormat {
                path: path.to_path_buf(),
                found,
                known: FORMAT,
            });
        }
        let manifest: Self = serde_json::from_slice(bytes).map_err(|error| broken(&error))?;
        if manifest.snapshot != snapshot {
            return Err(damaged("it is the manifest of another snapshot"));
        }
        manifest.check().map_err(|detail| damaged(&detail))?;
        Ok(manifest)
    }

    fn check(&self) -> Result<(), String> {
        let own = pointer::number(&self.snapshot)
            .ok_or("the name of its snapshot is not a number".to_owned())?;
        let no_hash = |hash: &str| (!pointer::is_hash(hash)).then_some("a hash in it is none");
        let mut total = Total(0);
        let mut paths = HashSet::new();
        for part in &self.parts {
            if !StoreTable::ALL
                .iter()
                .any(|table| table.name() == part.table)
            {
                return Err("a part is of a table that there is not".to_owned());
            }
            if !Quarter::from_str(&part.quarter)
                .is_ok_and(|quarter| quarter.to_string() == part.quarter)
            {
                return Err("a part is of a quarter that there is not".to_owned());
            }
            inside(&part.path, own)?;
            if !paths.insert(part.path.as_str()) {
                return Err("it names a file twice".to_owned());
            }
            if let Some(detail) = no_hash(&part.hash) {
                return Err(detail.to_owned());
            }
            labels(&part.label_columns)?;
            if !part
                .label_columns
                .iter()
                .all(|label| self.label_columns.contains(label))
            {
                return Err("a part has a label column that the cohort has not".to_owned());
            }
            total.add(part.rows)?;
            total.add(part.bytes)?;
        }
        labels(&self.label_columns)?;
        if let Some(detail) = self.previous.as_deref().and_then(no_hash) {
            return Err(detail.to_owned());
        }
        for delivery in &self.deliveries {
            if pointer::number(&delivery.snapshot).is_none_or(|number| number > own) {
                return Err("a delivery is of a snapshot that there is not".to_owned());
            }
            if let Some(detail) = no_hash(&delivery.hash) {
                return Err(detail.to_owned());
            }
            if let Some(path) = &delivery.set_aside {
                inside(path, own)?;
                if !paths.insert(path) {
                    return Err("it names a file twice".to_owned());
                }
            }
            if let Some(file) = &delivery.set_aside_file {
                if let Some(detail) = no_hash(&file.hash) {
                    return Err(detail.to_owned());
                }
                total.add(file.rows)?;
                total.add(file.bytes)?;
            }
            for account in &delivery.accounts {
                table(&account.table)?;
                total.add(account.rows_read)?;
                total.add(account.rows_stored)?;
                total.add(account.rows_set_aside)?;
                total.add(account.exact_repeats)?;
            }
            for entry in &delivery.rules {
                table(&entry.table)?;
                total.add(entry.rows)?;
            }
        }
        Ok(())
    }
}

/// The sum of every count of a manifest: where it is a number, so is every sum of some of them.
struct Total(i64);

impl Total {
    fn add(&mut self, count: u64) -> Result<(), String> {
        self.0 = i64::try_from(count)
            .ok()
            .and_then(|count| self.0.checked_add(count))
            .ok_or("its counts are too large to be true")?;
        Ok(())
    }
}

fn table(word: &str) -> Result<(), String> {
    match TableName::from_word(word.as_bytes()) {
        Some(_) => Ok(()),
        None => Err("an account is of a table that there is not".to_owned()),
    }
}

fn labels(names: &[String]) -> Result<(), String> {
    if !names.iter().all(|name| is_label_column(name)) {
        return Err("a label column has a name that none can have".to_owned());
    }
    if !names.iter().zip(names.iter().skip(1)).all(|(a, b)| a < b) {
        return Err("its label columns are not sorted".to_owned());
    }
    Ok(())
}

/// A file of the cohort is named from the cohort's folder, below the folder of a snapshot up to this one.
fn inside(path: &str, own: u32) -> Result<(), String> {
    let outside = || "it names a file outside of the cohort's snapshots".to_owned();
    let names = Path::new(path)
        .components()
        .map(|component| match component {
            Component::Normal(name) => name.to_str(),
            _ => None,
        })
        .collect::<Option<Vec<&str>>>()
        .ok_or_else(outside)?;
    let [SNAPSHOTS, snapshot, .., file] = names.as_slice() else {
        return Err(outside());
    };
    // One way of writing a path only, so that a file is not named twice in two ways; the backslash is a separator on
    // some systems.
    if names.join("/") != path || path.contains('\\') || *file == MANIFEST {
        return Err(outside());
    }
    match pointer::number(snapshot) {
        Some(number) if number <= own => Ok(()),
        _ => Err(outside()),
    }
}
