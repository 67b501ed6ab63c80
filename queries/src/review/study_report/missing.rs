//! What is not known of the fittings of the study, and whether those who answered differ in it.

use fitcohort_pipeline::plan::Plan;

use super::table_one::{NUMBERS, labels};
use crate::builder::{Builder, Cell, Kind, ratio};
use crate::fits::{Fits, Measure};
use crate::study;
use crate::table::Table;

/// The table by variable: the exposure over all fittings that the plan does not leave out, all else over the rows of the
/// study.
pub(crate) fn table(fits: &Fits, plan: &Plan, rows: &[usize]) -> Table {
    let mut out = Builder::new(
        "missing",
        &[],
        &[
            ("variable", Kind::Text),
            ("n", Kind::Integer),
            ("n_missing", Kind::Integer),
            ("missing", Kind::Real),
            ("n_answered", Kind::Integer),
            ("n_missing_answered", Kind::Integer),
            ("missing_answered", Kind::Real),
            ("n_unanswered", Kind::Integer),
            ("n_missing_unanswered", Kind::Integer),
            ("missing_unanswered", Kind::Real),
        ],
    );
    let satisfied_from = plan.outcome.satisfied_from;
    let mut add = |variable: &str, rows: &[usize], is_known: &dyn Fn(usize) -> bool| {
        let (answered, unanswered): (Vec<usize>, Vec<usize>) =
            rows.iter().partition(|&&row| fits.score(row).is_some());
        let mut cells: Vec<Cell> = vec![variable.into()];
        for rows in [rows, &answered, &unanswered] {
            let missing = rows.iter().filter(|&&row| !is_known(row)).count() as u64;
            let n = rows.len() as u64;
            // An answer is not missing among those who answered.
            if variable == "answered" && cells.len() > 1 {
                cells.extend([Cell::from(n), Cell::Integer(None), Cell::Real(None)]);
            } else {
                cells.extend([Cell::from(n), missing.into(), ratio(missing, n).into()]);
            }
        }
        out.row(&[], cells);
    };
    let exposure = study::exposure(plan);
    let eligible: Vec<usize> = (0..fits.len())
        .filter(|&row| !study::is_excluded(fits, plan, row))
        .collect();
    let has = |measure: Measure, row: usize| fits.value(measure, row, satisfied_from).is_some();
    add(exposure.name(), &eligible, &|row| has(exposure, row));
    add("answered", rows, &|row| fits.score(row).is_some());
    for (name, _) in NUMBERS {
        add(name, rows, &|row| fits.number(name, row).is_some());
    }
    for name in labels(plan) {
        add(name, rows, &|row| fits.table().text_at(name, row).is_some());
    }
    add("returned", rows, &|row| has(Measure::Returned, row));
    out.build()
}
