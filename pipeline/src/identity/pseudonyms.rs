//! Identifiers become keyed pseudonyms: HMAC-SHA-256 under a key of the user's.
//!
//! A hash without a key could be undone by hashing every patient number there is. Under a key that stays with whoever
//! keeps it, nobody else can; the same number gives the same pseudonym, so that tables and deliveries still meet.

use std::fmt;
use std::io::Read;
use std::path::{Path, PathBuf};

use hmac::{Hmac, KeyInit, Mac};
use sha2::Sha256;

/// Columns that may become pseudonyms.
pub const COLUMNS: [&str; 4] = ["fitting_id", "patient_id", "clinic_id", "clinician_id"];

/// Longest identifier that is taken, in bytes.
pub const LONGEST_IDENTIFIER: usize = 256;

/// Shortest key, in bytes: as long as the hash, as RFC 2104 asks for.
pub const SHORTEST_KEY: usize = 32;
/// Longest key file, in bytes: more is some other file.
const LONGEST_KEY: usize = 4096;

/// Bytes of the hash that are kept: half, the least that RFC 2104 (section 5) allows.
const KEPT: usize = 16;
/// Between column name and identifier.
const BETWEEN: &[u8] = b"\x1f";
/// What is hashed to tell keys apart; no column has this name.
const KEY_CHECK: &[u8] = b"fitcohort key check 1";

type Mac256 = Hmac<Sha256>;

/// What is wrong with a key or with the columns named.
#[derive(Debug, thiserror::Error)]
pub enum PseudonymError {
    /// The key file could not be read.
    #[error("cannot read the key file {}: {source}", path.display())]
    Read {
        /// The file.
        path: PathBuf,
        /// The system's reason.
        source: std::io::Error,
    },
    /// The key is shorter than 32 bytes.
    #[error("the key has fewer than {SHORTEST_KEY} bytes")]
    ShortKey,
    /// The key file is no key.
    #[error("the key has more than {LONGEST_KEY} bytes: that is some other file")]
    LongKey,
    /// Every byte of the key is the same.
    #[error("the key is one byte over and over: anybody could guess it")]
    ConstantKey,
    /// A column that cannot become a pseudonym.
    #[error("{column} cannot become a pseudonym; the columns that can are {}", COLUMNS.join(", "))]
    UnknownColumn {
        /// The column, as the user named it.
        column: String,
    },
    /// No column is named.
    #[error("no column is named that should become a pseudonym")]
    NoColumn,
}

/// A key. It is never stored and never printed.
#[derive(Clone)]
pub struct Key {
    mac: Mac256,
}

impl fmt::Debug for Key {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Key(not shown)")
    }
}

impl Key {
    /// Takes the bytes of a key as they are.
    ///
    /// # Errors
    /// [`PseudonymError::ShortKey`], [`PseudonymError::LongKey`] or [`PseudonymError::ConstantKey`].
    pub fn new(bytes: &[u8]) -> Result<Self, PseudonymError> {
        if bytes.len() < SHORTEST_KEY {
            return Err(PseudonymError::ShortKey);
        }
        if bytes.len() > LONGEST_KEY {
            return Err(PseudonymError::LongKey);
        }
        if bytes.iter().all(|byte| Some(byte) == bytes.first()) {
            return Err(PseudonymError::ConstantKey);
        }
        // A key of any length will do for HMAC.
        let mac = Mac256::new_from_slice(bytes).map_err(|_| PseudonymError::ShortKey)?;
        Ok(Self { mac })
    }

    /// Reads a key file. Its bytes are the key, a line feed at its end included.
    ///
    /// # Errors
    /// As [`Key::new`], and [`PseudonymError::Read`].
    pub fn read(path: &Path) -> Result<Self, PseudonymError> {
        let read = |source| PseudonymError::Read {
            path: path.to_path_buf(),
            source,
        };
        let file = std::fs::File::open(path).map_err(read)?;
        let mut bytes = Vec::new();
        file.take(LONGEST_KEY as u64 + 1)
            .read_to_end(&mut bytes)
            .map_err(read)?;
        Self::new(&bytes)
    }

    /// The first bytes of the hash of some texts in a row, in hexadecimal.
    fn hash(&self, texts: &[&[u8]], bytes: usize) -> String {
        hexadecimal(self.mac.clone(), texts, bytes)
    }
}

fn hexadecimal(mut mac: Mac256, texts: &[&[u8]], bytes: usize) -> String {
    for text in texts {
        mac.update(text);
    }
    let hash = mac.finalize().into_bytes();
    let digit = |value: u8| char::from_digit(u32::from(value), 16).unwrap_or('0');
    hash.iter()
        .take(bytes)
        .flat_map(|byte| [digit(byte >> 4), digit(byte & 15)])
        .collect()
}

/// Columns that become keyed pseudonyms, and the key.
#[derive(Clone, Debug)]
pub struct Pseudonyms {
    columns: Vec<&'static str>,
    key: Key,
}

impl Pseudonyms {
    /// Names the columns out of [`COLUMNS`]; one named twice counts once.
    ///
    /// # Errors
    /// [`PseudonymError::UnknownColumn`] or [`PseudonymError::NoColumn`].
    pub fn new<T: AsRef<str>>(columns: &[T], key: Key) -> Result<Self, PseudonymError> {
        for column in columns {
            if !COLUMNS.contains(&column.as_ref()) {
                return Err(PseudonymError::UnknownColumn {
                    column: column.as_ref().to_owned(),
                });
            }
        }
        let columns: Vec<&'static str> = COLUMNS
            .into_iter()
            .filter(|known| columns.iter().any(|column| column.as_ref() == *known))
            .collect();
        if columns.is_empty() {
            return Err(PseudonymError::NoColumn);
        }
        Ok(Self { columns, key })
    }

    /// The columns, in the order of [`COLUMNS`].
    #[must_use]
    pub fn columns(&self) -> &[&'static str] {
        &self.columns
    }

    /// Sixteen hexadecimal digits that tell whether another key is the same; nothing of the key follows from them.
    #[must_use]
    pub fn key_check(&self) -> String {
        self.key.hash(&[KEY_CHECK], 8)
    }

    /// What makes the pseudonyms of a column; none where it is not to become one.
    pub(crate) fn of_column(&self, column: &str) -> Option<ColumnPseudonyms> {
        self.columns.contains(&column).then(|| {
            let mut mac = self.key.mac.clone();
            mac.update(column.as_bytes());
            mac.update(BETWEEN);
            ColumnPseudonyms { mac }
        })
    }
}

/// Makes the pseudonyms of one column.
#[derive(Clone)]
pub(crate) struct ColumnPseudonyms {
    mac: Mac256,
}

impl fmt::Debug for ColumnPseudonyms {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("ColumnPseudonyms(not shown)")
    }
}

impl ColumnPseudonyms {
    /// The pseudonym of an identifier: 32 hexadecimal digits of HMAC-SHA-256(key, column ‖ 0x1f ‖ identifier). The
    /// column's name is hashed along, so that patient 12 and clinician 12 are not the same.
    pub(crate) fn of(&self, identifier: &[u8]) -> String {
        hexadecimal(self.mac.clone(), &[identifier], KEPT)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 4231, section 4, test cases 1 to 4, 6 and 7, and the truncated case 5; from memory. Some of their keys are
    /// shorter than ours may be, so the primitive is held against them.
    #[test]
    fn the_primitive_agrees_with_the_published_vectors() {
        let cases: [(Vec<u8>, Vec<u8>, &str); 6] = [
            (
                vec![0x0b; 20],
                b"Hi There".to_vec(),
                "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7",
            ),
            (
                b"Jefe".to_vec(),
                b"what do ya want for nothing?".to_vec(),
                "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843",
            ),
            (
                vec![0xaa; 20],
                vec![0xdd; 50],
                "773ea91e36800e46854db8ebd09181a72959098b3ef8c122d9635514ced565fe",
            ),
            (
                (1..=25).collect(),
                vec![0xcd; 50],
                "82558a389a443c0ea4cc819899f2083a85f0faa3e578f8077a2e3ff46729665b",
            ),
            (
                vec![0xaa; 131],
                b"Test Using Larger Than Block-Size Key - Hash Key First".to_vec(),
                "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54",
            ),
            (
                vec![0xaa; 131],
                b"This is a test using a larger than block-size key and a larger than block-size data. The key needs to be hashed before being used by the HMAC algorithm.".to_vec(),
                "9b09ffa71b942fcb27635fbcd5b0e944bfdc63644f0713938a7f51535c3a35e2",
            ),
        ];
        for (key, data, expected) in cases {
            let mac = Mac256::new_from_slice(&key).unwrap();
            assert_eq!(hexadecimal(mac.clone(), &[&data], 32), expected);
            let (head, tail) = data.split_at(data.len() / 2);
            assert_eq!(hexadecimal(mac.clone(), &[head, tail], 32), expected);
            // The leftmost bytes are kept.
            assert_eq!(hexadecimal(mac, &[&data], KEPT), expected[..32]);
        }
        let mac = Mac256::new_from_slice(&[0x0c; 20]).unwrap();
        assert_eq!(
            hexadecimal(mac, &[b"Test With Truncation"], KEPT),
            "a3b6167473100ee06e0c796c2955552b"
        );
    }

    fn key(first: u8) -> Key {
        let bytes: Vec<u8> = (first..first + 40).collect();
        Key::new(&bytes).unwrap()
    }

    #[test]
    fn columns_and_keys_tell_pseudonyms_apart() {
        let ours = Pseudonyms::new(&COLUMNS, key(1)).unwrap();
        let other = Pseudonyms::new(&COLUMNS, key(2)).unwrap();
        let of = |pseudonyms: &Pseudonyms, column: &str, value: &[u8]| {
            pseudonyms.of_column(column).unwrap().of(value)
        };
        let patient = of(&ours, "patient_id", b"12");
        assert_eq!(patient.len(), 32);
        assert!(
            patient
                .bytes()
                .all(|b| b.is_ascii_digit() || (b'a'..=b'f').contains(&b))
        );
        assert_eq!(patient, of(&ours, "patient_id", b"12"));
        assert_ne!(patient, of(&ours, "clinician_id", b"12"));
        assert_ne!(patient, of(&ours, "patient_id", b"012"));
        assert_ne!(patient, of(&other, "patient_id", b"12"));
        assert_ne!(ours.key_check(), other.key_check());
        assert_eq!(ours.key_check().len(), 16);
        // What is hashed is exactly what the documentation says.
        let bytes: Vec<u8> = (1..41).collect();
        let mac = Mac256::new_from_slice(&bytes).unwrap();
        assert_eq!(patient, hexadecimal(mac, &[b"patient_id\x1f12"], 16));
    }

    #[test]
    fn keys_that_protect_nothing_are_refused() {
        assert!(matches!(Key::new(&[1; 31]), Err(PseudonymError::ShortKey)));
        assert!(matches!(
            Key::new(&[0; 32]),
            Err(PseudonymError::ConstantKey)
        ));
        assert!(matches!(
            Key::new(&[b'a'; 64]),
            Err(PseudonymError::ConstantKey)
        ));
        assert!(matches!(
            Key::new(&vec![1; 5000]),
            Err(PseudonymError::LongKey)
        ));
        let named = |columns: &[&str]| Pseudonyms::new(columns, key(1)).err();
        assert!(matches!(
            named(&["x_region"]),
            Some(PseudonymError::UnknownColumn { .. })
        ));
        assert!(matches!(named(&[]), Some(PseudonymError::NoColumn)));
        let twice = Pseudonyms::new(&["patient_id", "patient_id"], key(1)).unwrap();
        assert_eq!(twice.columns(), ["patient_id"]);
        assert!(twice.of_column("clinic_id").is_none());
    }

    #[test]
    fn nothing_of_a_key_is_printed() {
        let secret = b"0123456789abcdef0123456789abcdef";
        let pseudonyms = Pseudonyms::new(&COLUMNS, Key::new(secret).unwrap()).unwrap();
        let column = pseudonyms.of_column("patient_id");
        let shown = format!("{pseudonyms:?} {pseudonyms:#?} {column:?}");
        assert_eq!(shown.matches("not shown").count(), 3, "{shown}");
        for part in ["0123", "48, 49", "3031"] {
            assert!(!shown.contains(part), "{shown}");
        }
    }
}
