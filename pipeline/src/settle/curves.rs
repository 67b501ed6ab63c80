//! Settles the points of curves: the parts of a curve may stand apart in a file, come from several files, or from the
//! cohort, and each point is a row of its own in the long form.

use super::order::sort_by_key;
use crate::records::{Curve, EarRecord, Fitting, Place, RowIssue};
use crate::rules::Rule;
use crate::vocabulary::{Ear, N_FREQUENCIES, TableName};

/// Calls back with the place of each row of a curve that has a point in the mask.
pub(super) fn each_row_place(curve: &Curve, mask: u16, mut place: impl FnMut(Place)) {
    if curve.wide {
        if mask != 0 {
            place(curve.place);
        }
        return;
    }
    for position in 0..N_FREQUENCIES {
        if mask & (1 << position) != 0 {
            place(curve.place_of(position));
        }
    }
}

/// Number of rows that curves not of the cohort came from.
pub(super) fn rows_of_curves(curves: &[Curve]) -> u64 {
    curves
        .iter()
        .filter(|curve| !curve.place.is_store())
        .map(|curve| match (curve.wide, curve.filled()) {
            (_, 0) => 0,
            (true, _) => 1,
            (false, filled) => u64::from(filled.count_ones()),
        })
        .sum()
}

/// Sorts the parts of curves, and takes out orphans of ears, targets without prescription, repeats and contradictions.
pub(super) fn settle_curves(
    mut curves: Vec<Curve>,
    ears: &[EarRecord],
    fittings: &[Fitting],
    issues: &mut Vec<RowIssue>,
    repeats: &mut u64,
) -> Vec<Curve> {
    let mut assessed = vec![0_u8; fittings.len()];
    for record in ears {
        if let Some(slot) = assessed.get_mut(record.fitting as usize) {
            *slot |= ear_bit(record.ear);
        }
    }
    let mut set_aside = |curve: &Curve, mask: u16, rule: Rule| {
        each_row_place(curve, mask, |place| {
            issues.push(RowIssue {
                table: TableName::Responses,
                place,
                column: None,
                rule,
            });
        });
    };
    curves.retain_mut(|curve| {
        if curve.place.is_store() {
            return true;
        }
        let fitting = curve.key.fitting as usize;
        if assessed
            .get(fitting)
            .is_none_or(|ears| ears & ear_bit(curve.key.ear) == 0)
        {
            set_aside(curve, curve.filled(), Rule::OrphanEar);
            return false;
        }
        let prescribed = fittings
            .get(fitting)
            .is_some_and(|f| f.prescription.is_some());
        if curve.has_target != 0 && !prescribed {
            let mask = if curve.wide {
                curve.filled()
            } else {
                curve.has_target
            };
            set_aside(curve, mask, Rule::TargetWithoutPrescription);
            curve.clear(mask);
        }
        curve.filled() != 0
    });
    sort_by_key(&mut curves, |curve| (curve.key, curve.place));
    for group in curves.chunk_by_mut(|a, b| a.key == b.key) {
        if group.len() > 1 {
            settle_group(group, &mut set_aside, repeats);
        }
    }
    curves.retain(|curve| curve.filled() != 0);
    curves
}

fn ear_bit(ear: Ear) -> u8 {
    1 << (ear as u8)
}

/// Settles the parts of one curve; what is taken out is cleared.
fn settle_group(
    group: &mut [Curve],
    set_aside: &mut impl FnMut(&Curve, u16, Rule),
    repeats: &mut u64,
) {
    let delivered = group.iter().filter(|part| !part.place.is_store()).count();
    let (new, old) = group.split_at_mut(delivered);
    let mut contradicted = 0_u16;
    for position in 0..N_FREQUENCIES {
        // A target alone, as a wide row may have it where nothing was measured, contradicts nothing.
        let measured = |part: &&Curve| part.has_measured & (1 << position) != 0;
        let mut points = new.iter().filter(measured).map(|part| part.point(position));
        if let Some(first) = points.next()
            && points.any(|other| other != first)
        {
            contradicted |= 1 << position;
        }
    }
    let mut seen = [None; N_FREQUENCIES];
    for part in new.iter_mut() {
        let disputed = part.has_measured & contradicted;
        if disputed != 0 {
            let mask = if part.wide { part.filled() } else { disputed };
            set_aside(part, mask, Rule::Contradiction);
            part.clear(mask);
        }
        // What the delivery or the cohort already says is a repeat, row by row.
        let mut repeated = 0_u16;
        for (position, slot) in seen.iter_mut().enumerate() {
            let bit = 1_u16 << position;
            if part.has_measured & bit == 0 {
                continue;
            }
            let point = part.point(position);
            let in_store = old
                .iter()
                .any(|stored| stored.has_measured & bit != 0 && stored.point(position) == point);
            if slot.is_some() || in_store {
                repeated |= bit;
            }
            *slot = Some(point);
        }
        if part.wide {
            if part.has_measured != 0 && repeated == part.has_measured {
                *repeats += 1;
                part.clear(part.filled());
            }
        } else {
            *repeats += u64::from(repeated.count_ones());
            part.clear(repeated);
        }
    }
    // A later delivery's point replaces the cohort's at the same place.
    let replaced = new.iter().fold(0, |mask, part| mask | part.has_measured);
    for stored in old {
        stored.clear(replaced);
    }
}

/// Joins the parts of each curve into one, in place.
pub(super) fn join_curves(mut curves: Vec<Curve>) -> Vec<Curve> {
    curves.dedup_by(|part, curve| {
        if curve.key != part.key {
            return false;
        }
        for position in 0..N_FREQUENCIES {
            let (target, measured) = part.point(position);
            // A target without a measured value fills a gap and changes nothing, wherever it stood.
            let fills = measured.is_some() || curve.point(position).0.is_none();
            curve.set(position, target.filter(|_| fills), measured);
        }
        true
    });
    curves
}
