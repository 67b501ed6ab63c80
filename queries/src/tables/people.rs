//! `outcomes`, `referrals`, `quality`: what wearers answer, whom to look at again, the account of every row.

use std::collections::BTreeMap;

use fitcohort_pipeline::store::schema::FLAG_COLUMNS;

use super::matching::{mean_of, sd_of};
use crate::analysis::Analysis;
use crate::builder::{Builder, Cell, Kind, count_at, labels_at, share};
use crate::engine::{OUTCOMES, REFERRAL_LIST, REFERRALS, VERIFICATION};
use crate::error::QueryError;
use crate::order;
use crate::table::Table;

/// What stands for a rule that could not be evaluated, in the column of the referral.
pub const NOT_EVALUATED: &str = "cannot be evaluated";

/// Answers: group × instrument × item.
pub(super) fn outcomes(analysis: &mut Analysis<'_>) -> Result<Table, QueryError> {
    let by = analysis.by().to_vec();
    let fittings = analysis.run_on_fits(VERIFICATION, &by)?;
    let in_group: BTreeMap<_, u64> = (0..fittings.rows())
        .map(|row| {
            (
                labels_at(&fittings, &by, row),
                count_at(&fittings, "n_fittings", row),
            )
        })
        .collect();
    let keys: Vec<String> = by
        .iter()
        .cloned()
        .chain(["instrument".to_owned(), "item".to_owned()])
        .collect();
    let found = analysis.run(OUTCOMES, &keys, &analysis.places(&by))?;
    let mut out = Builder::new(
        "outcomes",
        &keys,
        &[
            ("n_fittings", Kind::Integer),
            ("n_answered", Kind::Integer),
            ("response_rate", Kind::Real),
            ("response_rate_lo", Kind::Real),
            ("response_rate_hi", Kind::Real),
            ("mean", Kind::Real),
            ("sd", Kind::Real),
            ("q50", Kind::Real),
        ],
    );
    for row in 0..found.rows() {
        let n = in_group
            .get(&labels_at(&found, &by, row))
            .copied()
            .unwrap_or(0);
        let answered = count_at(&found, "n_answered", row);
        let total = found.integer_at("total", row);
        let squares = found.integer_at("total_of_squares", row);
        let mut cells: Vec<Cell> = vec![n.into(), answered.into()];
        cells.extend(share(answered, n));
        cells.extend([
            mean_of(total, answered, 100.0).into(),
            sd_of(answered, total, squares, 100.0).into(),
            found.real_at("q50", row).map(|x| x / 100.0).into(),
        ]);
        out.row(&labels_at(&found, &keys, row), cells);
    }
    Ok(out.build())
}

/// Fittings flagged by each asymmetry rule: group × rule × medical_referral.
pub(super) fn referrals(analysis: &mut Analysis<'_>) -> Result<Table, QueryError> {
    let by = analysis.by().to_vec();
    let mut out = Builder::new(
        "referrals",
        &by,
        &[
            ("rule", Kind::Text),
            ("medical_referral", Kind::Text),
            ("n_fittings", Kind::Integer),
        ],
    );
    let mut keys = by.clone();
    keys.push("medical_referral".to_owned());
    for (flag, rule) in FLAG_COLUMNS {
        let places = analysis.places(&by).with("flag", flag);
        let found = analysis.run(REFERRALS, &keys, &places)?;
        let mut not_evaluated: BTreeMap<Vec<Option<String>>, u64> = BTreeMap::new();
        for row in 0..found.rows() {
            let labels = labels_at(&found, &by, row);
            *not_evaluated.entry(labels.clone()).or_insert(0) +=
                count_at(&found, "n_not_evaluated", row);
            let referral = found.text_at("medical_referral", row).map(str::to_owned);
            out.row(
                &labels,
                vec![
                    rule.into(),
                    referral.into(),
                    count_at(&found, "n_flagged", row).into(),
                ],
            );
        }
        for (labels, n) in not_evaluated {
            out.row(&labels, vec![rule.into(), NOT_EVALUATED.into(), n.into()]);
        }
    }
    let mut order = by;
    order.extend(["rule".to_owned(), "medical_referral".to_owned()]);
    Ok(order::sorted(&out.build(), &order))
}

/// The fittings that the rules flag, one row a rule and fitting.
pub(super) fn referral_list(analysis: &mut Analysis<'_>) -> Result<Table, QueryError> {
    let by = analysis.by().to_vec();
    let mut out = Builder::new(
        "referrals",
        &by,
        &[
            ("rule", Kind::Text),
            ("fitting_id", Kind::Text),
            ("fitted_in", Kind::Text),
            ("clinic", Kind::Text),
            ("clinician", Kind::Text),
            ("medical_referral", Kind::Text),
        ],
    );
    for (flag, rule) in FLAG_COLUMNS {
        let places = analysis.places(&by).with("flag", flag);
        let found = analysis.run(REFERRAL_LIST, &by, &places)?;
        for row in 0..found.rows() {
            let text = |column| Cell::Text(found.text_at(column, row).map(str::to_owned));
            out.row(
                &labels_at(&found, &by, row),
                vec![
                    rule.into(),
                    text("fitting_id"),
                    text("fitted_in"),
                    text("clinic"),
                    text("clinician"),
                    text("medical_referral"),
                ],
            );
        }
    }
    let mut order = by;
    order.extend(["rule".to_owned(), "fitting_id".to_owned()]);
    Ok(order::sorted(&out.build(), &order))
}

/// The account of every row read: table × rule. A row without a rule is the table's total; rows by rule say how many
/// rows each rule set aside.
pub(super) fn quality(analysis: &Analysis<'_>) -> Result<Table, QueryError> {
    let selection = &analysis.selection;
    if !selection.by.is_empty()
        || !selection.filters.is_empty()
        || selection.from.is_some()
        || selection.to.is_some()
    {
        return Err(QueryError::Selection {
            what: "quality counts rows as delivered: it cannot be grouped, filtered or limited to quarters".to_owned(),
        });
    }
    let mut out = Builder::new(
        "quality",
        &[],
        &[
            ("table_name", Kind::Text),
            ("rule", Kind::Text),
            ("rows_read", Kind::Integer),
            ("rows_stored", Kind::Integer),
            ("rows_set_aside", Kind::Integer),
            ("exact_repeats", Kind::Integer),
        ],
    );
    let deliveries = &analysis.cohort.manifest.deliveries;
    for table in fitcohort_pipeline::vocabulary::TableName::WORDS {
        let accounts = deliveries
            .iter()
            .flat_map(|delivery| &delivery.accounts)
            .filter(|account| account.table == *table);
        let mut total = [0_u64; 4];
        for account in accounts {
            let counts = [
                account.rows_read,
                account.rows_stored,
                account.rows_set_aside,
                account.exact_repeats,
            ];
            for (sum, count) in total.iter_mut().zip(counts) {
                *sum += count;
            }
        }
        let mut cells: Vec<Cell> = vec![(*table).into(), Cell::Text(None)];
        cells.extend(total.map(Cell::from));
        out.row(&[], cells);
        let mut rules: BTreeMap<&str, u64> = BTreeMap::new();
        for entry in deliveries.iter().flat_map(|delivery| &delivery.rules) {
            if entry.table == *table {
                *rules.entry(&entry.rule).or_insert(0) += entry.rows;
            }
        }
        for (rule, rows) in rules {
            out.row(
                &[],
                vec![
                    (*table).into(),
                    rule.into(),
                    Cell::Integer(None),
                    Cell::Integer(None),
                    rows.into(),
                    Cell::Integer(None),
                ],
            );
        }
    }
    Ok(out.build())
}
