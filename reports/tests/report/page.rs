//! The page: escaped, whole, the same twice, and no number that is not in the results.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

use fitcohort_queries::review::Reader;
use fitcohort_reports::{ReportError, write_report};
use serde_json::Value;

use crate::common::{
    HOSTILE, LARGE, MEDIUM, ONE, SMALL, empty, of_clinician, review, without_rows,
};

fn page(review: &fitcohort_queries::review::Review) -> String {
    let folder = tempfile::tempdir().unwrap();
    write_report(review, folder.path()).unwrap();
    fs::read_to_string(folder.path().join("index.html")).unwrap()
}

/// The page with its tied numbers as plain text.
fn plain(html: &str) -> String {
    let mut pieces = html.split("<data ");
    let first = pieces.next().unwrap_or_default().to_owned();
    pieces
        .fold(first, |text, piece| {
            text + piece.split_once('>').map_or("", |(_, rest)| rest)
        })
        .replace("</data>", "")
}

/// The text of a piece of markup.
fn without_tags(markup: &str) -> String {
    let mut pieces = markup.split('<');
    let first = pieces.next().unwrap_or_default().to_owned();
    pieces.fold(first, |text, piece| {
        text + piece.split_once('>').map_or("", |(_, rest)| rest)
    })
}

#[test]
fn labels_are_escaped_everywhere() {
    for reader in Reader::ALL {
        let html = page(&review(reader, HOSTILE));
        // The one script is the page's own.
        assert_eq!(html.matches("<script").count(), 1, "{}", reader.name());
        assert!(!html.contains("alert(\"x\")"), "{}", reader.name());
        assert!(!html.contains('\u{0}'), "{}", reader.name());
        assert!(
            html.contains("&lt;script&gt;"),
            "{}: the label is there",
            reader.name()
        );
    }
}

#[test]
fn pages_load_nothing_and_run_only_their_own_script() {
    for reader in Reader::ALL {
        let html = page(&review(reader, MEDIUM));
        assert!(html.contains("default-src 'none'"));
        assert!(!html.contains("unsafe-inline"));
        assert_eq!(html.matches("<style>").count(), 1);
        assert_eq!(html.matches("<script>").count(), 1);
        // The policy makes style and handlers in attributes void, so none may be there.
        for tag in html.split('<').filter_map(|piece| piece.split('>').next()) {
            assert!(
                !tag.contains(" style=\"") && !tag.contains(" on"),
                "{}: {tag}",
                reader.name()
            );
        }
        for word in ["src=", "@import", "url(", "javascript:", "<link"] {
            assert!(!html.contains(word), "{}: {word}", reader.name());
        }
        // Names of the SVG vocabulary are no addresses that anything is loaded from.
        let rest = html.replace("http://www.w3.org/2000/svg", "");
        assert!(!rest.contains("http://") && !rest.contains("https://"));
        assert!(
            html.contains("var(--ink,"),
            "inlined figures follow light and dark"
        );
    }
}

#[test]
fn headings_are_in_order_and_landmarks_are_there() {
    for reader in Reader::ALL {
        let others = [empty(reader), of_clinician(SMALL), of_clinician(MEDIUM)];
        for review in [review(reader, SMALL)].iter().chain(&others) {
            let html = page(review);
            for mark in [
                "<header>",
                "<nav ",
                "<main ",
                "<footer>",
                "class=\"skip\"",
                "lang=\"en\"",
            ] {
                assert!(html.contains(mark), "{}: {mark}", reader.name());
            }
            let mut last = 0;
            let mut first_levels = 0;
            for piece in html.split("<h").skip(1) {
                let Some(level) = piece.chars().next().and_then(|c| c.to_digit(10)) else {
                    continue;
                };
                assert!(
                    level <= last + 1,
                    "{}: h{level} after h{last}",
                    reader.name()
                );
                first_levels += u32::from(level == 1);
                last = level;
            }
            assert_eq!(first_levels, 1);
            let tables = html.matches("<table>").count();
            assert_eq!(tables, html.matches("<caption>").count());
        }
    }
}

#[test]
fn invented_data_says_so() {
    let mut review = review(Reader::Owner, SMALL);
    assert!(page(&review).contains("Invented data."));
    review.context.invented = false;
    assert!(!page(&review).contains("Invented data."));
}

#[test]
fn headline_numbers_are_in_the_results() {
    for reader in Reader::ALL {
        let review = review(reader, MEDIUM);
        let folder = tempfile::tempdir().unwrap();
        write_report(&review, folder.path()).unwrap();
        let read = |name: &str| fs::read_to_string(folder.path().join(name)).unwrap();
        let results: Value = serde_json::from_str(&read("results.json")).unwrap();
        let html = read("index.html");
        let big: Vec<String> = html
            .split("<strong>")
            .skip(1)
            .filter_map(|piece| piece.split("</strong>").next())
            .map(without_tags)
            .collect();
        let headline = review.table("headline");
        for row in 0..headline.rows() {
            let measure = headline.text_at("measure", row).unwrap();
            let number = &results["numbers"][format!("headline/{measure}")];
            assert_eq!(number["n"].as_i64(), headline.integer_at("n", row));
            for column in ["value", "lo", "hi", "lower", "upper"] {
                match (number[column].as_f64(), headline.real_at(column, row)) {
                    // The parser may miss the last bit of a number.
                    (Some(one), Some(other)) => assert!((one - other).abs() < 1e-12, "{measure}"),
                    (one, other) => assert_eq!(one, other, "{measure}"),
                }
            }
            let Some(value) = number["value"].as_f64() else {
                assert!(big.iter().any(|text| text == "–"));
                continue;
            };
            let shown = match number["unit"].as_str().unwrap() {
                "share" => format!("{:.1}\u{202f}%", value * 100.0),
                "dB" => {
                    // A second decimal where half the interval would read 0.0 with one.
                    let ends = ["lo", "hi"].map(|name| number[name].as_f64());
                    let is_narrow = matches!(ends, [Some(lo), Some(hi)] if (hi - lo) / 2.0 < 0.05);
                    let decimals = if is_narrow { 2 } else { 1 };
                    format!("{value:.decimals$}\u{202f}dB")
                }
                "count" => format!("{value:.0}"),
                _ => format!("{value:.2}").replace('-', "−"),
            };
            assert!(big.contains(&shown), "{measure}: {shown} not among {big:?}");
        }
        let rows: usize = review.tables.values().map(|table| table.rows()).sum();
        assert_eq!(
            results["numbers"].as_object().unwrap().len(),
            rows + review.tables.len() + 1,
            "a key a row, one a table, and the context"
        );
    }
}

fn all_bytes(folder: &Path) -> Vec<(String, Vec<u8>)> {
    let mut out = Vec::new();
    for part in ["", "figures", "tables"] {
        for entry in fs::read_dir(folder.join(part)).unwrap() {
            let path = entry.unwrap().path();
            if path.is_file() {
                let name = path.strip_prefix(folder).unwrap().display().to_string();
                out.push((name, fs::read(&path).unwrap()));
            }
        }
    }
    out.sort();
    out
}

#[test]
fn the_same_review_gives_the_same_bytes() {
    for reader in Reader::ALL {
        let one = tempfile::tempdir().unwrap();
        let other = tempfile::tempdir().unwrap();
        let written = write_report(&review(reader, LARGE), one.path()).unwrap();
        write_report(&review(reader, LARGE), other.path()).unwrap();
        let bytes = all_bytes(one.path());
        assert!(bytes == all_bytes(other.path()), "{}", reader.name());
        let mut listed: Vec<String> = written
            .files
            .iter()
            .map(|file| file.display().to_string())
            .collect();
        listed.sort();
        let found: Vec<String> = bytes.into_iter().map(|(name, _)| name).collect();
        assert_eq!(listed, found, "every file is listed and no other is there");
    }
}

#[test]
fn every_table_is_written_and_nothing_is_rounded() {
    let review = review(Reader::Owner, MEDIUM);
    let folder = tempfile::tempdir().unwrap();
    write_report(&review, folder.path()).unwrap();
    for (key, table) in &review.tables {
        let text = fs::read_to_string(folder.path().join(format!("tables/{key}.csv"))).unwrap();
        assert_eq!(text.lines().count(), table.rows() + 1, "{key}");
    }
    let text = fs::read_to_string(folder.path().join("tables/headline.csv")).unwrap();
    assert!(text.contains("0.6123"));
}

#[test]
fn a_folder_that_cannot_be_made_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("taken");
    fs::write(&file, b"x").unwrap();
    let error = write_report(&review(Reader::Owner, SMALL), &file).unwrap_err();
    assert!(matches!(&error, ReportError::Folder { path, .. } if path == &file));
    assert!(error.to_string().contains("taken"));
}

#[test]
fn the_balance_of_rows_and_the_second_criterion_are_on_the_page() {
    let html = plain(&page(&review(Reader::Owner, MEDIUM)));
    assert!(html.contains(
        "fittings: 1\u{202f}240 read = 1\u{202f}228 stored + 9 set aside + 3 exact repeats"
    ));
    assert!(html.contains("Second criterion, for comparison: ten-db"));
    assert!(html.contains("licensed clinicians"));
}

#[test]
fn every_page_names_its_quarter() {
    for reader in Reader::ALL {
        let html = page(&review(reader, MEDIUM));
        for (from, to) in [("<title>", "</title>"), ("<h1>", "</h1>")] {
            let heading = html.split(from).nth(1).unwrap().split(to).next().unwrap();
            assert!(heading.contains("2026-Q3"), "{}: {heading}", reader.name());
        }
        assert!(
            html.contains(">Numbers of 2026-Q3</h2>"),
            "{}",
            reader.name()
        );
    }
}

#[test]
fn the_owner_is_told_which_clinics_to_look_at() {
    let mut review = review(Reader::Owner, MEDIUM);
    let html = page(&review);
    let text = without_tags(&html);
    assert!(text.contains(
        "clinic-000: fittings within criterion 24\u{202f}% (95\u{202f}% interval 13\u{202f}% to 36\u{202f}%; \
         n\u{a0}=\u{a0}38), below its limits."
    ));
    assert!(text.contains(
        "clinic-000: mean RMS deviation 6.2\u{202f}dB (no interval; n\u{a0}=\u{a0}38), further from target than its limits."
    ));
    assert!(!text.contains("clinic-002: "));
    assert!(html.contains("<details open><summary>Clinics, this quarter"));
    assert!(html.contains("meet the rule adjacent-15 (at least 15 dB at two adjacent)"));
    assert!(!html.contains("60 fittings of this quarter"));
    let clinics = review.tables.get_mut("clinics").unwrap();
    *clinics = clinics.where_text("measure", "verified");
    assert!(page(&review).contains("no clinic lies beyond its 99.8 % limits"));
}

#[test]
fn cells_carry_their_units_and_open_bins_say_so() {
    let html = page(&review(Reader::Trainer, MEDIUM));
    for text in [
        "0.810\u{202f}dB²",
        "0.000617\u{202f}share²",
        ">11.7\u{202f}%</data> lies between clinicians",
        ">612</data> fittings of <data",
    ] {
        assert!(html.contains(text), "{text}");
    }
    assert!(!html.contains(">rms_final_lo") && !html.contains(">within_final_hi"));
    let html = page(&review(Reader::Researcher, MEDIUM));
    assert!(html.contains(">and over</td>"));
    assert!(html.contains("percentile bootstrap over 14 clinicians"));
}

#[test]
fn a_single_repeat_is_singular() {
    let mut review = review(Reader::Owner, SMALL);
    let quality = review.tables.get_mut("quality").unwrap();
    quality
        .columns
        .retain(|column| column.name != "exact_repeats");
    *quality = quality
        .clone()
        .integer("exact_repeats", vec![Some(1), None, Some(2)]);
    let html = plain(&page(&review));
    assert!(html.contains("9 set aside + 1 exact repeat<"));
    assert!(html.contains("20 set aside + 2 exact repeats<"));
}

/// The text of a page, without its tags and its style.
fn text(html: &str) -> String {
    let body = html.split("<body>").nth(1).unwrap();
    let mut out = String::new();
    let mut inside = true;
    for c in body.chars() {
        match c {
            '<' => inside = false,
            '>' => inside = true,
            c if inside => out.push(c),
            _ => {}
        }
    }
    out
}

#[test]
fn the_page_of_one_clinician_invites_and_says_what_it_rests_on() {
    let html = page(&of_clinician(MEDIUM));
    let text = text(&html);
    for words in [
        "clinician-003, up to 2026-Q3: a page to look at together",
        "This page is an invitation",
        "It is no assessment of a person",
        "It rests on 612 fittings from 2023-Q4 to 2026-Q3",
        "What it cannot say",
        "Fittings within the criterion, of those judged: 65.0\u{202f}% (95\u{202f}% interval 60.0\u{202f}% to 70.0\u{202f}%; \
         n\u{a0}=\u{a0}612); drawn towards the practice 64.0\u{202f}%",
        "Of the 13 other clinicians the middle half lie between 56\u{202f}% and 66\u{202f}%",
        "below its lower limit for a clinician with so many fittings, so worth a look together",
        "Beyond the 99.8\u{202f}% limits for a clinician with so many fittings: verified, RMS deviation.",
        "the RMS deviation fell by 2.5\u{202f}dB",
    ] {
        assert!(text.contains(words), "{words}: {text}");
    }
    assert!(
        !html.contains("id=\"variance\""),
        "no section of the report on all"
    );
}

#[test]
fn a_clinician_with_too_few_fittings_is_told_that_nothing_is_shown() {
    let mut few = of_clinician(SMALL);
    few.tables
        .get_mut("rests_on")
        .unwrap()
        .clear("n_fittings", 0);
    for review in [few, without_rows(of_clinician(SMALL))] {
        let html = page(&review);
        assert!(text(&html).contains("Nothing is shown: fewer than 5 fittings"));
        for part in ["id=\"figures\"", "id=\"tables\"", "id=\"numbers\"", "<svg"] {
            assert!(!html.contains(part), "{part}");
        }
    }
}

#[test]
fn few_others_are_not_shown_without_names() {
    let html = page(&of_clinician(ONE));
    assert!(text(&html).contains("Too few other clinicians for a comparison without names."));
    assert!(!text(&html).contains("the middle half lie"));
}

#[test]
fn letters_come_with_their_caution() {
    let mut review = review(Reader::Trainer, MEDIUM);
    assert!(!page(&review).contains("Letters stand for the clinicians"));
    review.context.letters = true;
    assert!(page(&review).contains("Letters stand for the clinicians"));
}

#[test]
fn a_page_of_one_clinician_has_a_folder_of_its_own() {
    let review = of_clinician(HOSTILE);
    let folder = fitcohort_reports::folder(&review);
    assert_eq!(folder.components().count(), 2, "{}", folder.display());
    let review = of_clinician(MEDIUM);
    assert_eq!(
        fitcohort_reports::folder(&review),
        Path::new("trainer/clinician-003")
    );
    // "003" is somebody else, and so is whoever's id reads like the folder of another.
    let mut folders = BTreeSet::new();
    for id in [
        "clinician-003",
        "003",
        "clinician_003",
        "clinician-clinician-003",
        "-003",
        "A",
    ] {
        let mut review = of_clinician(MEDIUM);
        review.context.clinician = Some(id.to_owned());
        assert!(folders.insert(fitcohort_reports::folder(&review)), "{id}");
    }
}
