//! Invented reviews, small to large. Every number here is made up; none stands for real practice.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    dead_code,
    reason = "tests; each test binary uses its own part"
)]

mod clinicians;
mod one_clinician;
pub(crate) mod pages;
mod practice;
mod quarter;
mod study;
mod study_report;

use fitcohort_queries::review::{Context, InputHash, Reader, Review};
use fitcohort_queries::table::Table;
use std::collections::BTreeMap;

/// Evenly mixed numbers in 0-1 by a linear congruential generator (constants of Knuth's MMIX).
pub(crate) struct Draws(u64);

impl Draws {
    pub(crate) fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(2).wrapping_add(1))
    }

    pub(crate) fn next(&mut self) -> f64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// About normal: the sum of four draws, centred.
    pub(crate) fn normal(&mut self) -> f64 {
        ((0..4).map(|_| self.next()).sum::<f64>() - 2.0) * 1.73
    }
}

/// How large and how awkward a review is.
#[derive(Clone, Copy)]
pub(crate) struct Shape {
    pub(crate) quarters: usize,
    pub(crate) fittings: i64,
    pub(crate) clinicians: usize,
    pub(crate) hostile: bool,
    /// Every so-manieth value is missing; none where 0.
    pub(crate) nulls: usize,
}

pub(crate) const SMALL: Shape = Shape {
    quarters: 2,
    fittings: 20,
    clinicians: 4,
    hostile: false,
    nulls: 3,
};
pub(crate) const ONE: Shape = Shape {
    quarters: 1,
    fittings: 30,
    clinicians: 1,
    hostile: false,
    nulls: 0,
};
pub(crate) const MEDIUM: Shape = Shape {
    quarters: 12,
    fittings: 612,
    clinicians: 14,
    hostile: false,
    nulls: 0,
};
pub(crate) const LARGE: Shape = Shape {
    quarters: 40,
    fittings: 250_000,
    clinicians: 300,
    hostile: false,
    nulls: 41,
};
pub(crate) const HUGE: Shape = Shape {
    quarters: 160,
    fittings: 10_000_000,
    clinicians: 4000,
    hostile: false,
    nulls: 0,
};
pub(crate) const HOSTILE: Shape = Shape {
    quarters: 5,
    fittings: 1234,
    clinicians: 45,
    hostile: true,
    nulls: 7,
};

/// Text that must never reach a page unescaped.
pub(crate) const ATTACK: &str = "<script>alert(\"x\")</script>&'\u{0}";

impl Shape {
    /// The name of a thing, awkward where the shape is.
    pub(crate) fn name(&self, kind: &str, number: usize) -> String {
        if self.hostile && number.is_multiple_of(3) {
            format!("{ATTACK}{kind}{number}")
        } else if self.hostile {
            format!("{kind}{number}{}", "W".repeat(60))
        } else {
            format!("{kind}-{number:03}")
        }
    }

    pub(crate) fn quarter(&self, place: usize) -> String {
        let last = 2026 * 4 + 2;
        let index = last - (self.quarters - 1) + place;
        format!("{}-Q{}", index / 4, index % 4 + 1)
    }

    /// The value, or nothing at every so-manieth place.
    pub(crate) fn maybe(&self, place: usize, value: f64) -> Option<f64> {
        (self.nulls == 0 || place % self.nulls != 1).then_some(value)
    }
}

pub(crate) fn words(values: &[&str]) -> Vec<Option<String>> {
    values.iter().map(|text| Some((*text).to_owned())).collect()
}

fn context(shape: Shape) -> Context {
    let hostile = |text: &str| {
        if shape.hostile {
            format!("{text}{ATTACK}")
        } else {
            text.to_owned()
        }
    };
    Context {
        version: "0.1.0".into(),
        snapshot: "000002".into(),
        seed: 7,
        plan_text: hostile("[tolerance]\ncriterion = \"uk-guidance\"\n"),
        criterion: "uk-guidance".into(),
        criterion_text: "±5 dB at 250, 500, 1000, 2000 Hz and ±8 dB at 3000, 4000 Hz".into(),
        criterion_source: hostile(
            "British Society of Audiology / British Academy of Audiology 2007",
        ),
        second_criterion: "ten-db".into(),
        second_criterion_text: "±10 dB at every frequency 250-4000 Hz".into(),
        quarter: Some(shape.quarter(shape.quarters - 1)),
        first_quarter: Some(shape.quarter(0)),
        last_quarter: Some(shape.quarter(shape.quarters - 1)),
        minimum_cell: 5,
        outcome: "IOI-HA item 4".into(),
        referral_rule: "adjacent-15".into(),
        permutations: 2000,
        resamples: 2000,
        hypothesis: hostile("A smaller RMS deviation goes with a higher answer."),
        primary_method: "spearman".into(),
        primary_weighted: false,
        exposure: "rms".into(),
        covariates: vec!["age_years".into(), hostile("x_region")],
        unit: "fitting".into(),
        exclusions: vec![hostile(
            "age_years below 18: the questionnaire is for adults",
        )],
        plan_file: shape.hostile.then(|| ATTACK.to_owned()),
        invented: true,
        year_only: false,
        clinician: None,
        letters: false,
        is_followed: false,
        inputs: vec![InputHash {
            delivery: "000001".into(),
            hash: "00ff".repeat(16),
        }],
    }
}

/// A review of a shape.
pub(crate) fn review(reader: Reader, shape: Shape) -> Review {
    let mut tables = BTreeMap::new();
    tables.insert("quality".into(), quality());
    tables.insert("tolerance".into(), tolerance());
    match reader {
        Reader::Owner => {
            practice::tables(shape, &mut tables);
            quarter::tables(shape, &mut tables);
        }
        Reader::Researcher => {
            study::tables(shape, &mut tables);
            study_report::tables(shape, &mut tables);
        }
        Reader::Trainer => clinicians::tables(shape, &mut tables),
    }
    Review {
        reader,
        context: context(shape),
        tables,
    }
}

/// A review for the page of one clinician.
pub(crate) fn of_clinician(shape: Shape) -> Review {
    let mut tables = BTreeMap::new();
    tables.insert("quality".into(), quality());
    tables.insert("tolerance".into(), tolerance());
    one_clinician::tables(shape, &mut tables);
    Review {
        reader: Reader::Trainer,
        context: Context {
            clinician: Some(shape.name("clinician", 3)),
            ..context(shape)
        },
        tables,
    }
}

/// A review of a cohort without a fitting.
pub(crate) fn empty(reader: Reader) -> Review {
    Review {
        reader,
        context: Context {
            version: "0.1.0".into(),
            snapshot: "000001".into(),
            minimum_cell: 5,
            ..Context::default()
        },
        tables: BTreeMap::new(),
    }
}

/// The same review with every table there, but without a row.
pub(crate) fn without_rows(mut review: Review) -> Review {
    for table in review.tables.values_mut() {
        *table = table.filtered(|_, _| false);
    }
    review
}

fn quality() -> Table {
    Table::new("quality")
        .text("table_name", words(&["fittings", "fittings", "ears"]))
        .text("rule", vec![None, Some("F02".into()), None])
        .integer("rows_read", vec![Some(1240), None, Some(2480)])
        .integer("rows_stored", vec![Some(1228), None, Some(2460)])
        .integer("rows_set_aside", vec![Some(9), Some(9), Some(20)])
        .integer("exact_repeats", vec![Some(3), None, Some(0)])
}

fn tolerance() -> Table {
    let limits = [
        (250, 5.0),
        (500, 5.0),
        (1000, 5.0),
        (2000, 5.0),
        (3000, 8.0),
        (4000, 8.0),
    ];
    let all = limits
        .iter()
        .map(|(hertz, limit)| ("uk-guidance", *hertz, *limit))
        .chain(limits.iter().map(|(hertz, _)| ("ten-db", *hertz, 10.0)));
    let rows: Vec<(&str, i64, f64)> = all.collect();
    Table::new("tolerance")
        .text(
            "criterion",
            rows.iter().map(|row| Some(row.0.to_owned())).collect(),
        )
        .integer("frequency_hz", rows.iter().map(|row| Some(row.1)).collect())
        .real("limit_db", rows.iter().map(|row| Some(row.2)).collect())
}

/// One measure of the headline.
pub(crate) type Headline<'a> = (&'a str, &'a str, &'a str, i64, Option<f64>, &'a str);

pub(crate) fn headline(rows: &[Headline<'_>]) -> Table {
    let shift = |by: f64| {
        rows.iter()
            .map(|row| row.4.map(|value| value + by))
            .collect::<Vec<_>>()
    };
    Table::new("headline")
        .text(
            "measure",
            rows.iter().map(|row| Some(row.0.to_owned())).collect(),
        )
        .text(
            "label",
            rows.iter().map(|row| Some(row.1.to_owned())).collect(),
        )
        .text(
            "unit",
            rows.iter().map(|row| Some(row.2.to_owned())).collect(),
        )
        .integer("n", rows.iter().map(|row| Some(row.3)).collect())
        .real("value", shift(0.0))
        .real("lo", shift(-0.041))
        .real("hi", shift(0.038))
        .real("centre", shift(0.012))
        .real("lower", shift(-0.07))
        .real("upper", shift(0.08))
        .text(
            "signal",
            rows.iter().map(|row| Some(row.5.to_owned())).collect(),
        )
}
