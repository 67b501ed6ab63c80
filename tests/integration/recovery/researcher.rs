//! What the researcher's reports tell: all fittings up to the quarter under review, and the study made of them.

use std::collections::BTreeSet;

use super::names::{count_of, hits_of};
use super::published::Published;
use crate::elimination::System;

/// Score from which an answer counts as satisfied, the plan's default.
const SATISFIED_FROM: f64 = 4.0;

pub(super) fn tell(published: &Published, all: &mut System) {
    flow(published, all);
    bins(published, all);
    answers(published, all);
    estimates(published, all);
    missing(published, all);
    table_one(published, all);
}

/// A count of the study up to a quarter.
fn study(what: &str, quarter: &str) -> String {
    format!("study:{what}^{quarter}")
}

fn flow(published: &Published, all: &mut System) {
    let mut before: Option<(&str, String)> = None;
    for row in published.rows("flow") {
        let quarter = row.quarter;
        let step = study(row.text("step"), quarter);
        all.count(&step, row.text("n"));
        if let Some((_, whole)) = before.filter(|(of, _)| *of == quarter) {
            let lost = format!("lost at {step}");
            all.known(&lost, row.text("lost"));
            all.part(&whole, "flow", &step);
            all.part(&whole, "flow", &lost);
        }
        before = Some((quarter, step));
    }
    for quarter in published.reviewed() {
        let upto = format!("upto:{quarter}");
        all.same(&study("fitted", quarter), &count_of("verified", &upto));
        all.same(&study("verified", quarter), &hits_of("verified", &upto));
        all.same(&study("eligible", quarter), &count_of("rms", &upto));
        all.at_most(&study("analysed", quarter), &hits_of("answered", &upto));
    }
    // Nobody leaves a study that goes on: what is counted up to a quarter is counted up to each later one.
    let told: BTreeSet<&str> = published
        .rows("flow")
        .iter()
        .map(|row| row.quarter)
        .collect();
    let told: Vec<&str> = told.into_iter().collect();
    for pair in told.windows(2) {
        all.at_most(&study("analysed", pair[0]), &study("analysed", pair[1]));
    }
}

fn bins(published: &Published, all: &mut System) {
    for row in published.rows("response_by_match") {
        let bin = |what: &str| study(&format!("{what} {}", row.text("bin_lo")), row.quarter);
        let (fittings, answered) = (bin("fittings in"), bin("answered in"));
        all.count(&fittings, row.text("n_fittings"));
        all.count(&answered, row.text("n_answered"));
        row.share(all, "response_rate", &fittings, &answered);
        let [eligible, analysed] = ["eligible", "analysed"].map(|step| study(step, row.quarter));
        all.part(&eligible, "response_by_match", &fittings);
        all.part(&analysed, "response_by_match", &answered);
    }
    for row in published.rows("dose_response") {
        let bin = |what: &str| study(&format!("{what} {}", row.text("bin_lo")), row.quarter);
        let (answered, satisfied) = (bin("answered in"), bin("satisfied in"));
        all.count(&answered, row.text("n"));
        row.share(all, "satisfied", &answered, &satisfied);
        let whole = study("satisfied", row.quarter);
        all.part(&whole, "dose_response", &satisfied);
    }
}

fn answers(published: &Published, all: &mut System) {
    for row in published.rows("rms_by_answer") {
        let score = study(&format!("score {}", row.text("score")), row.quarter);
        all.count(&score, row.text("n"));
        let [analysed, satisfied] = ["analysed", "satisfied"].map(|step| study(step, row.quarter));
        all.part(&analysed, "rms_by_answer", &score);
        if row
            .number("score")
            .is_some_and(|score| score >= SATISFIED_FROM)
        {
            all.part(&satisfied, "rms_by_answer", &score);
        }
    }
    for row in published.rows("rms_histogram") {
        let score = study(&format!("score {}", row.text("score")), row.quarter);
        let bin = format!("{score} from {}", row.text("bin_lo"));
        all.count(&bin, row.text("n"));
        all.part(&score, "rms_histogram", &bin);
    }
    for row in published.rows("satisfied") {
        let [eligible, analysed, satisfied] =
            ["eligible", "analysed", "satisfied"].map(|step| study(step, row.quarter));
        let upto = format!("upto:{}", row.quarter);
        all.at_most(&satisfied, &hits_of("satisfied", &upto));
        match row.text("treatment") {
            "answered" => {
                all.count(&analysed, row.text("n"));
                row.share(all, "estimate", &analysed, &satisfied);
            }
            // From none to all of the missing answers satisfied.
            "bounds" => {
                all.count(&eligible, row.text("n"));
                row.share(all, "estimate", &analysed, &satisfied);
                row.share(all, "lo", &eligible, &satisfied);
                let most = study("satisfied or not answered", row.quarter);
                row.share(all, "hi", &eligible, &most);
                all.part(&most, "bounds", &satisfied);
                all.part(&most, "bounds", &study("lost of answers", row.quarter));
                all.part(&eligible, "bounds", &analysed);
                all.part(&eligible, "bounds", &study("lost of answers", row.quarter));
            }
            "weighted" => {
                all.count(&study("complete answered", row.quarter), row.text("n"));
            }
            other => {
                panic!("a way to treat missing answers that the attack does not know: {other}")
            }
        }
    }
    for row in published.rows("outcomes") {
        let upto = format!("upto:{}", row.quarter);
        let fitted = study("fitted", row.quarter);
        all.count(&fitted, row.text("n_fittings"));
        let item = (row.text("instrument"), row.text("item"));
        let answered = match item {
            ("ioi-ha", "4") => hits_of("answered", &upto),
            (instrument, item) => study(&format!("{instrument} {item}"), row.quarter),
        };
        all.count(&answered, row.text("n_answered"));
        row.share(all, "response_rate", &fitted, &answered);
    }
}

/// Whether all that comes out is that an answer was given by no more than were satisfied, or were not, where these are fewer
/// than the smallest cell. A share is published whatever part of it is small, so that this is no news.
pub(super) fn is_told_by_a_share(system: &System, name: &str, (lo, hi): (i128, i128)) -> bool {
    let Some((score, quarter)) = name
        .strip_prefix("study:score ")
        .and_then(|rest| rest.split_once('^'))
    else {
        return false;
    };
    let quarter = quarter.split(' ').next().unwrap_or_default();
    let [analysed, satisfied] =
        ["analysed", "satisfied"].map(|what| system.get(&study(what, quarter)).map(i128::from));
    let (Some(analysed), Some(satisfied), Ok(score)) = (analysed, satisfied, score.parse::<f64>())
    else {
        return false;
    };
    let whole = if score >= SATISFIED_FROM {
        satisfied
    } else {
        analysed - satisfied
    };
    (lo, hi) == (0, whole)
}

/// How many each estimate rests on.
fn estimates(published: &Published, all: &mut System) {
    for row in published.rows("weights") {
        let [invited, answered] =
            ["complete", "complete answered"].map(|what| study(what, row.quarter));
        all.known(&invited, row.text("n"));
        all.known(&answered, row.text("n_answered"));
        all.at_most(&invited, &study("eligible", row.quarter));
        all.at_most(&answered, &study("analysed", row.quarter));
        all.at_most(&answered, &invited);
    }
    for table in [
        "association",
        "association_secondary",
        "intervals",
        "sensitivity",
    ] {
        for row in published.rows(table) {
            let (method, quarter) = (row.text("method"), row.quarter);
            let is_weighted = match table {
                "association" | "sensitivity" => row.text("weighted") == "true",
                _ => false,
            };
            let of_rank = matches!(method, "spearman" | "kendall");
            let exposure = match table {
                "association_secondary" | "sensitivity" => row.text("exposure"),
                _ => "rms",
            };
            let variant = match table {
                "sensitivity" => (row.text("input_band"), row.text("unit_of_analysis")),
                _ => ("average", "fitting"),
            };
            let of = match (exposure, variant) {
                ("rms", ("average", "fitting")) if of_rank && !is_weighted => {
                    study("analysed", quarter)
                }
                ("rms", ("average", "fitting")) => study("complete answered", quarter),
                (exposure, (band, unit)) => {
                    let n = format!("answered with {exposure} at {band} input by {unit}");
                    let n = study(&n, quarter);
                    all.at_most(&n, &hits_of("answered", &format!("upto:{quarter}")));
                    if unit != "fitting" {
                        all.at_most(&n, &study("analysed", quarter));
                    }
                    n
                }
            };
            all.count(&of, row.text("n"));
        }
    }
    for table in ["model", "proportionality"] {
        for row in published.rows(table) {
            // Empty where there is no model.
            all.known(&study("complete answered", row.quarter), row.text("n"));
        }
    }
}

/// The table of what is not known: of all, of those who answered and of those who did not.
fn missing(published: &Published, all: &mut System) {
    for row in published.rows("missing") {
        let (variable, quarter) = (row.text("variable"), row.quarter);
        let upto = format!("upto:{quarter}");
        let unanswered = study("lost of answers", quarter);
        let [n, answered, unanswered] = match variable {
            // The exposure over everybody, all else over the rows of the study.
            "rms" => [
                study("fitted", quarter),
                hits_of("answered", &upto),
                format!("unanswered {upto}"),
            ],
            _ => [
                study("eligible", quarter),
                study("analysed", quarter),
                unanswered.clone(),
            ],
        };
        all.count(&n, row.text("n"));
        all.count(&answered, row.text("n_answered"));
        all.count(&unanswered, row.text("n_unanswered"));
        all.part(&n, "missing", &answered);
        all.part(&n, "missing", &unanswered);
        let [of_all, of_answered, of_unanswered] = ["", " answered", " unanswered"]
            .map(|whom| study(&format!("missing {variable}{whom}"), quarter));
        if variable == "answered" {
            all.known(&unanswered, row.text("n_missing"));
            row.share(all, "missing", &n, &unanswered);
            continue;
        }
        for (name, column, share, of) in [
            (&of_all, "n_missing", "missing", &n),
            (
                &of_answered,
                "n_missing_answered",
                "missing_answered",
                &answered,
            ),
            (
                &of_unanswered,
                "n_missing_unanswered",
                "missing_unanswered",
                &unanswered,
            ),
        ] {
            all.known(name, row.text(column));
            row.share(all, share, of, name);
        }
        all.part(&of_all, "missing", &of_answered);
        all.part(&of_all, "missing", &of_unanswered);
        if variable == "rms" {
            let known = study("eligible", quarter);
            all.part(&n, "missing exposure", &of_all);
            all.part(&n, "missing exposure", &known);
            all.part(&answered, "missing exposure", &of_answered);
            all.part(&answered, "missing exposure", &study("analysed", quarter));
        } else {
            // Those of whom it is known are those that table one divides.
            let known = study(&format!("with {variable}"), quarter);
            all.part(&n, variable, &of_all);
            all.part(&n, variable, &known);
        }
    }
}

/// Thirds of the exposure, and who is in each.
fn table_one(published: &Published, all: &mut System) {
    for row in published.rows("thirds") {
        let third = study(&format!("third {}", row.text("third")), row.quarter);
        all.count(&third, row.text("n"));
        all.part(&study("eligible", row.quarter), "thirds", &third);
    }
    for row in published.rows("table_one") {
        let (variable, level) = (row.text("variable"), row.text("level"));
        let quarter = row.quarter;
        for third in ["low", "middle", "high"] {
            let whole = study(&format!("third {third}"), quarter);
            let known = match variable {
                // Known of everybody.
                "fittings" | "rms" | "ears_fitted" | "answered" => whole.clone(),
                _ => study(&format!("{variable} known in {third}"), quarter),
            };
            all.at_most(&known, &whole);
            let n = match level {
                "" => known.clone(),
                level => study(&format!("{variable} {level} in {third}"), quarter),
            };
            all.count(&n, row.text(&format!("n_{third}")));
            if !level.is_empty() {
                all.part(&known, &format!("levels of {variable}"), &n);
                row.share(all, third, &known, &n);
                // How many have a level over all thirds.
                let over_all = match (variable, level) {
                    ("answered", "yes") => study("analysed", quarter),
                    ("answered", _) => study("lost of answers", quarter),
                    _ => continue,
                };
                all.part(&over_all, "answered by third", &n);
            } else if !matches!(variable, "fittings" | "rms") {
                let with = study(&format!("with {variable}"), quarter);
                all.part(&with, "thirds", &known);
            }
        }
    }
    // Labels of two levels have no row over both.
    for row in published.rows("table_one") {
        let variable = row.text("variable");
        if row.text("level").is_empty() || matches!(variable, "ears_fitted" | "answered") {
            continue;
        }
        for third in ["low", "middle", "high"] {
            all.part(
                &study(&format!("with {variable}"), row.quarter),
                "thirds",
                &study(&format!("{variable} known in {third}"), row.quarter),
            );
        }
    }
}
