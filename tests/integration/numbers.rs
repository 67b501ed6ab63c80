//! Queries against a second way to the same numbers: plain loops in floating point over the delivery's own CSV files,
//! written without the store, the SQL texts or the statistics of the project. (Sources: definitions of the terms; the
//! criterion is that of the British guidance, ±5 dB up to 2 kHz and ±8 dB at 3 and 4 kHz, from memory.)

use std::collections::{BTreeMap, BTreeSet};

use crate::workspace::{Rows, Workspace};

const LIMITS: [(u32, f64); 6] = [
    (250, 5.0),
    (500, 5.0),
    (1000, 5.0),
    (2000, 5.0),
    (3000, 8.0),
    (4000, 8.0),
];

pub(crate) struct Delivery {
    pub(crate) workspace: Workspace,
    pub(crate) fittings: Rows,
    pub(crate) ears: Rows,
    pub(crate) responses: Rows,
    pub(crate) outcomes: Rows,
}

/// An invented delivery without planted errors, read back as plain text, and its cohort.
pub(crate) fn delivery() -> Delivery {
    let workspace = Workspace::new();
    workspace.ok(&[
        "synthesize",
        "--fittings",
        "250",
        "--seed",
        "42",
        "--planted-errors",
        "0",
        "--out",
        "d",
    ]);
    workspace.ok(&["ingest", "d", "--into", "c"]);
    let table = |name: &str| {
        Rows::parse(
            &std::fs::read_to_string(workspace.path(&format!("d/{name}.csv"))).expect("a table"),
        )
    };
    Delivery {
        fittings: table("fittings"),
        ears: table("ears"),
        responses: table("responses"),
        outcomes: table("outcomes"),
        workspace,
    }
}

/// A curve as it stands in the file: key, then deviation by frequency.
pub(crate) type Curves = BTreeMap<(String, String, String, String, String), BTreeMap<u32, f64>>;

/// Deviations by clinician, stage, quantity, input band and frequency.
type Points<'a> = BTreeMap<(String, String, String, &'a str, u32), Vec<f64>>;

/// Curves by clinician, stage, quantity and input band.
type Whole<'a> = BTreeMap<(String, String, String, &'a str), Vec<&'a BTreeMap<u32, f64>>>;

impl Delivery {
    fn fitted_ears(&self) -> BTreeSet<(String, String)> {
        (0..self.ears.rows.len())
            .filter(|&row| self.ears.get(row, "fitted") == "true")
            .map(|row| {
                (
                    self.ears.get(row, "fitting_id").to_owned(),
                    self.ears.get(row, "ear").to_owned(),
                )
            })
            .collect()
    }

    /// Curves of fitted ears: fitting, ear, stage, quantity, input level.
    pub(crate) fn curves(&self) -> Curves {
        let fitted = self.fitted_ears();
        let mut curves = Curves::new();
        for row in 0..self.responses.rows.len() {
            let text = |column: &str| self.responses.get(row, column).to_owned();
            if !fitted.contains(&(text("fitting_id"), text("ear"))) || text("target_db").is_empty()
            {
                continue;
            }
            let key = (
                text("fitting_id"),
                text("ear"),
                text("stage"),
                text("quantity"),
                text("input_level_db"),
            );
            let deviation =
                self.responses.real(row, "measured_db") - self.responses.real(row, "target_db");
            let frequency = text("frequency_hz").parse().expect("a frequency");
            curves.entry(key).or_default().insert(frequency, deviation);
        }
        curves
    }

    pub(crate) fn clinician(&self) -> BTreeMap<String, String> {
        (0..self.fittings.rows.len())
            .map(|row| {
                let text = |column: &str| self.fittings.get(row, column).to_owned();
                (text("fitting_id"), text("clinician_id"))
            })
            .collect()
    }
}

pub(crate) fn band(level: &str) -> &'static str {
    match level.parse::<f64>().expect("a level") {
        ..=57.0 => "soft",
        level if level < 70.0 => "average",
        _ => "loud",
    }
}

/// None where not known; the sum of two decimals is rounded to the hundredth they were written in.
pub(crate) fn within(curve: &BTreeMap<u32, f64>) -> Option<bool> {
    let mut known = true;
    for (frequency, limit) in LIMITS {
        match curve.get(&frequency) {
            Some(deviation) if (deviation * 100.0).round().abs() > limit * 100.0 => {
                return Some(false);
            }
            Some(_) => {}
            None => known = false,
        }
    }
    known.then_some(true)
}

pub(crate) fn rms(curve: &BTreeMap<u32, f64>) -> Option<f64> {
    let mut sum = 0.0;
    for frequency in [500, 1000, 2000, 4000] {
        sum += curve.get(&frequency)?.powi(2);
    }
    Some((sum / 4.0).sqrt())
}

pub(crate) fn close(found: f64, expected: f64, what: &str) {
    assert!(
        (found - expected).abs() <= 1e-9 * expected.abs().max(1.0),
        "{what}: {found} against {expected}"
    );
}

#[test]
fn match_and_curves_agree_with_plain_loops() {
    let delivery = delivery();
    let curves = delivery.curves();
    let clinician = delivery.clinician();
    let mut points: Points<'_> = BTreeMap::new();
    let mut whole: Whole<'_> = BTreeMap::new();
    for ((fitting, _, stage, quantity, level), curve) in &curves {
        let group = (
            clinician[fitting].clone(),
            stage.clone(),
            quantity.clone(),
            band(level),
        );
        for (frequency, deviation) in curve {
            let (a, b, c, d) = group.clone();
            points
                .entry((a, b, c, d, *frequency))
                .or_default()
                .push(*deviation);
        }
        whole.entry(group).or_default().push(curve);
    }
    let rows = delivery
        .workspace
        .query(&["match", "c", "--by", "clinician_id"]);
    assert_eq!(rows.rows.len(), points.len());
    for ((clinician, stage, quantity, band, frequency), values) in &points {
        let row = rows.find(&[
            ("clinician_id", clinician),
            ("stage", stage),
            ("quantity", quantity),
            ("input_band", band),
            ("frequency_hz", &frequency.to_string()),
        ]);
        let n = values.len() as f64;
        let mean = values.iter().sum::<f64>() / n;
        close(rows.real(row, "n_ears"), n, "n_ears");
        close(rows.real(row, "mean"), mean, "mean");
        close(
            rows.real(row, "rms"),
            (values.iter().map(|x| x * x).sum::<f64>() / n).sqrt(),
            "rms",
        );
        if n > 1.0 {
            let sd = (values.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt();
            close(rows.real(row, "sd"), sd, "sd");
        }
        let mut sorted = values.clone();
        sorted.sort_by(f64::total_cmp);
        let quantile = |p: f64| {
            // Type 7 of Hyndman & Fan (1996): position (n - 1) p.
            let position = (n - 1.0) * p;
            let below = sorted[position.floor() as usize];
            let above = sorted[position.ceil() as usize];
            below + (above - below) * position.fract()
        };
        for (column, p) in [
            ("q05", 0.05),
            ("q25", 0.25),
            ("q50", 0.5),
            ("q75", 0.75),
            ("q95", 0.95),
        ] {
            close(rows.real(row, column), quantile(p), column);
        }
    }
    let rows = delivery
        .workspace
        .query(&["curves", "c", "--by", "clinician_id"]);
    assert_eq!(rows.rows.len(), whole.len());
    for ((clinician, stage, quantity, band), group) in &whole {
        let row = rows.find(&[
            ("clinician_id", clinician),
            ("stage", stage),
            ("quantity", quantity),
            ("input_band", band),
        ]);
        let count = |n: usize| n as f64;
        close(rows.real(row, "n_ears"), count(group.len()), "n_ears");
        let complete: Vec<f64> = group.iter().filter_map(|curve| rms(curve)).collect();
        close(
            rows.real(row, "n_complete"),
            count(complete.len()),
            "n_complete",
        );
        close(
            rows.real(row, "rms_mean"),
            complete.iter().sum::<f64>() / count(complete.len()),
            "rms_mean",
        );
        let judged: Vec<bool> = group.iter().filter_map(|curve| within(curve)).collect();
        let inside = judged.iter().filter(|inside| **inside).count();
        close(
            rows.real(row, "within_criterion"),
            count(inside) / count(judged.len()),
            "within_criterion",
        );
    }
}

#[test]
fn fittings_within_and_two_ear_uptake_agree_with_plain_loops() {
    let delivery = delivery();
    let fitted = delivery.fitted_ears();
    let mut verdicts: BTreeMap<&str, BTreeMap<&str, Vec<Option<bool>>>> = BTreeMap::new();
    let curves = delivery.curves();
    for ((fitting, ear, stage, _, level), curve) in &curves {
        if stage == "final" && band(level) == "average" {
            verdicts
                .entry(fitting)
                .or_default()
                .entry(ear)
                .or_default()
                .push(within(curve));
        }
    }
    let (mut known, mut inside) = (0_u32, 0_u32);
    for (fitting, ears) in &verdicts {
        let n_fitted = fitted.iter().filter(|(id, _)| id == fitting).count();
        let outside = ears
            .values()
            .flatten()
            .any(|verdict| *verdict == Some(false));
        let all = ears
            .values()
            .filter(|curves| curves.contains(&Some(true)))
            .count()
            == n_fitted;
        known += u32::from(outside || all);
        inside += u32::from(!outside && all);
    }
    let rows = delivery.workspace.query(&["trends", "c"]);
    let (mut n, mut successes) = (0.0, 0.0);
    for row in 0..rows.rows.len() {
        if rows.get(row, "measure") == "within_criterion" && !rows.get(row, "value").is_empty() {
            n += rows.real(row, "n");
            successes += rows.real(row, "n") * rows.real(row, "value");
        }
    }
    close(n, f64::from(known), "fittings judged");
    close(successes, f64::from(inside), "fittings within");

    let average = |row: usize| -> Option<f64> {
        let mut sum = 0.0;
        for frequency in [500, 1000, 2000, 4000] {
            let text = delivery.ears.get(row, &format!("threshold_{frequency}"));
            sum += text.strip_prefix('>').unwrap_or(text).parse::<f64>().ok()?;
        }
        Some(sum / 4.0)
    };
    let mut by_fitting: BTreeMap<&str, Vec<Option<f64>>> = BTreeMap::new();
    for row in 0..delivery.ears.rows.len() {
        by_fitting
            .entry(delivery.ears.get(row, "fitting_id"))
            .or_default()
            .push(average(row));
    }
    let candidates: Vec<&str> = by_fitting
        .iter()
        .filter(|(id, averages)| {
            averages.len() == 2
                && averages
                    .iter()
                    .all(|average| average.is_some_and(|a| a >= 20.0))
                && fitted.iter().any(|(fitting, _)| fitting == *id)
        })
        .map(|(id, _)| *id)
        .collect();
    let both = candidates
        .iter()
        .filter(|id| fitted.iter().filter(|(fitting, _)| fitting == **id).count() == 2)
        .count();
    let rows = delivery.workspace.query(&["ears", "c"]);
    assert_eq!(rows.get(0, "n_candidates"), candidates.len().to_string());
    assert_eq!(rows.get(0, "n_two_ear"), both.to_string());
}

/// Spearman's rho as Pearson's correlation of mid-ranks (its definition), by quadratic loops.
#[test]
fn the_association_agrees_with_plain_loops() {
    let delivery = delivery();
    let mut squares: BTreeMap<String, Vec<f64>> = BTreeMap::new();
    for ((fitting, _, stage, _, level), curve) in &delivery.curves() {
        if stage == "final"
            && band(level) == "average"
            && let Some(rms) = rms(curve)
        {
            squares.entry(fitting.clone()).or_default().push(rms * rms);
        }
    }
    let mut scores: BTreeMap<String, f64> = BTreeMap::new();
    for row in 0..delivery.outcomes.rows.len() {
        if delivery.outcomes.get(row, "instrument") == "ioi-ha"
            && delivery.outcomes.get(row, "item") == "4"
        {
            scores.insert(
                delivery.outcomes.get(row, "fitting_id").to_owned(),
                delivery.outcomes.real(row, "score"),
            );
        }
    }
    let pairs: Vec<(f64, f64)> = squares
        .iter()
        .filter_map(|(fitting, squares)| {
            let mean = squares.iter().sum::<f64>() / squares.len() as f64;
            // Ranks must not hang on the last bit of a root.
            Some(((mean.sqrt() * 1e9).round(), *scores.get(fitting)?))
        })
        .collect();
    let ranks = |values: Vec<f64>| -> Vec<f64> {
        values
            .iter()
            .map(|x| {
                let below = values.iter().filter(|y| *y < x).count() as f64;
                let equal = values.iter().filter(|y| *y == x).count() as f64;
                below + (equal + 1.0) / 2.0
            })
            .collect()
    };
    let x = ranks(pairs.iter().map(|pair| pair.0).collect());
    let y = ranks(pairs.iter().map(|pair| pair.1).collect());
    let n = pairs.len() as f64;
    let centre = (n + 1.0) / 2.0;
    let product = |a: &[f64], b: &[f64]| -> f64 {
        a.iter()
            .zip(b)
            .map(|(a, b)| (a - centre) * (b - centre))
            .sum()
    };
    let rho = product(&x, &y) / (product(&x, &x) * product(&y, &y)).sqrt();
    let rows = delivery.workspace.query(&["association", "c"]);
    let row = rows.find(&[("method", "spearman"), ("weighted", "false")]);
    close(rows.real(row, "n"), n, "n");
    close(rows.real(row, "estimate"), rho, "rho");
    assert!(rows.real(row, "lo") < rho && rho < rows.real(row, "hi"));
}
