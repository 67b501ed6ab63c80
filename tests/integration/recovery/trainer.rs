//! What the trainer's reports and the pages of single clinicians tell.

use std::collections::BTreeSet;

use super::names::{SHARES, bounded, count_of, fittings_in_words, hits_of, parts, unit};
use super::published::Published;
use crate::elimination::System;

pub(super) fn tell(published: &Published, all: &mut System) {
    clinicians(published, all);
    signature(published, all);
    own_page(published, all);
    own_series(published, all);
}

/// A clinician up to the quarter under review.
fn clinician(id: &str, quarter: &str) -> String {
    format!("k:{id}^{quarter}")
}

fn clinicians(published: &Published, all: &mut System) {
    for row in published.rows("clinicians") {
        let (measure, quarter) = (row.text("measure"), row.quarter);
        let one = clinician(row.text("clinician_id"), quarter);
        let whole = format!("upto:{quarter}");
        unit(all, &row, &one, ["n", "observed"]);
        parts(all, measure, &whole, "clinicians", &one);
        if let Some((_, of)) = fittings_in_words(row.text("how")) {
            all.known(&count_of(measure, &whole), of);
        }
    }
    for row in published.rows("variance") {
        let (measure, whole) = (row.text("measure"), format!("upto:{}", row.quarter));
        let n = format!("complete {}", count_of(measure, &whole));
        all.count(&n, row.text("n"));
        all.at_most(&n, &count_of(measure, &whole));
        if let Some((complete, of)) = fittings_in_words(row.text("how")) {
            all.known(&n, complete);
            all.known(&count_of(measure, &whole), of);
        }
    }
    for row in published.rows("spread") {
        let one = clinician(row.text("clinician_id"), row.quarter);
        all.count(&count_of("signed", &one), row.text("n"));
    }
    for row in published.rows("first_final") {
        let one = clinician(row.text("clinician_id"), row.quarter);
        paired(all, &one);
        all.count(&count_of("paired rms", &one), row.text("n_first"));
        all.count(&count_of("paired rms", &one), row.text("n_final"));
        let n = count_of("paired within", &one);
        all.count(&n, row.text("n_within"));
        for column in ["within_first", "within_final"] {
            row.share(all, column, &n, &hits_of(column, &one));
        }
    }
}

/// Fittings measured twice are some of those measured.
fn paired(all: &mut System, one: &str) {
    all.at_most(&count_of("paired rms", one), &count_of("rms", one));
    all.at_most(
        &count_of("paired within", one),
        &count_of("within_criterion", one),
    );
}

fn signature(published: &Published, all: &mut System) {
    for row in published.rows("signature") {
        let one = clinician(row.text("clinician_id"), row.quarter);
        let hertz = row.text("frequency_hz");
        let (ears, fittings) = (format!("ears:{one}/{hertz}"), format!("of:{one}/{hertz}"));
        all.count(&ears, row.text("n_ears"));
        all.count(&fittings, row.text("n_fittings"));
        all.at_most(&fittings, &ears);
        all.at_most(&fittings, &hits_of("verified", &one));
        let whole = format!("ears at {hertz} upto {}", row.quarter);
        all.part(&whole, "signature", &ears);
    }
}

fn own_page(published: &Published, all: &mut System) {
    for row in published.rows("rests_on") {
        let one = clinician(row.clinician.expect("a page"), row.quarter);
        all.count(&count_of("verified", &one), row.text("n_fittings"));
    }
    for row in published.rows("clinician") {
        let (measure, quarter) = (row.text("measure"), row.quarter);
        let one = clinician(row.clinician.expect("a page"), quarter);
        let count = match measure {
            "spread" => count_of("signed", &one),
            "rms_first" | "rms_last" | "rms_fall" => count_of("paired rms", &one),
            "within_first" | "within_last" => count_of("paired within", &one),
            _ => {
                unit(all, &row, &one, ["n", "value"]);
                if let Some((_, of)) = fittings_in_words(row.text("how")) {
                    all.known(&count_of(measure, &format!("upto:{quarter}")), of);
                }
                continue;
            }
        };
        paired(all, &one);
        all.count(&count, row.text("n"));
        match measure {
            "within_first" => row.share(all, "value", &count, &hits_of("within_first", &one)),
            "within_last" => row.share(all, "value", &count, &hits_of("within_final", &one)),
            _ => {}
        }
    }
    for row in published.rows("own_signature") {
        let one = clinician(row.clinician.expect("a page"), row.quarter);
        let hertz = row.text("frequency_hz");
        let (ears, fittings) = (format!("ears:{one}/{hertz}"), format!("of:{one}/{hertz}"));
        all.count(&ears, row.text("n_ears"));
        // A fitting of both quantities counts once here, and in the signature of all it may count once too few.
        let distinct = format!("distinct {fittings}");
        all.count(&distinct, row.text("n_fittings"));
        all.at_most(&fittings, &distinct);
        all.at_most(&distinct, &ears);
    }
}

fn own_series(published: &Published, all: &mut System) {
    for row in published.rows("own_quarters") {
        let (measure, id) = (row.text("measure"), row.clinician.expect("a page"));
        let part = format!("k:{id}@{}", row.text("quarter"));
        unit(all, &row, &part, ["n", "value"]);
        let whole = clinician(id, row.quarter);
        parts(all, measure, &whole, "own_quarters", &part);
        let quarter = format!("q:{}", row.text("quarter"));
        all.at_most(&count_of(measure, &part), &count_of(measure, &quarter));
        all.at_most(&hits_of(measure, &part), &hits_of(measure, &quarter));
    }
    // The quarters of all clinicians are those of the practice: open where somebody's page is not at hand, and empty where
    // it is and says nothing.
    let pages: BTreeSet<&str> = published
        .rows("rests_on")
        .iter()
        .filter_map(|row| row.clinician)
        .collect();
    let told: BTreeSet<[&str; 3]> = published
        .rows("own_quarters")
        .iter()
        .filter_map(|row| Some([row.clinician?, row.text("measure"), row.text("quarter")]))
        .collect();
    let measures: BTreeSet<[&str; 2]> = told.iter().map(|[_, rest @ ..]| *rest).collect();
    let ids: BTreeSet<&str> = published
        .rows("clinicians")
        .iter()
        .map(|row| row.text("clinician_id"))
        .collect();
    for [measure, quarter] in measures {
        for id in &ids {
            if !pages.contains(id) || told.contains(&[*id, measure, quarter]) {
                let (whole, part) = (format!("q:{quarter}"), format!("k:{id}@{quarter}"));
                parts(all, measure, &whole, "own_quarters", &part);
                bounded(all, measure, &part);
            }
        }
    }
    for row in published.rows("practice_quarters") {
        let measure = row.text("measure");
        let quarter = format!("q:{}", row.text("quarter"));
        // Withheld here where few others fitted: that is about them, not about how many fittings there were.
        let count = count_of(measure, &quarter);
        all.known(&count, row.text("n"));
        if SHARES.contains(&measure) {
            row.share(all, "value", &count, &hits_of(measure, &quarter));
        }
    }
}
