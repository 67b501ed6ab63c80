//! The Statistical Reference Datasets of NIST, set by set: digits agreed with the certified values.
//!
//! Source: National Institute of Standards and Technology, Statistical Reference Datasets, itl.nist.gov/div898/strd.
//! The certified values have 15 digits. The floor of each row is at most one digit under what a careful program
//! attains on the set: two passes for means, spreads and sums of squares, Householder QR for regressions (worst
//! coefficient with numpy 2.4.6, `linalg.qr` on the columns as they are: Norris 12.1, Longley 10.9, Filip 7.5, Wampler
//! 9.3, 13.7, 9.1, 7.8, 5.9). Where centring gives more (Longley 14) the floor is one digit under that. Filip has few
//! digits for anyone: the powers up to the tenth are rounded before the fit begins, and numpy gets s to 8 digits. Run
//! with `--nocapture` to read the table.

use super::super::super::analysis_of_variance::one_way;
use super::super::super::description::mean_sd;
use super::super::super::linear::{Linear, Warning, fit};
use super::super::{column, correct_digits};
use super::certified_sets::{
    Certified, filip, longley, norris, numerical_accuracy, pi_as_in_the_file, simon_lesage, wampler,
};
use super::{groups, slices};

/// The rows of the printed table, and the quantities under their floor.
struct Digits {
    table: String,
    faults: Vec<String>,
}

impl Digits {
    fn row(&mut self, set: &str, quantity: &str, got: f64, certified: f64, floor: f64) {
        let digits = correct_digits(got, certified).min(15.0);
        self.keep(set, quantity, got, certified, digits, floor);
    }

    /// A certified value of 0 has no relative error: the digits are counted against `scale` instead.
    fn zero(&mut self, set: &str, quantity: &str, got: f64, scale: f64, floor: f64) {
        let digits = if got == 0.0 {
            15.0
        } else {
            -(got / scale).abs().log10()
        };
        self.keep(set, quantity, got, 0.0, digits.min(15.0), floor);
    }

    fn keep(
        &mut self,
        set: &str,
        quantity: &str,
        got: f64,
        certified: f64,
        digits: f64,
        floor: f64,
    ) {
        let line = format!(
            "{set:<9} {quantity:<5} {got:>24e} {certified:>22e} {digits:>6.1} {floor:>6.1}\n"
        );
        if digits.is_nan() || digits < floor {
            self.faults.push(line.clone());
        }
        self.table.push_str(&line);
    }
}

fn hold(digits: &mut Digits, certified: &Certified) -> Linear {
    let fit = fit(&certified.y, &slices(&certified.x), true).unwrap();
    let [of_coefficients, of_errors, of_rest] = certified.floors;
    for (index, (got, wanted)) in fit
        .coefficients
        .iter()
        .zip(&certified.coefficients)
        .enumerate()
    {
        digits.row(
            certified.set,
            &format!("b{index}"),
            *got,
            *wanted,
            of_coefficients,
        );
    }
    for (index, (got, wanted)) in fit
        .standard_errors
        .iter()
        .zip(&certified.errors)
        .enumerate()
    {
        let name = format!("se{index}");
        if *wanted == 0.0 {
            let scale = certified.coefficients[index];
            digits.zero(certified.set, &name, *got, scale, of_errors);
        } else {
            digits.row(certified.set, &name, *got, *wanted, of_errors);
        }
    }
    if certified.s == 0.0 {
        let largest = certified
            .y
            .iter()
            .fold(0.0, |most: f64, y| most.max(y.abs()));
        digits.zero(certified.set, "s", fit.residual_sd, largest, of_errors);
    } else {
        digits.row(certified.set, "s", fit.residual_sd, certified.s, of_rest);
    }
    digits.row(
        certified.set,
        "R2",
        fit.r_squared,
        certified.r_squared,
        of_rest,
    );
    match (fit.f, certified.f) {
        (Some(got), Some(wanted)) => digits.row(certified.set, "F", got, wanted, of_rest),
        // NIST prints "Infinity" here.
        (got, wanted) => assert_eq!(got, wanted, "{}", certified.set),
    }
    fit
}

fn analysis_of_variance(digits: &mut Digits) {
    // R-squared and the residual SD follow from the certified sums of squares.
    let certified = [
        (
            "SiRstv",
            groups("sirstv"),
            1.18046237440255,
            5.11462616e-2,
            1.0831828e-2,
            11.4,
        ),
        ("SmLs01", simon_lesage(1, 21), 21.0, 1.68, 0.01, 13.5),
        ("SmLs02", simon_lesage(1, 201), 201.0, 16.08, 0.01, 13.9),
        ("SmLs03", simon_lesage(1, 2001), 2001.0, 160.08, 0.01, 13.0),
        ("SmLs04", simon_lesage(1_000_000, 21), 21.0, 1.68, 0.01, 7.7),
        (
            "SmLs05",
            simon_lesage(1_000_000, 201),
            201.0,
            16.08,
            0.01,
            8.3,
        ),
        (
            "SmLs06",
            simon_lesage(1_000_000, 2001),
            2001.0,
            160.08,
            0.01,
            8.3,
        ),
    ];
    for (set, data, f, between, mean_square, floor) in certified {
        let got = one_way(&slices(&data)).unwrap();
        let within = mean_square * got.df_within;
        digits.row(set, "F", got.f, f, floor);
        digits.row(set, "SSB", got.ss_between, between, floor);
        digits.row(set, "SSW", got.ss_within, within, floor);
        digits.row(
            set,
            "R2",
            got.r_squared,
            between / (between + within),
            floor,
        );
        digits.row(set, "s", got.residual_sd, mean_square.sqrt(), floor);
    }
}

fn univariate(digits: &mut Digits) {
    let certified = [
        ("Lew", column("lew", 0), -177.435, 277.332168044316, 14.0),
        (
            "Mavro",
            column("mavro", 0),
            2.001856,
            0.000429123454003053,
            12.1,
        ),
        (
            "Michelso",
            column("michelso", 0),
            299.8524,
            0.0790105478190518,
            12.8,
        ),
        (
            "PiDigits",
            pi_as_in_the_file(),
            4.5348,
            2.86733906028871,
            14.0,
        ),
        (
            "NumAcc1",
            vec![10_000_001.0, 10_000_003.0, 10_000_002.0],
            10_000_002.0,
            1.0,
            15.0,
        ),
        ("NumAcc2", numerical_accuracy(12), 1.2, 0.1, 14.0),
        (
            "NumAcc3",
            numerical_accuracy(10_000_002),
            1_000_000.2,
            0.1,
            8.5,
        ),
        (
            "NumAcc4",
            numerical_accuracy(100_000_002),
            10_000_000.2,
            0.1,
            7.3,
        ),
    ];
    for (set, data, mean, sd, floor) in certified {
        let got = mean_sd(&data).unwrap();
        digits.row(set, "mean", got.mean, mean, 14.0);
        digits.row(set, "sd", got.sd, sd, floor);
    }
}

/// Wampler1 and 2 are exact polynomials, with certified errors of 0. There the digits are counted on the scale of the
/// coefficient, or of the largest y for s: rounding must leave nothing that could be printed beside them.
#[test]
#[allow(
    clippy::print_stdout,
    reason = "the table is what the test is read for"
)]
fn nist_certified_values_set_by_set() {
    let mut digits = Digits {
        table: format!(
            "{:<9} {:<5} {:>24} {:>22} {:>6} {:>6}\n",
            "set", "what", "computed", "certified", "digits", "floor"
        ),
        faults: Vec::new(),
    };
    univariate(&mut digits);
    for certified in [norris(), longley()] {
        assert!(hold(&mut digits, &certified).warnings.is_empty());
    }
    let fitted = hold(&mut digits, &filip());
    assert!(
        matches!(fitted.warnings[..], [Warning::IllConditioned { condition }] if condition > 1e9),
        "{:?}",
        fitted.warnings
    );
    assert_eq!(fitted.rank, 11);
    for which in 1..=5 {
        let fitted = hold(&mut digits, &wampler(which));
        let exact = fitted.warnings == [Warning::ExactFit];
        assert_eq!(exact, which <= 2, "{which}: {:?}", fitted.warnings);
    }
    analysis_of_variance(&mut digits);
    println!("{}", digits.table);
    assert!(digits.faults.is_empty(), "{}", digits.faults.concat());
}
