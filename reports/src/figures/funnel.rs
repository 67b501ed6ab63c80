//! Funnel of clinicians: share within criterion against caseload, with limits.

use fitcohort_queries::review::Review;
use fitcohort_queries::table::Table;

use super::trend::Signal;
use super::{Drawn, JUDGED, count_range, criterion_source};
use crate::drawing::axes::{Plot, Room, frame};
use crate::drawing::canvas::{Area, Canvas, Hang, Lettering, Place};
use crate::drawing::labels::{beside_or_joined, spread};
use crate::drawing::measures::Axis;
use crate::drawing::rows::{thin, thin_note};
use crate::drawing::scale::{Scale, Unit};
use crate::drawing::sheet::{Words, missing, sheet};
use crate::drawing::text::{shorten, width};
use crate::drawing::theme::{GAP, HAIR, Ink, LABEL, LABEL_STEP, LINE, POINT};
use crate::format;

const KEY: &str = "funnel";
const MEASURE: &str = "within_criterion";
/// Up to how many clinicians all carry their id.
const ALL_NAMED: usize = 12;
/// At most so many clinicians are drawn, so that the file stays small.
const POINTS: usize = 1500;
/// Distance of the places by which a line is known to labels, px.
const NEAR: f64 = 3.0;
/// At most so many ids are written into the plot.
const NAMED: usize = 24;

struct Clinician {
    id: String,
    n: f64,
    value: f64,
    signal: Signal,
}

/// Points with limits that narrow as the caseload grows.
pub(super) fn figure(review: &Review) -> Drawn {
    let clinicians = read(&review.table("clinicians").where_text("measure", MEASURE));
    let in_all = clinicians.len();
    let clinicians = thin(clinicians, POINTS, |clinician| {
        clinician.signal != Signal::None
    });
    if clinicians.is_empty() {
        return missing(
            KEY,
            "The funnel of clinicians cannot be shown",
            "No clinician has enough fittings judged by the criterion for a share within it.",
        );
    }
    if in_all == 1 {
        return missing(
            KEY,
            "The funnel of clinicians compares nobody: there is one",
            "A funnel holds clinicians against all of them together; one alone would be held against itself.",
        );
    }
    let grid = review.table("funnel").where_text("measure", MEASURE);
    let outside = clinicians
        .iter()
        .filter(|clinician| clinician.signal != Signal::None)
        .count();
    let all = in_all;
    let limits = "the 99.8 % limits of the share within criterion";
    let title = match (outside, all) {
        (0, _) => format!("None of {all} clinicians lies beyond {limits}"),
        (1, _) => format!("1 of {all} clinicians lies beyond {limits}: worth a look"),
        _ => format!("{outside} of {all} clinicians lie beyond {limits}: worth a look"),
    };
    let n = count_range(clinicians.iter().map(|clinician| clinician.n as i64));
    let ids = if all > ALL_NAMED {
        " Only those beyond the limits carry their id where there is room; the table has all."
    } else {
        ""
    };
    let note = format!(
        "Dot: a clinician inside the 99.8 % limits; triangle: beyond them. Fittings judged per clinician: \
         n\u{a0}=\u{a0}{}. {JUDGED}{ids}{}",
        n.unwrap_or_default(),
        thin_note(in_all, POINTS)
    );
    let words = Words {
        key: KEY,
        description: format!(
            "{title}. {note} The values are in tables/clinicians.csv and tables/funnel.csv."
        ),
        title,
        note,
        source: format!(
            "Limits: exact binomial, with allowance for over-dispersion where there are ten or more clinicians \
             (Spiegelhalter 2005); with fewer than ten, no allowance is made. {}",
            criterion_source(review)
        ),
    };
    sheet(&words, 380.0, |canvas, area| {
        let names = ["centre", "lower_95", "upper_95", "lower_998", "upper_998"];
        let edges = (0..grid.rows())
            .flat_map(|row| names.map(|name| grid.real_at(name, row)))
            .flatten();
        let y = Scale::of(
            Axis::Share,
            clinicians
                .iter()
                .map(|clinician| clinician.value)
                .chain(edges),
        );
        // A little air keeps the largest caseload off the frame.
        let across = clinicians
            .iter()
            .map(|clinician| clinician.n * 1.04)
            .chain([0.0]);
        let x = Scale::around(across, Unit::Count, 6);
        let ends = ends(&grid, x.hi());
        let right = ends
            .iter()
            .map(|(_, text)| width(text, LABEL, false))
            .fold(0.0, f64::max);
        let room = Room {
            right: right + GAP * 2.0,
            under: 0.0,
        };
        let plot = frame(
            canvas,
            area,
            (x, "Fittings of the clinician judged by the criterion, n"),
            (y, "Share of fittings judged that are within criterion"),
            room,
        );
        let limits = draw_limits(canvas, &plot, &grid);
        name_ends(canvas, &plot, ends);
        points(canvas, &plot, &clinicians, &limits);
    })
}

fn read(table: &Table) -> Vec<Clinician> {
    let mut out: Vec<Clinician> = (0..table.rows())
        .filter_map(|row| {
            Some(Clinician {
                id: table.text_at("clinician_id", row)?.to_owned(),
                n: table.real_at("n", row)?,
                value: table.real_at("observed", row)?,
                signal: Signal::at(table, row),
            })
        })
        .collect();
    out.sort_by(|one, other| one.n.total_cmp(&other.n).then(one.id.cmp(&other.id)));
    out
}

/// Draws the limits; gives back places on their lines, close enough to keep labels off them.
fn draw_limits(canvas: &mut Canvas, plot: &Plot, grid: &Table) -> Vec<Place> {
    let line = |name: &str| -> Vec<(f64, f64)> {
        (0..grid.rows())
            .filter_map(|row| Some((grid.real_at("n", row)?, grid.real_at(name, row)?)))
            // A scale holds what is beyond its end at the end: leave it out instead.
            .filter(|(n, _)| *n <= plot.x_end())
            .map(|(n, value)| plot.at(n, value))
            .collect()
    };
    let (upper, lower) = (line("upper_998"), line("lower_998"));
    let mut band = upper.clone();
    band.extend(lower.iter().rev());
    canvas.polygon(band, Ink::Band);
    let mut on_lines = Vec::new();
    for (places, wide) in [
        (upper, LINE),
        (lower, LINE),
        (line("upper_95"), HAIR),
        (line("lower_95"), HAIR),
        (line("centre"), LINE),
    ] {
        canvas.line(&places, Ink::Soft, wide);
        for (from, to) in places.iter().zip(places.iter().skip(1)) {
            let steps = ((to.0 - from.0).abs().max((to.1 - from.1).abs()) / NEAR).ceil();
            let mut step = 0.0;
            while step < steps {
                let share = step / steps;
                let (across, down) = (to.0 - from.0, to.1 - from.1);
                on_lines.push((from.0 + across * share, from.1 + down * share));
                step += 1.0;
            }
        }
    }
    on_lines
}

/// The ends of the lines at the right, highest first.
fn ends(grid: &Table, most: f64) -> Vec<(f64, String)> {
    let Some(row) =
        (0..grid.rows()).rfind(|row| grid.real_at("n", *row).is_some_and(|n| n <= most))
    else {
        return Vec::new();
    };
    let mut out: Vec<(f64, String)> = [
        ("upper_998", "99.8 %".to_owned()),
        ("upper_95", "95 %".to_owned()),
        ("centre", "centre".to_owned()),
        ("lower_95", "95 %".to_owned()),
        ("lower_998", "99.8 %".to_owned()),
    ]
    .into_iter()
    .filter_map(|(name, text)| Some((grid.real_at(name, row)?, text)))
    .collect();
    out.sort_by(|one, other| other.0.total_cmp(&one.0));
    out
}

fn name_ends(canvas: &mut Canvas, plot: &Plot, ends: Vec<(f64, String)>) {
    let levels: Vec<f64> = ends.iter().map(|(value, _)| plot.y(*value)).collect();
    let moved = spread(&levels, LABEL_STEP, plot.area.top, plot.area.bottom);
    for ((_, text), level) in ends.into_iter().zip(moved) {
        let at = (plot.area.right + GAP, level + LABEL * 0.35);
        canvas.write(Lettering::new(&text, at, Hang::Right, LABEL, Ink::Soft));
    }
}

fn points(canvas: &mut Canvas, plot: &Plot, clinicians: &[Clinician], limits: &[Place]) {
    let places: Vec<_> = clinicians
        .iter()
        .map(|clinician| plot.at(clinician.n, clinician.value))
        .collect();
    let radius = if clinicians.len() > 60 {
        POINT * 0.7
    } else {
        POINT
    };
    for (clinician, at) in clinicians.iter().zip(&places) {
        if clinician.signal == Signal::None {
            canvas.disc(*at, radius, Ink::Data);
        }
    }
    for (clinician, at) in clinicians.iter().zip(&places) {
        if clinician.signal != Signal::None {
            let up = clinician.signal == Signal::High;
            canvas.triangle(*at, POINT * 1.7, up, Ink::Signal);
        }
    }
    let within = Area {
        right: plot.area.right - GAP,
        ..plot.area
    };
    let all = clinicians.len() <= ALL_NAMED;
    let few = clinicians
        .iter()
        .filter(|clinician| clinician.signal != Signal::None)
        .count()
        <= 4;
    let clear: Vec<Place> = places.iter().chain(limits).copied().collect();
    let mut written = 0;
    for beyond in [true, false] {
        for (clinician, at) in clinicians.iter().zip(&places) {
            let signals = clinician.signal != Signal::None;
            if signals != beyond || (!signals && !all) || written >= NAMED {
                continue;
            }
            let id = shorten(&clinician.id, LABEL, 130.0);
            let text = if signals && few {
                format!("{id} (n = {})", format::fixed(clinician.n, 0))
            } else {
                id
            };
            let ink = if signals { Ink::Signal } else { Ink::Text };
            let up = clinician.signal != Signal::Low;
            // Off the lines where there is room, over one of them otherwise.
            if beside_or_joined(canvas, within, *at, (&text, ink), &clear, up)
                || beside_or_joined(canvas, within, *at, (&text, ink), &places, up)
            {
                written += 1;
            }
        }
    }
}
