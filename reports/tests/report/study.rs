//! The study report: in the order of a paper, every item of the guidelines led to its place, every file linked.

use std::fs;

use fitcohort_queries::review::{Reader, Review};
use fitcohort_reports::write_report;

use crate::common::{HOSTILE, MEDIUM, SMALL, empty, review};

fn page(review: &Review) -> String {
    let folder = tempfile::tempdir().unwrap();
    write_report(review, folder.path()).unwrap();
    fs::read_to_string(folder.path().join("index.html")).unwrap()
}

/// The text of a page without its tags.
fn text(html: &str) -> String {
    html.split('<')
        .map(|piece| piece.split_once('>').map_or(piece, |(_, text)| text))
        .collect()
}

#[test]
fn sections_stand_in_the_order_of_a_paper() {
    for review in [
        review(Reader::Researcher, MEDIUM),
        empty(Reader::Researcher),
    ] {
        let html = page(&review);
        let main = html.split("<main").nth(1).unwrap();
        let places: Vec<usize> = [
            "summary",
            "methods",
            "flow",
            "table-one",
            "primary",
            "secondary",
            "sensitivity",
            "missing",
            "numbers",
            "quality",
            "limits",
            "cautions",
            "checklist",
            "downloads",
        ]
        .iter()
        .map(|id| {
            main.find(&format!("<h2 id=\"{id}\""))
                .unwrap_or_else(|| panic!("{id} is missing"))
        })
        .collect();
        assert!(places.is_sorted(), "{places:?}");
    }
}

#[test]
fn the_primary_analysis_is_marked_and_in_the_summary() {
    let review = review(Reader::Researcher, MEDIUM);
    let words = text(&page(&review));
    assert!(words.contains("This is the one analysis that was fixed in the plan"));
    let sentence = "Spearman's rho of RMS deviation and IOI-HA item 4: −0.11 (95\u{202f}% interval −0.18 to −0.04; p = 0.002, within clinicians; \
                    n\u{a0}=\u{a0}3\u{202f}672 fittings; percentile bootstrap over 14 clinicians, 2000 resamples).";
    assert_eq!(words.matches(sentence).count(), 2, "{words}");
    assert!(text(&page(&empty(Reader::Researcher))).contains("It cannot be estimated."));
}

#[test]
fn every_link_leads_to_a_place_or_a_file() {
    for review in [
        review(Reader::Researcher, MEDIUM),
        review(Reader::Researcher, HOSTILE),
        review(Reader::Researcher, SMALL),
    ] {
        let folder = tempfile::tempdir().unwrap();
        let written = write_report(&review, folder.path()).unwrap();
        let html = fs::read_to_string(folder.path().join("index.html")).unwrap();
        let links: Vec<&str> = html
            .split("href=\"")
            .skip(1)
            .map(|piece| piece.split('"').next().unwrap())
            .collect();
        for link in &links {
            match link.strip_prefix('#') {
                Some(id) => assert_eq!(html.matches(&format!(" id=\"{id}\"")).count(), 1, "{id}"),
                None => assert!(folder.path().join(link).is_file(), "{link}"),
            }
        }
        for file in &written.files {
            let name = file.display().to_string();
            assert!(
                name == "index.html" || links.contains(&name.as_str()),
                "{name} is not linked"
            );
        }
    }
}

#[test]
fn table_one_is_a_column_a_third_with_its_cuts() {
    let whole = review(Reader::Researcher, MEDIUM);
    let html = page(&whole);
    let words = text(&html);
    for part in [
        "Low third up to 2.8\u{202f}dB",
        "Middle third above 2.8\u{202f}dB up to 4.4\u{202f}dB",
        "67.3 (11.1), n\u{a0}=\u{a0}2\u{202f}446",
        "2.1\u{202f}dB (0.5\u{202f}dB), n\u{a0}=\u{a0}2\u{202f}448",
        "816 (33\u{202f}%)",
    ] {
        assert!(words.contains(part), "{part}");
    }
    let mut few = whole.clone();
    let table = few.tables.get_mut("table_one").unwrap();
    for third in ["low", "middle", "high"] {
        table.clear(&format!("n_{third}"), 0);
    }
    assert!(text(&page(&few)).contains("so table one is withheld"));
}

/// Numbers in the text are tied to keys of `results.json`; each key must be of one row only.
#[test]
fn keys_of_the_new_tables_name_one_row_each() {
    let review = review(Reader::Researcher, MEDIUM);
    let folder = tempfile::tempdir().unwrap();
    write_report(&review, folder.path()).unwrap();
    let results = fs::read_to_string(folder.path().join("results.json")).unwrap();
    let results: serde_json::Value = serde_json::from_str(&results).unwrap();
    let keys = results["numbers"].as_object().unwrap();
    for key in [
        "table_one",
        "thirds",
        "missing",
        "sensitivity",
        "model",
        "satisfied",
        "checklist",
        "intervals",
    ] {
        let of_table = format!("{key}/");
        for known in keys.keys().filter(|known| known.starts_with(&of_table)) {
            assert!(!known.contains('#'), "{known}");
        }
    }
    assert!(keys.contains_key("sensitivity/primary/rms/spearman/false/average"));
    assert!(keys.contains_key("table_one/grade/mild"));
}

#[test]
fn the_sensitivity_figure_leads_with_the_primary_and_parts_the_directions() {
    let folder = tempfile::tempdir().unwrap();
    write_report(&review(Reader::Researcher, MEDIUM), folder.path()).unwrap();
    let read =
        |key: &str| fs::read_to_string(folder.path().join(format!("figures/{key}.svg"))).unwrap();
    let svg = read("sensitivity-forest");
    let place = |text: &str| {
        svg.find(&format!(">{text}<"))
            .unwrap_or_else(|| panic!("{text} is missing"))
    };
    assert!(place("primary analysis") < place("latest fitting only"));
    assert!(place("latest fitting only") < place("within criterion"));
    assert!(place("within criterion") < place("3–6 kHz deviation"));
    for title in [
        "Left of 0: a closer match",
        "Right of 0: a closer match",
        "Right of 0: less shortfall",
    ] {
        assert!(svg.contains(title), "{title}");
    }
    // One diamond is the primary; dots are discs.
    assert_eq!(svg.matches("<polygon").count(), 1);
    let models = read("models-forest");
    for label in [
        "RMS deviation",
        "age, per 10 years",
        "within clinicians",
        "weighted",
    ] {
        assert!(models.contains(&format!(">{label}<")), "{label}");
    }
}
