//! The study of the plan: who is in it, what it is adjusted for, and what it says when something cannot be estimated.

use std::collections::{BTreeMap, BTreeSet};

use crate::numbers::{close, delivery};
use crate::workspace::{Rows, Workspace};

/// An association query under a plan.
fn association(workspace: &Workspace, plan: &str) -> Rows {
    workspace.write("plan.toml", plan);
    workspace.query(&["association", "c", "--plan", "plan.toml"])
}

const QUICK: &str = "permutations = 99\nresamples = 100\n";

#[test]
fn every_method_has_a_plain_and_a_weighted_row() {
    let workspace = Workspace::invented(700, 3);
    let rows = association(&workspace, QUICK);
    let methods = [
        "spearman",
        "kendall",
        "partial",
        "ordinal",
        "ordinal_within",
        "ordinal_between",
    ];
    assert_eq!(rows.rows.len(), 12);
    for weighted in ["false", "true"] {
        for method in methods {
            let row = rows.find(&[("method", method), ("weighted", weighted)]);
            if method == "ordinal_between" {
                // Nine clinicians are too few to compare with each other.
                assert_eq!(
                    rows.get(row, "interval"),
                    "not estimable: too few clusters: 10 are needed, 9 are there"
                );
                assert_eq!(rows.get(row, "estimate"), "");
                continue;
            }
            let (lo, hi) = (rows.real(row, "lo"), rows.real(row, "hi"));
            let estimate = rows.real(row, "estimate");
            assert!(lo < estimate && estimate < hi, "{method}, {weighted}");
            assert!(rows.real(row, "p") > 0.0);
            assert!(rows.get(row, "interval").contains("patients"), "{rows:?}");
        }
    }
}

/// The proportional-odds model without covariates, its likelihood by plain loops and its maximum by searching each
/// parameter in turn (a third of the interval cut away at a time): no formula shared with the program.
#[test]
fn the_ordinal_estimate_is_where_the_likelihood_is_highest() {
    let delivery = delivery();
    let rows = association(&delivery.workspace, &format!("{QUICK}covariates = []\n"));
    let found = rows.real(
        rows.find(&[("method", "ordinal"), ("weighted", "false")]),
        "estimate",
    );
    let rms = delivery.rms_by_fitting("final");
    let data: Vec<(f64, usize)> = (0..delivery.outcomes.rows.len())
        .filter(|&row| {
            delivery.outcomes.get(row, "instrument") == "ioi-ha"
                && delivery.outcomes.get(row, "item") == "4"
        })
        .filter_map(|row| {
            let exposure = rms.get(delivery.outcomes.get(row, "fitting_id"))?;
            Some((*exposure, delivery.outcomes.real(row, "score") as usize))
        })
        .collect();
    assert!(data.len() > 80);
    // Four thresholds, then the slope.
    let likelihood = |p: &[f64; 5]| -> f64 {
        data.iter()
            .map(|(x, score)| {
                let under = |level: usize| match level {
                    0 => 0.0,
                    5 => 1.0,
                    level => 1.0 / (1.0 + (-(p[level - 1] - p[4] * (x - 3.0))).exp()),
                };
                (under(*score) - under(score - 1)).max(1e-300).ln()
            })
            .sum()
    };
    let mut best = [-3.0, -2.0, -1.0, 1.0, 0.0];
    for _ in 0..400 {
        for place in 0..5 {
            let value = |at: f64| {
                let mut moved = best;
                moved[place] = at;
                likelihood(&moved)
            };
            let (mut lo, mut hi) = (best[place] - 0.5, best[place] + 0.5);
            for _ in 0..60 {
                let (a, b) = (lo + (hi - lo) / 3.0, hi - (hi - lo) / 3.0);
                if value(a) < value(b) {
                    lo = a;
                } else {
                    hi = b;
                }
            }
            best[place] = f64::midpoint(lo, hi);
        }
    }
    assert!(
        (found - best[4]).abs() < 1e-5,
        "{found} against {}",
        best[4]
    );
}

/// With one grouping of two and no covariate the odds ratio of a logistic regression is the cross product of the
/// table of counts (any textbook).
#[test]
fn an_odds_ratio_of_two_groups_is_the_cross_product() {
    let workspace = Workspace::invented(900, 5);
    workspace.write("plan.toml", "covariates = []\n");
    let rows = workspace.query(&[
        "ears",
        "c",
        "--by",
        "experience",
        "--plan",
        "plan.toml",
        "--where",
        "x_data=invented",
    ]);
    let at = |label: &str| rows.find(&[("experience", label)]);
    let counts = |label: &str| {
        let (n, two) = (
            rows.real(at(label), "n_candidates"),
            rows.real(at(label), "n_two_ear"),
        );
        (two, n - two)
    };
    let (experienced, new) = (counts("experienced"), counts("new"));
    let (row, expected) = if rows.get(at("new"), "odds_ratio_p").is_empty() {
        (
            at("experienced"),
            experienced.0 * new.1 / (experienced.1 * new.0),
        )
    } else {
        (at("new"), new.0 * experienced.1 / (new.1 * experienced.0))
    };
    close(rows.real(row, "odds_ratio"), expected, "odds ratio");
    let (lo, hi) = (
        rows.real(row, "odds_ratio_lo"),
        rows.real(row, "odds_ratio_hi"),
    );
    // An interval of Wald is symmetric on the logarithmic scale.
    assert!(((lo * hi).sqrt() / expected - 1.0).abs() < 1e-9);
    assert!(rows.real(row, "trend_p") <= 1.0);
}

/// What is asked for is not adjusted away; a group that clinicians share is compared over clinicians, a group that is one
/// clinician's own over patients, since nothing varies between clinicians there.
#[test]
fn odds_ratios_say_what_they_are_adjusted_for_and_over_whom() {
    let workspace = Workspace::invented(2500, 11);
    let how = |by: &str| -> Vec<String> {
        let rows = workspace.query(&["ears", "c", "--by", by]);
        let all = (0..rows.rows.len()).filter(|&row| !rows.get(row, "odds_ratio_p").is_empty());
        all.map(|row| {
            let (lo, hi) = (
                rows.real(row, "odds_ratio_lo"),
                rows.real(row, "odds_ratio_hi"),
            );
            let ratio = rows.real(row, "odds_ratio");
            assert!(lo < ratio && ratio < hi, "{rows:?}");
            rows.get(row, "odds_ratio_how").to_owned()
        })
        .collect()
    };
    let grades = how("grade");
    assert!(!grades.is_empty());
    for said in grades {
        assert!(
            said.contains("adjusted for age_years, experience;"),
            "{said}"
        );
        assert!(said.contains("clinicians"), "{said}");
    }
    for said in how("age_band") {
        assert!(said.contains("adjusted for pta4, experience;"), "{said}");
    }
    let clinicians = how("clinician_id");
    assert!(clinicians.len() > 15);
    for said in clinicians {
        assert!(said.contains("patients"), "{said}");
    }
    // Two couplings in one fitting make two ears: such a group says so, and the others are compared.
    let rows = workspace.query(&["ears", "c", "--by", "coupling"]);
    let mixed = rows.find(&[("coupling", "mixed")]);
    assert_eq!(
        rows.get(mixed, "odds_ratio_how"),
        "not estimable: everybody in the group was fitted in two ears"
    );
    assert!(!how("coupling").is_empty());
}

#[test]
fn exclusions_and_the_unit_decide_who_is_in_the_study() {
    let delivery = delivery();
    let n = |plan: &str| {
        let rows = association(&delivery.workspace, &format!("{QUICK}{plan}"));
        let row = rows.find(&[("method", "spearman"), ("weighted", "false")]);
        rows.real(row, "n") as usize
    };
    let rms = delivery.rms_by_fitting("final");
    let answered: BTreeSet<&str> = (0..delivery.outcomes.rows.len())
        .filter(|&row| {
            delivery.outcomes.get(row, "instrument") == "ioi-ha"
                && delivery.outcomes.get(row, "item") == "4"
        })
        .map(|row| delivery.outcomes.get(row, "fitting_id"))
        .collect();
    let mut all = 0;
    let mut without_new = 0;
    let mut over_sixty = 0;
    let mut latest: BTreeMap<&str, (&str, &str)> = BTreeMap::new();
    for row in 0..delivery.fittings.rows.len() {
        let at = |column: &str| delivery.fittings.get(row, column);
        let id = at("fitting_id");
        if !rms.contains_key(id) {
            continue;
        }
        let quarter = quarter(at("fitted_on"));
        // Quarters as text are compared with their fittings' ids after them.
        let key = (Box::leak(quarter.into_boxed_str()) as &str, id);
        let kept = latest.entry(at("patient_id")).or_insert(key);
        *kept = (*kept).max(key);
        if !answered.contains(id) {
            continue;
        }
        all += 1;
        without_new += usize::from(at("experience") != "new");
        over_sixty += usize::from(
            at("age_years")
                .parse::<f64>()
                .map_or(true, |age| age >= 60.0),
        );
    }
    let of_latest = latest
        .values()
        .filter(|(_, id)| answered.contains(id))
        .count();
    assert!(of_latest < all && without_new < all && over_sixty < all);
    assert_eq!(n(""), all);
    assert_eq!(n("unit = 'latest-fitting'\n"), of_latest);
    assert_eq!(
        n("[[exclusions]]\ncolumn = 'experience'\nvalues = ['new']\nreason = 'r'\n"),
        without_new
    );
    assert_eq!(
        n("[[exclusions]]\ncolumn = 'age_years'\nbelow = 60\nreason = 'r'\n"),
        over_sixty
    );
}

/// The quarter of a date, a month or a quarter.
fn quarter(text: &str) -> String {
    let (year, rest) = text.split_once('-').expect("a year");
    match rest.strip_prefix('Q') {
        Some(number) => format!("{year}-Q{number}"),
        None => {
            let month: u32 = rest.get(..2).and_then(|m| m.parse().ok()).expect("a month");
            format!("{year}-Q{}", month.div_ceil(3))
        }
    }
}

#[test]
fn what_cannot_be_estimated_is_empty_and_says_why() {
    let workspace = Workspace::invented(300, 9);
    // A column that is the same for all says nothing and is no fault.
    let rows = association(&workspace, &format!("{QUICK}covariates = ['x_data']\n"));
    let row = rows.find(&[("method", "ordinal"), ("weighted", "false")]);
    assert!(rows.real(row, "estimate").is_finite());
    // Two columns that say the same.
    workspace.write(
        "plan.toml",
        format!("{QUICK}covariates = ['age_years', 'x_region', 'clinic_id']\n"),
    );
    for (query, column) in [("association", "interval"), ("clinicians", "how")] {
        let rows = workspace.query(&[query, "c", "--plan", "plan.toml"]);
        for row in 0..rows.rows.len() {
            for cell in &rows.rows[row] {
                assert!(!cell.contains("NaN") && !cell.contains("inf"), "{cell}");
            }
            assert!(!rows.get(row, column).is_empty());
        }
    }
    // One clinician: nothing to compare.
    let rows = workspace.query(&["variance", "c", "--where", "clinician_id=clinician-01"]);
    assert!(!rows.rows.is_empty());
    for row in 0..rows.rows.len() {
        assert_eq!(rows.get(row, "estimate"), "");
        assert_eq!(
            rows.get(row, "how"),
            "not estimable: there are fewer than two groups to compare"
        );
    }
    // Nobody at all.
    for query in ["association", "ears", "clinicians", "variance", "trends"] {
        workspace.ok(&["query", query, "c", "--where", "clinic_id=nowhere"]);
    }
}

#[test]
fn a_covariate_that_the_cohort_lacks_is_named_with_those_it_has() {
    let workspace = Workspace::invented(40, 1);
    workspace.write("plan.toml", "covariates = ['x_shoe']\n");
    let run = workspace.run(&["query", "association", "c", "--plan", "plan.toml"]);
    assert_eq!(run.code, 2, "{}", run.shown());
    assert!(run.stderr.contains("x_shoe"), "{}", run.shown());
    assert!(run.stderr.contains("x_region"), "{}", run.shown());
    workspace.write("plan.toml", "resample = 100\n");
    let run = workspace.run(&["query", "association", "c", "--plan", "plan.toml"]);
    assert_eq!(run.code, 2, "{}", run.shown());
    assert!(
        run.stderr.contains("did you mean `resamples`?"),
        "{}",
        run.shown()
    );
}

/// The share satisfied and its bounds by plain counts: from none to all of the missing answers satisfied; and, with no
/// covariate and a response rate that is the same everywhere, weights that change little.
#[test]
fn shares_satisfied_and_their_bounds_are_plain_counts() {
    let delivery = delivery();
    let workspace = &delivery.workspace;
    workspace.write(
        "plan.toml",
        format!("{QUICK}covariates = []\nminimum_cell = 1\n"),
    );
    let arguments = ["report", "c", "--out", "r", "--plan", "plan.toml"];
    workspace.ok(&[&arguments[..], &["--reader", "researcher"]].concat());
    let table = |name: &str| {
        let path = workspace.path(&format!("r/researcher/tables/{name}.csv"));
        Rows::parse(&std::fs::read_to_string(path).expect("a table"))
    };
    let rms = delivery.rms_by_fitting("final");
    let scores: Vec<f64> = (0..delivery.outcomes.rows.len())
        .filter(|&row| {
            delivery.outcomes.get(row, "instrument") == "ioi-ha"
                && delivery.outcomes.get(row, "item") == "4"
                && rms.contains_key(delivery.outcomes.get(row, "fitting_id"))
        })
        .map(|row| delivery.outcomes.real(row, "score"))
        .collect();
    let (asked, answered) = (rms.len() as f64, scores.len() as f64);
    let yes = scores.iter().filter(|score| **score >= 4.0).count() as f64;
    let found = table("satisfied");
    let at = |treatment: &str| found.find(&[("treatment", treatment)]);
    close(found.real(at("answered"), "n"), answered, "answered");
    close(
        found.real(at("answered"), "estimate"),
        yes / answered,
        "share",
    );
    let bounds = at("bounds");
    close(found.real(bounds, "n"), asked, "asked");
    close(found.real(bounds, "lo"), yes / asked, "lower bound");
    close(
        found.real(bounds, "hi"),
        (yes + asked - answered) / asked,
        "upper bound",
    );
    let weights = table("weights");
    close(weights.real(0, "n"), asked, "asked");
    close(weights.real(0, "n_answered"), answered, "answered");
    assert!(weights.real(0, "effective") <= answered);
    // The model of the report is the one of the query.
    let rows = association(
        workspace,
        &format!("{QUICK}covariates = []\nminimum_cell = 1\n"),
    );
    let ordinal = rows.find(&[("method", "ordinal"), ("weighted", "false")]);
    let model = table("model");
    let term = model.find(&[("model", "adjusted"), ("term", "rms")]);
    for column in ["estimate", "lo", "hi", "p"] {
        close(model.real(term, column), rows.real(ordinal, column), column);
    }
    close(
        model.real(term, "odds_ratio"),
        rows.real(ordinal, "estimate").exp(),
        "odds ratio",
    );
}

/// The text of the plan file stands in the provenance as it was written, comments included.
#[test]
fn the_plan_file_is_in_the_provenance_whole() {
    let workspace = Workspace::invented(60, 2);
    let plan = "# agreed in March\nresamples = 100\npermutations = 99\n\n[primary]\nmethod = \"kendall\" # not rho\n";
    workspace.write("plan.toml", plan);
    let arguments = ["report", "c", "--out", "r", "--plan", "plan.toml"];
    workspace.ok(&[&arguments[..], &["--reader", "researcher"]].concat());
    let read = |name: &str| {
        std::fs::read_to_string(workspace.path(&format!("r/researcher/{name}"))).expect(name)
    };
    let provenance: serde_json::Value =
        serde_json::from_str(&read("provenance.json")).expect("JSON");
    assert_eq!(provenance["plan_file"], plan);
    let page = read("index.html");
    assert!(page.contains("# agreed in March"));
    assert!(page.contains("the analysis Kendall"));
}
