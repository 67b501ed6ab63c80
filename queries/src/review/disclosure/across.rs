//! What hangs together between the reports of several quarters that are made at once.
//!
//! The reports on all quarters up to one (the study, the comparison of clinicians) and the parts of a change are made for
//! the last quarter only, since two of them, subtracted from each other, would leave single people. So what is left
//! are rows that stand in several reports, and the last one's sums over the four quarters before it.

use std::collections::BTreeMap;
use std::str::FromStr;

use fitcohort_pipeline::quarter::Quarter;

use super::super::owner_moves::before;
use super::links::{CLINICS_IN_DRIVERS, GRADES_IN_DRIVERS, Rows, all, only, rows_of};
use super::{Cells, Hidden};

/// The tables of the reports on one quarter.
pub(super) struct Set {
    /// The quarter under review; none where the cohort is empty.
    pub(super) quarter: Option<String>,
    pub(super) cells: Vec<Cells>,
    /// Whether no later quarter's reports are made with these.
    pub(super) is_last: bool,
}

/// Rows that are the same people in every report: what is withheld in one is withheld in all.
const EVERYWHERE: [Rows; 1] = [all("trends", &["measure", "quarter"])];

/// Rows of the four quarters before, and those of the last quarter's report that hold their sum: were the sum shown, one
/// that is withheld would follow from the other three.
const SUMMED_BEFORE: [(Rows, Rows); 3] = [
    CLINICS_IN_DRIVERS,
    GRADES_IN_DRIVERS,
    (
        only(
            "deviation",
            &[("input_band", &["average"])],
            &["quantity", "frequency_hz"],
        ),
        all("driver_frequencies", &["quantity", "frequency_hz"]),
    ),
];

/// One pass over the sets; true where more is withheld than before.
pub(super) fn step(sets: &mut [Set]) -> bool {
    let mut more = false;
    for rows in EVERYWHERE {
        let hidden = hidden(sets, rows, |_| true);
        more |= hide(sets, rows, &hidden, |_| true);
    }
    let summed = summed(sets);
    for (parts, sum) in SUMMED_BEFORE {
        let hidden = hidden(sets, parts, |set| {
            set.quarter.as_ref().is_some_and(|one| summed.contains(one))
        });
        more |= hide(sets, sum, &hidden, |set| set.is_last);
    }
    more
}

/// The quarters whose sums the last report holds.
fn summed(sets: &[Set]) -> Vec<String> {
    let last = sets.iter().find(|set| set.is_last);
    last.and_then(|set| Quarter::from_str(set.quarter.as_deref()?).ok())
        .map(|quarter| before(quarter).iter().map(Quarter::to_string).collect())
        .unwrap_or_default()
}

/// The labels of withheld rows, each with how much of it is.
fn hidden(sets: &[Set], rows: Rows, of: impl Fn(&Set) -> bool) -> BTreeMap<Vec<String>, Hidden> {
    let mut out = BTreeMap::new();
    for set in sets.iter().filter(|set| of(set)) {
        for ((table, row), labels) in rows_of(&set.cells, rows, set.quarter.as_deref()) {
            let how = set.cells.get(table).and_then(|cells| cells.hidden.get(row));
            if let Some(how) = how.filter(|how| **how > Hidden::No) {
                let slot = out.entry(labels).or_insert(*how);
                *slot = (*slot).max(*how);
            }
        }
    }
    out
}

fn hide(
    sets: &mut [Set],
    rows: Rows,
    hidden: &BTreeMap<Vec<String>, Hidden>,
    of: impl Fn(&Set) -> bool,
) -> bool {
    let mut more = false;
    for set in sets.iter_mut().filter(|set| of(set)) {
        for ((table, row), labels) in rows_of(&set.cells, rows, set.quarter.as_deref()) {
            if let (Some(how), Some(cells)) = (hidden.get(&labels), set.cells.get_mut(table)) {
                more |= cells.hide(row, *how);
            }
        }
    }
    more
}
