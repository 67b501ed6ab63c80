//! Every estimate of how match and satisfaction go together, with its interval; the primary first.

use fitcohort_queries::review::Review;
use fitcohort_queries::table::Table;

use super::forest::{self, Estimate};
use super::{Drawn, count_range};
use crate::drawing::scale::{Scale, Unit};
use crate::drawing::sheet::{Words, missing};
use crate::words;

const KEY: &str = "association";

/// Rank correlations in one panel, coefficients of ordinal models in another.
pub(super) fn figure(review: &Review) -> Drawn {
    let primary = words::primary_row(review);
    let mut all = read(review.table("association"), Some(primary));
    all.extend(read(review.table("association_secondary"), None));
    // The primary leads, as title and as first row.
    all.sort_by_key(|(estimate, _)| !estimate.primary);
    let Some(title) = all
        .first()
        .map(|(first, _)| sentence(first, &review.context.exposure))
    else {
        return missing(
            KEY,
            "No association can be shown",
            "Too few fittings have both a complete headline curve and an answer on satisfaction.",
        );
    };
    let of_kind = |wanted: bool| -> Vec<&Estimate> {
        all.iter()
            .filter(|(_, rank)| *rank == wanted)
            .map(|(estimate, _)| estimate)
            .collect()
    };
    let n = count_range(all.iter().filter_map(|(estimate, _)| estimate.n))
        .map_or_else(String::new, |n| {
            format!(" Fittings per estimate: n\u{a0}=\u{a0}{n}.")
        });
    let note = format!(
        "Diamond: primary analysis, fixed in the plan before any number is looked at; dots: other analyses; bars: \
         95 % intervals. Left of 0: a greater value of what the row names goes with a lower answer.{}{}{n}",
        directions(review.table("association_secondary")),
        fewer(review.table("association"))
    );
    let words = Words {
        key: KEY,
        description: format!(
            "{title}. {note} The values are in tables/association.csv and tables/association_secondary.csv."
        ),
        title,
        note,
        source:
            "An association is not a cause. How each interval was made is in the table. Holm's \
                 method corrects only the p-values of the further measures of match."
                .to_owned(),
    };
    let drawn: Vec<(Vec<&Estimate>, Scale, &str)> = [
        (of_kind(true), "Rank correlation"),
        (of_kind(false), "Coefficient of the ordinal model, log odds"),
    ]
    .into_iter()
    .filter(|(estimates, _)| !estimates.is_empty())
    .map(|(estimates, title)| {
        let values = estimates.iter().flat_map(|one| one.values()).chain([0.0]);
        let scale = Scale::around(values, Unit::Plain, 4);
        (estimates, scale, title)
    })
    .collect();
    forest::figure(&words, &drawn, 0.0)
}

/// The estimates of a table, each with whether it is a rank correlation; of the secondary ones where no primary is looked
/// for.
fn read(table: &Table, primary: Option<Option<usize>>) -> Vec<(Estimate, bool)> {
    let secondary = primary.is_none();
    (0..table.rows())
        .filter_map(|row| {
            let method = table.text_at("method", row).unwrap_or("");
            let mut label = words::of_value(method).to_owned();
            if secondary {
                let exposure = words::of_value(table.text_at("exposure", row).unwrap_or(""));
                // Both names in full are too long for the label; the table has them.
                let short = match method {
                    "spearman" => "rho",
                    "kendall" => "tau-b",
                    _ => label.as_str(),
                };
                label = format!("{exposure}, {short}");
            }
            if table.flag_at("weighted", row) == Some(true) {
                // In full it would be cut; the row above it has the name in full.
                label = match method {
                    "spearman" => "rho, weighted".to_owned(),
                    "kendall" => "tau-b, weighted".to_owned(),
                    "ordinal_within" => "within, weighted".to_owned(),
                    "ordinal_between" => "between, weighted".to_owned(),
                    _ => format!("{label}, weighted"),
                };
            }
            let estimate = Estimate {
                label,
                value: table.real_at("estimate", row)?,
                lo: table.real_at("lo", row),
                hi: table.real_at("hi", row),
                n: table.integer_at("n", row),
                primary: primary.flatten() == Some(row),
            };
            Some((estimate, !method.starts_with("ordinal")))
        })
        .collect()
}

/// Which way the secondary measures of match point: not all grow as the match gets worse.
fn directions(table: &Table) -> String {
    let has = |exposures: &[&str]| {
        (0..table.rows()).any(|row| {
            table
                .text_at("exposure", row)
                .is_some_and(|exposure| exposures.contains(&exposure))
        })
    };
    let mut out = String::new();
    if has(&["share_within"]) {
        out.push_str(" Share within, right of 0: more within goes with a higher answer.");
    }
    if has(&["signed", "high_frequency"]) {
        out.push_str(
            " Mean and 3–6 kHz deviation are signed, right of 0: less shortfall from target, or more \
             excess, goes with a higher answer.",
        );
    }
    out
}

/// Says where weighted rows are not of the same fittings as the rows they stand beside.
fn fewer(table: &Table) -> &'static str {
    let n = |weighted: bool| {
        (0..table.rows())
            .filter(move |row| (table.flag_at("weighted", *row) == Some(true)) == weighted)
            .filter_map(move |row| table.integer_at("n", row))
    };
    match (n(true).min(), n(false).max()) {
        (Some(least), Some(most)) if least < most => {
            " Weighted, partial and model rows are of fewer fittings: those for which every covariate is known."
        }
        _ => "",
    }
}

fn sentence(estimate: &Estimate, exposure: &str) -> String {
    // The rows of secondary analyses name their measure of match themselves.
    let what = if estimate.primary {
        format!("Satisfaction and {}", words::of_value(exposure))
    } else {
        "Satisfaction".to_owned()
    };
    format!("{what}: {} {}", estimate.label, estimate.sentence())
}
