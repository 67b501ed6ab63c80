//! Every row of `tests/reference/basic.csv`, which names its tool, version and call, against our functions.

use std::collections::BTreeMap;

use super::super::{
    control_chart, description, funnel, multiplicity, proportion, random_intercept, rank, spread,
    trend,
};
use super::{column, groups, labelled, pairs, table};

const BASIC: &str = include_str!("../../../../tests/reference/basic.csv");

/// Our values by (case, quantity), with the relative tolerance each is held to.
#[derive(Default)]
pub(super) struct Ours(BTreeMap<(String, String), (f64, f64)>);

impl Ours {
    pub(super) fn add(&mut self, case: &str, quantity: &str, value: f64, tolerance: f64) {
        let before = self
            .0
            .insert((case.to_owned(), quantity.to_owned()), (value, tolerance));
        assert!(before.is_none(), "{case}, {quantity} twice");
    }

    pub(super) fn add_interval(
        &mut self,
        case: &str,
        quantity: &str,
        value: super::super::Interval,
        tolerance: f64,
    ) {
        self.add(case, &format!("{quantity} lo"), value.lo, tolerance);
        self.add(case, &format!("{quantity} hi"), value.hi, tolerance);
    }
}

/// Closed forms agree to rounding.
pub(super) const EXACT: f64 = 1e-12;
/// Distribution functions of two libraries.
pub(super) const DISTRIBUTION: f64 = 1e-10;
/// Roots of likelihood equations.
pub(super) const ROOT: f64 = 1e-8;

#[test]
fn every_reference_value_is_reproduced() {
    let mut ours = Ours::default();
    descriptions(&mut ours);
    proportions(&mut ours);
    ranks(&mut ours);
    spreads(&mut ours);
    trends(&mut ours);
    multiplicities(&mut ours);
    random_intercepts(&mut ours);
    funnels(&mut ours);
    charts(&mut ours);

    compare(BASIC, ours);
}

/// Holds every row of a file of reference values against ours: none may differ, be unknown or be left over.
pub(super) fn compare(reference: &str, mut ours: Ours) {
    let mut faults = Vec::new();
    for line in reference.lines().skip(1) {
        let fields: Vec<&str> = line.splitn(4, ',').collect();
        let key = (fields[0].to_owned(), fields[1].to_owned());
        let wanted: f64 = fields[2].parse().unwrap();
        // The permutation rows belong to random draws, which `permutation.rs` holds against them.
        if fields[1].contains("permutation") {
            continue;
        }
        match ours.0.remove(&key) {
            None => faults.push(format!("{key:?}: not computed")),
            Some((got, tolerance)) => {
                let scale = if wanted == 0.0 { 1.0 } else { wanted.abs() };
                let error = (got - wanted).abs() / scale;
                if error.is_nan() || error > tolerance {
                    faults.push(format!(
                        "{key:?}: got {got:?}, wanted {wanted:?}, relative error {error:e}"
                    ));
                }
            }
        }
    }
    faults.extend(
        ours.0
            .keys()
            .map(|key| format!("{key:?}: not in the reference")),
    );
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

/// A value of `basic.csv`.
pub(super) fn wanted(case: &str, quantity: &str) -> f64 {
    let start = format!("{case},{quantity},");
    let line = BASIC
        .lines()
        .find(|line| line.starts_with(&start))
        .expect("a known row");
    line.split(',').nth(2).unwrap().parse().unwrap()
}

fn descriptions(ours: &mut Ours) {
    let eight = [1.0, 3.0, 4.0, 10.0, 15.0, 20.0, 22.0, 30.0];
    for p in [0.1, 0.25, 0.3, 0.5, 0.9] {
        ours.add(
            "eight",
            &format!("quantile {p}"),
            description::quantile(&eight, p).unwrap(),
            EXACT,
        );
    }
    let mut lew = column("lew", 0);
    let moments = description::mean_sd(&lew).unwrap();
    let interval = description::mean_interval(moments.n, moments.mean, moments.sd).unwrap();
    ours.add_interval("lew", "mean interval", interval, DISTRIBUTION);
    lew.sort_unstable_by(f64::total_cmp);
    for p in [0.05, 0.25, 0.5, 0.75, 0.95] {
        ours.add(
            "lew",
            &format!("quantile {p}"),
            description::quantile(&lew, p).unwrap(),
            EXACT,
        );
    }
    for n in [2, 3, 30, 1001, 1002, 100_000, 1_000_000_000] {
        let hi = description::mean_interval(n, 10.0, 2.0).unwrap().hi;
        ours.add(
            &format!("mean 10 sd 2 n {n}"),
            "mean interval hi",
            hi,
            DISTRIBUTION,
        );
    }
}

fn proportions(ours: &mut Ours) {
    for (r, n) in [
        (81, 263),
        (15, 148),
        (0, 20),
        (1, 29),
        (29, 29),
        (1, 2),
        (49_990, 100_000),
        (1, 100_000),
    ] {
        let case = format!("{r}/{n}");
        ours.add_interval(&case, "wilson", proportion::wilson(r, n).unwrap(), EXACT);
        ours.add_interval(
            &case,
            "clopper-pearson",
            proportion::clopper_pearson(r, n).unwrap(),
            1e-9,
        );
    }
    // Large samples, where the incomplete beta function of double precision has fewer digits.
    for (r, n) in [
        (333_333, 1_000_000),
        (1, 10_000_000),
        (300_000_000, 1_000_000_000),
    ] {
        let exact = proportion::clopper_pearson(r, n).unwrap();
        ours.add_interval(&format!("{r}/{n}"), "clopper-pearson", exact, 1e-7);
    }
    for (a, m, b, n) in [
        (56, 70, 48, 80),
        (9, 10, 3, 10),
        (6, 7, 2, 7),
        (0, 10, 0, 20),
        (0, 10, 0, 10),
        (10, 10, 0, 20),
        (10, 10, 0, 10),
    ] {
        let interval = proportion::newcombe_difference((a, m), (b, n)).unwrap();
        ours.add_interval(&format!("{a}/{m}-{b}/{n}"), "newcombe", interval, EXACT);
    }
}

fn ranks(ours: &mut Ours) {
    for case in [
        "bonett",
        "kendall_gibbons",
        "hollander_wolfe",
        "seven",
        "clusters",
    ] {
        let (_, x, y) = pairs(case);
        let n = x.len() as u64;
        let rho = rank::spearman(&x, &y).unwrap();
        let kendall = rank::kendall(&x, &y).unwrap();
        ours.add(case, "rho", rho, EXACT);
        ours.add(
            case,
            "rho p",
            rank::spearman_p(rho, n).unwrap(),
            DISTRIBUTION,
        );
        ours.add_interval(
            case,
            "rho interval",
            rank::bonett_wright(rho, n).unwrap(),
            EXACT,
        );
        ours.add(case, "tau_b", kendall.tau_b, EXACT);
        ours.add(case, "tau_b p", kendall.p().unwrap(), DISTRIBUTION);
        ours.add_interval(
            case,
            "tau_b interval",
            rank::kendall_interval(kendall.tau_b, n).unwrap(),
            EXACT,
        );
        ours.add(case, "S", kendall.s as f64, 0.0);
    }
}

fn spreads(ours: &mut Ours) {
    let gears = labelled("gears");
    let batches: Vec<&[f64]> = gears.iter().map(|(_, values)| values.as_slice()).collect();
    let uneven = [&batches[4][..3], &batches[5][..7], batches[6]];
    for (case, groups) in [
        ("gears", batches.as_slice()),
        ("gears uneven", uneven.as_slice()),
    ] {
        let test = spread::brown_forsythe(groups).unwrap();
        // The diameters differ in their third decimal only: four digits are lost before the test begins.
        ours.add(case, "W", test.w, 1e-9);
        ours.add(case, "p", test.p, 1e-9);
    }
    for n in [2, 10, 100, 5000] {
        let interval = spread::sd_interval(n, 1.0).unwrap();
        ours.add_interval(
            &format!("sd 1 n {n}"),
            "sd interval",
            interval,
            DISTRIBUTION,
        );
    }
}

fn trends(ours: &mut Ours) {
    let malformation: ([u64; 5], [u64; 5]) = ([48, 38, 5, 1, 1], [17114, 14502, 793, 127, 38]);
    let smokers: ([u64; 4], [u64; 4]) = ([83, 90, 129, 70], [86, 93, 136, 82]);
    let tests = [
        (
            "malformation",
            trend::cochran_armitage(&[0.0, 0.5, 1.5, 4.0, 7.0], &malformation.0, &malformation.1),
        ),
        (
            "malformation equal steps",
            trend::cochran_armitage(&[1.0, 2.0, 3.0, 4.0, 5.0], &malformation.0, &malformation.1),
        ),
        (
            "smokers",
            trend::cochran_armitage(&[1.0, 2.0, 3.0, 4.0], &smokers.0, &smokers.1),
        ),
        (
            "smokers last",
            trend::cochran_armitage(&[0.0, 0.0, 0.0, 1.0], &smokers.0, &smokers.1),
        ),
    ];
    for (case, test) in tests {
        let test = test.unwrap();
        ours.add(case, "chi squared", test.chi_squared, 1e-11);
        ours.add(case, "p", test.p, DISTRIBUTION);
    }
}

fn multiplicities(ours: &mut Ours) {
    let p = super::published::BENJAMINI_1995;
    for (name, adjusted) in [
        ("holm", multiplicity::holm(&p).unwrap()),
        ("bh", multiplicity::benjamini_hochberg(&p).unwrap()),
    ] {
        for (index, value) in adjusted.into_iter().enumerate() {
            ours.add("benjamini 1995", &format!("{name} {index}"), value, EXACT);
        }
    }
}

fn random_intercepts(ours: &mut Ours) {
    for case in ["dyestuff", "dyestuff2", "rail", "unbalanced"] {
        let groups = groups(case);
        let fit = random_intercept::fit(&groups).unwrap();
        ours.add(case, "mu", fit.mu, 1e-11);
        ours.add(case, "se_mu", fit.se_mu, ROOT);
        ours.add(case, "var_between", fit.var_between, ROOT);
        ours.add(case, "var_within", fit.var_within, ROOT);
        ours.add(case, "icc", fit.icc, ROOT);
        ours.add(
            case,
            "-2 log likelihood",
            fit.minus_two_log_likelihood,
            EXACT,
        );
        let intervals = random_intercept::intervals(&groups, &fit).unwrap();
        ours.add_interval(case, "between_sd", intervals.between_sd, ROOT);
        ours.add_interval(case, "within_sd", intervals.within_sd, ROOT);
        ours.add_interval(case, "icc", intervals.icc, ROOT);
        let shrunken = fit.shrunken(&groups).unwrap();
        for ((label, _), group) in labelled(case).iter().zip(shrunken) {
            ours.add(case, &format!("effect {label}"), group.effect, ROOT);
            ours.add(
                case,
                &format!("conditional sd {label}"),
                group.conditional_sd,
                ROOT,
            );
            ours.add(
                case,
                &format!("prediction sd {label}"),
                group.prediction_error_sd,
                ROOT,
            );
            ours.add(
                case,
                &format!("estimate sd {label}"),
                group.estimate_error_sd,
                ROOT,
            );
        }
    }
}

fn funnels(ours: &mut Ours) {
    // The two largest come from the expansion.
    for n in [
        1,
        20,
        50,
        100,
        200,
        500,
        1000,
        100_000,
        1_000_000,
        100_000_000,
    ] {
        for p in [0.001, 0.025, 0.975, 0.999] {
            let limit = funnel::binomial_limit(0.074, n, p).unwrap();
            ours.add(
                &format!("target 0.074 n {n}"),
                &format!("limit {p}"),
                limit,
                1e-8,
            );
        }
    }
    let (z, errors) = surgical_scores();
    for (row, z) in table("surgical").iter().zip(&z) {
        ours.add("surgical", &format!("z {}", row[0]), *z, EXACT);
    }
    let dispersion = funnel::dispersion(&z, &errors).unwrap();
    ours.add("surgical", "phi", dispersion.phi, EXACT);
    ours.add(
        "surgical",
        "phi winsorised",
        dispersion.phi_winsorised,
        EXACT,
    );
    ours.add("surgical", "tau squared", dispersion.tau_squared, 1e-11);
    ours.add(
        "surgical",
        "tau squared winsorised",
        dispersion.tau_squared_winsorised,
        1e-11,
    );
    let widening = funnel::Widening::Additive(dispersion.tau_squared_winsorised);
    for ((row, z), error) in table("surgical").iter().zip(&z).zip(&errors) {
        let widened = z * error / widening.standard_error(*error).unwrap();
        ours.add("surgical", &format!("z widened {}", row[0]), widened, 1e-11);
    }
}

/// z scores and standard errors of the 12 hospitals around their common share.
pub(super) fn surgical_scores() -> (Vec<f64>, Vec<f64>) {
    let counts = surgical_counts();
    let deaths: u64 = counts.iter().map(|c| c.0).sum();
    let operations: u64 = counts.iter().map(|c| c.1).sum();
    let target = deaths as f64 / operations as f64;
    let z = counts
        .iter()
        .map(|&(r, n)| funnel::z_of_share(r, n, target).unwrap())
        .collect();
    let errors = counts
        .iter()
        .map(|&(_, n)| (target * (1.0 - target) / n as f64).sqrt())
        .collect();
    (z, errors)
}

fn surgical_counts() -> Vec<(u64, u64)> {
    table("surgical")
        .iter()
        .map(|row| (row[1].parse().unwrap(), row[2].parse().unwrap()))
        .collect()
}

fn charts(ours: &mut Ours) {
    for n in [2, 3, 4, 5, 6, 8, 10, 25, 100, 1000, 1001, 5000, 1_000_000] {
        let case = format!("n {n}");
        ours.add(&case, "c4", control_chart::c4(n).unwrap(), 1e-11);
        ours.add(&case, "A3", control_chart::a3(n).unwrap(), 1e-11);
        let (b3, b4) = control_chart::b3_b4(n).unwrap();
        // 1 - c4^2 is near 1/(2n), so digits of c4 are lost in proportion to n.
        ours.add(&case, "B3", b3, 1e-8);
        ours.add(&case, "B4", b4, 1e-8);
    }
    let wafers: Vec<(u64, u64)> = super::published::WAFERS.iter().map(|&r| (r, 50)).collect();
    ours.add(
        "wafers",
        "sigma_z",
        control_chart::p_chart(&wafers, true).unwrap().sigma_z,
        EXACT,
    );
    let surgical = control_chart::p_chart(&surgical_counts(), true).unwrap();
    ours.add("surgical", "sigma_z", surgical.sigma_z, EXACT);
    let settings = control_chart::EwmaSettings {
        lambda: 0.3,
        width: 3.0,
    };
    let points =
        control_chart::ewma(&super::published::EWMA, &[1; 20], 50.0, 2.0539, settings).unwrap();
    for (index, point) in points.iter().enumerate() {
        ours.add("ewma", &format!("z {}", index + 1), point.value, EXACT);
        ours.add("ewma", &format!("upper {}", index + 1), point.upper, EXACT);
    }
}
