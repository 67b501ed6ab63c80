//! Invented reviews, small to large. Every number here is made up; none stands for real practice.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    dead_code,
    reason = "tests; each test binary uses its own part"
)]

mod clinicians;
mod study;

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
        if self.hostile && number % 3 == 0 {
            format!("{ATTACK}{kind}{number}")
        } else if self.hostile {
            format!("{kind}{number}{}", "W".repeat(60))
        } else {
            format!("{kind}-{number:03}")
        }
    }

    fn quarter(&self, place: usize) -> String {
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
        invented: true,
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
        Reader::Owner => owner(shape, &mut tables),
        Reader::Researcher => study::tables(shape, &mut tables),
        Reader::Trainer => clinicians::tables(shape, &mut tables),
    }
    Review {
        reader,
        context: context(shape),
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

fn owner(shape: Shape, tables: &mut BTreeMap<String, Table>) {
    let n = shape.fittings;
    let awkward = if shape.hostile {
        ATTACK
    } else {
        "Fittings within criterion"
    };
    tables.insert(
        "headline".into(),
        headline(&[
            (
                "within_criterion",
                awkward,
                "share",
                n,
                Some(0.6123),
                "none",
            ),
            ("rms", "Mean RMS deviation", "dB", n, Some(4.37), "none"),
            (
                "verified",
                "Fittings verified",
                "share",
                n,
                Some(0.871),
                "low",
            ),
            (
                "two_ear",
                "Two-ear candidates fitted in both ears",
                "share",
                n / 2,
                Some(0.74),
                "none",
            ),
            ("returned", "Fittings returned", "share", n, None, "none"),
        ]),
    );
    tables.insert("trends".into(), trends(shape));
    tables.insert("deviation".into(), deviation(shape));
    let grades = [
        "normal",
        "mild",
        "moderate",
        "moderately severe",
        "severe",
        "profound",
        "complete",
        "unilateral",
        "slight unilateral",
    ];
    let mut draws = Draws::new(5);
    let share: Vec<Option<f64>> = (0..grades.len())
        .map(|place| shape.maybe(place, 0.6 + 0.3 * draws.next()))
        .collect();
    let by = |shift: f64| {
        share
            .iter()
            .map(|x| x.map(|x| (x + shift).min(1.0)))
            .collect()
    };
    tables.insert(
        "two_ear_by_grade".into(),
        Table::new("two_ear_by_grade")
            .text("grade", words(&grades))
            .integer(
                "n_candidates",
                share.iter().map(|x| x.map(|_| n / 9 + 2)).collect(),
            )
            .integer(
                "n_two_ear",
                share.iter().map(|x| x.map(|_| n / 14)).collect(),
            )
            .real("two_ear", share.clone())
            .real("two_ear_lo", by(-0.09))
            .real("two_ear_hi", by(0.08)),
    );
    let rules = [
        "adjacent-15",
        "average-15",
        "contiguous-10",
        "three-k",
        "one-sided",
    ];
    let answers = [
        "none",
        "advised",
        "completed",
        "unknown",
        "cannot be evaluated",
    ];
    let mut rule = Vec::new();
    let mut answer = Vec::new();
    let mut count = Vec::new();
    for (place, name) in rules.iter().enumerate() {
        for (column, referral) in answers.iter().enumerate() {
            let name = if shape.hostile && place == 0 {
                ATTACK
            } else {
                name
            };
            rule.push(Some(name.to_owned()));
            answer.push(Some((*referral).to_owned()));
            let value = (draws.next() * n as f64 * 0.1) as i64;
            count.push(shape.maybe(place * 5 + column, 1.0).map(|_| value));
        }
    }
    tables.insert(
        "referrals".into(),
        Table::new("referrals")
            .text("rule", rule)
            .text("medical_referral", answer)
            .integer("n_fittings", count),
    );
    let list: Vec<usize> = (0..60).collect();
    let each = |kind: &str| list.iter().map(|k| Some(shape.name(kind, *k))).collect();
    tables.insert(
        "referral_list".into(),
        Table::new("referral_list")
            .text(
                "rule",
                list.iter()
                    .map(|_| Some("adjacent-15".to_owned()))
                    .collect(),
            )
            .text("fitting_id", each("fitting"))
            .text(
                "quarter",
                list.iter().map(|_| Some("2026-Q3".to_owned())).collect(),
            )
            .text("clinic_id", each("clinic"))
            .text("clinician_id", each("clinician"))
            .text(
                "medical_referral",
                list.iter().map(|_| Some("none".to_owned())).collect(),
            ),
    );
    tables.insert(
        "clinics".into(),
        Table::new("clinics")
            .text(
                "clinic_id",
                vec![Some(shape.name("clinic", 0)), Some(shape.name("clinic", 1))],
            )
            .text("measure", words(&["within_criterion", "within_criterion"]))
            .integer("n", vec![Some(n / 2), Some(n - n / 2)])
            .real("observed", vec![Some(0.59), Some(0.63)])
            .real("lo", vec![Some(0.53), Some(0.57)])
            .real("hi", vec![Some(0.64), Some(0.68)]),
    );
}

fn trends(shape: Shape) -> Table {
    let measures = [
        ("within_criterion", 0.61),
        ("within_second", 0.83),
        ("rms", 4.4),
        ("verified", 0.9),
        ("two_ear", 0.72),
        ("answered", 0.55),
        ("satisfied", 0.8),
        ("returned", 0.05),
    ];
    let mut draws = Draws::new(11);
    let mut measure = Vec::new();
    let mut quarter = Vec::new();
    let mut n = Vec::new();
    let mut value = Vec::new();
    let mut signal = Vec::new();
    let (mut centre, mut lower, mut upper) = (Vec::new(), Vec::new(), Vec::new());
    for (name, level) in measures {
        for place in 0..shape.quarters {
            let wide = 0.08 * level;
            let drawn = level + draws.normal() * wide * 0.6;
            measure.push(Some(name.to_owned()));
            quarter.push(Some(shape.quarter(place)));
            n.push(Some(
                (shape.fittings as f64 * (0.8 + 0.2 * draws.next())) as i64,
            ));
            value.push(shape.maybe(place, drawn));
            centre.push(Some(level));
            lower.push(Some(level - wide));
            upper.push(Some(level + wide * 0.9));
            let sign = if drawn > level + wide * 0.9 {
                "high"
            } else if drawn < level - wide {
                "low"
            } else {
                "none"
            };
            signal.push(Some(sign.to_owned()));
        }
    }
    Table::new("trends")
        .text("measure", measure)
        .text("quarter", quarter)
        .integer("n", n)
        .real("value", value)
        .real("centre", centre.clone())
        .real("lower", lower)
        .real("upper", upper)
        .real("ewma", centre)
        .text("signal", signal)
}

fn deviation(shape: Shape) -> Table {
    let hertz = [250, 500, 750, 1000, 1500, 2000, 3000, 4000, 6000, 8000];
    let rows: Vec<(&str, &str, i64, f64)> = ["REAR", "REIG"]
        .into_iter()
        .flat_map(|quantity| ["soft", "average"].map(|band| (quantity, band)))
        .flat_map(|(quantity, band)| {
            hertz
                .iter()
                .enumerate()
                .map(move |(place, hz)| (quantity, band, *hz, 1.2 - place as f64 * 0.6))
        })
        .collect();
    let text =
        |pick: fn(&(&str, &str, i64, f64)) -> String| rows.iter().map(|r| Some(pick(r))).collect();
    let real = |shift: f64| {
        rows.iter()
            .enumerate()
            .map(|(place, row)| {
                shape.maybe(place, row.3 + shift * (1.0 + place as f64 % 10.0 * 0.08))
            })
            .collect::<Vec<_>>()
    };
    Table::new("deviation")
        .text("stage", text(|_| "final".into()))
        .text("quantity", text(|row| row.0.into()))
        .text("input_band", text(|row| row.1.into()))
        .integer("frequency_hz", rows.iter().map(|row| Some(row.2)).collect())
        .integer(
            "n_ears",
            rows.iter()
                .map(|row| Some(shape.fittings * 2 - row.2 / 1000))
                .collect(),
        )
        .real("mean", real(0.1))
        .real("sd", rows.iter().map(|_| Some(3.9)).collect())
        .real("rms", rows.iter().map(|_| Some(4.6)).collect())
        .real("q05", real(-7.1))
        .real("q25", real(-2.8))
        .real("q50", real(0.0))
        .real("q75", real(2.9))
        .real("q95", real(6.8))
        .real("within_5", rows.iter().map(|_| Some(0.71)).collect())
        .real(
            "within_criterion",
            rows.iter().map(|_| Some(0.75)).collect(),
        )
}
