//! Every column of every table is read by the attack, or stands here with the reason why it is no count of people.

use super::published::Published;

/// Tables of which no column is read.
const NOT_READ: [(&str, &str); 7] = [
    (
        "recheck",
        "single records, for the practice itself, and says so",
    ),
    (
        "referral_list",
        "single records, for the practice itself, and says so",
    ),
    ("referral_rules", "words and sources of the rules"),
    ("tolerance", "limits of the criteria"),
    ("checklist", "items of reporting guidelines"),
    (
        "quality",
        "rows of files by rule: what was delivered, not who was fitted",
    ),
    (
        "funnel",
        "limits over a grid of sizes that is the same for every cohort",
    ),
];

/// Columns of any table, by name.
const ANYWHERE: [(&str, &str); 19] = [
    (
        "lo",
        "limit of an interval, from the count and share beside it",
    ),
    (
        "hi",
        "limit of an interval, from the count and share beside it",
    ),
    ("lower", "limit of a chart"),
    ("upper", "limit of a chart"),
    ("limit_low", "limit of a funnel"),
    ("limit_high", "limit of a funnel"),
    ("signal", "word, from limits"),
    ("verdict", "word, from limits"),
    ("withheld", "whether the row is withheld"),
    ("label", "words"),
    ("reason", "words"),
    ("unit", "a unit"),
    ("mean", "a level, not a share"),
    ("sd", "a spread"),
    ("rms", "a level, not a share"),
    ("rms_mean", "a level, not a share"),
    ("p", "a test"),
    ("how", "words on how an estimate was made"),
    ("interval", "words on how an interval was made"),
];

/// Endings of columns of any table.
const ENDINGS: [(&str, &str); 4] = [
    ("_lo", "limit of an interval"),
    ("_hi", "limit of an interval"),
    ("_how", "words on how an estimate was made"),
    ("_sd", "a spread"),
];

/// Columns of one table.
const OF_TABLE: [(&str, &[&str], &str); 39] = [
    (
        "trends",
        &["ewma"],
        "smoothed over a series; withheld in all of it where a value is",
    ),
    (
        "moves",
        &["quarters_before"],
        "how many quarters, not people",
    ),
    (
        "moves",
        &["n_run", "run"],
        "how many quarters in a row, counted in the shown cells of the trends",
    ),
    (
        "drivers",
        &["mix", "within", "outer_lo", "outer_hi"],
        "from the counts and shares of its own row and totals, and withheld with them",
    ),
    (
        "driver_totals",
        &["mix", "within"],
        "sums over groups, withheld where a group is: a test of its own",
    ),
    (
        "driver_totals",
        &["grouping"],
        "each grouping has the same whole",
    ),
    (
        "driver_totals",
        &["n_groups"],
        "how many groups, not people",
    ),
    (
        "driver_frequencies",
        &["limit_db"],
        "limit of the criterion",
    ),
    ("deviation", &["stage"], "always the final stage"),
    ("deviation", &["q05", "q25", "q50", "q75", "q95"], "levels"),
    (
        "two_ear_by_grade",
        &["odds_ratio", "odds_ratio_p", "trend_p"],
        "estimates of models over fittings of all grades",
    ),
    (
        "clinicians",
        &["adjusted", "shrunken"],
        "estimates of models over fittings of all clinicians",
    ),
    (
        "variance",
        &["component", "estimate"],
        "variances of a model",
    ),
    (
        "variance",
        &["n_clinicians"],
        "how many clinicians, not people fitted",
    ),
    ("spread", &["shrunken"], "a spread"),
    ("signature", &["order"], "order of the rows of a figure"),
    (
        "first_final",
        &["rms_first", "rms_final", "rms_fall"],
        "levels, not shares",
    ),
    ("rests_on", &["first_quarter", "last_quarter"], "quarters"),
    ("clinician", &["shrunken"], "an estimate of a model"),
    (
        "practice",
        &["measure", "n_others", "q25", "q50", "q75"],
        "of other clinicians, unnamed: how many have enough, and their values to the page's last digit",
    ),
    (
        "distribution",
        &["measure", "mark", "n_others", "value"],
        "of other clinicians, unnamed, to the page's last digit",
    ),
    (
        "practice_signature",
        &["frequency_hz", "n_others", "q25", "q50", "q75"],
        "of other clinicians, unnamed: how many have enough, and their levels to the page's last digit",
    ),
    (
        "practice_quarters",
        &["n_others"],
        "how many clinicians, not people fitted",
    ),
    ("dose_response", &["bin_hi"], "edge of a bin"),
    ("response_by_match", &["bin_hi"], "edge of a bin"),
    ("rms_histogram", &["bin_hi"], "edge of a bin"),
    (
        "rms_by_answer",
        &["satisfied"],
        "which answers count so, by the plan",
    ),
    (
        "rms_by_answer",
        &["q05", "q25", "q50", "q75", "q95"],
        "levels",
    ),
    ("outcomes", &["q50"], "an answer"),
    ("thirds", &["above", "up_to"], "cuts between thirds: levels"),
    ("table_one", &["difference"], "standardised difference"),
    (
        "weights",
        &[
            "effective",
            "largest",
            "largest_before",
            "smallest_probability",
            "truncated",
        ],
        "of weights, not of people",
    ),
    (
        "curve",
        &["at", "n", "fit"],
        "a smoothed curve; n is an effective number under its kernel",
    ),
    (
        "model",
        &["model", "term", "estimate", "per", "odds_ratio"],
        "coefficients",
    ),
    (
        "proportionality",
        &["term", "chi_square", "degrees"],
        "a test",
    ),
    (
        "association",
        &["estimate", "n_clusters"],
        "a correlation; patients, at most as many as fittings",
    ),
    ("association_secondary", &["p_holm"], "a test"),
    (
        "association_secondary",
        &["estimate", "n_clusters"],
        "a correlation; patients, at most as many as fittings",
    ),
    (
        "sensitivity",
        &["estimate", "n_clusters", "analysis", "exclusions", "closer"],
        "a correlation; patients, at most as many as fittings",
    ),
];

fn reason(table: &str, column: &str) -> Option<&'static str> {
    let of_table = OF_TABLE
        .iter()
        .find(|(name, columns, _)| *name == table && columns.contains(&column))
        .map(|(.., reason)| *reason);
    let named = |list: &[(&str, &'static str)], is: &dyn Fn(&str) -> bool| {
        list.iter()
            .find(|(name, _)| is(name))
            .map(|(_, reason)| *reason)
    };
    named(&NOT_READ, &|name| name == table)
        .or(of_table)
        .or_else(|| named(&ANYWHERE, &|name| name == column))
        .or_else(|| named(&ENDINGS, &|ending| column.ends_with(ending)))
}

/// The columns that the attack neither read nor has a reason to leave alone.
pub(super) fn left_out(published: &Published) -> Vec<String> {
    let seen = published.seen.borrow();
    let mut out: Vec<String> = published
        .reports
        .iter()
        .flat_map(|report| &report.tables)
        .filter(|(_, rows)| !rows.rows.is_empty())
        .flat_map(|(table, rows)| rows.columns.iter().map(move |column| (table, column)))
        .filter(|(table, column)| !seen.contains(&((*table).clone(), (*column).clone())))
        .filter(|(table, column)| reason(table, column).is_none())
        .map(|(table, column)| format!("{table}.{column}"))
        .collect();
    out.sort();
    out.dedup();
    out
}

/// The tables and columns of the lists that no report has: names that are no longer.
pub(super) fn gone(published: &Published) -> Vec<String> {
    let is_there = |table: &str, column: Option<&str>| {
        published.reports.iter().any(|report| {
            report.tables.get(table).is_some_and(|rows| {
                column.is_none_or(|column| rows.columns.iter().any(|name| name == column))
            })
        })
    };
    let of_table = OF_TABLE
        .iter()
        .flat_map(|(table, columns, _)| columns.iter().map(move |column| (*table, Some(*column))));
    NOT_READ
        .iter()
        .map(|(table, _)| (*table, None))
        .chain(of_table)
        .filter(|(table, column)| !is_there(table, *column))
        .map(|(table, column)| format!("{table} {column:?}"))
        .collect()
}
