//! What fuzzing keeps (`tests/fuzz/corpus`), as plain tests: every input goes through the very code that the fuzz
//! targets run, in one process, within a second each and within the memory that hostile input may take.

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use fitcohort_pipeline::hostile::ENTRIES;

use crate::own_child;

fn corpus(name: &str) -> Vec<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/fuzz/corpus")
        .join(name);
    let entries = std::fs::read_dir(&folder).expect("a corpus");
    let mut files: Vec<PathBuf> = entries
        .map(|entry| entry.expect("an entry").path())
        .collect();
    files.sort();
    files
}

/// Every target has a corpus and a dictionary, and every corpus a target.
#[test]
fn targets_entries_and_corpora_go_together() {
    let fuzz = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fuzz");
    let names = |folder: &str| -> Vec<String> {
        let entries = std::fs::read_dir(fuzz.join(folder)).expect("a folder");
        let stem = |path: PathBuf| {
            path.file_stem()
                .expect("a name")
                .to_string_lossy()
                .into_owned()
        };
        let mut names: Vec<String> = entries
            .map(|entry| stem(entry.expect("an entry").path()))
            .collect();
        names.sort();
        names
    };
    let entries: Vec<&str> = ENTRIES.iter().map(|(name, _)| *name).collect();
    for folder in ["targets", "corpus", "dictionaries"] {
        assert_eq!(names(folder), entries, "tests/fuzz/{folder}");
    }
}

#[test]
fn every_input_of_the_corpus_keeps_the_promises() {
    if own_child::task().is_some() {
        return in_the_child();
    }
    let printed = own_child::run(
        "fuzz_corpus::every_input_of_the_corpus_keeps_the_promises",
        "corpus",
    );
    let count = |name: &str| corpus(name).len();
    for (name, _) in ENTRIES {
        assert!(count(name) >= 5, "the corpus of {name} is next to nothing");
        assert!(
            printed.contains(&format!("{name}: {} inputs", count(name))),
            "{printed}"
        );
    }
    own_child::assert_bounded(&printed);
}

fn in_the_child() {
    // Decoders of damaged files panic inside a guard; the others end the test all the same.
    std::panic::set_hook(Box::new(|_| {}));
    let folder = tempfile::tempdir().expect("a folder to work in");
    for (name, entry) in ENTRIES {
        let files = corpus(name);
        for path in &files {
            let input = std::fs::read(path).expect("an input");
            let begin = Instant::now();
            let outcome = std::panic::catch_unwind(|| entry(&input, folder.path()));
            if let Err(reason) = outcome {
                let text = reason
                    .downcast_ref::<String>()
                    .cloned()
                    .or_else(|| reason.downcast_ref::<&str>().map(|text| (*text).to_owned()));
                // The hook above is silent.
                own_child::say(&format!("{}: {text:?}", path.display()));
                panic!("a promise is broken");
            }
            let took = begin.elapsed();
            assert!(
                took < Duration::from_secs(1),
                "{} took {took:?}",
                path.display()
            );
        }
        own_child::say(&format!("{name}: {} inputs", files.len()));
    }
    own_child::say_peak_memory();
}
