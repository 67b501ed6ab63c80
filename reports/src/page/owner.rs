//! The owner's page: the first page, where to look, what to look at again, and the rest.

use fitcohort_queries::review::Review;
use fitcohort_queries::table::Table;
use maud::{Markup, html};

use super::number::estimate;
use super::{figure_box, figures_section, owner_drivers, owner_first, owner_recheck};
use crate::drawing::sheet::Figure;
use crate::drawing::text::clean;
use crate::figures::{FIRST_PAGE, MEASURES, Signal, is_on_first_page};
use crate::words;

/// At most so many clinics are named one by one.
const CLINICS: usize = 20;
/// Figures with a section of their own.
const PLACED: [&str; 2] = ["drivers-of-change", "referral-audit"];

/// All of the page but what every reader's page ends with, in the order of use; `heading` is the page's title with what
/// belongs to it, `contents` the list of what follows.
pub(super) fn body(
    review: &Review,
    figures: &[Figure],
    heading: &Markup,
    contents: &Markup,
) -> Markup {
    let rest: Vec<&Figure> = figures
        .iter()
        .filter(|figure| !is_on_first_page(figure) && !PLACED.contains(&figure.key))
        .collect();
    let placed = |key: &str| {
        let found = figures.iter().find(|figure| figure.key == key);
        html! { @if let Some(figure) = found { div.alone { (figure_box(figure)) } } }
    };
    html! {
        (owner_first::section(review, figures, heading))
        (contents)
        section aria-labelledby="look" {
            h2 #look { "Where to look" }
            (clinics(review))
            (owner_drivers::part(review))
            (placed("drivers-of-change"))
        }
        (owner_recheck::section(review))
        section aria-labelledby="referral" {
            h2 #referral { "Referral audit" }
            (referrals(review))
            (placed("referral-audit"))
        }
        (figures_section(&rest))
        (more(review))
    }
}

/// The clinics beyond the limits of one of the measures that are looked at.
fn clinics(review: &Review) -> Markup {
    let table = review.table("clinics");
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
        } @else if outside.is_empty() && (0..table.rows()).all(|row| table.real_at("limit_low", row).is_none()) {
            p { "Whether a clinic lies beyond limits cannot be said this quarter: there are none that can be estimated or shown." }
        } @else if outside.is_empty() {
            p { "Where limits can be estimated and shown, no clinic lies beyond its 99.8 % limits this quarter in fittings within criterion, fittings verified, two-ear fitting or mean RMS deviation." }
        } @else {
            p { "Beyond the 99.8 % limits for a clinic of its size this quarter. An invitation to look together at cases and method, not a verdict; with many fittings in few clinics small differences are called out too:" }
            ul {
                @for row in outside.iter().take(CLINICS) {
                    li { (clinic(table, *row)) }
                }
            }
            @if outside.len() > CLINICS {
                p { "The others are in the table of clinics." }
            }
        }
    }
}

/// "clinic-03: fittings within criterion 24 % (95 % interval 13 % to 39 %; n = 38), below its limits."
fn clinic(table: &Table, row: usize) -> Markup {
    let what = match table.text_at("measure", row) {
        Some("within_criterion") => "fittings within criterion",
        Some("verified") => "fittings verified",
        Some("two_ear") => "candidates fitted in both ears",
        _ => "mean RMS deviation",
    };
    let is_rms = table.text_at("measure", row) == Some("rms");
    let side = match Signal::at(table, row) {
        Signal::Low if is_rms => "closer to target than its limits",
        Signal::Low => "below its limits",
        _ if is_rms => "further from target than its limits",
        _ => "above its limits",
    };
    html! {
        (clean(table.text_at("clinic_id", row).unwrap_or("no clinic"))) ": " (what) " "
        (estimate("clinics", table, row, ["observed", "lo", "hi"], "n"))
        ", " (side) "."
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
        @if review.table("referral_list").rows() > 0 {
            p {
                "The list " a href="tables/referral_list.csv" { "tables/referral_list.csv" }
                " names the fittings of this quarter that meet the rule " (rule) (words)
                " with no referral recorded. It holds single records: keep it in the practice."
            }
        } @else {
            p {
                "The list is empty for the rule " (rule) (words)
                ": either no fitting of this quarter meets it without a recorded referral, or too few thresholds are known to evaluate it."
            }
        }
        p { "A rule that is met asks for a clinician's look and is no diagnosis. \"No referral recorded\" is not \"not referred\"." }
    }
}

/// The headline numbers that are not on the first page, the second criterion, and published rates for context.
fn more(review: &Review) -> Markup {
    let table = review.table("headline");
    let rows: Vec<usize> = (0..table.rows())
        .filter(|row| {
            let measure = table.text_at("measure", *row).unwrap_or_default();
            FIRST_PAGE.iter().all(|(known, _, _)| *known != measure)
        })
        .collect();
    html! {
        section aria-labelledby="more" {
            h2 #more { "More numbers" }
            @if !rows.is_empty() {
                (super::headline::list(table, rows, false))
            }
            (super::headline::second(review))
            h3 { "For context: published hit rates" }
            p {
                "These are no limits, and criteria and wearers differ from this cohort's. Of 51 open fittings 36 were outside ±10 dB of target at first and 9 after adjustment (Aazh, Moore & Prasher 2012). In a service audit of 46 published in 2020, 22 % met their criterion at first and 74 % after adjustment. Of 195 children 55 % had an ear with an RMS deviation above 5 dB (McCreery, Bentler & Roush 2013)."
            }
        }
    }
}
