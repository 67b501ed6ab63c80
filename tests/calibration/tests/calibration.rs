//! Every study in full, against its claim and against `docs/calibration.md`.
#![allow(clippy::expect_used, reason = "tests say what they expect")]

use std::path::Path;

use fitcohort_calibration::families;
use fitcohort_calibration::page::{differences, page};
use fitcohort_calibration::study::Effort;

/// With `FITCOHORT_WRITE_CALIBRATION=1` the page is written anew, whatever it says; the claims are checked all the same.
#[test]
fn claims_hold_and_the_page_shows_what_was_seen() {
    let families = families(Effort::Full).expect("every study has estimates");
    let anew = page(&families).expect("a page");
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../docs/calibration.md");
    if std::env::var_os("FITCOHORT_WRITE_CALIBRATION").is_some_and(|value| value == "1") {
        std::fs::write(&path, &anew).expect("the page can be written");
    }
    let broken: Vec<&str> = families
        .iter()
        .flat_map(|family| &family.studies)
        .filter(|study| !study.holds())
        .map(|study| study.name.as_str())
        .collect();
    assert!(
        broken.is_empty(),
        "claims that do not hold: {broken:#?}\n{anew}"
    );
    let kept = std::fs::read_to_string(&path).expect("docs/calibration.md");
    let found = differences(&kept, &anew);
    assert!(
        found.is_empty(),
        "docs/calibration.md shows other numbers; write it anew with FITCOHORT_WRITE_CALIBRATION=1\n{}",
        found.join("\n")
    );
}
