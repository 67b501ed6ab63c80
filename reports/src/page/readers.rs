//! What only one of the readers gets: where to look, the primary analysis, the clinician's part.

use fitcohort_queries::review::{Reader, Review};
use fitcohort_queries::table::Table;
use maud::{Markup, html};

use crate::figures::Signal;
use crate::{cells, format, words};

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
    let list = review.table("referral_list");
    html! {
        section aria-labelledby="look" {
            h2 #look { "Where to look" }
            @if outside.is_empty() {
                p { "None of the numbers above lies beyond its limits this quarter. That is no proof of good quality: limits come from this cohort's own past." }
            } @else {
                p { "Beyond their limits this quarter, so worth a look at what changed:" }
                ul {
                    @for row in outside {
                        li {
                            (label(table, row)) ": " (Signal::at(table, row).words()) "."
                        }
                    }
                }
            }
            @if list.rows() > 0 {
                p {
                    "The list " a href="tables/referral_list.csv" { "tables/referral_list.csv" } " names "
                    (format::count(i64::try_from(list.rows()).unwrap_or(i64::MAX)))
                    " fittings of this quarter that meet the rule "
                    (list.text_at("rule", 0).unwrap_or("in force"))
                    " with no referral recorded. It holds single records: keep it in the practice."
                }
            } @else {
                p { "No fitting of this quarter meets the referral rule of the plan without a recorded referral, or none could be evaluated." }
            }
            h3 { "For context: published hit rates" }
            p {
                "These are no limits, and criteria and wearers differ from this cohort's. Of 51 open fittings 36 were outside ±10 dB of target at first and 9 after adjustment (Aazh, Moore & Prasher 2012). In a service audit of 46 published in 2020, 22 % met their criterion at first and 74 % after adjustment. Of 195 children 55 % had an ear with an RMS deviation above 5 dB (McCreery, Bentler & Roush 2013)."
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
    html! {
        section aria-labelledby="primary" {
            h2 #primary { "Primary analysis" }
            p {
                "Stated beforehand: does a smaller RMS deviation from target go with a higher answer on satisfaction (" (context.outcome) ")? The measure is a rank correlation; below 0 means that a greater deviation goes with a lower answer."
            }
            @if let Some(sentence) = estimate(table) {
                p { strong { (sentence) } }
            } @else {
                p { strong { "It cannot be estimated: too few fittings have both a complete headline curve and an answer." } }
            }
            h3 { "Methods in short" }
            p {
                "The unit of analysis is the fitting; its two ears are combined by mean square, so that no person counts twice. RMS deviation is taken over 500, 1000, 2000 and 4000 Hz at the final stage and average input level. The interval of Spearman's rho is by Fisher's z with the error of Bonett and Wright (2000), that of Kendall's tau-b by Fisher's z with Fieller's error; both take fittings as independent of each other, though fittings of one clinician are alike, so they are somewhat too narrow. The p-value is from " (format::count(i64::from(context.permutations))) " shuffles of the answers within each clinician (seed " (context.seed.to_string()) "), so that differences between clinicians can neither make nor hide an effect. p-values of the secondary analyses are corrected for their number by Holm's method. No covariate enters. Only fittings with an answer are in it; answers that did not come back are not made up for, and the response rate by match is shown beside."
            }
            h3 { "What cannot be concluded" }
            p {
                "Fittings were not assigned to a match at random. People with losses that are hard to fit may be less satisfied whatever the match, those who answer differ from those who do not, and a target is itself a convention. An association here, or its absence, is therefore no statement on what a closer match would do. A wide interval means that this cohort cannot tell, not that there is nothing to find."
            }
        }
    }
}

fn estimate(table: &Table) -> Option<String> {
    let value = table.real_at("estimate", 0)?;
    let method = words::of_value(table.text_at("method", 0).unwrap_or("estimate"));
    let mut details = Vec::new();
    if let (Some(lo), Some(hi)) = (table.real_at("lo", 0), table.real_at("hi", 0)) {
        details.push(format!(
            "95 % interval {} to {}",
            format::fixed(lo, 2),
            format::fixed(hi, 2)
        ));
    }
    if let Some(p) = table.real_at("p", 0) {
        details.push(format::p_value(p));
    }
    if let Some(n) = table.integer_at("n", 0) {
        details.push(format!("{} fittings", format::n(n)));
    }
    if let Some(n) = table.integer_at("n_clusters", 0) {
        details.push(format!("{} clusters", format::count(n)));
    }
    Some(format!(
        "{method} {} ({}).",
        format::fixed(value, 2),
        details.join("; ")
    ))
}

fn trainer(review: &Review) -> Markup {
    let table = review.table("variance").where_text("component", "icc");
    html! {
        section aria-labelledby="variance" {
            h2 #variance { "How much is the clinician" }
            p {
                "The intraclass correlation (ICC) says how much of the variation between fittings goes with who fitted: 0 % means that clinicians do not differ, 100 % that each clinician's fittings are all alike."
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
                "A low value is good news for a team that works alike, and it also means that comparing single clinicians tells little. A point beyond a limit is an invitation to look together at cases, coupling and method. It is no verdict: with many clinicians some lie beyond a limit by chance, and these figures take no account of who was fitted. The column \"Adjusted\" of the table does, by the mean of fittings of the same grade, coupling and experience, and even that is never the whole case mix."
            }
        }
    }
}

fn icc(table: &Table, row: usize) -> String {
    let measure = words::of_value(table.text_at("measure", row).unwrap_or("measure"));
    let Some(value) = table.real_at("estimate", row) else {
        return format!("{measure}: not estimable.");
    };
    let share = |value: f64| cells::write(value, cells::Unit::Share, None);
    let interval = match (table.real_at("lo", row), table.real_at("hi", row)) {
        (Some(lo), Some(hi)) => format!("95 % interval {} to {}", share(lo), share(hi)),
        _ => "no interval".to_owned(),
    };
    format!(
        "{measure}: {} of the variation goes with the clinician ({interval}); the rest is between fittings of the same clinician.",
        share(value)
    )
}
