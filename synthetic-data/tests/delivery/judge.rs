//! The rules of the published delivery format once more, written for the tests alone.

use std::collections::{BTreeMap, BTreeSet};

use crate::support::Delivery;

/// What a delivery comes to: rows set aside by (table, rule), exact repeats and stored rows by table.
#[derive(Default)]
pub(crate) struct Verdict {
    pub(crate) set_aside: BTreeMap<(String, String), u64>,
    pub(crate) repeats: BTreeMap<String, u64>,
    pub(crate) stored: BTreeMap<String, u64>,
    /// Rows that break more than one rule.
    pub(crate) doubly_bad: Vec<Vec<String>>,
    /// Rows that break a rule by themselves, whole.
    pub(crate) bad: Vec<Vec<String>>,
}

const FREQUENCIES: [&str; 10] = [
    "250", "500", "750", "1000", "1500", "2000", "3000", "4000", "6000", "8000",
];

fn number(text: &str) -> Option<f64> {
    let digits = text.strip_prefix(['-', '+']).unwrap_or(text);
    let plain = |part: &str| !part.is_empty() && part.bytes().all(|b| b.is_ascii_digit());
    let fits = match digits.split_once('.') {
        Some((whole, fraction)) => plain(whole) && plain(fraction),
        None => plain(digits),
    };
    let value: f64 = text.parse().ok().filter(|_| fits)?;
    (value != 0.0 || !text.starts_with('-')).then_some(value)
}

/// Rule broken by an optional number, if any.
fn ranged(text: &str, low: f64, high: f64) -> Option<&'static str> {
    if text.is_empty() {
        return None;
    }
    match number(text) {
        None => Some("not-a-number"),
        Some(value) if !(low..=high).contains(&value) => Some("out-of-range"),
        Some(_) => None,
    }
}

fn word(text: &str, words: &[&str]) -> Option<&'static str> {
    (!text.is_empty() && !words.contains(&text)).then_some("unknown-word")
}

fn label(text: &str) -> Option<&'static str> {
    (text.len() > 64).then_some("label-shape")
}

fn identifier(text: &str) -> Option<&'static str> {
    let fits = text.len() <= 64
        && text
            .bytes()
            .all(|b| b.is_ascii_alphanumeric() || b == b'_' || b == b'-');
    (!fits).then_some("identifier-shape")
}

fn date(text: &str) -> Option<&'static str> {
    let parts: Vec<&str> = text.split('-').collect();
    let year = parts[0].len() == 4 && parts[0].parse::<u16>().is_ok();
    let two = |part: &str| part.parse::<u8>().ok().filter(|_| part.len() == 2);
    let fits = match parts.as_slice() {
        [_, quarter] if quarter.starts_with('Q') => ["Q1", "Q2", "Q3", "Q4"].contains(quarter),
        [_, month] => two(month).is_some_and(|m| (1..=12).contains(&m)),
        [y, month, day] => match (y.parse::<u32>(), two(month), two(day)) {
            (Ok(y), Some(m @ 1..=12), Some(d)) => {
                let leap = (y % 4 == 0 && y % 100 != 0) || y % 400 == 0;
                let february = if leap { 29 } else { 28 };
                let last =
                    [31, february, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31][usize::from(m) - 1];
                (1..=last).contains(&d)
            }
            _ => false,
        },
        _ => false,
    };
    (!(text.is_empty() || fits && year)).then_some("not-a-date")
}

fn required<'a>(row: &'a [String], places: &'a [usize]) -> impl Iterator<Item = &'static str> + 'a {
    places
        .iter()
        .filter(|&&at| row[at].is_empty())
        .map(|_| "required")
}

fn fitting(row: &[String]) -> Vec<&'static str> {
    if row.len() != 12 {
        return vec!["field-count"];
    }
    let age = ranged(&row[5], 0.0, 90.0);
    let whole = (age.is_none() && row[5].contains('.')).then_some("not-whole");
    let truth = ["true", "false"];
    let checks = [
        identifier(&row[0]),
        identifier(&row[1]),
        identifier(&row[2]),
        identifier(&row[3]),
        date(&row[4]),
        age,
        whole,
        word(&row[6], &["new", "experienced"]),
        label(&row[7]),
        word(&row[8], &["none", "advised", "completed", "unknown"]),
        word(&row[9], &truth),
        label(&row[10]),
        label(&row[11]),
    ];
    required(row, &[0, 1, 2, 3, 4])
        .chain(checks.into_iter().flatten())
        .collect()
}

fn ear(row: &[String]) -> Vec<&'static str> {
    if row.len() != 15 {
        return vec!["field-count"];
    }
    let thresholds = row[3..13]
        .iter()
        .filter(|text| *text != ">110")
        .filter_map(|text| ranged(text, -10.0, 120.0));
    let checks = [
        word(&row[1], &["left", "right"]),
        word(&row[2], &["true", "false"]),
        word(&row[13], &["open", "vented", "closed", "custom"]),
        label(&row[14]),
    ];
    required(row, &[0, 1, 2])
        .chain(checks.into_iter().flatten())
        .chain(thresholds)
        .collect()
}

fn response(row: &[String]) -> Vec<&'static str> {
    if row.len() != 8 {
        return vec!["field-count"];
    }
    let kept = FREQUENCIES.contains(&row[5].as_str());
    let checks = [
        word(&row[1], &["left", "right"]),
        word(&row[2], &["first", "final"]),
        word(&row[3], &["REAR", "REIG"]),
        ranged(&row[4], 40.0, 95.0),
        (!kept).then_some("frequency-not-kept"),
        ranged(&row[6], -40.0, 140.0),
        ranged(&row[7], -40.0, 140.0),
    ];
    required(row, &[0, 1, 3, 4, 7])
        .chain(checks.into_iter().flatten())
        .collect()
}

fn outcome(row: &[String]) -> Vec<&'static str> {
    if row.len() != 5 {
        return vec!["field-count"];
    }
    let instrument = match row[1].as_str() {
        "" => None,
        "ioi-ha" => {
            let item = ["", "1", "2", "3", "4", "5", "6", "7"].contains(&row[2].as_str());
            let score = ranged(&row[3], 1.0, 5.0);
            let whole = (score.is_none() && row[3].contains('.')).then_some("not-whole");
            (!item).then_some("unknown-item").or(score).or(whole)
        }
        "use-log" if row[2] != "hours_per_day" => Some("unknown-item"),
        "use-log" => ranged(&row[3], 0.0, 24.0),
        _ => Some("unknown-instrument"),
    };
    required(row, &[0, 1, 2, 3])
        .chain(instrument)
        .chain(ranged(&row[4], 0.0, 520.0))
        .collect()
}

/// Rules that concern one row, and the columns of its key.
type Table = (
    &'static str,
    fn(&[String]) -> Vec<&'static str>,
    &'static [usize],
);

const TABLES: [Table; 4] = [
    ("fittings", fitting, &[0]),
    ("ears", ear, &[0, 1]),
    ("responses", response, &[0, 1, 2, 3, 4, 5]),
    ("outcomes", outcome, &[0, 1, 2]),
];

/// Judges a whole delivery.
pub(crate) fn judge(delivery: &Delivery) -> Verdict {
    let mut verdict = Verdict::default();
    // Known fittings, whether each has a prescription, and known ears.
    let mut fittings: BTreeMap<String, bool> = BTreeMap::new();
    let mut ears: BTreeSet<(String, String)> = BTreeSet::new();
    for (table, rules, key) in TABLES {
        let mut kept: BTreeMap<Vec<String>, Vec<Vec<String>>> = BTreeMap::new();
        for row in delivery.rows(table) {
            let mut broken = rules(&row);
            let counted = !broken.contains(&"field-count");
            if table != "fittings" && counted && !row[0].is_empty() {
                match fittings.get(&row[0]) {
                    None => broken.push("orphan"),
                    Some(prescribed) if table == "responses" => {
                        let ear = (row[0].clone(), row[1].clone());
                        if ["left", "right"].contains(&row[1].as_str()) && !ears.contains(&ear) {
                            broken.push("orphan-ear");
                        }
                        if !prescribed && !row[6].is_empty() {
                            broken.push("target-without-prescription");
                        }
                    }
                    Some(_) => {}
                }
            }
            if broken.len() > 1 {
                verdict.doubly_bad.push(row.clone());
            }
            match broken.first() {
                Some(rule) => {
                    *verdict
                        .set_aside
                        .entry((table.to_owned(), (*rule).to_owned()))
                        .or_default() += 1;
                    verdict.bad.push(row);
                }
                None => {
                    let name = key.iter().map(|&at| row[at].clone()).collect();
                    kept.entry(name).or_default().push(row);
                }
            }
        }
        for rows in kept.into_values() {
            if rows.iter().any(|row| *row != rows[0]) {
                *verdict
                    .set_aside
                    .entry((table.to_owned(), "contradiction".to_owned()))
                    .or_default() += rows.len() as u64;
                continue;
            }
            *verdict.repeats.entry(table.to_owned()).or_default() += rows.len() as u64 - 1;
            *verdict.stored.entry(table.to_owned()).or_default() += 1;
            match table {
                "fittings" => {
                    fittings.insert(rows[0][0].clone(), !rows[0][7].is_empty());
                }
                "ears" => {
                    ears.insert((rows[0][0].clone(), rows[0][1].clone()));
                }
                _ => {}
            }
        }
    }
    verdict
}
