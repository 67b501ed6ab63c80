//! The primary estimate above the same done otherwise in one respect at a time.

use fitcohort_queries::review::Review;
use fitcohort_queries::table::Table;

use super::forest::{self, Estimate};
use super::{Drawn, count_range};
use crate::drawing::scale::{Scale, Unit};
use crate::drawing::sheet::{Words, missing};
use crate::words;

const KEY: &str = "sensitivity-forest";

/// A panel for each way in which the exposure points.
pub(super) fn figure(review: &Review) -> Drawn {
    let table = review.table("sensitivity");
    let read = |row: usize| -> Option<(Estimate, String)> {
        let estimate = Estimate {
            label: label(table, row),
            value: table.real_at("estimate", row)?,
            lo: table.real_at("lo", row),
            hi: table.real_at("hi", row),
            n: table.integer_at("n", row),
            primary: table.text_at("analysis", row) == Some("primary"),
        };
        let closer = table.text_at("closer", row).unwrap_or_default().to_owned();
        Some((estimate, closer))
    };
    let all: Vec<(Estimate, String)> = (0..table.rows()).filter_map(read).collect();
    if all.is_empty() {
        return missing(
            KEY,
            "No sensitivity analysis can be shown",
            "Too few fittings have both a measure of match and an answer on satisfaction.",
        );
    }
    let method = words::of_value(&review.context.primary_method);
    let others = all.iter().filter(|(one, _)| !one.primary).count();
    let title = match all.iter().find(|(estimate, _)| estimate.primary) {
        Some((primary, _)) => format!(
            "The primary estimate, {method} {}, beside {others} made otherwise",
            primary.sentence()
        ),
        None => format!("The primary estimate cannot be made; {others} others can"),
    };
    let n = count_range(all.iter().filter_map(|(estimate, _)| estimate.n))
        .map_or_else(String::new, |n| {
            format!(" Fittings per estimate: n\u{a0}=\u{a0}{n}.")
        });
    let note = format!(
        "Diamond: primary analysis; dots: the same with one thing changed; bars: 95 % intervals. A measure that grows \
         as the match gets closer has a panel of its own, since its sign is the other way round.{n}"
    );
    let words = Words {
        key: KEY,
        description: format!("{title}. {note} The values are in tables/sensitivity.csv."),
        title,
        note,
        source: "The rows share most of their fittings, so their agreement is no repeat of the study. They are read \
                 beside the primary analysis and not tested."
            .to_owned(),
    };
    // Correlations share one scale; coefficients have the unit of their exposure.
    let is_rank = !review.context.primary_method.starts_with("ordinal");
    let drawn: Vec<(Vec<&Estimate>, Scale, &str)> = [
        (
            "below",
            "Left of 0: a closer match goes with a higher answer",
        ),
        (
            "above",
            "Right of 0: a closer match goes with a higher answer",
        ),
        (
            "signed",
            "Right of 0: less shortfall, or more excess, with a higher answer",
        ),
    ]
    .into_iter()
    .map(|(closer, title)| {
        let of_panel: Vec<&Estimate> = all
            .iter()
            .filter(|(_, found)| found == closer)
            .map(|(estimate, _)| estimate)
            .collect();
        (of_panel, title)
    })
    .filter(|(estimates, _)| !estimates.is_empty())
    .map(|(estimates, title)| {
        let values: Vec<f64> = if is_rank {
            all.iter().flat_map(|(one, _)| one.values()).collect()
        } else {
            estimates.iter().flat_map(|one| one.values()).collect()
        };
        let scale = Scale::around(values.into_iter().chain([0.0]), Unit::Plain, 4);
        (estimates, scale, title)
    })
    .collect();
    forest::figure(&words, &drawn, 0.0)
}

/// What was changed.
fn label(table: &Table, row: usize) -> String {
    let text = |name| table.text_at(name, row).unwrap_or_default();
    match text("analysis") {
        "primary" => "primary analysis".to_owned(),
        "weighting" if table.flag_at("weighted", row) == Some(true) => "weighted".to_owned(),
        "weighting" => "not weighted".to_owned(),
        "input_band" => format!("{} input level", text("input_band")),
        "unit" if text("unit_of_analysis") == "fitting" => "every fitting".to_owned(),
        "unit" => "latest fitting only".to_owned(),
        "no_exclusions" => "nobody left out".to_owned(),
        _ => words::of_value(text("exposure")).to_owned(),
    }
}
