//! The tables of the reports against a second way to the same numbers: plain loops over the delivery's CSV files, and the
//! formulas as their sources print them.

use std::collections::BTreeMap;

use crate::numbers::{Delivery, band, close, delivery, rms};
use crate::workspace::Rows;

/// Reports of the delivery with nothing withheld.
fn reported() -> Delivery {
    let delivery = delivery();
    delivery.workspace.write(
        "plan.toml",
        "minimum_cell = 1\npermutations = 99\nresamples = 200\ncovariates = []\n",
    );
    delivery
        .workspace
        .ok(&["report", "c", "--out", "r", "--plan", "plan.toml"]);
    delivery
}

impl Delivery {
    fn table(&self, reader: &str, name: &str) -> Rows {
        let path = self
            .workspace
            .path(&format!("r/{reader}/tables/{name}.csv"));
        Rows::parse(&std::fs::read_to_string(path).expect("a table"))
    }

    /// RMS deviation by fitting over complete curves at average input, at one stage.
    pub(crate) fn rms_by_fitting(&self, stage: &str) -> BTreeMap<String, f64> {
        let mut squares: BTreeMap<String, Vec<f64>> = BTreeMap::new();
        for ((fitting, _, at, _, level), curve) in &self.curves() {
            if at == stage
                && band(level) == "average"
                && let Some(rms) = rms(curve)
            {
                squares.entry(fitting.clone()).or_default().push(rms * rms);
            }
        }
        squares
            .into_iter()
            .map(|(fitting, squares)| (fitting, mean(&squares).sqrt()))
            .collect()
    }

    /// Mean deviation from 250 to 4000 Hz by fitting, over final curves at average input.
    fn signed_by_fitting(&self) -> BTreeMap<String, f64> {
        let mut means: BTreeMap<String, Vec<f64>> = BTreeMap::new();
        for ((fitting, _, at, _, level), curve) in &self.curves() {
            let points: Vec<f64> = curve
                .range(..=4000)
                .map(|(_, deviation)| *deviation)
                .collect();
            if at == "final" && band(level) == "average" && !points.is_empty() {
                means
                    .entry(fitting.clone())
                    .or_default()
                    .push(mean(&points));
            }
        }
        means
            .into_iter()
            .map(|(fitting, means)| (fitting, mean(&means)))
            .collect()
    }

    fn scores(&self) -> BTreeMap<String, f64> {
        (0..self.outcomes.rows.len())
            .filter(|&row| {
                self.outcomes.get(row, "instrument") == "ioi-ha"
                    && self.outcomes.get(row, "item") == "4"
            })
            .map(|row| {
                let fitting = self.outcomes.get(row, "fitting_id").to_owned();
                (fitting, self.outcomes.real(row, "score"))
            })
            .collect()
    }
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

fn sd(values: &[f64]) -> f64 {
    let centre = mean(values);
    let squares: f64 = values.iter().map(|x| (x - centre).powi(2)).sum();
    (squares / (values.len() as f64 - 1.0)).sqrt()
}

/// Control limits of a share by Laney (2002): p ± 3 sigma_z sqrt(p (1 - p) / n), sigma_z the mean moving range of the
/// standardised shares over 2/sqrt(pi), here never under 1.
#[test]
fn control_limits_are_those_of_the_formula() {
    let delivery = reported();
    let trends = delivery.table("owner", "trends");
    for measure in ["verified", "answered", "two_ear"] {
        let rows: Vec<usize> = (0..trends.rows.len())
            .filter(|&row| trends.get(row, "measure") == measure)
            .collect();
        let n: Vec<f64> = rows.iter().map(|&row| trends.real(row, "n")).collect();
        let p: Vec<f64> = rows.iter().map(|&row| trends.real(row, "value")).collect();
        let successes: f64 = n.iter().zip(&p).map(|(n, p)| n * p).sum();
        let centre = successes / n.iter().sum::<f64>();
        let error = |n: f64| (centre * (1.0 - centre) / n).sqrt();
        let z: Vec<f64> = n
            .iter()
            .zip(&p)
            .map(|(n, p)| (p - centre) / error(*n))
            .collect();
        let ranges: Vec<f64> = z.windows(2).map(|pair| (pair[1] - pair[0]).abs()).collect();
        let sigma_z = (mean(&ranges) / (2.0 / std::f64::consts::PI.sqrt())).max(1.0);
        for (row, n) in rows.iter().zip(&n) {
            let half = 3.0 * sigma_z * error(*n);
            close(trends.real(*row, "centre"), centre, measure);
            close(
                trends.real(*row, "lower"),
                (centre - half).max(0.0),
                measure,
            );
            close(
                trends.real(*row, "upper"),
                (centre + half).min(1.0),
                measure,
            );
        }
    }
}

#[test]
fn satisfaction_by_deviation_is_that_of_plain_loops() {
    let delivery = reported();
    let (deviations, scores) = (delivery.rms_by_fitting("final"), delivery.scores());
    let table = delivery.table("researcher", "dose_response");
    let response = delivery.table("researcher", "response_by_match");
    let mut answered = 0;
    for row in 0..table.rows.len() {
        let edge =
            |column: &str, otherwise: f64| table.get(row, column).parse().unwrap_or(otherwise);
        let (lo, hi) = (edge("bin_lo", 0.0), edge("bin_hi", f64::INFINITY));
        let inside: Vec<(&String, f64)> = deviations
            .iter()
            .filter(|(_, rms)| **rms >= lo && **rms < hi)
            .map(|(fitting, rms)| (fitting, *rms))
            .collect();
        let found: Vec<f64> = inside
            .iter()
            .filter_map(|(fitting, _)| scores.get(*fitting).copied())
            .collect();
        close(
            table.real(row, "n"),
            found.len() as f64,
            "answers in the bin",
        );
        close(
            response.real(row, "n_fittings"),
            inside.len() as f64,
            "fittings in the bin",
        );
        if !found.is_empty() {
            close(table.real(row, "mean"), mean(&found), "mean score");
        }
        answered += found.len();
    }
    assert!(answered > 50, "{answered}");
}

#[test]
fn what_the_trainer_sees_of_a_clinician_is_that_of_plain_loops() {
    let delivery = reported();
    let clinician = delivery.clinician();
    let (first, last) = (
        delivery.rms_by_fitting("first"),
        delivery.rms_by_fitting("final"),
    );
    let signed = delivery.signed_by_fitting();
    let of = |id: &str, values: &BTreeMap<String, f64>| -> Vec<f64> {
        values
            .iter()
            .filter(|(fitting, _)| clinician[*fitting] == id)
            .map(|(_, value)| *value)
            .collect()
    };
    let spread = delivery.table("trainer", "spread");
    for row in 0..spread.rows.len() {
        let values = of(spread.get(row, "clinician_id"), &signed);
        close(
            spread.real(row, "n"),
            values.len() as f64,
            "n of the spread",
        );
        // The store keeps means to the billionth of a dB.
        assert!((spread.real(row, "sd") - sd(&values)).abs() < 1e-7);
    }
    let both: BTreeMap<String, f64> = first
        .iter()
        .filter(|(fitting, _)| last.contains_key(*fitting))
        .map(|(fitting, rms)| (fitting.clone(), *rms))
        .collect();
    let finals: BTreeMap<String, f64> = both
        .keys()
        .map(|fitting| (fitting.clone(), last[fitting]))
        .collect();
    let table = delivery.table("trainer", "first_final");
    for row in 0..table.rows.len() {
        let id = table.get(row, "clinician_id").to_owned();
        let (before, after) = (of(&id, &both), of(&id, &finals));
        close(
            table.real(row, "n_first"),
            before.len() as f64,
            "fittings with both",
        );
        close(table.real(row, "rms_first"), mean(&before), "first");
        close(table.real(row, "rms_final"), mean(&after), "final");
    }
    assert!(spread.rows.len() > 3 && table.rows.len() > 3);
}

/// The random intercept of the RMS deviation: where clinicians have different numbers of fittings there is no closed
/// form, but the restricted likelihood (Patterson & Thompson 1971) must be highest at the estimate.
#[test]
fn variance_components_are_where_the_restricted_likelihood_is_highest() {
    let delivery = reported();
    let clinician = delivery.clinician();
    let mut groups: BTreeMap<&str, Vec<f64>> = BTreeMap::new();
    let deviations = delivery.rms_by_fitting("final");
    for (fitting, rms) in &deviations {
        groups.entry(&clinician[fitting]).or_default().push(*rms);
    }
    let criterion = |between: f64, within: f64| -> f64 {
        let variance = |n: f64| within + n * between;
        let weight: f64 = groups
            .values()
            .map(|v| v.len() as f64 / variance(v.len() as f64))
            .sum();
        let centre = groups
            .values()
            .map(|v| v.len() as f64 / variance(v.len() as f64) * mean(v))
            .sum::<f64>()
            / weight;
        let mut sum = weight.ln();
        for values in groups.values() {
            let n = values.len() as f64;
            let inside: f64 = values.iter().map(|x| (x - mean(values)).powi(2)).sum();
            sum += (n - 1.0) * within.ln() + variance(n).ln() + inside / within;
            sum += n * (mean(values) - centre).powi(2) / variance(n);
        }
        sum
    };
    let table = delivery.table("trainer", "variance");
    let component = |name: &str| {
        let row = table.find(&[("measure", "rms"), ("component", name)]);
        table.real(row, "estimate")
    };
    let (between, within) = (component("clinician"), component("residual"));
    close(component("icc"), between / (between + within), "icc");
    let best = criterion(between, within);
    for step in [0.9, 0.99, 1.01, 1.1] {
        assert!(criterion(between * step, within) >= best, "between {step}");
        assert!(criterion(between, within * step) > best, "within {step}");
    }
}
