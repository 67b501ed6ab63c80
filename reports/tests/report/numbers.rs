//! Every number on a page is that of `results.json`, rounded; no other number stands on it.

use std::collections::BTreeSet;
use std::fs;

use fitcohort_queries::review::Reader;
use fitcohort_reports::{ReportError, write_report};

use crate::common::pages::{faults, is_rounded, read};
use crate::common::{HOSTILE, LARGE, MEDIUM, ONE, SMALL, empty, review, without_rows};

#[test]
fn every_number_of_a_page_is_in_the_results() {
    let mut all = BTreeSet::new();
    for reader in Reader::ALL {
        let reviews = [SMALL, ONE, MEDIUM, LARGE, HOSTILE]
            .map(|shape| review(reader, shape))
            .into_iter()
            .chain([empty(reader), without_rows(review(reader, SMALL))]);
        for review in reviews {
            let folder = tempfile::tempdir().unwrap();
            write_report(&review, folder.path()).unwrap();
            let name = reader.name();
            all.extend(
                faults(folder.path())
                    .into_iter()
                    .map(|fault| format!("{name}: {fault}")),
            );
        }
    }
    let all: Vec<String> = all.into_iter().collect();
    assert!(all.is_empty(), "{} faults:\n{}", all.len(), all.join("\n"));
}

/// The check itself finds what it is there to find: a number that was changed, one that is not tied, one that is
/// rounded wrongly.
#[test]
fn a_number_that_is_not_that_of_the_results_is_found() {
    let folder = tempfile::tempdir().unwrap();
    write_report(&review(Reader::Owner, MEDIUM), folder.path()).unwrap();
    let path = folder.path().join("index.html");
    let html = fs::read_to_string(&path).unwrap();
    let page = read(&html);
    assert!(page.tied.len() > 100, "{}", page.tied.len());
    let tied = page
        .tied
        .iter()
        .find(|tied| tied.text.contains('.'))
        .unwrap();
    let whole = format!("value=\"{}\"", tied.value);
    for (from, to) in [
        (whole.as_str(), "value=\"0.123456\""),
        ("<p>", "<p>Of these, 17 are new. "),
        (&format!(">{}</data>", tied.text), ">987.6\u{202f}dB</data>"),
        ("data-column=\"n\"", "data-column=\"m\""),
    ] {
        let changed = html.replacen(from, to, 1);
        assert_ne!(changed, html, "{from}");
        fs::write(&path, changed).unwrap();
        assert!(!faults(folder.path()).is_empty(), "{to}");
    }
}

#[test]
fn rounding_is_to_half_a_unit_of_the_last_digit_shown() {
    for (text, exact, right) in [
        ("61\u{202f}%", 0.6149, true),
        ("61\u{202f}%", 0.6151, false),
        ("−4.5\u{202f}dB", -4.46, true),
        ("4.5\u{202f}dB", -4.46, false),
        ("1\u{202f}234", 1234.0, true),
        ("p < 0.001", 0.0004, true),
        ("p < 0.001", 0.0011, false),
        ("p = 0.03", 0.0312, true),
        ("0.0000617\u{202f}share²", 0.000_061_706_8, true),
        ("many", 3.0, false),
    ] {
        assert_eq!(is_rounded(text, exact), right, "{text} for {exact}");
    }
}

/// Two rows with one key could not be told apart by who looks a number up.
#[test]
fn two_rows_with_one_key_are_refused() {
    let mut review = review(Reader::Owner, SMALL);
    let grades = review.tables.get_mut("two_ear_by_grade").unwrap();
    *grades = grades.reordered(&[0, 1, 1]);
    let folder = tempfile::tempdir().unwrap();
    let error = write_report(&review, folder.path()).unwrap_err();
    assert!(
        matches!(&error, ReportError::Key { key, .. } if key.starts_with("two_ear_by_grade/")),
        "{error}"
    );
}
