//! Odds ratios of the ordinal models with their intervals, on a logarithmic axis.

use fitcohort_queries::review::Review;
use fitcohort_queries::table::Table;

use super::forest::{self, Estimate};
use super::{Drawn, count_range};
use crate::drawing::scale::Scale;
use crate::drawing::sheet::{Words, missing};
use crate::{format, words};

const KEY: &str = "models-forest";
/// More covariates than these are left to the table.
const COVARIATES: usize = 16;

/// The exposure in each model in one panel, the covariates in another.
pub(super) fn figure(review: &Review) -> Drawn {
    let table = review.table("model");
    let exposure = review.context.exposure.as_str();
    let primary_is = |row: usize| {
        let model = if review.context.primary_weighted {
            "weighted"
        } else {
            "adjusted"
        };
        review.context.primary_method == "ordinal" && table.text_at("model", row) == Some(model)
    };
    let read = |row: usize| -> Option<(Estimate, bool)> {
        let term = table.text_at("term", row)?;
        let of_exposure = term == exposure || table.text_at("model", row) != Some("adjusted");
        let estimate = Estimate {
            label: label(table, row, term),
            value: table.real_at("odds_ratio", row)?,
            lo: table.real_at("odds_ratio_lo", row),
            hi: table.real_at("odds_ratio_hi", row),
            n: table.integer_at("n", row),
            primary: of_exposure && primary_is(row),
        };
        Some((estimate, of_exposure))
    };
    let all: Vec<(Estimate, bool)> = (0..table.rows()).filter_map(read).collect();
    let Some((first, _)) = all.iter().find(|(_, of_exposure)| *of_exposure) else {
        return missing(
            KEY,
            "No ordinal model can be shown",
            "Too few fittings have an answer on satisfaction, or a covariate is not known for too many.",
        );
    };
    let unit = match exposure {
        "share_within" => "per 10 % of points",
        _ => "per dB",
    };
    let title = format!(
        "Odds of a higher answer with {}, {unit}: odds ratio {}",
        first.label,
        first.sentence()
    );
    let of_exposure = format!("Odds ratio of the exposure, {unit}, log axis");
    let of = |wanted: bool| -> Vec<&Estimate> {
        all.iter()
            .filter(|(_, of_exposure)| *of_exposure == wanted)
            .map(|(estimate, _)| estimate)
            .collect()
    };
    let (exposures, mut covariates) = (of(true), of(false));
    let more = covariates.len().saturating_sub(COVARIATES);
    covariates.truncate(COVARIATES);
    let more = match more {
        0 => String::new(),
        more => format!(" Not drawn: {more} further groups, which the table has."),
    };
    let n = count_range(all.iter().filter_map(|(estimate, _)| estimate.n))
        .map_or_else(String::new, |n| {
            format!(" Fittings per model: n\u{a0}=\u{a0}{n}.")
        });
    let diamond = if all.iter().any(|(estimate, _)| estimate.primary) {
        " Diamond: primary analysis."
    } else {
        ""
    };
    let note = format!(
        "Dot: odds ratio of a higher answer; bar: its 95 % interval; upright line: no difference. Above, the \
         exposure: adjusted, split into the difference within and between clinicians, and weighted for answers that \
         did not come back; below, the covariates (hearing loss: pure-tone average of the \
         better ear).{diamond}{more}{n}"
    );
    let words = Words {
        key: KEY,
        description: format!("{title}. {note} The values are in tables/model.csv."),
        title,
        note,
        source: "Proportional odds (McCullagh 1980), errors robust to clusters. A coefficient of a covariate is there \
                 to adjust, and is not to be read as an effect. An association is not a cause."
            .to_owned(),
    };
    let drawn: Vec<(Vec<&Estimate>, Scale, &str)> = [
        (exposures, of_exposure.as_str()),
        (covariates, "Odds ratio of a covariate, log axis"),
    ]
    .into_iter()
    .filter(|(estimates, _)| !estimates.is_empty())
    .map(|(estimates, title)| {
        let scale = Scale::ratios(estimates.iter().flat_map(|one| one.values()));
        (estimates, scale, title)
    })
    .collect();
    forest::figure(&words, &drawn, 1.0)
}

/// "within clinicians", "age, per 10 years", "coupling vented"; the unit of the exposure stands on its axis.
fn label(table: &Table, row: usize, term: &str) -> String {
    let per = table
        .real_at("per", row)
        .map_or_else(String::new, format::plain);
    match (table.text_at("model", row), term) {
        (Some("weighted"), _) => "weighted".to_owned(),
        (_, "age_years") => format!("age, per {per} years"),
        (_, "pta4") => format!("hearing loss, per {per} dB"),
        (_, other) => words::of_value(other).to_owned(),
    }
}
