//! What only one of the readers gets: where to look, the primary analysis, the clinician's part.

use fitcohort_queries::review::{Reader, Review};
use fitcohort_queries::table::Table;
use maud::{Markup, html};

use crate::cells::{self, Unit};
use crate::drawing::text::clean;
use crate::figures::{MEASURES, Signal};
use crate::{format, words};

/// At most so many clinics are named one by one.
const CLINICS: usize = 20;

/// The section after the numbers.
pub(super) fn opening(review: &Review) -> Markup {
    match review.reader {
        Reader::Owner => owner(review),
        Reader::Researcher => html! {},
        Reader::Trainer => trainer(review),
    }
}

fn owner(review: &Review) -> Markup {
    let table = review.table("headline");
    let outside: Vec<usize> = (0..table.rows())
        .filter(|row| Signal::at(table, *row) != Signal::None)
        .collect();
    html! {
        section aria-labelledby="look" {
            h2 #look { "Where to look" }
            @if outside.is_empty() {
                p { "None of the numbers above lies beyond its limits this quarter. That is no proof of good quality: limits come from this cohort's own quarters, the one under review included." }
            } @else {
                p { "Beyond their limits this quarter, so worth a look at what changed:" }
                ul {
                    @for row in outside {
                        li {
                            (clean(label(table, row))) ": " (Signal::at(table, row).words()) "."
                        }
                    }
                }
            }
            (clinics(review.table("clinics")))
            (referrals(review))
            h3 { "For context: published hit rates" }
            p {
                "These are no limits, and criteria and wearers differ from this cohort's. Of 51 open fittings 36 were outside ±10 dB of target at first and 9 after adjustment (Aazh, Moore & Prasher 2012). In a service audit of 46 published in 2020, 22 % met their criterion at first and 74 % after adjustment. Of 195 children 55 % had an ear with an RMS deviation above 5 dB (McCreery, Bentler & Roush 2013)."
            }
        }
    }
}

/// The clinics beyond the limits of one of the measures that are looked at.
fn clinics(table: &Table) -> Markup {
    let outside: Vec<usize> = MEASURES
        .iter()
        .flat_map(|measure| {
            (0..table.rows()).filter(move |row| {
                table.text_at("measure", *row) == Some(*measure)
                    && Signal::at(table, *row) != Signal::None
            })
        })
        .collect();
    html! {
        h3 { "Clinics" }
        @if table.rows() == 0 {
            p { "No clinic has fittings this quarter." }
        } @else if outside.is_empty() {
            p { "No clinic lies beyond its 99.8 % limits this quarter in fittings within criterion, fittings verified, two-ear fitting or mean RMS deviation, or the limits cannot be estimated." }
        } @else {
            p { "Beyond the 99.8 % limits for a clinic of its size this quarter. An invitation to look together at cases and method, not a verdict:" }
            ul {
                @for row in outside.iter().take(CLINICS) {
                    li { (clinic(table, *row)) }
                }
            }
            @if outside.len() > CLINICS {
                p { (more(outside.len() - CLINICS)) }
            }
        }
    }
}

fn more(rows: usize) -> String {
    let rows = i64::try_from(rows).unwrap_or(i64::MAX);
    format!("And {} more in the table of clinics.", format::count(rows))
}

/// "clinic-03: fittings within criterion 24 % (95 % interval 13 % to 39 %, n = 38), below its limits."
fn clinic(table: &Table, row: usize) -> String {
    let n = table.integer_at("n", row);
    let (what, unit) = match table.text_at("measure", row) {
        Some("within_criterion") => ("fittings within criterion", Unit::Share),
        Some("verified") => ("fittings verified", Unit::Share),
        Some("two_ear") => ("candidates fitted in both ears", Unit::Share),
        _ => ("mean RMS deviation", Unit::Decibel),
    };
    let write = |name: &str| {
        table
            .real_at(name, row)
            .map(|value| cells::write(value, unit, n))
    };
    let mut details = Vec::new();
    if let (Some(lo), Some(hi)) = (write("lo"), write("hi")) {
        details.push(format!("95\u{202f}% interval {lo} to {hi}"));
    }
    details.extend(n.map(format::n));
    let side = match Signal::at(table, row) {
        Signal::Low => "below",
        _ => "above",
    };
    format!(
        "{}: {what} {} ({}), {side} its limits.",
        clean(table.text_at("clinic_id", row).unwrap_or("no clinic")),
        write("observed").unwrap_or_else(|| "withheld".to_owned()),
        details.join(", ")
    )
}

/// Where the list of fittings to look at is. How many are on it is not said: the number may be a
/// cell too small to show.
fn referrals(review: &Review) -> Markup {
    let rule = clean(&review.context.referral_rule);
    let words = words::of_rule(
        review.table("referral_rules"),
        &review.context.referral_rule,
    )
    .map_or_else(String::new, |words| format!(" ({})", clean(words)));
    html! {
        h3 { "Referral" }
        @if review.table("referral_list").rows() > 0 {
            p {
                "The list " a href="tables/referral_list.csv" { "tables/referral_list.csv" }
                " names the fittings of this quarter that meet the rule " (rule) (words)
                " with no referral recorded. It holds single records: keep it in the practice."
            }
        } @else {
            p {
                "No fitting of this quarter meets the rule " (rule) (words)
                " without a recorded referral, or none could be evaluated."
            }
        }
    }
}

fn label(table: &Table, row: usize) -> &str {
    table
        .text_at("label", row)
        .or_else(|| table.text_at("measure", row))
        .unwrap_or("number")
}

/// The primary analysis, stated before all others.
pub(super) fn primary(review: &Review) -> Markup {
    let table = review.table("association");
    let context = &review.context;
    let row = words::primary_row(review);
    html! {
        section aria-labelledby="primary" {
            h2 #primary { "Primary analysis" }
            p {
                "Fixed in the plan before any number is looked at: \u{201c}" (clean(&context.hypothesis))
                "\u{201d} The exposure is the " (words::of_value(&context.exposure)) ", the outcome "
                (clean(&context.outcome)) ", the analysis " (words::of_method(&context.primary_method, context.primary_weighted))
                ". " (direction(&context.exposure))
            }
            @if let Some(sentence) = row.and_then(|row| estimate(table, row)) {
                p { strong { (sentence) } }
                @if matches!(context.primary_method.as_str(), "spearman" | "kendall" | "partial") && !context.primary_weighted {
                    p {
                        "The p-value tests only the association within clinicians: answers are shuffled among the fittings of the same clinician. Estimate and interval are over all fittings and hold differences between clinicians too. The two answer different questions, so they can disagree."
                    }
                }
            } @else {
                p { strong { "It cannot be estimated" (row.map_or_else(String::new, |row| reason(table, row))) "." } }
            }
            (methods(review))
            h3 { "What cannot be concluded" }
            p {
                "Fittings were not assigned to a match at random. People with losses that are hard to fit may be less satisfied whatever the match, those who answer differ from those who do not, and a target is itself a convention. An association here, or its absence, is therefore no statement on what a closer match would do. Covariates and weights take account of what was recorded, and of nothing else. A wide interval means that this cohort cannot tell, not that there is nothing to find."
            }
        }
    }
}

/// How the exposure is measured.
fn measured(exposure: &str) -> &'static str {
    match exposure {
        "signed" => "The mean deviation is taken over 250 to 4000 Hz",
        "high_frequency" => "The deviation is taken over 3000, 4000 and 6000 Hz",
        "share_within" => "The share of points within the criterion is taken over its frequencies",
        _ => "RMS deviation is taken over 500, 1000, 2000 and 4000 Hz",
    }
}

/// Which way an association points.
fn direction(exposure: &str) -> &'static str {
    match exposure {
        "share_within" => {
            "Above 0 means that more points within the limits go with a higher answer."
        }
        "signed" | "high_frequency" => {
            "The exposure has a sign: above 0 means that less shortfall from target, or more excess, goes with a higher answer."
        }
        _ => "Below 0 means that a greater deviation goes with a lower answer.",
    }
}

/// The methods, from what was run.
fn methods(review: &Review) -> Markup {
    let context = &review.context;
    let covariates: Vec<String> = context
        .covariates
        .iter()
        .map(|name| clean(words::of_covariate(name)))
        .collect();
    let unit = match context.unit.as_str() {
        "latest-fitting" => {
            "The unit of analysis is each patient's latest fitting with a known exposure; its two ears are combined by mean square, so that two ears of one person do not count twice."
        }
        _ => {
            "The unit of analysis is the fitting; its two ears are combined by mean square, so that two ears of one fitting do not count twice. A person fitted more than once counts with each fitting."
        }
    };
    html! {
        h3 { "Methods in short" }
        p {
            (unit) " " (measured(&context.exposure)) " at the final stage and average input level. "
            @if context.exclusions.is_empty() {
                "No fitting is left out by the plan."
            } @else {
                "Left out of the study by the plan: "
                (context.exclusions.iter().map(|text| clean(text)).collect::<Vec<_>>().join("; ")) "."
            }
        }
        p {
            "Fittings of one clinician are alike, so intervals are made over whole clinicians, or over patients where fewer than ten clinicians have fittings. Rank correlations: Spearman's rho, Kendall's tau-b, and the partial correlation of ranks given the covariates, with percentile intervals from "
            (format::count(i64::from(context.resamples)))
            " resamples, at levels widened for few clusters (Hesterberg 2015; BCa intervals after Efron 1987 stand beside them), and p-values of the plain rows from "
            (format::count(i64::from(context.permutations)))
            " shuffles within clinicians, of residuals where there are covariates (Freedman and Lane 1983), or from all arrangements where there are few. Ordinal models: proportional odds (McCullagh 1980), adjusted for the covariates, as a whole and split into the clinician's mean and the deviation from it (Mundlak 1978); Wald intervals with errors robust to clusters (CR1, t with one degree of freedom fewer than clusters). Seed "
            (context.seed.to_string()) "."
        }
        p {
            @if covariates.is_empty() {
                "No covariate is taken into account: the plan names none. "
            } @else {
                "Covariates: " (covariates.join(", ")) ". A fitting for which one is not known is left out of adjusted and weighted analyses; the number of each stands in the table. "
            }
            "Weighted rows stand for the fittings whose answer did not come back as well, as far as exposure and covariates tell who answers: weights are the inverse of the fitted probability of an answer, stabilised and cut at their 99th percentile. For rank correlations the weights are found anew in each resample, and the p-value, from the spread of Fisher's z over the resamples, is that of the whole association, not of its part within clinicians; ordinal models take the weights as known. The bounds beside them assume nothing about the missing answers. Headline numbers, answers by item and variance between clinicians hold all fittings, whatever the plan leaves out of the study. There is one primary hypothesis; the p-values of further exposures are corrected for their number by Holm's method, all others are for reading alongside."
        }
    }
}

/// ": too few observations…", where the table says why.
fn reason(table: &Table, row: usize) -> String {
    table
        .text_at("interval", row)
        .and_then(|text| text.strip_prefix("not estimable: "))
        .map_or_else(String::new, |reason| format!(": {}", clean(reason)))
}

fn estimate(table: &Table, row: usize) -> Option<String> {
    let value = table.real_at("estimate", row)?;
    let method = table.text_at("method", row).unwrap_or("estimate");
    let weighted = table.flag_at("weighted", row) == Some(true);
    let mut details = Vec::new();
    if let (Some(lo), Some(hi)) = (table.real_at("lo", row), table.real_at("hi", row)) {
        details.push(format!(
            "95\u{202f}% interval {} to {}",
            format::coefficient(lo),
            format::coefficient(hi)
        ));
    }
    if let Some(p) = table.real_at("p", row) {
        details.push(format::p_value(p));
    }
    if let Some(n) = table.integer_at("n", row) {
        details.push(format!("{} fittings", format::n(n)));
    }
    if let Some(how) = table.text_at("interval", row) {
        details.push(clean(how));
    }
    Some(format!(
        "{} {} ({}).",
        format::capital(&words::of_method(method, weighted)),
        format::coefficient(value),
        details.join("; ")
    ))
}

fn trainer(review: &Review) -> Markup {
    let table = review.table("variance").where_text("component", "icc");
    html! {
        section aria-labelledby="variance" {
            h2 #variance { "How much goes with the clinician" }
            p {
                "The intraclass correlation (ICC) says how much of the variation between fittings goes with who fitted: 0 % means that no difference between clinicians was found, 100 % that each clinician's fittings are all alike. The covariates of the plan are taken into account; the clinic, and whatever of the case mix they do not tell, are mixed in with the clinician: what looks like one may be the other. Shares are fitted linearly, on 0 and 1. How each was made stands under the table."
            }
            @if table.rows() == 0 {
                p { "It cannot be estimated here: that takes several clinicians with several fittings each." }
            } @else {
                ul {
                    @for row in 0..table.rows() {
                        li { (icc(&table, row)) }
                    }
                }
            }
            p {
                "A low value means that comparing single clinicians tells little. A high one does not say why. A point beyond a limit is an invitation to look together at cases, coupling and method. It is no verdict: with many clinicians some lie beyond a limit by chance, and a funnel takes no account of who was fitted. The columns \"Adjusted\" and \"Shrunken\" of the table do, by the covariates of the plan, and even that is never the whole case mix."
            }
        }
    }
}

fn icc(table: &Table, row: usize) -> String {
    let measure = words::of_value(table.text_at("measure", row).unwrap_or("measure"));
    let Some(value) = table.real_at("estimate", row) else {
        return format!("{measure}: not estimable.");
    };
    let n = table.integer_at("n", row);
    let share = |value: f64| cells::write(value, Unit::Share, n);
    let mut details = vec![match (table.real_at("lo", row), table.real_at("hi", row)) {
        (Some(lo), Some(hi)) => format!("95\u{202f}% interval {} to {}", share(lo), share(hi)),
        _ => "no interval".to_owned(),
    }];
    details.extend(n.map(|n| format!("{} fittings", format::n(n))));
    if let Some(n) = table.integer_at("n_clinicians", row) {
        details.push(format!("{} clinicians", format::count(n)));
    }
    format!(
        "{measure}: {} of the variation goes with the clinician ({}); the rest is between fittings of the same clinician.",
        share(value),
        details.join("; ")
    )
}
