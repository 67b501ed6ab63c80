//! The page of a reader: one file, read without its script, nothing from the network.

mod cautions;
mod clinician;
mod headline;
mod number;
mod owner;
mod owner_drivers;
mod owner_first;
mod owner_recheck;
mod quality;
mod researcher;
pub(crate) mod shell;
mod tables;
mod trainer;

use fitcohort_queries::review::{Reader, Review};
use maud::{Markup, PreEscaped, html};

use crate::drawing::sheet::Figure;
use crate::drawing::theme;
use crate::words;

/// What only the owner's page needs, after the style of all.
const OWNER_STYLE: &str = include_str!("owner.css");
/// Between these two the folder that several reports stand in writes its links to the others; see `shelf`.
pub(crate) const LINKS: [&str; 2] = ["<!--other reports-->", "<!--end of other reports-->"];

/// The whole page.
pub(crate) fn page(review: &Review, figures: &[Figure]) -> String {
    let title = title(review);
    let context = &review.context;
    let foot = format!(
        "{title}. fitcohort {}, snapshot {}",
        context.version, context.snapshot
    );
    let all: Vec<&Figure> = figures.iter().collect();
    let opening = opening(review, &title);
    let contents = contents_list(review);
    let body = html! {
        a.skip href="#main" { "Skip to the numbers" }
        // The owner's first page is whole, title and all, so that it fills one sheet.
        @if review.reader != Reader::Owner {
            (opening)
            (contents)
        }
        main #main tabindex="-1" {
            @match review.reader {
                Reader::Owner => {
                    (owner::body(review, figures, &opening, &contents))
                    (tables::section(review))
                },
                Reader::Researcher => (researcher::sections(review, figures)),
                Reader::Trainer if review.context.clinician.is_some() => {
                    (clinician::opening(review))
                    @if !clinician::is_empty(review) {
                        (figures_section(&all))
                        (tables::section(review))
                    }
                },
                Reader::Trainer => {
                    (trainer::opening(review))
                    (headline::section(review))
                    (figures_section(&all))
                    (tables::section(review))
                },
            }
            @if review.reader != Reader::Researcher {
                (quality::section(review))
                (cautions::section(review))
            }
        }
        footer { (foot_section(review)) }
    };
    shell::document(&title, style(review.reader), &foot, &body)
}

/// The style that only one reader's page has.
fn style(reader: Reader) -> &'static str {
    match reader {
        Reader::Owner => OWNER_STYLE,
        Reader::Researcher => researcher::STYLE,
        Reader::Trainer => "",
    }
}

/// Title, span and banner.
fn opening(review: &Review, title: &str) -> Markup {
    html! {
        header {
            h1 { (title) }
            p.soft { (subtitle(review)) }
            @if review.context.invented {
                p.banner role="note" {
                    "Invented data. Every person, clinician and clinic here is made up; nothing on this page is a finding."
                }
            }
        }
    }
}

fn contents_list(review: &Review) -> Markup {
    html! {
        @for mark in LINKS { (PreEscaped(mark)) }
        nav.contents aria-label="Contents" {
            ul {
                @for (id, name) in contents(review) {
                    li { a href=(format!("#{id}")) { (name) } }
                }
            }
        }
    }
}

fn title(review: &Review) -> String {
    let quarter = review.context.quarter.as_deref().unwrap_or("no quarter");
    if let Some(clinician) = &review.context.clinician {
        let clinician = crate::drawing::text::clean(clinician);
        let word = if review.context.letters {
            "Clinician "
        } else {
            ""
        };
        return format!("{word}{clinician}, up to {quarter}: a page to look at together");
    }
    match review.reader {
        Reader::Owner if review.context.year_only => format!("Year review, {quarter}"),
        Reader::Owner => format!("Quarter review, {quarter}"),
        Reader::Researcher => {
            format!("Study report: match to target and satisfaction, up to {quarter}")
        }
        Reader::Trainer => format!("Clinicians compared, up to {quarter}"),
    }
}

fn subtitle(review: &Review) -> String {
    let context = &review.context;
    let span = match (&context.first_quarter, &context.last_quarter) {
        (Some(first), Some(last)) if first == last => format!("Fittings of {first}"),
        (Some(first), Some(last)) => format!("Fittings from {first} to {last}"),
        _ => "The cohort holds no fitting".to_owned(),
    };
    format!(
        "{span}. Snapshot {}. Criterion {}: {}.",
        context.snapshot,
        context.criterion,
        context.criterion_text.trim_end_matches('.')
    )
}

fn contents(review: &Review) -> Vec<(&'static str, &'static str)> {
    if review.context.clinician.is_some() {
        return clinician::contents(review);
    }
    let opening = match review.reader {
        Reader::Owner => {
            return vec![
                ("numbers", "Numbers"),
                ("look", "Where to look"),
                ("recheck", "Fittings to look at again"),
                ("referral", "Referral audit"),
                ("figures", "Figures"),
                ("more", "More numbers"),
                ("tables", "Tables"),
                ("quality", "Data quality"),
                ("cautions", "How far this goes"),
            ];
        }
        Reader::Researcher => return researcher::CONTENTS.to_vec(),
        Reader::Trainer => ("variance", "How much goes with the clinician"),
    };
    vec![
        opening,
        ("numbers", "Numbers"),
        ("figures", "Figures"),
        ("tables", "Tables"),
        ("quality", "Data quality"),
        ("cautions", "How far this goes"),
    ]
}

fn figures_section(figures: &[&Figure]) -> Markup {
    html! {
        section aria-labelledby="figures" {
            h2 #figures { "Figures" }
            div.figures {
                @for figure in figures {
                    div {
                        h3 { (words::of_figure(figure.key)) }
                        (figure_box(figure))
                    }
                }
            }
        }
    }
}

fn figure_box(figure: &Figure) -> Markup {
    html! {
        figure id=(figure.key) {
            // A drawing keeps a legible size; where the screen is narrower, it scrolls alone.
            div.drawing tabindex="0" role="region" aria-label=(format!("Figure: {}", words::of_figure(figure.key))) {
                (PreEscaped(theme::with_variables(&figure.svg)))
            }
            figcaption {
                a href=(format!("figures/{}.svg", figure.key)) { "This figure alone (SVG)" }
                @for key in &figure.tables {
                    ", " a href=(format!("tables/{key}.csv")) { "its numbers: " (words::of_table(key)) " (CSV)" }
                }
            }
        }
    }
}

fn foot_section(review: &Review) -> Markup {
    let context = &review.context;
    html! {
        p {
            "fitcohort " (context.version) ", snapshot " (context.snapshot) ", seed " (number::of_context(review, "seed"))
            ". Unrounded numbers: " a href="results.json" { "results.json" }
            "; where they come from: " a href="provenance.json" { "provenance.json" } "."
        }
        details {
            summary { "The plan in force, and the deliveries" }
            pre tabindex="0" { (crate::drawing::text::clean_lines(&context.plan_text)) }
            @if let Some(text) = &context.plan_file {
                p { "The plan file as it was given:" }
                pre tabindex="0" { (crate::drawing::text::clean_lines(text)) }
            } @else {
                p { "No plan file was given: every value is the default." }
            }
            @if context.inputs.is_empty() {
                p { "No delivery is recorded." }
            } @else {
                ul {
                    @for input in &context.inputs {
                        li { "Delivery " (input.delivery) ", hash " code { (input.hash) } }
                    }
                }
            }
        }
    }
}
