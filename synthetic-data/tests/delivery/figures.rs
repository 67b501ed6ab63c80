//! Figures in the files against published ones, and against the truth's own.

use std::collections::BTreeMap;

use crate::support::{Delivery, clean};

/// NAL-R once more, by its published constants (Byrne & Dillon 1986), at the frequencies where they are
/// sure, as (place of the threshold in `ears`, Hz, k).
const NAL_R: [(usize, &str, f64); 6] = [
    (3, "250", -17.0),
    (4, "500", -8.0),
    (6, "1000", 1.0),
    (8, "2000", -1.0),
    (10, "4000", -2.0),
    (11, "6000", -2.0),
];

/// Targets at 65 dB SPL are NAL-R of the audiogram in the same delivery, negative gain set to zero. Targets
/// in dB SPL lie above that by the input level and one unaided response for all.
#[test]
fn targets_are_nal_r_of_the_delivered_audiogram() {
    let delivery = Delivery::of(&clean(400, 2));
    let level = |text: &String| match text.as_str() {
        ">110" => Some(110.0),
        text => text.parse::<f64>().ok(),
    };
    let mut audiograms = BTreeMap::new();
    for row in delivery.rows("ears") {
        let thresholds: Vec<Option<f64>> = row.iter().map(level).collect();
        audiograms.insert((row[0].clone(), row[1].clone()), thresholds);
    }
    let mut checked = BTreeMap::new();
    let mut unaided: BTreeMap<String, Vec<f64>> = BTreeMap::new();
    for row in delivery
        .rows("responses")
        .iter()
        .filter(|row| row[4] == "65")
    {
        let h = &audiograms[&(row[0].clone(), row[1].clone())];
        let Some((place, _, k)) = NAL_R.iter().find(|(_, hz, _)| *hz == row[5]) else {
            continue;
        };
        let (Ok(target), Some(threshold)) = (row[6].parse::<f64>(), h[*place]) else {
            continue;
        };
        let sum = h[4].unwrap() + h[6].unwrap() + h[8].unwrap();
        let gain = (0.05 * sum + 0.31 * threshold + k).max(0.0);
        if row[3] == "REIG" {
            // Tenths, and half a tenth either way of rounding.
            assert!((target - gain).abs() < 0.0501, "{row:?}: {gain}");
        } else {
            unaided
                .entry(row[5].clone())
                .or_default()
                .push(target - 65.0 - gain);
        }
        *checked.entry(row[3].clone()).or_insert(0) += 1;
    }
    assert!(
        checked["REIG"] > 1_000 && checked["REAR"] > 1_000,
        "{checked:?}"
    );
    for (hz, differences) in unaided {
        let low = differences.iter().copied().fold(f64::INFINITY, f64::min);
        let high = differences
            .iter()
            .copied()
            .fold(f64::NEG_INFINITY, f64::max);
        assert!(high - low < 0.11, "{hz}: {low} to {high}");
    }
}

/// The truth's means and counts, from the files alone: RMS in bins of 0.01 dB, deviations in tenths.
#[test]
fn truth_agrees_with_the_files() {
    let delivery = Delivery::of(&clean(1_200, 8));
    let realised = &delivery.truth.realised;
    let rms = delivery.rms_by_fitting();
    assert_eq!(rms.len() as u64, realised.fittings_with_rms);
    let mean = rms.values().sum::<f64>() / rms.len() as f64;
    assert!((mean - realised.mean_rms_db.unwrap()).abs() < 0.001);

    let answered = delivery.satisfaction();
    // One item in fifty is skipped by those who answer.
    let rate = answered.len() as f64 / 1_200.0;
    assert!(rate < realised.response_rate && rate > 0.95 * realised.response_rate);

    let clinician: BTreeMap<String, String> = delivery
        .rows("fittings")
        .into_iter()
        .map(|row| (row[0].clone(), row[3].clone()))
        .collect();
    let mut sums: BTreeMap<(String, String), (f64, f64)> = BTreeMap::new();
    for row in delivery.rows("responses") {
        if row[2] == "final" && row[4] == "65" && !row[6].is_empty() {
            let sum = sums
                .entry((clinician[&row[0]].clone(), row[5].clone()))
                .or_default();
            sum.0 += row[7].parse::<f64>().unwrap() - row[6].parse::<f64>().unwrap();
            sum.1 += 1.0;
        }
    }
    let mut compared = 0;
    for who in &delivery.truth.clinicians {
        for (hz, mean) in &who.mean_deviation_db {
            let (sum, n) = sums[&(who.clinician_id.clone(), hz.to_string())];
            assert!((sum / n - mean).abs() < 1e-9);
            compared += 1;
        }
    }
    assert_eq!(compared, sums.len());
}

/// Ranges of the trade, all of common practice, no source, but where one is named.
#[test]
fn cohort_looks_like_a_clinic() {
    let delivery = Delivery::of(&clean(4_000, 9));
    let realised = &delivery.truth.realised;
    let within = |value: f64, low: f64, high: f64, what: &str| {
        assert!((low..high).contains(&value), "{what}: {value}");
    };
    within(realised.verified, 0.80, 0.95, "verified");
    // Of 46 in a service audit (2020) 22 % met the criterion before and 74 % after adjustment; of 51 open
    // fittings 18 % missed by more than 10 dB after it (Aazh, Moore & Prasher 2012).
    within(realised.within_criterion.unwrap(), 0.45, 0.75, "within");
    within(realised.median_rms_db.unwrap(), 2.3, 4.0, "median RMS");
    // Owners with two: 55 % to 69 % (AJA 2017); of those with loss in both ears, more.
    within(
        realised.two_ears_of_candidates.unwrap(),
        0.65,
        0.90,
        "two ears",
    );
    within(realised.response_rate, 0.55, 0.65, "response rate");
    let responses = delivery.rows("responses").len() as f64 / 4_000.0;
    within(responses, 65.0, 95.0, "responses a fitting");
    let patients: std::collections::BTreeSet<String> = delivery
        .rows("fittings")
        .into_iter()
        .map(|row| row[1].clone())
        .collect();
    within(
        4_000.0 - patients.len() as f64,
        140.0,
        240.0,
        "second fittings",
    );
    let ears = delivery.rows("ears");
    let silent = ears
        .iter()
        .filter(|row| row.iter().any(|field| field == ">110"));
    within(
        silent.count() as f64 / ears.len() as f64,
        0.01,
        0.12,
        "no response",
    );
}

/// First fits fall short more as frequency rises, by 0 to 10 dB at 2-4 kHz (Sammeth et al. 1993, from
/// memory), and adjustment takes most of it away.
#[test]
fn first_fits_fall_short_towards_high_frequencies() {
    let delivery = Delivery::of(&clean(1_500, 10));
    let mut sums: BTreeMap<(String, String), (f64, f64)> = BTreeMap::new();
    for row in delivery.rows("responses") {
        if row[4] == "65" && !row[6].is_empty() {
            let sum = sums.entry((row[2].clone(), row[5].clone())).or_default();
            sum.0 += row[7].parse::<f64>().unwrap() - row[6].parse::<f64>().unwrap();
            sum.1 += 1.0;
        }
    }
    let mean = |stage: &str, hz: &str| {
        let (sum, n) = sums[&(stage.to_owned(), hz.to_owned())];
        sum / n
    };
    assert!(mean("first", "500") > mean("first", "2000"));
    assert!(mean("first", "2000") > mean("first", "4000"));
    for hz in ["2000", "3000", "4000"] {
        assert!((-10.0..0.0).contains(&mean("first", hz)), "{hz}");
        assert!(mean("final", hz) > mean("first", hz) + 2.0, "{hz}");
    }
}
