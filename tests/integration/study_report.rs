//! The study report against a second way to its numbers: plain loops over the delivery's CSV files, and the formulas as
//! their sources print them.

use std::collections::BTreeMap;

use crate::numbers::{Delivery, band, close, delivery, rms};
use crate::workspace::Rows;

fn reported(plan: &str) -> Delivery {
    let delivery = delivery();
    let workspace = &delivery.workspace;
    workspace.write(
        "plan.toml",
        format!("permutations = 99\nresamples = 100\n{plan}"),
    );
    let arguments = ["report", "c", "--out", "r", "--plan", "plan.toml"];
    workspace.ok(&[&arguments[..], &["--reader", "researcher"]].concat());
    delivery
}

fn table(delivery: &Delivery, name: &str) -> Rows {
    let path = delivery
        .workspace
        .path(&format!("r/researcher/tables/{name}.csv"));
    Rows::parse(&std::fs::read_to_string(path).expect("a table"))
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

fn variance(values: &[f64]) -> f64 {
    let centre = mean(values);
    values.iter().map(|x| (x - centre).powi(2)).sum::<f64>() / (values.len() as f64 - 1.0)
}

/// A column of the delivery's fittings by fitting; what is blank is left out.
fn column(delivery: &Delivery, name: &str) -> BTreeMap<String, String> {
    (0..delivery.fittings.rows.len())
        .map(|row| {
            let text = |name: &str| delivery.fittings.get(row, name).to_owned();
            (text("fitting_id"), text(name))
        })
        .filter(|(_, value)| !value.is_empty())
        .collect()
}

fn scores(delivery: &Delivery) -> BTreeMap<String, f64> {
    (0..delivery.outcomes.rows.len())
        .filter(|&row| {
            delivery.outcomes.get(row, "instrument") == "ioi-ha"
                && delivery.outcomes.get(row, "item") == "4"
        })
        .map(|row| {
            let fitting = delivery.outcomes.get(row, "fitting_id").to_owned();
            (fitting, delivery.outcomes.real(row, "score"))
        })
        .collect()
}

/// RMS deviation by fitting over complete final curves in one input band.
fn rms_in_band(delivery: &Delivery, wanted: &str) -> BTreeMap<String, f64> {
    let mut squares: BTreeMap<String, Vec<f64>> = BTreeMap::new();
    for ((fitting, _, stage, _, level), curve) in &delivery.curves() {
        if stage == "final"
            && band(level) == wanted
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

/// Spearman's rho as its definition has it: the correlation of mid-ranks.
fn rho(pairs: &[(f64, f64)]) -> f64 {
    let ranks = |of: &dyn Fn(&(f64, f64)) -> f64| -> Vec<f64> {
        // Equal in hundredths of a decibel is equal, whatever the last bits of a sum are.
        let values: Vec<f64> = pairs.iter().map(|pair| (of(pair) * 1e8).round()).collect();
        values
            .iter()
            .map(|x| {
                let below = values.iter().filter(|other| *other < x).count() as f64;
                let equal = values.iter().filter(|other| *other == x).count() as f64;
                below + (equal + 1.0) / 2.0
            })
            .collect()
    };
    let (x, y) = (ranks(&|pair| pair.0), ranks(&|pair| pair.1));
    let (a, b) = (mean(&x), mean(&y));
    let product: f64 = x.iter().zip(&y).map(|(x, y)| (x - a) * (y - b)).sum();
    product / ((x.len() as f64 - 1.0) * (variance(&x) * variance(&y)).sqrt())
}

/// Quantile of type 7 at one and two thirds, counts, means and shares by third, and the standardised differences of Austin
/// (2009): means over the root of the mean variance, shares with p (1 - p).
#[test]
fn table_one_is_that_of_plain_loops() {
    let delivery = reported("minimum_cell = 1\ncovariates = []\n");
    let rms = delivery.rms_by_fitting("final");
    let mut sorted: Vec<f64> = rms.values().copied().collect();
    sorted.sort_by(f64::total_cmp);
    let cut = |p: f64| {
        let h = (sorted.len() - 1) as f64 * p;
        let below = h.floor() as usize;
        sorted[below] + (h - h.floor()) * (sorted[below + 1] - sorted[below])
    };
    let (lower, upper) = (cut(1.0 / 3.0), cut(2.0 / 3.0));
    let thirds = table(&delivery, "thirds");
    close(thirds.real(0, "up_to"), lower, "lower cut");
    close(thirds.real(1, "above"), lower, "lower cut");
    close(thirds.real(2, "above"), upper, "upper cut");
    let third = |value: f64| usize::from(value > lower) + usize::from(value > upper);
    let members: [Vec<&String>; 3] = std::array::from_fn(|wanted| {
        rms.iter()
            .filter(|(_, value)| third(**value) == wanted)
            .map(|(id, _)| id)
            .collect()
    });
    let found = table(&delivery, "table_one");
    let row = |variable: &str, level: &str| found.find(&[("variable", variable), ("level", level)]);
    for (name, members) in ["low", "middle", "high"].iter().zip(&members) {
        let n = found.real(row("fittings", ""), &format!("n_{name}"));
        close(n, members.len() as f64, "fittings of a third");
    }
    let age = column(&delivery, "age_years");
    let ages: [Vec<f64>; 3] = members.each_ref().map(|members| {
        let known = members.iter().filter_map(|id| age.get(*id));
        known
            .map(|age| age.parse::<f64>().unwrap().min(90.0))
            .collect()
    });
    let of_age = row("age_years", "");
    for (name, ages) in ["low", "middle", "high"].iter().zip(&ages) {
        close(found.real(of_age, name), mean(ages), "mean age");
        close(
            found.real(of_age, &format!("{name}_sd")),
            variance(ages).sqrt(),
            "SD of age",
        );
        close(
            found.real(of_age, &format!("n_{name}")),
            ages.len() as f64,
            "n of age",
        );
    }
    let spread = f64::midpoint(variance(&ages[0]), variance(&ages[2])).sqrt();
    close(
        found.real(of_age, "difference"),
        (mean(&ages[2]) - mean(&ages[0])) / spread,
        "difference of age",
    );
    let experience = column(&delivery, "experience");
    let share: [f64; 3] = members.each_ref().map(|members| {
        let known: Vec<bool> = members
            .iter()
            .filter_map(|id| experience.get(*id))
            .map(|x| x == "new")
            .collect();
        known.iter().filter(|new| **new).count() as f64 / known.len() as f64
    });
    let new = row("experience", "new");
    for (name, share) in ["low", "middle", "high"].iter().zip(share) {
        close(found.real(new, name), share, "share new");
    }
    let spread = f64::midpoint(share[0] * (1.0 - share[0]), share[2] * (1.0 - share[2])).sqrt();
    close(
        found.real(new, "difference"),
        (share[2] - share[0]) / spread,
        "difference of experience",
    );
    // Every level of a grade adds up to those with a grade.
    let grades: Vec<usize> = (0..found.rows.len())
        .filter(|&row| found.get(row, "variable") == "grade")
        .collect();
    let total = found.real(grades[0], "n_low");
    assert_eq!(found.get(grades[0], "level"), "");
    close(
        grades[1..]
            .iter()
            .map(|&row| found.real(row, "n_low"))
            .sum(),
        total,
        "grades",
    );
}

#[test]
fn missing_values_are_counted_as_plain_loops_count_them() {
    let delivery = reported("minimum_cell = 1\n");
    let rms = delivery.rms_by_fitting("final");
    let scores = scores(&delivery);
    let found = table(&delivery, "missing");
    let at = |variable: &str| found.find(&[("variable", variable)]);
    let fitted = delivery.fittings.rows.len() as f64;
    let exposure = at("rms");
    assert!(found.real(exposure, "n") <= fitted);
    close(
        found.real(exposure, "n") - found.real(exposure, "n_missing"),
        rms.len() as f64,
        "known exposures",
    );
    let unanswered = rms.keys().filter(|id| !scores.contains_key(*id)).count() as f64;
    close(
        found.real(at("answered"), "n_missing"),
        unanswered,
        "answers",
    );
    for name in ["age_years", "experience", "prescription", "returned"] {
        let known = column(&delivery, name);
        let count = |wanted: Option<bool>| {
            let of = |id: &&String| wanted.is_none_or(|wanted| scores.contains_key(*id) == wanted);
            rms.keys()
                .filter(of)
                .filter(|id| !known.contains_key(*id))
                .count() as f64
        };
        close(found.real(at(name), "n_missing"), count(None), name);
        close(
            found.real(at(name), "n_missing_answered"),
            count(Some(true)),
            name,
        );
        close(
            found.real(at(name), "n_missing_unanswered"),
            count(Some(false)),
            name,
        );
    }
}

#[test]
fn sensitivity_rows_are_rank_correlations_by_their_definition() {
    let delivery = reported("minimum_cell = 1\n");
    let scores = scores(&delivery);
    let found = table(&delivery, "sensitivity");
    let pairs = |exposure: &BTreeMap<String, f64>| -> Vec<(f64, f64)> {
        exposure
            .iter()
            .filter_map(|(id, x)| Some((*x, *scores.get(id)?)))
            .collect()
    };
    let mut bands = 0;
    for row in 0..found.rows.len() {
        let expected = match (found.get(row, "analysis"), found.get(row, "input_band")) {
            ("primary", _) => pairs(&delivery.rms_by_fitting("final")),
            ("input_band", wanted) => {
                bands += 1;
                pairs(&rms_in_band(&delivery, wanted))
            }
            _ => continue,
        };
        close(found.real(row, "n"), expected.len() as f64, "n");
        assert!((found.real(row, "estimate") - rho(&expected)).abs() < 1e-9);
        assert!(found.real(row, "lo") < found.real(row, "hi"));
    }
    assert_eq!(bands, 2);
    assert_eq!(found.get(0, "analysis"), "primary");
    let association = table(&delivery, "association");
    let primary = association.find(&[("method", "spearman"), ("weighted", "false")]);
    for column in ["n", "estimate", "lo", "hi"] {
        close(
            found.real(0, column),
            association.real(primary, column),
            column,
        );
    }
    let weighted = association.find(&[("method", "spearman"), ("weighted", "true")]);
    let row = found.find(&[("analysis", "weighting")]);
    close(
        found.real(row, "estimate"),
        association.real(weighted, "estimate"),
        "weighted",
    );
}

/// Only each patient's latest fitting, by plain loops; and a fitting within its criterion as a yes or no.
#[test]
fn the_latest_fitting_and_the_criterion_are_taken_in_their_turn() {
    let delivery =
        reported("minimum_cell = 1\ncriterion = 'ten-db'\nsecond_criterion = 'uk-guidance'\n");
    let found = table(&delivery, "sensitivity");
    let scores = scores(&delivery);
    let rms = delivery.rms_by_fitting("final");
    let patient = column(&delivery, "patient_id");
    let day = column(&delivery, "fitted_on");
    let quarter = |id: &str| {
        let text = &day[id];
        match text.split_once("-Q") {
            Some((year, number)) => format!("{year}-{number}"),
            None => {
                let month: u32 = text[5..7].parse().expect("a month");
                format!("{}-{}", &text[..4], month.div_ceil(3))
            }
        }
    };
    let mut latest: BTreeMap<&String, (String, &String)> = BTreeMap::new();
    for id in rms.keys() {
        let key = (quarter(id), id);
        let slot = latest.entry(&patient[id]).or_insert_with(|| key.clone());
        if key > *slot {
            *slot = key;
        }
    }
    let pairs: Vec<(f64, f64)> = latest
        .values()
        .filter_map(|(_, id)| Some((rms[*id], *scores.get(*id)?)))
        .collect();
    let row = found.find(&[("analysis", "unit"), ("unit_of_analysis", "latest-fitting")]);
    close(found.real(row, "n"), pairs.len() as f64, "latest fittings");
    assert!((found.real(row, "estimate") - rho(&pairs)).abs() < 1e-9);
    for exposure in [
        "within_criterion",
        "within_second",
        "share_within",
        "signed",
        "high_frequency",
    ] {
        let row = found.find(&[("exposure", exposure)]);
        assert!(found.real(row, "n") > 50.0, "{exposure}");
    }
    assert_eq!(
        found.get(found.find(&[("exposure", "signed")]), "closer"),
        "signed"
    );
}

/// Each place that the checklist names is on the page, and what only the authors know is left to them.
#[test]
fn the_checklist_leads_to_places_of_the_page() {
    let delivery = reported("");
    let checklist = table(&delivery, "checklist");
    let page = std::fs::read_to_string(delivery.workspace.path("r/researcher/index.html"))
        .expect("a page");
    assert_eq!(checklist.rows.len(), 47);
    for row in 0..checklist.rows.len() {
        let section = checklist.get(row, "section");
        if !section.is_empty() {
            assert_eq!(
                page.matches(&format!(" id=\"{section}\"")).count(),
                1,
                "{section}"
            );
        }
    }
    let funding = checklist.find(&[("guideline", "STROBE"), ("item", "22")]);
    assert_eq!(checklist.get(funding, "status"), "for the author to add");
}

/// No cell of table one rests on fewer than the minimum, and none follows from the others of its characteristic.
#[test]
fn small_cells_of_table_one_cannot_be_got_back() {
    let delivery = reported("minimum_cell = 12\n");
    let found = table(&delivery, "table_one");
    let mut of_variable: BTreeMap<&str, (usize, usize)> = BTreeMap::new();
    for row in 0..found.rows.len() {
        for third in ["low", "middle", "high"] {
            let count = found.get(row, &format!("n_{third}"));
            assert!(
                count.is_empty() || count == "0" || count.parse::<i64>().unwrap() >= 12,
                "{count}"
            );
        }
        if !found.get(row, "level").is_empty() {
            let slot = of_variable.entry(found.get(row, "variable")).or_default();
            slot.0 += 1;
            slot.1 += usize::from(found.get(row, "withheld") == "true");
        }
    }
    assert!(
        of_variable.values().all(|(_, withheld)| *withheld != 1),
        "{of_variable:?}"
    );
    assert!(of_variable.values().any(|(_, withheld)| *withheld == 0));
}

/// An odds ratio is the exponential of the log odds of its step; the rows that are split or weighted are those of the
/// associations.
#[test]
fn odds_ratios_are_told_for_the_step_that_stands_beside_them() {
    let delivery = reported("minimum_cell = 1\n");
    let model = table(&delivery, "model");
    for row in 0..model.rows.len() {
        if model.get(row, "estimate").is_empty() {
            assert!(
                model.get(row, "how").starts_with("not estimable"),
                "{model:#?}"
            );
            continue;
        }
        let step = model.real(row, "per");
        for (ratio, coefficient) in [
            ("odds_ratio", "estimate"),
            ("odds_ratio_lo", "lo"),
            ("odds_ratio_hi", "hi"),
        ] {
            let expected = (step * model.real(row, coefficient)).exp();
            close(model.real(row, ratio), expected, ratio);
        }
    }
    let step = |term: &str| model.real(model.find(&[("model", "adjusted"), ("term", term)]), "per");
    assert_eq!(["rms", "age_years", "pta4"].map(step), [1.0, 10.0, 10.0]);
    let association = table(&delivery, "association");
    for (of_model, of_association) in [
        (
            [("model", "split"), ("term", "ordinal_within")],
            [("method", "ordinal_within"), ("weighted", "false")],
        ),
        (
            [("model", "weighted"), ("term", "rms")],
            [("method", "ordinal"), ("weighted", "true")],
        ),
    ] {
        let (one, other) = (model.find(&of_model), association.find(&of_association));
        for column in ["n", "estimate", "lo", "hi", "p"] {
            close(
                model.real(one, column),
                association.real(other, column),
                column,
            );
        }
    }
}
