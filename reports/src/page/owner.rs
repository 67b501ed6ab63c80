//! What only the owner's page has: where to look.

use fitcohort_queries::review::Review;
use fitcohort_queries::table::Table;
use maud::{Markup, html};

use super::number::estimate;
use crate::drawing::text::clean;
use crate::figures::{MEASURES, Signal};
use crate::words;

/// At most so many clinics are named one by one.
const CLINICS: usize = 20;

/// The section after the numbers.
pub(super) fn opening(review: &Review) -> Markup {
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
                p { "More of them stand in the table of clinics." }
            }
        }
    }
}

/// "clinic-03: fittings within criterion 24 % (95 % interval 13 % to 39 %, n = 38), below its limits."
fn clinic(table: &Table, row: usize) -> Markup {
    let key = "clinics";
    let what = match table.text_at("measure", row) {
        Some("within_criterion") => "fittings within criterion",
        Some("verified") => "fittings verified",
        Some("two_ear") => "candidates fitted in both ears",
        _ => "mean RMS deviation",
    };
    let side = match Signal::at(table, row) {
        Signal::Low => "below",
        _ => "above",
    };
    html! {
        (clean(table.text_at("clinic_id", row).unwrap_or("no clinic"))) ": " (what) " "
        (estimate(key, table, row, ["observed", "lo", "hi"], "n")) ", " (side) " its limits."
    }
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
