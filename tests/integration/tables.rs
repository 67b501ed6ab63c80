//! The tables of `query`: their columns, and their values on a practice small enough to work by hand.

use crate::workspace::{Workspace, small_practice};

fn cohort() -> Workspace {
    let workspace = Workspace::new();
    workspace.delivery("d", &small_practice());
    workspace.ok(&["ingest", "d", "--into", "c"]);
    workspace
}

/// Columns of each table as the documentation promises them.
const COLUMNS: [(&str, &str); 11] = [
    (
        "match",
        "stage,quantity,input_band,frequency_hz,n_ears,mean,sd,rms,q05,q25,q50,q75,q95,within_5,within_criterion",
    ),
    (
        "curves",
        "stage,quantity,input_band,n_ears,n_complete,rms_mean,rms_q50,rms_q95,signed_mean,high_frequency_mean,slope_mean,\
         within_criterion,n_fittings,fittings_within,fittings_within_lo,fittings_within_hi",
    ),
    (
        "verification",
        "n_fittings,n_verified,verified,verified_lo,verified_hi",
    ),
    (
        "ears",
        "n_candidates,n_two_ear,two_ear,two_ear_lo,two_ear_hi,odds_ratio,odds_ratio_lo,odds_ratio_hi,odds_ratio_p,\
         odds_ratio_how,trend_p,trend_how",
    ),
    (
        "outcomes",
        "instrument,item,n_fittings,n_answered,response_rate,response_rate_lo,response_rate_hi,mean,sd,q50",
    ),
    (
        "association",
        "method,n,n_clusters,estimate,lo,hi,p,interval,weighted",
    ),
    (
        "clinicians",
        "clinician_id,measure,n,observed,adjusted,shrunken,shrunken_lo,shrunken_hi,limit_low,limit_high,signal,how",
    ),
    ("variance", "measure,component,estimate,lo,hi,how"),
    (
        "trends",
        "measure,quarter,n,value,centre,lower,upper,ewma,signal,how",
    ),
    ("referrals", "rule,medical_referral,n_fittings"),
    (
        "quality",
        "table_name,rule,rows_read,rows_stored,rows_set_aside,exact_repeats",
    ),
];

#[test]
fn every_table_has_its_columns() {
    let workspace = cohort();
    for (name, columns) in COLUMNS {
        let rows = workspace.query(&[name, "c"]);
        assert_eq!(rows.columns.join(","), columns, "{name}");
        assert!(!rows.rows.is_empty(), "{name} has no row");
    }
}

#[test]
fn every_table_takes_every_grouping_column_first() {
    let workspace = cohort();
    let groupings =
        "quarter,clinic_id,ear,coupling,style,experience,age_band,grade,prescription,x_region";
    for (name, columns) in COLUMNS {
        if name == "quality" {
            continue;
        }
        let rows = workspace.query(&[name, "c", "--by", groupings]);
        let own = columns.strip_prefix("clinician_id,").unwrap_or(columns);
        let expected = if name == "trends" {
            // The quarter is a column of the table itself.
            format!("{},{own}", groupings.strip_prefix("quarter,").unwrap())
        } else {
            format!("{groupings},{own}")
        };
        assert_eq!(rows.columns.join(","), expected, "{name}");
    }
}

/// Deviations worked by hand: F1 left 2 -1 -2 -6 -8 -12, F1 right all 0, F2 left 5 5 -5 -5 8 -8.
#[test]
fn match_is_as_worked_by_hand() {
    let workspace = cohort();
    let rows = workspace.query(&["match", "c"]);
    assert_eq!(rows.rows.len(), 6);
    let at_2000 = rows.find(&[("frequency_hz", "2000")]);
    // -6, 0, -5: mean -11/3, sum of squares 61, SD sqrt((61 - 121/3) / 2), RMS sqrt(61/3).
    assert_eq!(rows.get(at_2000, "n_ears"), "3");
    assert!((rows.real(at_2000, "mean") + 11.0 / 3.0).abs() < 1e-12);
    assert!((rows.real(at_2000, "sd") - ((61.0_f64 - 121.0 / 3.0) / 2.0).sqrt()).abs() < 1e-12);
    assert!((rows.real(at_2000, "rms") - (61.0_f64 / 3.0).sqrt()).abs() < 1e-12);
    // Type 7 over -6 -5 0: q25 at position 0.5 is -5.5, q95 at 1.9 is -0.5.
    assert!((rows.real(at_2000, "q25") + 5.5).abs() < 1e-12);
    assert!((rows.real(at_2000, "q50") + 5.0).abs() < 1e-12);
    assert!((rows.real(at_2000, "q95") + 0.5).abs() < 1e-12);
    assert!((rows.real(at_2000, "within_5") - 2.0 / 3.0).abs() < 1e-12);
    assert!((rows.real(at_2000, "within_criterion") - 2.0 / 3.0).abs() < 1e-12);
    // At 3000 Hz the criterion allows 8 dB: -8, 0, 8 are all within it, one of three within 5.
    let at_3000 = rows.find(&[("frequency_hz", "3000")]);
    assert!((rows.real(at_3000, "within_5") - 1.0 / 3.0).abs() < 1e-12);
    assert!((rows.real(at_3000, "within_criterion") - 1.0).abs() < 1e-12);
}

#[test]
fn curves_are_as_worked_by_hand() {
    let workspace = cohort();
    let rows = workspace.query(&["curves", "c"]);
    assert_eq!(rows.rows.len(), 1);
    assert_eq!(rows.get(0, "n_ears"), "3");
    assert_eq!(rows.get(0, "n_complete"), "3");
    // RMS: sqrt(185/4), 0, sqrt(100/4) = 5 (5 -5 -5 -8: 25+25+25+64 = 139; sqrt(139/4)).
    let rms = [(185.0_f64 / 4.0).sqrt(), 0.0, (139.0_f64 / 4.0).sqrt()];
    assert!((rows.real(0, "rms_mean") - rms.iter().sum::<f64>() / 3.0).abs() < 1e-9);
    assert!((rows.real(0, "rms_q50") - rms[2]).abs() < 1e-9);
    // Signed: -4.5, 0, 0.
    assert!((rows.real(0, "signed_mean") + 1.5).abs() < 1e-9);
    // Slope from 1 to 4 kHz, dB an octave: (-12+2)/2, 0, (-8+5)/2.
    assert!((rows.real(0, "slope_mean") + (5.0 + 1.5) / 3.0).abs() < 1e-9);
    // No curve has 6000 Hz, so the high-frequency measure is not known.
    assert_eq!(rows.get(0, "high_frequency_mean"), "");
    // F1 is outside by its left ear, F2 (one ear) within at its limits.
    assert!((rows.real(0, "within_criterion") - 2.0 / 3.0).abs() < 1e-12);
    assert_eq!(rows.get(0, "n_fittings"), "2");
    assert!((rows.real(0, "fittings_within") - 0.5).abs() < 1e-12);
    let by_ear = workspace.query(&["curves", "c", "--by", "ear"]);
    let left = by_ear.find(&[("ear", "left")]);
    assert_eq!(by_ear.get(left, "n_fittings"), "2");
    assert!((by_ear.real(left, "fittings_within") - 0.5).abs() < 1e-12);
}

#[test]
fn people_are_counted_by_their_denominators() {
    let workspace = cohort();
    let verified = workspace.query(&["verification", "c"]);
    assert_eq!(
        (verified.get(0, "n_fittings"), verified.get(0, "n_verified")),
        ("2", "2")
    );
    // F2's right ear is below 20 dB HL, so only F1 is a candidate for two ears.
    let ears = workspace.query(&["ears", "c"]);
    assert_eq!(
        (ears.get(0, "n_candidates"), ears.get(0, "n_two_ear")),
        ("1", "1")
    );
    // The last answer of F1 counts: 5, not 3; with F2's 4 the mean is 4.5.
    let outcomes = workspace.query(&["outcomes", "c"]);
    let item = outcomes.find(&[("instrument", "ioi-ha"), ("item", "4")]);
    assert_eq!(outcomes.get(item, "n_answered"), "2");
    assert!((outcomes.real(item, "mean") - 4.5).abs() < 1e-12);
    let log = outcomes.find(&[("instrument", "use-log")]);
    assert!((outcomes.real(log, "mean") - 7.5).abs() < 1e-12);
    assert!((outcomes.real(log, "response_rate") - 0.5).abs() < 1e-12);
}

/// Grades: F1 has a PTA4 of (25+35+50+60)/4 = 42.5 in both ears, moderate; F2 40 and 10, unilateral.
#[test]
fn grades_and_bands_group_and_filter() {
    let workspace = cohort();
    let grades = workspace.query(&["verification", "c", "--by", "grade"]);
    assert_eq!(grades.get(0, "grade"), "moderate");
    assert_eq!(grades.get(1, "grade"), "unilateral");
    // 93 years are stored as 90, the top band.
    let ages = workspace.query(&["verification", "c", "--by", "age_band"]);
    assert_eq!(
        (ages.get(0, "age_band"), ages.get(1, "age_band")),
        ("70-79", "90+")
    );
    let coast = workspace.query(&["verification", "c", "--where", "x_region=coast"]);
    assert_eq!(coast.get(0, "n_fittings"), "1");
    let unknown = workspace.query(&["verification", "c", "--where", "x_region="]);
    assert_eq!(unknown.get(0, "n_fittings"), "1");
    let none = workspace.query(&["verification", "c", "--from", "2026-Q4"]);
    assert_eq!(none.get(0, "n_fittings"), "0");
}

/// F1 differs by 40 dB or more at 8000 Hz alone (70 against a limit of 110); F2 by 30 dB everywhere, and is one-sided.
#[test]
fn referral_rules_flag_whom_they_should() {
    let workspace = cohort();
    let rows = workspace.query(&["referrals", "c"]);
    let count = |rule, referral| {
        let row = rows.find(&[("rule", rule), ("medical_referral", referral)]);
        rows.get(row, "n_fittings").to_owned()
    };
    assert_eq!(count("adjacent-15", "none"), "0");
    assert_eq!(count("adjacent-15", "unknown"), "1");
    assert_eq!(count("contiguous-10", "none"), "1");
    assert_eq!(count("one-sided", "unknown"), "1");
    assert_eq!(count("three-k", "cannot be evaluated"), "0");
    let list = workspace.query(&["referrals", "c", "--list"]);
    let row = list.find(&[("rule", "adjacent-15")]);
    assert_eq!(list.get(row, "fitting_id"), "F2");
}

#[test]
fn formats_hold_the_same_numbers() {
    let workspace = cohort();
    let csv = workspace.query(&["match", "c"]);
    let json = workspace
        .ok(&["query", "match", "c", "--format", "json"])
        .json();
    assert_eq!(json.as_array().unwrap().len(), csv.rows.len());
    assert_eq!(json[0]["mean"].as_f64().unwrap(), csv.real(0, "mean"));
    workspace.ok(&[
        "query",
        "match",
        "c",
        "--format",
        "parquet",
        "--out",
        "match.parquet",
    ]);
    let bytes = std::fs::read(workspace.path("match.parquet")).unwrap();
    assert!(bytes.starts_with(b"PAR1") && bytes.ends_with(b"PAR1"));
    let text = workspace.ok(&["query", "match", "c"]).stdout;
    assert!(text.starts_with("stage"), "{text}");
    let refused = workspace.run(&["query", "match", "c", "--format", "parquet"]);
    assert_eq!(refused.code, 2, "{}", refused.shown());
}
