//! The data sets of NIST with their certified values: read where they are measurements, made where a rule gives them.
//!
//! Each rule was held against the file of NIST once, value by value, and gives the same numbers.

use super::columns;

/// One certified linear regression. Fields after the data: coefficients, their errors, s, R-squared, F.
pub(super) struct Certified {
    pub(super) set: &'static str,
    pub(super) y: Vec<f64>,
    pub(super) x: Vec<Vec<f64>>,
    pub(super) coefficients: Vec<f64>,
    pub(super) errors: Vec<f64>,
    pub(super) s: f64,
    pub(super) r_squared: f64,
    pub(super) f: Option<f64>,
    /// Floors in digits: coefficients, errors, the rest.
    pub(super) floors: [f64; 3],
}

/// Powers 1 to `degree` of one variable, by multiplication: `powi` may round differently from one release to the next.
fn powers(x: &[f64], degree: usize) -> Vec<Vec<f64>> {
    let mut powers = vec![x.to_vec()];
    while powers.len() < degree {
        let last = powers.iter().last().into_iter().flatten();
        powers.push(last.zip(x).map(|(power, x)| power * x).collect());
    }
    powers
}

fn read(name: &str) -> (Vec<f64>, Vec<Vec<f64>>) {
    let mut columns = columns(name);
    let y = columns.remove(0);
    (y, columns)
}

pub(super) fn norris() -> Certified {
    let (y, x) = read("norris");
    Certified {
        set: "Norris",
        y,
        x,
        coefficients: vec![-0.262323073774029, 1.00211681802045],
        errors: vec![0.232818234301152, 0.000429796848199937],
        s: 0.884796396144373,
        r_squared: 0.999993745883712,
        f: Some(5436385.54079785),
        floors: [12.0, 12.8, 12.5],
    }
}

pub(super) fn longley() -> Certified {
    let (y, x) = read("longley");
    Certified {
        set: "Longley",
        y,
        x,
        coefficients: vec![
            -3482258.63459582,
            15.0618722713733,
            -0.0358191792925910,
            -2.02022980381683,
            -1.03322686717359,
            -0.0511041056535807,
            1829.15146461355,
        ],
        errors: vec![
            890420.383607373,
            84.9149257747669,
            0.0334910077722432,
            0.488399681651699,
            0.214274163161675,
            0.226073200069370,
            455.478499142212,
        ],
        s: 304.854073561965,
        r_squared: 0.995479004577296,
        f: Some(330.285339234588),
        floors: [13.0, 13.0, 13.0],
    }
}

pub(super) fn filip() -> Certified {
    let (y, x) = read("filip");
    Certified {
        set: "Filip",
        y,
        x: powers(&x[0], 10),
        coefficients: vec![
            -1467.48961422980,
            -2772.17959193342,
            -2316.37108160893,
            -1127.97394098372,
            -354.478233703349,
            -75.1242017393757,
            -10.8753180355343,
            -1.06221498588947,
            -0.0670191154593408,
            -0.00246781078275479,
            -0.0000402962525080404,
        ],
        errors: vec![
            298.084530995537,
            559.779865474950,
            466.477572127796,
            227.204274477751,
            71.6478660875927,
            15.2897178747400,
            2.23691159816033,
            0.221624321934227,
            0.0142363763154724,
            0.000535617408889821,
            0.00000896632837373868,
        ],
        s: 0.00334801051324544,
        r_squared: 0.996727416185620,
        f: Some(2162.43954511489),
        floors: [6.5, 6.6, 7.4],
    }
}

/// Noise of the Wampler sets 3 to 5, in their units.
const DELTA: [f64; 21] = [
    759.0, -2048.0, 2048.0, -2048.0, 2523.0, -2048.0, 2048.0, -2048.0, 1838.0, -2048.0, 2048.0,
    -2048.0, 1838.0, -2048.0, 2048.0, -2048.0, 2523.0, -2048.0, 2048.0, -2048.0, 759.0,
];

/// Wampler 1 to 5: a polynomial of degree 5 at 0 to 20, exact in sets 1 and 2, with growing noise in 3 to 5.
pub(super) fn wampler(which: usize) -> Certified {
    let x: Vec<f64> = (0..=20).map(f64::from).collect();
    let noise = [0.0, 0.0, 1.0, 100.0, 10_000.0][which - 1];
    let errors = [
        2152.32624678170,
        2363.55173469681,
        779.343524331583,
        101.475507550350,
        5.64566512170752,
        0.112324854679312,
    ];
    // In whole numbers, so that y is the decimal number which NIST prints: set 2 has steps of 10^-5.
    let y = (0..=20_u64)
        .zip(DELTA)
        .map(|(x, delta)| {
            let sum = |base: u64| (0..=5).map(|k| x.pow(k) * base.pow(5 - k)).sum::<u64>() as f64;
            match which {
                2 => sum(10) / 1e5,
                _ => sum(1) + noise * delta,
            }
        })
        .collect();
    let base: f64 = if which == 2 { 10.0 } else { 1.0 };
    Certified {
        set: ["Wampler1", "Wampler2", "Wampler3", "Wampler4", "Wampler5"][which - 1],
        y,
        x: powers(&x, 5),
        coefficients: (0..=5).map(|k| 1.0 / base.powi(k)).collect(),
        errors: errors.map(|error| error * noise).to_vec(),
        s: 2360.14502379268 * noise,
        r_squared: [
            1.0,
            1.0,
            0.999995559025820,
            0.957478440825662,
            0.00224668921574940,
        ][which - 1],
        f: [
            None,
            None,
            Some(675524.458240122),
            Some(67.5524458240122),
            Some(0.00675524458240122),
        ][which - 1],
        floors: [
            [8.3, 8.9, 14.0],
            [12.7, 12.0, 14.0],
            [8.1, 12.4, 12.7],
            [6.8, 12.4, 13.5],
            [4.9, 12.4, 13.5],
        ][which - 1],
    }
}

/// Nine levels around `base` in tenths, in each one value at the level, then as many a tenth below as above.
///
/// This rule gives the files SmLs01 to SmLs09 of NIST; checked against files 1 to 6, value by value.
pub(super) fn simon_lesage(base: u64, size: usize) -> Vec<Vec<f64>> {
    [4, 3, 5, 3, 5, 3, 5, 3, 5]
        .iter()
        .map(|level| {
            // A whole number over ten is the f64 nearest to the printed decimal.
            let middle = 10 * base + level;
            (0..size)
                .map(|place| match place {
                    0 => middle,
                    place if place % 2 == 1 => middle - 1,
                    _ => middle + 1,
                })
                .map(|tenths| tenths as f64 / 10.0)
                .collect()
        })
        .collect()
}

/// The digits of pi, by Machin's formula (1706) in whole numbers: pi = 16 arctan(1/5) - 4 arctan(1/239).
fn digits_of_pi(count: usize) -> Vec<f64> {
    const LIMB: u64 = 1_000_000_000;
    let limbs = count / 9 + 3;
    let divide = |number: &mut [u64], by: u64| {
        let mut rest = 0;
        for limb in number.iter_mut() {
            let value = rest * LIMB + *limb;
            (*limb, rest) = (value / by, value % by);
        }
    };
    // The first limb holds the whole part, modulo its size, so that sums may pass below 0 on the way.
    let mut pi = vec![0; limbs];
    for (times, inverse, negative) in [(16, 5, false), (4, 239, true)] {
        let mut power = vec![0; limbs];
        power[0] = times;
        divide(&mut power, inverse);
        let mut odd = 1;
        while power.iter().any(|limb| *limb != 0) {
            let mut term = power.clone();
            divide(&mut term, odd);
            let subtract = negative != (odd % 4 == 3);
            let mut carry = 0;
            for (sum, limb) in pi.iter_mut().zip(&term).rev() {
                let value = if subtract {
                    LIMB + *sum - limb - carry
                } else {
                    *sum + limb + carry
                };
                *sum = value % LIMB;
                carry = if subtract {
                    u64::from(value < LIMB)
                } else {
                    value / LIMB
                };
            }
            divide(&mut power, inverse * inverse);
            odd += 2;
        }
    }
    let fraction = pi[1..].iter().flat_map(|limb| {
        let limb = *limb;
        (0..9).rev().map(move |place| limb / 10_u64.pow(place) % 10)
    });
    [pi[0]]
        .into_iter()
        .chain(fraction)
        .take(count)
        .map(|digit| digit as f64)
        .collect()
}

/// The file PiDigits of NIST: 5000 digits of pi, but for one slip in the file. At place 957 it has a 3 where pi has an
/// 8, and the certified values are those of the file (those of pi itself: mean 4.5358). Checked value by value.
pub(super) fn pi_as_in_the_file() -> Vec<f64> {
    let mut digits = digits_of_pi(5000);
    assert_eq!(digits[956], 8.0);
    digits[956] = 3.0;
    digits
}

/// NumAcc2 to 4 from ten times their first value: that value, then 500 pairs a tenth below and above it.
pub(super) fn numerical_accuracy(tenths: u64) -> Vec<f64> {
    let pairs = std::iter::repeat_n([tenths - 1, tenths + 1], 500).flatten();
    std::iter::once(tenths)
        .chain(pairs)
        .map(|tenths| tenths as f64 / 10.0)
        .collect()
}
