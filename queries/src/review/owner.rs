//! The owner's tables: is this quarter's quality all right, and where is it not?

use std::collections::BTreeMap;

use fitcohort_pipeline::plan::Plan;
use fitcohort_pipeline::quarter::Quarter;
use fitcohort_pipeline::store::Cohort;

use super::gather::headline;
use crate::analysis::Analysis;
use crate::builder::{Builder, Cell, Kind, count_at, interval_of_share};
use crate::error::QueryError;
use crate::selection::Selection;
use crate::table::Table;

/// The tables by key.
pub(super) fn tables(
    cohort: &Cohort,
    plan: &Plan,
    quarter: Option<Quarter>,
    trends: &Table,
) -> Result<BTreeMap<&'static str, Table>, QueryError> {
    let this_quarter = |by: &[&str]| {
        let selection = Selection::by(by);
        match quarter {
            Some(quarter) => selection.in_quarter(quarter),
            None => selection,
        }
    };
    let ask =
        |selection: Selection, name: &str| Analysis::open(cohort, plan, selection)?.query(name);
    let deviation = ask(this_quarter(&[]), "match")?.where_text("stage", "final");
    let listed = Analysis::open(cohort, plan, this_quarter(&[]))?
        .referral_list()?
        .where_text("rule", &plan.referral_rule)
        .filtered(|table, row| {
            // Where a referral was advised or made, the look has been had.
            matches!(
                table.text_at("medical_referral", row),
                Some("none" | "unknown")
            )
        })
        .renamed("fitted_in", "quarter")
        .renamed("clinic", "clinic_id")
        .renamed("clinician", "clinician_id");
    Ok(BTreeMap::from([
        ("headline", headline(trends, quarter)),
        ("trends", trends.clone()),
        ("deviation", deviation),
        ("two_ear_by_grade", ask(this_quarter(&["grade"]), "ears")?),
        ("referrals", ask(this_quarter(&[]), "referrals")?),
        ("referral_rules", rules()),
        ("referral_list", listed),
        (
            "clinics",
            clinics(&ask(this_quarter(&["clinic_id"]), "clinicians")?),
        ),
    ]))
}

/// The referral rules in words, with their sources.
fn rules() -> Table {
    let mut out = Builder::new(
        "referral_rules",
        &[],
        &[
            ("rule", Kind::Text),
            ("words", Kind::Text),
            ("source", Kind::Text),
        ],
    );
    for (rule, words, source) in [
        (
            "adjacent-15",
            "at least 15 dB at two adjacent of 500, 1000, 2000, 4000, 8000 Hz, the same ear worse",
            "NICE guideline NG98, 2018 (from memory)",
        ),
        (
            "average-15",
            "averages over 500, 1000 and 2000 Hz more than 15 dB apart",
            "American Academy of Otolaryngology-Head and Neck Surgery Foundation 2024 (secondary source)",
        ),
        (
            "contiguous-10",
            "at least 10 dB at two adjacent of these octaves, or at least 15 dB at one",
            "Congress of Neurological Surgeons guideline 2018 (secondary source)",
        ),
        (
            "three-k",
            "at least 15 dB at 3000 Hz",
            "Saliba et al. 2009 (sensitivity 73 % in their sample)",
        ),
        (
            "one-sided",
            "average over 500, 1000, 2000, 4000 Hz below 20 dB HL in the better ear and from 35 dB HL in the worse",
            "World Health Organization 2021 (from memory); that it wants a medical look first is common practice",
        ),
    ] {
        out.row(&[], vec![rule.into(), words.into(), source.into()]);
    }
    out.build()
}

/// Clinics in the quarter: clinic_id × measure with limits of the funnel as interval.
fn clinics(units: &Table) -> Table {
    let mut out = Builder::new(
        "clinics",
        &[],
        &[
            ("clinic_id", Kind::Text),
            ("measure", Kind::Text),
            ("n", Kind::Integer),
            ("observed", Kind::Real),
            ("lo", Kind::Real),
            ("hi", Kind::Real),
            ("limit_low", Kind::Real),
            ("limit_high", Kind::Real),
            ("signal", Kind::Text),
        ],
    );
    for row in 0..units.rows() {
        let text = |column| Cell::Text(units.text_at(column, row).map(str::to_owned));
        let real = |column| Cell::Real(units.real_at(column, row));
        let n = count_at(units, "n", row);
        let is_share = !matches!(
            units.text_at("measure", row),
            Some("rms" | "signed" | "high_frequency")
        );
        let interval = units
            .real_at("observed", row)
            .filter(|_| is_share)
            .and_then(|share| interval_of_share(share, n));
        out.row(
            &[],
            vec![
                text("clinic_id"),
                text("measure"),
                n.into(),
                real("observed"),
                interval.map(|i| i.lo).into(),
                interval.map(|i| i.hi).into(),
                real("limit_low"),
                real("limit_high"),
                text("signal"),
            ],
        );
    }
    out.build()
}
