//! Efron's law-school data, whose bootstrap distribution is known exactly.

use super::super::super::resampling::{Design, cluster_bootstrap};
use super::super::super::{NotEstimable, Z_95};
use super::super::{close, correct_digits};
use super::{
    DISTRIBUTION, EXACT, LAW_SCHOOL, LAW_SCHOOL_CDF, Levels, Ours, Replicates, bca_level,
    bias_correction, columns,
};

/// The product-moment correlation of rows that count as often as their multiplicity says.
fn correlation(x: &[f64], y: &[f64], multiplicities: &[u32]) -> Result<f64, NotEstimable> {
    let weights = || multiplicities.iter().map(|m| f64::from(*m));
    let n: f64 = weights().sum();
    let mean = |v: &[f64]| v.iter().zip(weights()).map(|(v, w)| v * w).sum::<f64>() / n;
    let (mean_x, mean_y) = (mean(x), mean(y));
    let mut sums = [0.0; 3];
    for ((x, y), w) in x.iter().zip(y).zip(weights()) {
        let (x, y) = (x - mean_x, y - mean_y);
        sums[0] += w * x * x;
        sums[1] += w * y * y;
        sums[2] += w * x * y;
    }
    // One school alone leaves only rounding (of the size 1e-28 for LSAT).
    if sums[0] < 1e-12 || sums[1] < 1e-12 {
        return Err(NotEstimable::AllEqual);
    }
    Ok((sums[2] / (sums[0] * sums[1]).sqrt()).clamp(-1.0, 1.0))
}

fn resampled(replicates: u64, seed: u64) -> Replicates {
    let table = columns(LAW_SCHOOL);
    let design = Design {
        clusters: 15,
        replicates,
        seed,
        domain: "law school",
    };
    let [r] = cluster_bootstrap(
        design,
        || (),
        |multiplicities, ()| [correlation(&table[0], &table[1], multiplicities)],
    )
    .unwrap();
    r.unwrap()
}

/// P(<) of the full enumeration plus half of P(=), see `data/law_school_cdf.csv`.
const SHARE_UNDER: f64 = 0.461365949321 + 2.98628137256e-06 / 2.0;

pub(super) fn add(ours: &mut Ours) {
    let case = "law school";
    let got = resampled(2, 0);
    ours.add(case, "r", got.estimate, EXACT);
    for (i, value) in got.jackknife.iter().enumerate() {
        ours.add(case, &format!("r without {}", i + 1), *value, EXACT);
    }
    // Cubes of small differences lose a few digits.
    let a = got.acceleration().unwrap();
    ours.add(case, "acceleration", a, DISTRIBUTION);
    let z0 = bias_correction(SHARE_UNDER).unwrap();
    ours.add(case, "z0", z0, DISTRIBUTION);
    for (z, level) in [
        (-Z_95, 0.025),
        (-1.6448536269514722, 0.05),
        (1.6448536269514722, 0.95),
        (Z_95, 0.975),
    ] {
        let share = bca_level(z, z0, a).unwrap();
        ours.add(case, &format!("BCa level {level}"), share, DISTRIBUTION);
    }
}

/// The published r of 0.776 (Efron & Tibshirani 1993). The exact z0 and BCa levels of the enumeration, computed in C,
/// take the share under r without half of the ties; with that share the same formulas give the same digits.
#[test]
fn published_values() {
    let got = resampled(2, 0);
    assert_eq!(format!("{:.3}", got.estimate), "0.776");
    let z0 = bias_correction(0.461365949321).unwrap();
    close(z0, -0.0969930689909, 1e-11);
    let a = got.acceleration().unwrap();
    close(a, -0.0756715649379, 1e-12);
    for (z, share) in [(-Z_95, 0.0056522115), (Z_95, 0.9377059145)] {
        // Ten printed decimals.
        close(bca_level(z, z0, a).unwrap(), share, 1e-10);
    }
    // The mean of the jackknife less r, times 14, is the jackknife's bias; its error as Efron gives it.
    let mean = got.jackknife.iter().sum::<f64>() / 15.0;
    close(14.0 * (mean - got.estimate), -0.00647362304592, 1e-12);
    let squares: f64 = got.jackknife.iter().map(|v| (v - mean).powi(2)).sum();
    close((squares * 14.0 / 15.0).sqrt(), 0.142518618602272, 1e-12);
}

/// The exact P(r* <= r), linear between the points of the table.
fn exact_share(table: &[Vec<f64>], r: f64) -> f64 {
    let above = table[0].partition_point(|v| *v < r);
    assert!(above > 0 && above < table[0].len(), "{r}");
    let (r0, r1) = (table[0][above - 1], table[0][above]);
    let (p0, p1) = (table[1][above - 1], table[1][above]);
    p0 + (r - r0) / (r1 - r0) * (p1 - p0)
}

/// Quantiles, standard error and limits of random resamples against the exact distribution, within four standard
/// errors of a share. Between points half a per cent apart the line errs by under 1e-4, against 4e-3.
#[test]
fn resamples_follow_the_exact_distribution() {
    let table = columns(LAW_SCHOOL_CDF);
    let b = 20_000;
    let got = resampled(b, 2026);
    assert_eq!((got.failed, got.values.len() as u64), (0, b));
    let error = |p: f64| 4.0 * (p * (1.0 - p) / b as f64).sqrt();
    let mut sorted = got.values.clone();
    sorted.sort_unstable_by(f64::total_cmp);
    for p in [0.005, 0.025, 0.05, 0.16, 0.25, 0.5, 0.75, 0.84, 0.95, 0.975] {
        let q = super::super::super::description::quantile(&sorted, p).unwrap();
        let share = exact_share(&table, q);
        assert!((share - p).abs() < error(p) + 1e-4, "{p}: {q} has {share}");
    }
    let percentile = got.percentile(Levels::Nominal).unwrap();
    for (limit, p) in [(percentile.lo, 0.025), (percentile.hi, 0.975)] {
        assert!((exact_share(&table, limit) - p).abs() < error(p) + 1e-4);
    }
    let under = got.values.iter().filter(|v| **v < got.estimate).count() as f64 / b as f64;
    assert!((under - SHARE_UNDER).abs() < error(SHARE_UNDER));
    // The ideal standard error 0.1335598 (enumeration); that of a standard deviation is about 1 % of it here.
    close(got.standard_error().unwrap(), 0.133559762339, 0.006);
    // The mean of the enumeration is 0.770645078388; that of b resamples has the error 0.1336 / sqrt(b).
    let mean = got.values.iter().sum::<f64>() / b as f64;
    close(mean, 0.770645078388, 4.0 * 0.1336 / (b as f64).sqrt());
    // The exact BCa limits 0.33264 and 0.94171: z0 moves by 0.018 (one standard error), the limits by this much.
    let bca = got.bca(Levels::Nominal).unwrap();
    assert!((bca.lo - 0.33264).abs() < 0.06, "{bca:?}");
    assert!((bca.hi - 0.94171).abs() < 0.006, "{bca:?}");
    let wider = got.bca(Levels::Expanded { clusters: 15 }).unwrap();
    assert!(wider.lo < bca.lo && wider.hi > bca.hi);
    assert!(correct_digits(got.estimate, 0.776374491289407) > 14.0);
}

#[test]
fn bit_identical_for_any_number_of_threads() {
    let pool = |threads| {
        rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .unwrap()
            .install(|| resampled(500, 9))
    };
    let one = pool(1);
    assert_eq!(one, pool(2));
    assert_eq!(one, pool(3));
    assert_ne!(one, resampled(500, 10));
}
