//! The owner's tables against plain loops over the delivery's CSV files: moves and drivers; `recheck_numbers` has the
//! fittings to look at again. The formulas are written again from their sources, without the statistics of the project.

use std::collections::{BTreeMap, BTreeSet};

use crate::numbers::{Delivery, band, close, delivery, within};
use crate::workspace::{Rows, Workspace};

const NOW: &str = "2026-Q3";
const BEFORE: [&str; 4] = ["2025-Q3", "2025-Q4", "2026-Q1", "2026-Q2"];

/// The owner's report of the delivery with nothing withheld.
pub(crate) fn reported() -> Delivery {
    let delivery = delivery();
    delivery.workspace.write("plan.toml", "minimum_cell = 1\n");
    let words = "report c --out r --plan plan.toml --reader owner";
    let words: Vec<&str> = words.split(' ').collect();
    delivery.workspace.ok(&words);
    delivery
}

pub(crate) fn table(workspace: &Workspace, name: &str) -> Rows {
    let path = workspace.path(&format!("r/owner/tables/{name}.csv"));
    Rows::parse(&std::fs::read_to_string(path).expect("a table"))
}

fn quarter_of(date: &str) -> String {
    if date.contains('Q') {
        return date.to_owned();
    }
    let month: u32 = date[5..7].parse().expect("a month");
    format!("{}-Q{}", &date[..4], (month - 1) / 3 + 1)
}

/// Counts of (successes, n) of a measure: before, now.
type Periods = [(f64, f64); 2];

/// The measures of a fitting that it is in the denominator of: whether it succeeds.
pub(crate) struct Known {
    quarter: BTreeMap<String, String>,
    pub(crate) clinic: BTreeMap<String, String>,
    coupling: BTreeMap<String, String>,
    measures: BTreeMap<&'static str, BTreeMap<String, bool>>,
    pub(crate) scores: BTreeMap<String, f64>,
    pub(crate) unverified: BTreeMap<String, usize>,
}

impl Known {
    pub(crate) fn of(delivery: &Delivery) -> Self {
        let column = |name: &str| -> BTreeMap<String, String> {
            (0..delivery.fittings.rows.len())
                .map(|row| {
                    let text = |column: &str| delivery.fittings.get(row, column).to_owned();
                    (text("fitting_id"), text(name))
                })
                .collect()
        };
        let mut fitted: BTreeMap<String, Vec<String>> = BTreeMap::new();
        for row in 0..delivery.ears.rows.len() {
            if delivery.ears.get(row, "fitted") == "true" {
                fitted
                    .entry(delivery.ears.get(row, "fitting_id").to_owned())
                    .or_default()
                    .push(delivery.ears.get(row, "coupling").to_owned());
            }
        }
        let has_final: BTreeSet<&str> = (0..delivery.responses.rows.len())
            .filter(|row| delivery.responses.get(*row, "stage") == "final")
            .map(|row| delivery.responses.get(row, "fitting_id"))
            .collect();
        let scores: BTreeMap<String, f64> = (0..delivery.outcomes.rows.len())
            .filter(|row| {
                delivery.outcomes.get(*row, "instrument") == "ioi-ha"
                    && delivery.outcomes.get(*row, "item") == "4"
            })
            .map(|row| {
                let fitting = delivery.outcomes.get(row, "fitting_id").to_owned();
                (fitting, delivery.outcomes.real(row, "score"))
            })
            .collect();
        let each = |pick: &dyn Fn(&String) -> Option<bool>| -> BTreeMap<String, bool> {
            fitted
                .keys()
                .filter_map(|fitting| Some((fitting.clone(), pick(fitting)?)))
                .collect()
        };
        let judged = judged(delivery, &fitted);
        let measures = BTreeMap::from([
            (
                "verified",
                each(&|id| Some(has_final.contains(id.as_str()))),
            ),
            ("answered", each(&|id| Some(scores.contains_key(id)))),
            ("satisfied", each(&|id| Some(*scores.get(id)? >= 4.0))),
            ("within_criterion", each(&|id| judged.get(id).copied())),
        ]);
        let mut quarter = column("fitted_on");
        for date in quarter.values_mut() {
            *date = quarter_of(date);
        }
        Self {
            quarter,
            clinic: column("clinic_id"),
            coupling: fitted
                .iter()
                .map(|(id, couplings)| {
                    let same = couplings.iter().all(|one| *one == couplings[0]);
                    let label = if same { couplings[0].as_str() } else { "mixed" };
                    (id.clone(), label.to_owned())
                })
                .collect(),
            unverified: fitted
                .iter()
                .filter(|(id, _)| !has_final.contains(id.as_str()))
                .map(|(id, ears)| (id.clone(), ears.len()))
                .collect(),
            measures,
            scores,
        }
    }

    /// The place of a fitting in time: 0 before, 1 now.
    pub(crate) fn period(&self, fitting: &str) -> Option<usize> {
        let quarter = self.quarter[fitting].as_str();
        (quarter == NOW)
            .then_some(1)
            .or_else(|| BEFORE.contains(&quarter).then_some(0))
    }

    fn counts(&self, measure: &str, group: &BTreeMap<String, String>) -> BTreeMap<String, Periods> {
        let mut out: BTreeMap<String, Periods> = BTreeMap::new();
        for (fitting, success) in &self.measures[measure] {
            if let Some(period) = self.period(fitting) {
                let slot = &mut out.entry(group[fitting].clone()).or_default()[period];
                slot.0 += f64::from(u8::from(*success));
                slot.1 += 1.0;
            }
        }
        out
    }
}

/// Fittings known to be within the criterion or outside.
fn judged(delivery: &Delivery, fitted: &BTreeMap<String, Vec<String>>) -> BTreeMap<String, bool> {
    let mut verdicts: BTreeMap<String, BTreeMap<String, Vec<Option<bool>>>> = BTreeMap::new();
    for ((fitting, ear, stage, _, level), curve) in delivery.curves() {
        if stage == "final" && band(&level) == "average" {
            let ears = verdicts.entry(fitting).or_default();
            ears.entry(ear).or_default().push(within(&curve));
        }
    }
    verdicts
        .into_iter()
        .filter_map(|(fitting, ears)| {
            let outside = ears.values().flatten().any(|one| *one == Some(false));
            let inside = ears
                .values()
                .filter(|all| all.contains(&Some(true)))
                .count();
            if outside {
                return Some((fitting, false));
            }
            let all = inside == fitted[&fitting].len();
            all.then_some((fitting, true))
        })
        .collect()
}

/// The score interval (Wilson 1927), as Newcombe (1998) prints it.
fn wilson(r: f64, n: f64) -> (f64, f64) {
    let z = 1.959_963_984_540_054_f64;
    let p = r / n;
    let centre = p + z * z / (2.0 * n);
    let half = z * (p * (1.0 - p) / n + z * z / (4.0 * n * n)).sqrt();
    let divisor = 1.0 + z * z / n;
    ((centre - half) / divisor, (centre + half) / divisor)
}

/// Method 10 of Newcombe (1998): now less before.
fn newcombe([before, now]: Periods) -> (f64, f64) {
    let (p0, p1) = (before.0 / before.1, now.0 / now.1);
    let ((l0, u0), (l1, u1)) = (wilson(before.0, before.1), wilson(now.0, now.1));
    (
        p1 - p0 - ((p1 - l1).powi(2) + (u0 - p0).powi(2)).sqrt(),
        p1 - p0 + ((u1 - p1).powi(2) + (p0 - l0).powi(2)).sqrt(),
    )
}

fn near(found: f64, expected: f64, what: &str) {
    assert!(
        (found - expected).abs() < 1e-12,
        "{what}: {found} against {expected}"
    );
}

#[test]
fn moves_are_those_of_plain_loops() {
    let delivery = reported();
    let known = Known::of(&delivery);
    let moves = table(&delivery.workspace, "moves");
    let all: BTreeMap<String, String> = known
        .quarter
        .keys()
        .map(|id| (id.clone(), "all".to_owned()))
        .collect();
    for measure in ["within_criterion", "verified", "answered", "satisfied"] {
        let periods = known.counts(measure, &all)["all"];
        let row = moves.find(&[("measure", measure)]);
        let [before, now] = periods;
        close(moves.real(row, "n"), now.1, "n");
        close(moves.real(row, "n_before"), before.1, "n before");
        close(moves.real(row, "quarters_before"), 4.0, "quarters");
        near(moves.real(row, "value"), now.0 / now.1, "value");
        near(moves.real(row, "before"), before.0 / before.1, "before");
        let change = now.0 / now.1 - before.0 / before.1;
        near(moves.real(row, "change"), change, "change");
        let (lo, hi) = newcombe(periods);
        near(moves.real(row, "change_lo"), lo, measure);
        near(moves.real(row, "change_hi"), hi, measure);
        let expected = match moves.get(row, "signal") {
            "none" if lo > 0.0 || hi < 0.0 => "sampling",
            "none" => "none",
            "" => "unknown",
            _ => "outside",
        };
        assert_eq!(moves.get(row, "verdict"), expected, "{measure}");
    }
    assert_eq!(moves.rows.len(), 5);
}

/// The sums by standardisation, another route than group by group: with the shares held, the weights move, and the other
/// way round, each the mean of both ways (Kitagawa 1955).
#[test]
fn drivers_are_those_of_plain_loops_and_of_standardised_shares() {
    let delivery = reported();
    let known = Known::of(&delivery);
    let (drivers, totals) = (
        table(&delivery.workspace, "drivers"),
        table(&delivery.workspace, "driver_totals"),
    );
    let mut compared = 0;
    for measure in ["within_criterion", "verified", "answered", "satisfied"] {
        for (grouping, labels) in [("clinic_id", &known.clinic), ("coupling", &known.coupling)] {
            let counts = known.counts(measure, labels);
            let sum = |period: usize, pick: fn((f64, f64)) -> f64| -> f64 {
                counts.values().map(|periods| pick(periods[period])).sum()
            };
            let n = [sum(0, |c| c.1), sum(1, |c| c.1)];
            let whole = [sum(0, |c| c.0) / n[0], sum(1, |c| c.0) / n[1]];
            let (mut mixes, mut withins) = (0.0, 0.0);
            let mut standardised = [[0.0; 2]; 2];
            for (group, periods) in &counts {
                let row = drivers.find(&[
                    ("measure", measure),
                    ("grouping", grouping),
                    ("group", group),
                ]);
                let share = |period: usize| {
                    let (r, n) = periods[period];
                    (n > 0.0).then(|| r / n)
                };
                let p = [
                    share(0).or(share(1)).expect("a share"),
                    share(1).or(share(0)).expect("a share"),
                ];
                let w = [periods[0].1 / n[0], periods[1].1 / n[1]];
                for (time, weight) in w.iter().enumerate() {
                    standardised[time][0] += weight * p[0];
                    standardised[time][1] += weight * p[1];
                }
                let mix = (w[1] - w[0]) * ((p[0] + p[1]) / 2.0 - (whole[0] + whole[1]) / 2.0);
                near(drivers.real(row, "mix"), mix, group);
                let weight = (w[0] + w[1]) / 2.0;
                near(drivers.real(row, "within"), weight * (p[1] - p[0]), group);
                close(drivers.real(row, "n"), periods[1].1, "n");
                close(drivers.real(row, "n_before"), periods[0].1, "n before");
                close(drivers.real(row, "n_all"), n[1], "n of all");
                if periods[0].1 > 0.0 && periods[1].1 > 0.0 {
                    let (lo, hi) = newcombe(*periods);
                    near(drivers.real(row, "within_lo"), weight * lo, group);
                    near(drivers.real(row, "within_hi"), weight * hi, group);
                    assert!(drivers.real(row, "outer_lo") <= weight * lo);
                } else {
                    assert_eq!(drivers.get(row, "within_lo"), "");
                }
                mixes += drivers.real(row, "mix");
                withins += drivers.real(row, "within");
                compared += 1;
            }
            let row = totals.find(&[("measure", measure), ("grouping", grouping)]);
            let [at_before, at_now] = standardised;
            let mix = (at_now[0] - at_before[0] + at_now[1] - at_before[1]) / 2.0;
            let within = (at_before[1] - at_before[0] + at_now[1] - at_now[0]) / 2.0;
            near(totals.real(row, "mix"), mix, "mix");
            near(totals.real(row, "within"), within, "within");
            near(mixes, mix, "sum of mix parts");
            near(withins, within, "sum of within parts");
            near(mix + within, whole[1] - whole[0], "the change");
            near(
                totals.real(row, "change"),
                whole[1] - whole[0],
                "the change",
            );
        }
    }
    assert!(compared > 20, "{compared}");
    let is_two_ear_by_coupling = |row: &usize| {
        drivers.get(*row, "measure") == "two_ear" && drivers.get(*row, "grouping") == "coupling"
    };
    assert_eq!(
        (0..drivers.rows.len())
            .filter(is_two_ear_by_coupling)
            .count(),
        0
    );
}

/// The 0.975 quantile of Student's t by the expansion of Abramowitz & Stegun (1964), 26.7.5, which is off by less than 1e-5
/// from 15 degrees of freedom on.
fn student(degrees: f64) -> f64 {
    let z = 1.959_963_984_540_054_f64;
    let [z3, z5, z7, z9] = [3, 5, 7, 9].map(|power| z.powi(power));
    let terms = [
        (z3 + z) / 4.0,
        (5.0 * z5 + 16.0 * z3 + 3.0 * z) / 96.0,
        (3.0 * z7 + 19.0 * z5 + 17.0 * z3 - 15.0 * z) / 384.0,
        (79.0 * z9 + 776.0 * z7 + 1482.0 * z5 - 1920.0 * z3 - 945.0 * z) / 92_160.0,
    ];
    let mut sum = z;
    let mut power = 1.0;
    for term in terms {
        power *= degrees;
        sum += term / power;
    }
    sum
}

/// Points inside and points of each fitting.
type ByFitting = BTreeMap<String, (f64, f64)>;

/// Variance of the share of all points over fittings, and fittings less one: the ratio of two totals, by its residuals
/// (Cochran 1977, section 3.12).
fn variance_over_fittings(fittings: &ByFitting) -> (f64, f64) {
    let m = fittings.len() as f64;
    let inside: f64 = fittings.values().map(|points| points.0).sum();
    let all: f64 = fittings.values().map(|points| points.1).sum();
    let residuals: f64 = fittings
        .values()
        .map(|(y, n)| (y - inside / all * n).powi(2))
        .sum();
    (m / (m - 1.0) * residuals / (all * all), m - 1.0)
}

#[test]
fn points_inside_by_frequency_are_those_of_plain_loops() {
    let delivery = reported();
    let known = Known::of(&delivery);
    let found = table(&delivery.workspace, "driver_frequencies");
    let limits = [
        (250, 5.0),
        (500, 5.0),
        (1000, 5.0),
        (2000, 5.0),
        (3000, 8.0),
        (4000, 8.0),
    ];
    let mut counts: BTreeMap<(String, u32), Periods> = BTreeMap::new();
    let mut by_fitting: BTreeMap<(String, u32), [ByFitting; 2]> = BTreeMap::new();
    for ((fitting, _, stage, quantity, level), curve) in delivery.curves() {
        if stage != "final" || band(&level) != "average" {
            continue;
        }
        let Some(period) = known.period(&fitting) else {
            continue;
        };
        for (frequency, limit) in limits {
            if let Some(deviation) = curve.get(&frequency) {
                let is_inside = (deviation * 100.0_f64).round().abs() <= limit * 100.0;
                let key = (quantity.clone(), frequency);
                let periods = by_fitting.entry(key.clone()).or_default();
                let own = periods[period].entry(fitting.clone()).or_default();
                for slot in [&mut counts.entry(key).or_default()[period], own] {
                    slot.0 += f64::from(u8::from(is_inside));
                    slot.1 += 1.0;
                }
            }
        }
    }
    assert_eq!(found.rows.len(), counts.len());
    let mut intervals = 0;
    for ((quantity, frequency), [before, now]) in counts {
        let row = found.find(&[
            ("quantity", &quantity),
            ("frequency_hz", &frequency.to_string()),
        ]);
        close(found.real(row, "n_ears"), now.1, "n");
        close(found.real(row, "n_ears_before"), before.1, "n before");
        near(found.real(row, "share"), now.0 / now.1, "share");
        near(found.real(row, "before"), before.0 / before.1, "before");
        let [fittings_before, fittings] = &by_fitting[&(quantity, frequency)];
        let (n, n_before) = (fittings.len() as f64, fittings_before.len() as f64);
        close(found.real(row, "n_fittings"), n, "fittings");
        close(found.real(row, "n_fittings_before"), n_before, "before");
        let (v, m) = variance_over_fittings(fittings);
        let (w, k) = variance_over_fittings(fittings_before);
        if fittings.len() < 10 || fittings_before.len() < 10 || v == 0.0 || w == 0.0 {
            assert_eq!(found.get(row, "change_lo"), "");
            continue;
        }
        // Welch (1947) with the degrees of freedom of Satterthwaite (1946).
        let degrees = (v + w).powi(2) / (v * v / m + w * w / k);
        assert!(degrees > 15.0, "{degrees}");
        let half = student(degrees) * (v + w).sqrt();
        let change = now.0 / now.1 - before.0 / before.1;
        for (column, expected) in [("change_lo", change - half), ("change_hi", change + half)] {
            let limit = found.real(row, column);
            assert!((limit - expected).abs() < 1e-5, "{limit} for {expected}");
        }
        intervals += 1;
    }
    assert!(intervals > 5, "{intervals}");
}
