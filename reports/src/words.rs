//! Words for the codes of the tables: columns, measures, methods, figures.

use fitcohort_queries::review::Review;
use fitcohort_queries::table::Table;

/// A code as a reader would say it; a code without words of its own stays as it is.
pub(crate) fn of_value(code: &str) -> &str {
    match code {
        "spearman" => "Spearman's rho",
        "kendall" => "Kendall's tau-b",
        "partial" => "partial rank",
        "ordinal" => "ordinal model",
        "ordinal_within" => "within clinicians",
        "ordinal_between" => "between clinicians",
        "rms" => "RMS deviation",
        "signed" => "mean deviation",
        "high_frequency" => "3–6 kHz deviation",
        "share_within" => "share within",
        "above" => "right of 0",
        "below" => "left of 0",
        "latest-fitting" => "latest fitting",
        "primary" => "primary analysis",
        "weighting" => "weights",
        "input_band" => "input level",
        "unit" => "unit of analysis",
        "exposure" => "measure of match",
        "no_exclusions" => "nobody left out",
        "split" => "within and between",
        "within_criterion" => "within criterion",
        "within_second" => "within second criterion",
        "verified" => "verified",
        "two_ear" => "fitted in both ears",
        "answered" => "answered",
        "satisfied" => "satisfied",
        "returned" => "returned",
        "spread" => "spread of the mean deviation (SD)",
        "rms_first" => "RMS deviation, first response",
        "rms_last" => "RMS deviation, final response",
        "rms_fall" => "fall of RMS deviation, first to final",
        "within_first" => "within criterion, first response",
        "within_last" => "within criterion, final response",
        "weighted" => "weighted for those who did not answer",
        "bounds" => "bounds, whatever the others would say",
        "age_years" => "age, per year",
        "pta4" => "pure-tone average of the better ear, per dB",
        "icc" => "intraclass correlation (ICC)",
        "clinician" => "between clinicians",
        "residual" => "within clinicians",
        "clinic_id" => "clinic",
        "outside" => "beyond its limits",
        "sampling" => "more than sampling alone",
        "dissatisfied" => "low answer, far from target",
        "on_target" => "on target at every point",
        "outside_criterion" => "outside the criterion",
        "unverified" => "no final response",
        other => other,
    }
}

/// A quantity of a response, spelled out with its letters behind it.
pub(crate) fn of_quantity(code: &str) -> &str {
    match code {
        "REAR" => "real-ear aided response (REAR)",
        "REIG" => "real-ear insertion gain (REIG)",
        other => other,
    }
}

/// A method of association in a sentence.
pub(crate) fn of_method(method: &str, weighted: bool) -> String {
    let name = match method {
        "partial" => "the partial rank correlation given the covariates",
        "ordinal" => "the log odds per unit of exposure in the ordinal model",
        "ordinal_within" => "the log odds per unit within clinicians in the ordinal model",
        "ordinal_between" => "the log odds per unit between clinicians in the ordinal model",
        other => of_value(other),
    };
    format!(
        "{name}{}",
        if weighted {
            ", weighted for answers that did not come back"
        } else {
            ""
        }
    )
}

/// A covariate in a sentence; a label keeps its name.
pub(crate) fn of_covariate(name: &str) -> &str {
    match name {
        "age_years" => "age",
        "pta4" => "pure-tone average of the better ear",
        "clinic_id" => "clinic",
        "age_band" => "age band",
        "grade" => "grade of hearing loss",
        other => other,
    }
}

/// A sentence of the tables in a reader's words: names of columns among its words are said in full, and a source that
/// was not at hand when it was written down says so.
pub(crate) fn in_full(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let mut word = String::new();
    for character in text.chars() {
        if character.is_alphanumeric() || character == '_' || character == '-' {
            word.push(character);
        } else {
            out.push_str(of_column_in_a_sentence(&word));
            word.clear();
            out.push(character);
        }
    }
    out.push_str(of_column_in_a_sentence(&word));
    out.replace("(from memory)", "(not checked against the printed source)")
}

/// Only names that no practice gives to a label of its own: the rest are words already.
fn of_column_in_a_sentence(word: &str) -> &str {
    match word {
        "age_years" | "pta4" | "clinic_id" | "age_band" => of_covariate(word),
        other => other,
    }
}

/// A characteristic of a fitting at the head of a row.
pub(crate) fn of_variable(name: &str) -> &str {
    match name {
        "fittings" => "Fittings",
        "age_years" => "Age, years",
        "pta4" => "Pure-tone average of the better ear",
        "experience" => "Experience",
        "grade" => "Grade of hearing loss",
        "coupling" => "Coupling",
        "prescription" => "Prescription",
        "ears_fitted" => "Ears fitted",
        "returned" => "Returned",
        "answered" => "Answer on satisfaction",
        "rms" => "RMS deviation",
        "signed" => "Mean deviation",
        "high_frequency" => "3–6 kHz deviation",
        "share_within" => "Points within criterion",
        other => of_covariate(other),
    }
}

/// The row of the associations that is the primary analysis by the plan.
pub(crate) fn primary_row(review: &Review) -> Option<usize> {
    let table = review.table("association");
    (0..table.rows()).find(|row| {
        table.text_at("method", *row) == Some(&review.context.primary_method)
            && table.flag_at("weighted", *row).unwrap_or(false) == review.context.primary_weighted
    })
}

/// The heading of a column.
pub(crate) fn of_column(name: &str) -> &str {
    match name {
        "measure" => "Measure",
        "words" => "What it says",
        "source" => "Source",
        "label" => "What it is",
        "unit" => "Unit",
        "value" => "Value",
        "lo" | "satisfied_lo" | "two_ear_lo" | "response_rate_lo" | "shrunken_lo"
        | "rms_final_lo" | "within_final_lo" | "rms_first_lo" | "within_first_lo"
        | "rms_fall_lo" => "95 % from",
        "hi" | "satisfied_hi" | "two_ear_hi" | "response_rate_hi" | "shrunken_hi"
        | "rms_final_hi" | "within_final_hi" | "rms_first_hi" | "within_first_hi"
        | "rms_fall_hi" => "95 % to",
        "centre" => "Centre",
        "before" => "Four quarters before",
        "n_before" => "n, before",
        "n_run" => "Quarters on one side of the centre",
        "run" => "Run of eight or more",
        "n_least" => "n, smallest quarter",
        "n_all" => "n, all groups",
        "n_groups" => "n, groups",
        "n_ears_before" => "n, ears before",
        "n_fittings_before" => "n, fittings before",
        "quarters_before" => "Quarters before",
        "change" => "Change",
        "change_lo" | "within_lo" => "95 % from",
        "change_hi" | "within_hi" => "95 % to",
        "outer_lo" => "99.8 % from",
        "outer_hi" => "99.8 % to",
        "verdict" => "Moved",
        "grouping" => "By",
        "group" => "Group",
        "share" => "Share now",
        "mix" => "Mix",
        "within" => "Within",
        "side" => "Side of target",
        "size" => "By how much",
        "ear" => "Ear",
        "lower" => "Lower limit",
        "upper" => "Upper limit",
        "ewma" => "Smoothed (EWMA)",
        "signal" => "Outside limits",
        "quarter" => "Quarter",
        "frequency_hz" => "Frequency, Hz",
        "limit_db" => "Limit",
        "criterion" => "Criterion",
        "stage" => "Stage",
        "quantity" => "Quantity",
        "input_band" => "Input level",
        "n_ears" => "n, ears",
        "n_fittings" => "n, fittings",
        "n_answered" => "n, answered",
        "n_candidates" => "n, candidates",
        "n_two_ear" => "n, both ears",
        "n_clusters" => "n, clusters",
        "n_clinicians" => "n, clinicians",
        "n_within" => "n, judged",
        "n_first" => "n, first",
        "n_final" => "n, final",
        "n_others" => "n, other clinicians",
        "order" => "Place by similarity",
        "first_quarter" => "First quarter",
        "last_quarter" => "Last quarter",
        "rms_fall" => "Fall of RMS",
        "mean" => "Mean",
        "sd" => "SD",
        "rms" => "RMS",
        "q05" => "5 %",
        "q25" => "25 %",
        "q50" => "Median",
        "q75" => "75 %",
        "q95" => "95 %",
        "within_5" => "Points within ±5 dB",
        "within_criterion" => "Points within criterion",
        "grade" => "Grade",
        "two_ear" => "Both ears",
        "rule" => "Rule",
        "medical_referral" => "Medical referral",
        "fitting_id" => "Fitting",
        "clinic_id" => "Clinic",
        "clinician_id" => "Clinician",
        "observed" => "Observed",
        "adjusted" => "Adjusted",
        "shrunken" => "Shrunken",
        "limit_low" => "Lower 99.8 %",
        "limit_high" => "Upper 99.8 %",
        "rms_first" => "RMS, first",
        "rms_final" => "RMS, final",
        "within_first" => "Within, first",
        "within_final" => "Within, final",
        "component" => "Component",
        "estimate" => "Estimate",
        "method" => "Method",
        "exposure" => "Measure of match",
        "p" => "p",
        "p_holm" => "p, Holm",
        "interval" => "Interval by",
        "how" => "Made by",
        "term" => "Term",
        "odds_ratio" => "Odds ratio",
        "at" => "At",
        "fit" => "Fitted",
        "chi_square" => "Chi-square",
        "degrees" => "Degrees of freedom",
        "weighted" => "Weighted",
        "bin_lo" => "RMS from",
        "bin_hi" => "RMS to",
        "rms_mean" => "Mean RMS",
        "satisfied" => "Satisfied",
        "score" => "Answer",
        "instrument" => "Instrument",
        "item" => "Item",
        "response_rate" => "Response rate",
        "step" => "Step",
        "lost" => "Lost",
        "reason" => "Why",
        "table_name" => "Table",
        "rows_read" => "Rows read",
        "rows_stored" => "Stored",
        "rows_set_aside" => "Set aside",
        "exact_repeats" => "Exact repeats",
        "odds_ratio_lo" | "odds_ratio_hi" => {
            if name.ends_with("lo") {
                "95 % from"
            } else {
                "95 % to"
            }
        }
        "odds_ratio_p" => "p, odds ratio",
        "trend_p" => "p, trend",
        "treatment" => "Missing answers",
        "effective" => "Effective n",
        "largest" => "Largest weight",
        "largest_before" => "Largest before the cut",
        "truncated" => "Weights cut",
        "smallest_probability" => "Smallest chance of an answer",
        "withheld" => "Withheld",
        "analysis" => "Changed",
        "unit_of_analysis" => "Unit of analysis",
        "exclusions" => "Left out by the plan",
        "closer" => "Closer match with higher answer",
        "model" => "Model",
        "per" => "Odds ratio per",
        "third" => "Third",
        "above" => "Above",
        "up_to" => "Up to",
        "variable" => "Variable",
        "level" => "Level",
        "n_missing" => "n, not known",
        "missing" => "Not known",
        "n_missing_answered" => "n, not known, answered",
        "missing_answered" => "Not known, answered",
        "n_unanswered" => "n, no answer",
        "n_missing_unanswered" => "n, not known, no answer",
        "missing_unanswered" => "Not known, no answer",
        "guideline" => "Guideline",
        "topic" => "Subject",
        "status" => "Status",
        "section" => "Section",
        "to_add" => "To be added",
        other => other,
    }
}

/// What a referral rule says, from the table of rules.
pub(crate) fn of_rule<'a>(rules: &'a Table, rule: &str) -> Option<&'a str> {
    (0..rules.rows())
        .find(|row| rules.text_at("rule", *row) == Some(rule))
        .and_then(|row| rules.text_at("words", row))
}

/// The short name of a figure, for headings and the list of contents.
pub(crate) fn of_figure(key: &str) -> &str {
    match key {
        "within-criterion-by-quarter" => "Within criterion by quarter",
        "deviation-by-frequency" => "Deviation by frequency",
        "verification-by-quarter" => "Verification by quarter",
        "two-ear-by-quarter" => "Both ears by quarter",
        "two-ear-by-grade" => "Both ears by grade",
        "answers-by-quarter" => "Answers and returns by quarter",
        "clinics-this-quarter" => "Clinics, this quarter",
        "referral-audit" => "Referral audit",
        "drivers-of-change" => "What drives the change within criterion",
        "run-within-criterion" => "Within criterion, five quarters",
        "run-verified" => "Verified, five quarters",
        "run-two-ear" => "Both ears fitted, five quarters",
        "run-answered" => "Answered, five quarters",
        "run-satisfied" => "Satisfied, five quarters",
        "association" => "Match and satisfaction",
        "satisfaction-by-deviation" => "Satisfaction by deviation",
        "deviation-by-answer" => "Deviation by answer",
        "flow-of-records" => "Flow of records",
        "response-by-match" => "Response rate by match",
        "models-forest" => "Odds ratios of the ordinal models",
        "sensitivity-forest" => "The primary estimate done otherwise",
        "funnel" => "Funnel of clinicians",
        "shrunken-estimates" => "Shrunken estimates",
        "signature-by-frequency" => "Signature by frequency",
        "spread-within-clinician" => "Spread within clinician",
        "first-to-final" => "First to final",
        "shares-among-others" => "Shares, beside the other clinicians",
        "levels-among-others" => "Levels, beside the other clinicians",
        "own-signature" => "Own signature by frequency",
        "own-quarters" => "By quarter",
        "own-first-to-final" => "First to final",
        other => other,
    }
}

/// What a table holds, for its caption.
pub(crate) fn of_table(key: &str) -> &str {
    match key {
        "headline" => "Headline numbers",
        "quality" => "Rows read, stored and set aside",
        "tolerance" => "Tolerance criteria",
        "trends" => "Measures by quarter",
        "deviation" => "Deviation from target by frequency, this quarter",
        "two_ear_by_grade" => "Both ears by grade of hearing loss",
        "referrals" => "Referral audit, counts",
        "referral_rules" => "Referral rules and their sources",
        "referral_list" => "Fittings to look at, this quarter",
        "clinics" => "Clinics, this quarter",
        "moves" => "This quarter against the four before",
        "drivers" => "Parts of each change, by group",
        "driver_totals" => "Changes taken apart into mix and within",
        "driver_frequencies" => "Points inside the limit by frequency, now and before",
        "recheck" => "Fittings to look at again, this quarter",
        "flow" => "Flow of records",
        "association" => "Match and satisfaction, primary analysis and its checks",
        "association_secondary" => "Match and satisfaction, secondary analyses",
        "model" => "Ordinal model of the answer, every coefficient",
        "proportionality" => "Check of proportional odds",
        "weights" => "Weights for answers that did not come back",
        "satisfied" => "Share satisfied, by how missing answers are treated",
        "curve" => "Mean answer along the exposure, with a 95 % band",
        "intervals" => "Intervals of the rank correlations side by side",
        "dose_response" => "Satisfaction by RMS deviation",
        "rms_by_answer" => "RMS deviation by answer",
        "rms_histogram" => "RMS deviation by answer, histogram",
        "response_by_match" => "Response rate by match",
        "thirds" => "Thirds of the exposure",
        "table_one" => "Fittings of the study by thirds of the exposure",
        "missing" => "Values that are not known",
        "sensitivity" => "The primary estimate, and each other way to make it",
        "checklist" => "Items of the reporting guidelines",
        "outcomes" => "Answers by instrument and item",
        "variance" => "Variance between and within clinicians",
        "clinicians" => "Clinicians",
        "funnel" => "Funnel limits",
        "signature" => "Mean deviation by clinician and frequency",
        "spread" => "Spread within clinician",
        "first_final" => "First and final responses by clinician",
        "rests_on" => "What the page rests on",
        "clinician" => "This clinician, measure by measure",
        "practice" => "The other clinicians, unnamed: quartiles",
        "distribution" => "The other clinicians, unnamed: values",
        "own_signature" => "Mean deviation by frequency, this clinician",
        "practice_signature" => "Mean deviation by frequency, the other clinicians: quartiles",
        "own_quarters" => "By quarter, this clinician",
        "practice_quarters" => "By quarter, the whole practice",
        other => other,
    }
}
