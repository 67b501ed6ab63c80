//! Older snapshots that are still there. Each manifest has the hash of the one before, so that these are known to be
//! as they were written too.

use std::path::Path;

use super::Finding;
use crate::error::PipelineError;
use crate::store::manifest::Manifest;
use crate::store::{Cohort, Inside, MANIFEST, SNAPSHOTS, disk, leftovers, pointer, read_manifest};

/// Manifests of older snapshots, newest first, and what is wrong with those that cannot be read.
pub(super) struct Older {
    pub(super) manifests: Vec<Manifest>,
    pub(super) findings: Vec<Finding>,
}

/// Reads the manifests of older snapshots; those that a compaction has dropped have none.
pub(super) fn read(folder: &Path, cohort: &Cohort) -> Result<Older, PipelineError> {
    let mut older = Older {
        manifests: Vec::new(),
        findings: Vec::new(),
    };
    let in_force = pointer::number(&cohort.manifest.snapshot).unwrap_or(0);
    let mut numbers: Vec<u32> = disk::entries(&folder.join(SNAPSHOTS))?
        .iter()
        .filter(|path| std::fs::symlink_metadata(path.join(MANIFEST)).is_ok())
        .filter_map(|path| leftovers::number_of(path))
        .filter(|number| *number < in_force)
        .collect();
    numbers.sort_unstable_by(|a, b| b.cmp(a));
    let inside = Inside::new(folder)?;
    // The hash by which the next one down is known, where its successor could be read.
    let mut known = (in_force, cohort.manifest.previous.clone());
    for number in numbers {
        let name = pointer::name(number);
        let expected = known.1.take().filter(|_| known.0 == number + 1);
        match read_one(&inside, &name, expected.as_deref()) {
            Ok(manifest) => {
                known = (number, manifest.previous.clone());
                older.manifests.push(manifest);
            }
            Err(error) => older.findings.push(Finding::new(
                &format!("{SNAPSHOTS}/{name}/{MANIFEST}"),
                match error {
                    PipelineError::DamagedStore { detail, .. } => detail,
                    PipelineError::Read { source, .. } => format!("it cannot be read: {source}"),
                    PipelineError::NewerFormat { .. } => {
                        "it is of a newer format than its successor".to_owned()
                    }
                    _ => "it cannot be read".to_owned(),
                },
            )),
        }
    }
    Ok(older)
}

fn read_one(
    inside: &Inside<'_>,
    name: &str,
    hash: Option<&str>,
) -> Result<Manifest, PipelineError> {
    let path = inside.check(&format!("{SNAPSHOTS}/{name}/{MANIFEST}"))?;
    let bytes = read_manifest(&path)?;
    if hash.is_some_and(|hash| blake3::hash(&bytes).to_hex().as_str() != hash) {
        return Err(PipelineError::damaged(
            &path,
            "its bytes are not those that its successor has the hash of",
        ));
    }
    Manifest::from_bytes(&bytes, name, &path)
}
