//! The referral audit: fittings that meet a rule, by what is recorded about a medical referral.

use fitcohort_queries::review::Review;
use fitcohort_queries::table::Table;

use super::Drawn;
use crate::drawing::canvas::{Area, Hang, Lettering};
use crate::drawing::rows::{Row, height, row_chart};
use crate::drawing::scale::{Scale, Unit};
use crate::drawing::sheet::{Words, missing, sheet};
use crate::drawing::theme::{GAP, Ink, LABEL, LINE};
use crate::{format, words};

const KEY: &str = "referral-audit";
const PITCH: f64 = 24.0;
/// More rules than this are left to the table.
const RULES: usize = 8;

/// What can stand in the column, in the order drawn, in words, and whether it asks for a look.
const ANSWERS: [(&str, &str, bool); 5] = [
    ("completed", "completed", false),
    ("advised", "advised", false),
    ("none", "recorded as none", true),
    ("unknown", "nothing recorded", true),
    ("cannot be evaluated", "not evaluable", false),
];

/// Bars from nought, a group for each rule.
pub(super) fn figure(review: &Review) -> Drawn {
    let table = review.table("referrals");
    let counted = table.filtered(|table, row| table.integer_at("n_fittings", row).is_some());
    if counted.rows() == 0 {
        return missing(
            KEY,
            "No referral audit can be shown",
            "No fitting meets a referral rule, or every count is withheld.",
        );
    }
    if (0..counted.rows()).all(|row| counted.integer_at("n_fittings", row) == Some(0)) {
        // Where something is withheld, nought is only what is left to show.
        return if counted.rows() == table.rows() {
            missing(
                KEY,
                "No fitting of this quarter meets a referral rule",
                "Every count in tables/referrals.csv is nought.",
            )
        } else {
            missing(
                KEY,
                "The referral audit of this quarter cannot be drawn",
                "Every count in tables/referrals.csv is nought or withheld.",
            )
        };
    }
    let mut rules: Vec<String> = Vec::new();
    for row in 0..table.rows() {
        if let Some(rule) = table.text_at("rule", row)
            && !rules.iter().any(|known| known == rule)
        {
            rules.push(rule.to_owned());
        }
    }
    // The rule in force comes first; the others keep the order of the table.
    let in_force = &review.context.referral_rule;
    rules.sort_by_key(|rule| rule != in_force);
    let shown: Vec<&String> = rules.iter().take(RULES).collect();
    let first = shown.first().map_or("", |rule| rule.as_str());
    let title = title(table, first);
    let words = words::of_rule(review.table("referral_rules"), first)
        .map_or_else(String::new, |words| {
            format!(" Rule {first}: {}.", words.trim_end_matches('.'))
        });
    let left_out = rules.len() - shown.len();
    let more = if left_out > 0 {
        format!(" {left_out} more rules are in the table.")
    } else {
        String::new()
    };
    let note = format!(
        "Fittings of the quarter under review that meet each rule, by the medical referral recorded. \
         Not evaluable: a threshold is missing. Outlined bars ask for a clinician's look; \"none\" or \
         nothing recorded is not the same as not referred.{words}{more}"
    );
    let words = Words {
        key: KEY,
        description: format!("{title}. {note} The values are in tables/referrals.csv."),
        title,
        note,
        source: "A rule that is met asks for a clinician's look; it is no diagnosis. The rules and their \
                 sources are in tables/referral_rules.csv."
            .to_owned(),
    };
    let groups: Vec<Vec<Option<(i64, usize)>>> =
        shown.iter().map(|rule| bars(table, rule)).collect();
    let most = groups
        .iter()
        .flatten()
        .flatten()
        .map(|(n, _)| *n)
        .max()
        .unwrap_or(0);
    let scale = Scale::around([0.0, most as f64], Unit::Count, 5);
    let rows = rows(&shown);
    let high = height(rows.len(), PITCH);
    sheet(&words, high, |canvas, area| {
        let axis = (scale, "Number of fittings");
        let plot = row_chart(canvas, area, &rows, PITCH, axis);
        let mut row = 0;
        for (rule, group) in shown.iter().zip(&groups) {
            let at = (plot.area.left + GAP, plot.y(row) + LABEL * 0.45);
            let name = format!("Rule {rule}");
            let name = crate::drawing::text::shorten(&name, LABEL, plot.area.width() - GAP * 2.0);
            let heading = Lettering::new(&name, at, Hang::Right, LABEL, Ink::Text);
            canvas.write(heading.backed());
            row += 1;
            for (answer, bar) in ANSWERS.iter().zip(group) {
                let y = plot.y(row);
                row += 1;
                let label = match bar {
                    Some((n, _)) => format::count(*n),
                    None => "withheld".to_owned(),
                };
                let value = bar.map_or(0.0, |(n, _)| n as f64);
                let bar = Area {
                    left: plot.area.left,
                    top: y - PITCH * 0.32,
                    right: plot.x(value),
                    bottom: y + PITCH * 0.32,
                };
                canvas.rectangle(bar, if answer.2 { Ink::Box } else { Ink::Grid });
                if answer.2 && value > 0.0 {
                    let edge = [
                        (bar.left, bar.top),
                        (bar.right, bar.top),
                        (bar.right, bar.bottom),
                        (bar.left, bar.bottom),
                        (bar.left, bar.top),
                    ];
                    canvas.line(&edge, Ink::Data, LINE);
                }
                // The number stands behind the bar, or inside where there is no room behind.
                let wide = crate::drawing::text::width(&label, LABEL, false);
                let (at, hang) = if bar.right + GAP + wide <= area.right {
                    (bar.right + GAP, Hang::Right)
                } else {
                    (bar.right - GAP, Hang::Left)
                };
                let at = (at, y + LABEL * 0.35);
                canvas.write(Lettering::new(&label, at, hang, LABEL, Ink::Text));
            }
        }
    })
}

fn rows(rules: &[&String]) -> Vec<Row> {
    let row = |label: &str| Row {
        label: label.to_owned(),
        right: String::new(),
        called_out: true,
    };
    rules
        .iter()
        .flat_map(|_| std::iter::once(row("")).chain(ANSWERS.iter().map(|answer| row(answer.1))))
        .collect()
}

/// The counts of one rule in the order of the answers, with their rows.
fn bars(table: &Table, rule: &str) -> Vec<Option<(i64, usize)>> {
    ANSWERS
        .iter()
        .map(|(answer, _, _)| {
            (0..table.rows())
                .find(|row| {
                    table.text_at("rule", *row) == Some(rule)
                        && table.text_at("medical_referral", *row) == Some(answer)
                })
                .and_then(|row| Some((table.integer_at("n_fittings", row)?, row)))
        })
        .collect()
}

fn title(table: &Table, rule: &str) -> String {
    let counts = bars(table, rule);
    let words = |place: usize, what: &str| -> Option<String> {
        let (n, _) = (*counts.get(place)?)?;
        Some(format!("{} {what}", format::count(n)))
    };
    let parts: Vec<String> = [
        words(2, "with a referral recorded as none"),
        words(3, "with nothing recorded"),
    ]
    .into_iter()
    .flatten()
    .collect();
    if parts.is_empty() {
        format!("Fittings that meet rule {rule}, by the referral recorded")
    } else {
        format!("Fittings that meet rule {rule}: {}", parts.join(", "))
    }
}
