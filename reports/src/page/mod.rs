//! The page of a reader: one file, no script, nothing from the network.

mod cautions;
mod headline;
mod number;
mod owner;
mod quality;
mod researcher;
mod tables;
mod trainer;

use fitcohort_queries::review::{Reader, Review};
use maud::{DOCTYPE, Markup, PreEscaped, html};

use crate::drawing::sheet::Figure;
use crate::drawing::theme;
use crate::words;

const STYLE: &str = include_str!("style.css");
/// Nothing may be loaded; only the style in the page itself counts.
const POLICY: &str =
    "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'";

/// The whole page.
pub(crate) fn page(review: &Review, figures: &[Figure]) -> String {
    let title = title(review);
    let style = format!(
        ":root{{color-scheme:light dark;{}}}\n@media screen and (prefers-color-scheme:dark){{:root{{{}}}}}\n{STYLE}",
        theme::variables(false),
        theme::variables(true)
    );
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy" content=(POLICY);
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (title) }
                style { (PreEscaped(style)) }
            }
            body {
                a.skip href="#main" { "Skip to the numbers" }
                header {
                    h1 { (title) }
                    p.soft { (subtitle(review)) }
                    @if review.context.invented {
                        p.banner role="note" {
                            "Invented data. Every person, clinician and clinic here is made up; nothing on this page is a finding."
                        }
                    }
                }
                nav aria-label="Contents" {
                    ul {
                        @for (id, name) in contents(review) {
                            li { a href=(format!("#{id}")) { (name) } }
                        }
                    }
                }
                main #main {
                    (headline::section(review))
                    @match review.reader {
                        Reader::Owner => (owner::opening(review)),
                        Reader::Researcher => {},
                        Reader::Trainer => (trainer::opening(review)),
                    }
                    (figures_section(figures))
                    (tables::section(review))
                    (quality::section(review))
                    (cautions::section(review))
                }
                footer { (foot(review)) }
            }
        }
    }
    .into_string()
}

fn title(review: &Review) -> String {
    let quarter = review.context.quarter.as_deref().unwrap_or("no quarter");
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
    let opening = match review.reader {
        Reader::Owner => ("look", "Where to look"),
        Reader::Researcher => ("primary", "Primary analysis"),
        Reader::Trainer => ("variance", "How much goes with the clinician"),
    };
    let mut out = vec![
        ("numbers", "Numbers"),
        opening,
        ("figures", "Figures"),
        ("tables", "Tables"),
        ("quality", "Data quality"),
        ("cautions", "How far this goes"),
    ];
    if review.reader == Reader::Researcher {
        // The primary analysis comes before everything else.
        out.swap(0, 1);
    }
    out
}

fn figures_section(figures: &[Figure]) -> Markup {
    html! {
        section aria-labelledby="figures" {
            h2 #figures { "Figures" }
            div.figures {
                @for figure in figures {
                    div {
                        h3 { (words::of_figure(figure.key)) }
                        figure id=(figure.key) {
                            // A drawing keeps a legible size; where the screen is narrower, it scrolls alone.
                            div.drawing tabindex="0" role="region" aria-label=(words::of_figure(figure.key)) {
                                (PreEscaped(theme::with_variables(&figure.svg)))
                            }
                            figcaption {
                                a href=(format!("figures/{}.svg", figure.key)) { "This figure alone (SVG)" }
                                @for key in &figure.tables {
                                    ", " a href=(format!("tables/{key}.csv")) { "its numbers: " (key) " (CSV)" }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn foot(review: &Review) -> Markup {
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
