//! The methods, from what was run.

use fitcohort_queries::review::Review;
use maud::{Markup, html};

use crate::drawing::text::clean;
use crate::page::number::of_context;
use crate::words;

/// Objective, design, participants, variables, statistics.
pub(super) fn section(review: &Review) -> Markup {
    let context = &review.context;
    html! {
        section aria-labelledby="methods" {
            h2 #methods { "Methods" }
            h3 #objective { "Objective and hypothesis" }
            p {
                "Fixed in the plan before any number is looked at: \u{201c}" (clean(&context.hypothesis))
                "\u{201d} The exposure is the " (words::of_value(&context.exposure)) ", the outcome "
                (clean(&context.outcome)) ", the analysis " (words::of_method(&context.primary_method, context.primary_weighted)) "."
            }
            h3 #design { "Design and setting" }
            p {
                "Observational; records of daily work in hearing-aid practices, read once from a cohort that is kept for the quality of the work. Exposure and outcome were recorded without this question in mind. "
                @if let Some(span) = super::span(review) { (span) "; snapshot " (context.snapshot) "." }
            }
            (participants(review))
            (variables(review))
            (statistics(review))
            (bias(review))
        }
    }
}

fn participants(review: &Review) -> Markup {
    let context = &review.context;
    let unit = match context.unit.as_str() {
        "latest-fitting" => {
            "The unit of analysis is each patient's latest fitting with a known exposure; its two ears are combined by mean square, so that two ears of one person do not count twice."
        }
        _ => {
            "The unit of analysis is the fitting; its two ears are combined by mean square, so that two ears of one fitting do not count twice. A person fitted more than once counts with each fitting."
        }
    };
    html! {
        h3 #participants { "Participants" }
        p {
            "Every fitting with a fitted ear and a known exposure; nobody was sampled or matched, and no size was aimed at: the study has what the cohort has. " (unit) " "
            @if context.exclusions.is_empty() {
                "No fitting is left out by the plan."
            } @else {
                "Left out of the study by the plan: "
                (context.exclusions.iter().map(|text| clean(&words::in_full(text))).collect::<Vec<_>>().join("; ")) "."
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

fn variables(review: &Review) -> Markup {
    let context = &review.context;
    let covariates: Vec<String> = context
        .covariates
        .iter()
        .map(|name| clean(words::of_covariate(name)))
        .collect();
    html! {
        h3 #variables { "Variables" }
        p {
            (measured(&context.exposure)) " at the final stage and average input level; a deviation is the measured less the target level. The outcome is the answer to "
            (clean(&context.outcome)) ", higher is better. "
            @if covariates.is_empty() {
                "No covariate is taken into account: the plan names none."
            } @else {
                "Covariates: " (covariates.join(", ")) "."
            }
        }
        h3 #grouping { "Grouping of numbers" }
        p {
            "Table one cuts the exposure at its quantiles at one and two thirds (type 7 of Hyndman and Fan 1996); what lies on a cut goes to the lower third. Rare levels of a label are joined. Bins of RMS deviation have fixed edges, so that axes stay the same between reports. Models and correlations take numbers as they are; in a model the largest group of a label is the reference, and groups too small for a coefficient are joined."
        }
    }
}

fn statistics(review: &Review) -> Markup {
    let context = &review.context;
    html! {
        h3 #statistics { "Statistics" }
        p {
            "Fittings of one clinician are alike, so intervals are made over whole clinicians, or over patients where fewer than ten clinicians have fittings. Rank correlations: Spearman's rho, Kendall's tau-b, and the partial correlation of ranks given the covariates, with percentile intervals from "
            (of_context(review, "resamples"))
            " resamples, at levels widened for few clusters (Hesterberg 2015; BCa intervals after Efron 1987 stand beside them), and p-values of the plain rows from "
            (of_context(review, "permutations"))
            " shuffles within clinicians, of residuals where there are covariates (Freedman and Lane 1983), or from all arrangements where there are few. Ordinal models: proportional odds (McCullagh 1980), adjusted for the covariates, as a whole and split into the clinician's mean and the deviation from it (Mundlak 1978); Wald intervals with errors robust to clusters (CR1, t with one degree of freedom fewer than clusters). The curve along the exposure: local lines over half of the fittings, with a band over clusters. Seed "
            (of_context(review, "seed")) "."
        }
        p {
            "There is one primary hypothesis; the p-values of further exposures are corrected for their number by Holm's method, all others are for reading alongside. No subgroup and no interaction was looked at. Sensitivity: " (words::of_method(&context.primary_method, context.primary_weighted))
            " made anew "
            @if context.primary_weighted { "without weights" } @else { "with weights for answers that did not come back" }
            ", with curves at soft and at loud input level, "
            @if context.unit == "latest-fitting" { "with every fitting" } @else { "with each patient's latest fitting only" }
            @if !context.exclusions.is_empty() { ", with nobody left out" }
            ", and with each other measure of match: within the criterion in use and within the second one (yes or no), share of points within, "
            "RMS, mean and 3–6 kHz deviation, less the one that is the exposure. All else stays as in the primary analysis."
        }
    }
}

fn bias(review: &Review) -> Markup {
    let context = &review.context;
    html! {
        h3 #bias { "Bias and missing values" }
        p {
            @if !context.covariates.is_empty() {
                "A fitting for which a covariate is not known is left out of adjusted and weighted analyses; the number of each stands in the table. "
            }
            "Nothing is filled in for what is not known. Weighted rows stand for the fittings whose answer did not come back as well, as far as exposure and covariates tell who answers: weights are the inverse of the fitted probability of an answer, stabilised and cut at their 99th percentile. For rank correlations the weights are found anew in each resample, and the p-value, from the spread of Fisher's z over the resamples, is that of the whole association, not of its part within clinicians; ordinal models take the weights as known. The bounds beside them assume nothing about the missing answers. Headline numbers, answers by item and variance between clinicians hold all fittings, whatever the plan leaves out of the study."
        }
    }
}
