//! The pointer: which snapshot is in force, and the hash of its manifest.

use std::fs::File;
use std::io::{ErrorKind, Read};
use std::path::Path;

use super::CURRENT;
use crate::error::PipelineError;

/// No pointer is longer, bytes.
const MAX_BYTES: u64 = 256;

/// What `CURRENT` says: `000002 ` and the hash of the manifest. In format 1 it was the name alone.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Pointer {
    /// Name of the snapshot.
    pub(crate) name: String,
    /// BLAKE3 of its manifest, hexadecimal; none in format 1.
    pub(crate) hash: Option<String>,
}

impl Pointer {
    /// Reads the pointer of a cohort.
    pub(crate) fn read(folder: &Path) -> Result<Self, PipelineError> {
        let path = folder.join(CURRENT);
        let file = match File::open(&path) {
            Ok(file) => file,
            Err(error)
                if matches!(error.kind(), ErrorKind::NotFound | ErrorKind::NotADirectory) =>
            {
                return Err(PipelineError::NotACohort {
                    path: folder.to_path_buf(),
                });
            }
            Err(source) => return Err(PipelineError::read(&path, source)),
        };
        let mut bytes = Vec::new();
        file.take(MAX_BYTES)
            .read_to_end(&mut bytes)
            .map_err(|source| PipelineError::read(&path, source))?;
        Self::parse(&bytes).ok_or(PipelineError::UnknownPointer { path })
    }

    /// Reads the text of a pointer; none where it is of a shape that is not known.
    pub(crate) fn parse(bytes: &[u8]) -> Option<Self> {
        let text = std::str::from_utf8(bytes).ok()?.trim_end_matches('\n');
        let (name, hash) = match text.split_once(' ') {
            Some((name, hash)) => (name, Some(hash)),
            None => (text, None),
        };
        number(name)?;
        if hash.is_some_and(|hash| !is_hash(hash)) {
            return None;
        }
        Some(Self {
            name: name.to_owned(),
            hash: hash.map(str::to_owned),
        })
    }

    /// Its text.
    pub(crate) fn text(&self) -> String {
        match &self.hash {
            Some(hash) => format!("{} {hash}\n", self.name),
            None => format!("{}\n", self.name),
        }
    }
}

/// The number of a snapshot's name, which is that number in six digits or, where they do not do, more.
pub(crate) fn number(name: &str) -> Option<u32> {
    let number = name.parse::<u32>().ok()?;
    (number > 0 && self::name(number) == name).then_some(number)
}

/// The name of the snapshot of a number.
pub(crate) fn name(number: u32) -> String {
    format!("{number:06}")
}

/// Whether a text is a BLAKE3 hash in hexadecimal.
pub(crate) fn is_hash(text: &str) -> bool {
    text.len() == 64
        && text
            .bytes()
            .all(|b| b.is_ascii_digit() || (b'a'..=b'f').contains(&b))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_shapes_are_read_and_no_other() {
        let hash = "0f".repeat(32);
        let pointer = Pointer::parse(format!("000012 {hash}\n").as_bytes()).unwrap();
        assert_eq!(
            (pointer.name.as_str(), pointer.hash.as_deref()),
            ("000012", Some(hash.as_str()))
        );
        assert_eq!(pointer.text(), format!("000012 {hash}\n"));
        let old = Pointer::parse(b"000012\n").unwrap();
        assert_eq!((old.hash.clone(), old.text().as_str()), (None, "000012\n"));
        assert!(Pointer::parse(b"4000000000").is_some());
        for text in [
            "",
            "12",
            "000000",
            "99999999999",
            "../../elsewhere",
            "000012 ",
            "000012 12",
            "+00012",
            "000012  ",
            &format!("000012 {hash} more"),
            &format!("000012 {}", hash.to_uppercase()),
        ] {
            assert_eq!(Pointer::parse(text.as_bytes()), None, "{text:?}");
        }
        assert_eq!(Pointer::parse(&[0xff; 8]), None);
    }
}
