//! A canary is a text that must not come out: looked for in everything said and in every byte written.

use std::path::PathBuf;

use crate::parquet_files;
use crate::workspace::{Run, Workspace, files_below, small_practice};

/// A text in the spellings in which it could hide.
pub(super) struct Canary {
    shown: String,
    forms: Vec<Vec<u8>>,
}

impl Canary {
    pub(super) fn new(text: &str) -> Self {
        let mut forms: Vec<Vec<u8>> = Vec::new();
        for text in [text.to_owned(), text.to_lowercase(), text.to_uppercase()] {
            let bytes = text.as_bytes();
            forms.push(bytes.to_vec());
            let hex = |upper: bool| -> Vec<u8> {
                let digits = bytes.iter().map(|b| match upper {
                    true => format!("{b:02X}"),
                    false => format!("{b:02x}"),
                });
                digits.collect::<String>().into_bytes()
            };
            forms.push(hex(false));
            forms.push(hex(true));
            forms.push(text.encode_utf16().flat_map(u16::to_le_bytes).collect());
            forms.push(text.encode_utf16().flat_map(u16::to_be_bytes).collect());
            for before in 0..3 {
                forms.push(base64(bytes, before));
            }
            // As a string of JSON and as text of a page.
            forms.push(
                serde_json::to_string(&text)
                    .unwrap()
                    .trim_matches('"')
                    .into(),
            );
            forms.push(text.replace('&', "&amp;").replace('<', "&lt;").into());
        }
        forms.sort();
        forms.dedup();
        Self {
            shown: text.to_owned(),
            forms,
        }
    }

    /// Whether the canary is in some bytes.
    fn is_in(&self, bytes: &[u8]) -> bool {
        self.forms.iter().any(|form| holds(bytes, form))
    }

    /// Fails where the canary is in what a run said.
    pub(super) fn assert_unsaid(&self, run: &Run) {
        for text in [&run.stdout, &run.stderr] {
            assert!(
                !self.is_in(text.as_bytes()),
                "{}: {}",
                self.shown,
                run.shown()
            );
        }
    }

    /// Fails where the canary is in a byte, or in a value of a Parquet file, outside some folders.
    pub(super) fn assert_unwritten(&self, workspace: &Workspace, deliveries: &[&str]) {
        for (path, bytes) in files_below(&workspace.path("")) {
            if deliveries.iter().any(|folder| path.starts_with(folder)) {
                continue;
            }
            assert!(
                !self.is_in(path.to_string_lossy().as_bytes()),
                "{}",
                path.display()
            );
            assert!(
                !self.is_in(&bytes),
                "{} is in {}",
                self.shown,
                path.display()
            );
            if path.extension().is_some_and(|ending| ending == "parquet") {
                let rows = parquet_files::rows(&workspace.path("").join(&path));
                let texts = rows.rows.concat().join("\n") + &rows.columns.join("\n");
                assert!(
                    !self.is_in(texts.as_bytes()),
                    "{} is in {}",
                    self.shown,
                    path.display()
                );
            }
        }
    }
}

/// Whether bytes hold other bytes.
fn holds(bytes: &[u8], wanted: &[u8]) -> bool {
    let Some((first, rest)) = wanted.split_first() else {
        return false;
    };
    let mut from = 0;
    while let Some(at) = bytes[from..].iter().position(|b| b == first) {
        from += at + 1;
        if bytes[from..].starts_with(rest) {
            return true;
        }
    }
    false
}

/// The characters of base 64 that a text gives behind some bytes, without those that depend on its neighbours.
fn base64(text: &[u8], before: usize) -> Vec<u8> {
    const ALPHABET: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let bytes = [&vec![0; before], text].concat();
    let bits: Vec<bool> = bytes
        .iter()
        .flat_map(|byte| (0..8).rev().map(move |bit| byte >> bit & 1 == 1))
        .collect();
    let whole = bits.chunks_exact(6).skip((before * 8).div_ceil(6));
    whole
        .map(|six| {
            let value = six
                .iter()
                .fold(0, |value, bit| value * 2 + usize::from(*bit));
            ALPHABET[value]
        })
        .collect()
}

/// RFC 4648, section 10, from memory; and the same text behind one and two bytes.
#[test]
fn canaries_are_found_in_their_spellings() {
    assert_eq!(base64(b"foobar", 0), b"Zm9vYmFy");
    let canary = Canary::new("Nobody@example.org");
    for hidden in [
        "…Nobody@example.org…".to_owned(),
        "nobody@EXAMPLE.org".to_lowercase(),
        "x4E6F626F6479406578616D706C652E6F7267".to_owned(),
        // `printf 'Nobody@example.org' | base64`, and with one and two letters before it.
        "Tm9ib2R5QGV4YW1wbGUub3Jn".to_owned(),
        "YU5vYm9keUBleGFtcGxlLm9yZw==".to_owned(),
        "YWFOb2JvZHlAZXhhbXBsZS5vcmc=".to_owned(),
    ] {
        assert!(canary.is_in(hidden.as_bytes()), "{hidden}");
    }
    let wide: Vec<u8> = "Nobody@example.org"
        .encode_utf16()
        .flat_map(u16::to_le_bytes)
        .collect();
    assert!(canary.is_in(&wide));
    assert!(!canary.is_in(b"somebody@example.org"));
}

/// The bytes of a cohort of the small practice, made once a test.
pub(super) fn stored() -> Vec<(PathBuf, Vec<u8>)> {
    let before = Workspace::new();
    before.delivery("first", &small_practice());
    before.ingest("first", "c");
    files_below(&before.path("c"))
}

/// A delivery of the small practice in which one file is replaced.
pub(super) struct Case<'a> {
    /// What is tried, for a message.
    pub(super) about: String,
    /// The file, which replaces the one of its table.
    pub(super) file: String,
    pub(super) content: Vec<u8>,
    /// The text that must not come out.
    pub(super) canary: &'a str,
    /// The rule that has to refuse it.
    pub(super) rule: &'a str,
}

impl Case<'_> {
    /// Runs `check` and `ingest` in their ways; each refuses the delivery, and the canary is nowhere.
    pub(super) fn assert_refused(&self, stored: &[(PathBuf, Vec<u8>)]) {
        let workspace = Workspace::new();
        let table = self.file.split(['.', '-']).next().unwrap();
        let others: Vec<(&str, &str)> = small_practice()
            .into_iter()
            .filter(|(name, _)| *name != table)
            .collect();
        workspace.delivery("d", &others);
        workspace.write(&format!("d/{}", self.file), &self.content);
        for (name, bytes) in stored {
            workspace.write(&format!("c/{}", name.display()), bytes);
        }
        let canary = Canary::new(self.canary);
        let ways: [&[&str]; 3] = [
            &["check", "d", "--set-aside-csv", "aside.csv"],
            &["ingest", "d", "--into", "new", "--quiet"],
            &[
                "ingest",
                "d",
                "--into",
                "c",
                "--json",
                "--set-aside-csv",
                "aside.csv",
            ],
        ];
        // The first two take turns, to save time.
        let turn = self.about.len() % 2;
        for arguments in [ways[turn], ways[2]] {
            let run = workspace.run(arguments);
            let shown = || format!("{}: {}", self.about, run.shown());
            assert_eq!(run.code, 65, "{}", shown());
            assert_eq!(run.stdout, "", "{}", shown());
            assert!(
                run.stderr.contains(&format!("[{}]", self.rule)),
                "{}",
                shown()
            );
            canary.assert_unsaid(&run);
        }
        assert!(!workspace.path("new").exists(), "{}", self.about);
        assert!(!workspace.path("aside.csv").exists(), "{}", self.about);
        assert!(
            files_below(&workspace.path("c")) == stored,
            "{}",
            self.about
        );
        canary.assert_unwritten(&workspace, &["d"]);
    }
}
