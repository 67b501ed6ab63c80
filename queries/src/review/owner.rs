//! The owner's tables: is this quarter's quality all right, and where is it not?

use std::collections::BTreeMap;

use fitcohort_pipeline::plan::Plan;
use fitcohort_pipeline::quarter::Quarter;

use super::drivers::{drivers, frequencies};
use super::headline::interval_of_measure;
use super::owner_moves::moves;
use super::recheck::recheck;
use crate::analysis::Analysis;
use crate::builder::{Builder, Cell, Kind, count_at, interval_of_share};
use crate::error::QueryError;
use crate::fits::Measure;
use crate::selection::Selection;
use crate::table::Table;

/// The tables by key; `whole` holds the quarters up to the one under review. The change is taken apart where no report of a
/// later quarter is made at once: a group's sums over four quarters, less those of the next four, would leave one quarter.
pub(super) fn tables(
    whole: &mut Analysis<'_>,
    quarter: Option<Quarter>,
    trends: &Table,
    is_last: bool,
) -> Result<BTreeMap<&'static str, Table>, QueryError> {
    let (cohort, plan) = (whole.cohort, whole.plan);
    let this_quarter = |by: &[&str]| {
        let selection = Selection::by(by);
        match quarter {
            Some(quarter) => selection.in_quarter(quarter),
            None => selection,
        }
    };
    let ask =
        |selection: Selection, name: &str| Analysis::open(cohort, plan, selection)?.query(name);
    let deviation = Analysis::open(cohort, plan, this_quarter(&[]))?
        .matches_with_fittings()?
        .where_text("stage", "final");
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
    let apart_in = quarter.filter(|_| is_last);
    let apart = drivers(whole, apart_in)?;
    let by_frequency = frequencies(whole, apart_in)?;
    let again = recheck(
        whole,
        &mut Analysis::open(cohort, plan, this_quarter(&[]))?,
        quarter,
    )?;
    Ok(BTreeMap::from([
        ("trends", trends.clone()),
        ("moves", moves(trends, quarter)),
        ("drivers", apart.groups),
        ("driver_totals", apart.totals),
        ("driver_frequencies", by_frequency),
        ("recheck", again),
        ("deviation", deviation),
        ("two_ear_by_grade", ask(this_quarter(&["grade"]), "ears")?),
        ("referrals", ask(this_quarter(&[]), "referrals")?),
        ("referral_rules", rules()),
        ("referral_list", listed),
        (
            "clinics",
            clinics(
                &mut Analysis::open(cohort, plan, this_quarter(&["clinic_id"]))?,
                plan,
            )?,
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
            "at least 10 dB at two adjacent of 500, 1000, 2000, 4000, 8000 Hz, or at least 15 dB at one of them",
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

/// Clinics in the quarter, with the interval of each and the funnel of all: clinic_id × measure.
fn clinics(analysis: &mut Analysis<'_>, plan: &Plan) -> Result<Table, QueryError> {
    let units = analysis.query("clinicians")?;
    let fits = analysis.fits()?;
    let by = ["clinic_id".to_owned()];
    let rows_of: BTreeMap<Option<String>, Vec<usize>> = fits
        .groups(&by)
        .into_iter()
        .filter_map(|group| Some((group.labels.into_iter().next()?, group.rows)))
        .collect();
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
        let clinic = units.text_at("clinic_id", row).map(str::to_owned);
        let measure = units.text_at("measure", row).unwrap_or_default();
        let observed = units.real_at("observed", row);
        let n = count_at(&units, "n", row);
        let level = Measure::LEVELS
            .into_iter()
            .find(|level| level.name() == measure);
        let interval = match level {
            Some(level) => rows_of
                .get(&clinic)
                .and_then(|rows| interval_of_measure(fits, rows, level, plan)),
            None => observed.and_then(|share| interval_of_share(share, n)),
        };
        let real = |column| Cell::Real(units.real_at(column, row));
        out.row(
            &[],
            vec![
                Cell::Text(clinic),
                measure.into(),
                n.into(),
                observed.into(),
                interval.map(|i| i.lo).into(),
                interval.map(|i| i.hi).into(),
                real("limit_low"),
                real("limit_high"),
                Cell::Text(units.text_at("signal", row).map(str::to_owned)),
            ],
        );
    }
    Ok(out.build())
}
