//! What only the researcher's page has: the primary analysis and its methods.

use fitcohort_queries::review::Review;
use fitcohort_queries::table::Table;
use maud::{Markup, html};

use super::number::{interval, n, number, of_context};
use crate::drawing::text::clean;
use crate::{format, words};

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
            (of_context(review, "resamples"))
            " resamples, at levels widened for few clusters (Hesterberg 2015; BCa intervals after Efron 1987 stand beside them), and p-values of the plain rows from "
            (of_context(review, "permutations"))
            " shuffles within clinicians, of residuals where there are covariates (Freedman and Lane 1983), or from all arrangements where there are few. Ordinal models: proportional odds (McCullagh 1980), adjusted for the covariates, as a whole and split into the clinician's mean and the deviation from it (Mundlak 1978); Wald intervals with errors robust to clusters (CR1, t with one degree of freedom fewer than clusters). Seed "
            (of_context(review, "seed")) "."
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

fn estimate(table: &Table, row: usize) -> Option<Markup> {
    let key = "association";
    table.real_at("estimate", row)?;
    let method = table.text_at("method", row).unwrap_or("estimate");
    let weighted = table.flag_at("weighted", row) == Some(true);
    Some(html! {
        (clean(&format::capital(&words::of_method(method, weighted)))) " "
        (number(key, table, row, "estimate")) " (" (interval(key, table, row, ["lo", "hi"]))
        @if table.real_at("p", row).is_some() { "; " (number(key, table, row, "p")) }
        "; " (n(key, table, row, "n")) " fittings"
        @if let Some(how) = table.text_at("interval", row) { "; " (clean(how)) }
        ")."
    })
}
