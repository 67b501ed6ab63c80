//! Combinations of values that enough patients share.
//!
//! Values are added one detail after the other, the most useful first. A detail is published in a group of rows for
//! each of its values that at least `minimum` patients of the group have; the rows with rarer values, and those where
//! nothing is known, stay together with the detail blank. Where these are too few patients by themselves, the rows of
//! the rarest value that was published join them. So every group that is left, which is every combination in the
//! table, has at least `minimum` patients, whatever the details say.

use std::collections::BTreeMap;

/// One detail: a value a row, and the coarser detail without which it is not published.
pub(super) struct Step<'a> {
    /// The value of each row, as a number; none where it is not known.
    pub(super) values: &'a [Option<u32>],
    /// Place of the coarser detail among the steps before.
    pub(super) parent: Option<usize>,
}

/// How many patients some rows have.
pub(super) fn distinct(patients: &[u32], rows: impl IntoIterator<Item = usize>) -> usize {
    let mut found: Vec<u32> = rows
        .into_iter()
        .filter_map(|row| patients.get(row).copied())
        .collect();
    found.sort_unstable();
    found.dedup();
    found.len()
}

/// The values to be published, detail by detail, one a row; none where the detail stays blank. All rows together have
/// at least `minimum` patients.
pub(super) fn protect(
    steps: &[Step<'_>],
    patients: &[u32],
    minimum: usize,
) -> Vec<Vec<Option<u32>>> {
    let mut published: Vec<Vec<Option<u32>>> = Vec::with_capacity(steps.len());
    let mut groups: Vec<Vec<usize>> = vec![(0..patients.len()).collect()];
    for step in steps {
        let coarser = step.parent.map(|parent| published.get(parent));
        let value = |row: usize| -> Option<u32> {
            if let Some(coarser) = coarser {
                coarser?.get(row).copied().flatten()?;
            }
            step.values.get(row).copied().flatten()
        };
        let mut column = vec![None; patients.len()];
        let mut next = Vec::with_capacity(groups.len());
        for rows in groups {
            let (kept, blank) = split(rows, &value, patients, minimum);
            for (value, rows) in kept {
                for &row in &rows {
                    if let Some(slot) = column.get_mut(row) {
                        *slot = Some(value);
                    }
                }
                next.push(rows);
            }
            if !blank.is_empty() {
                next.push(blank);
            }
        }
        published.push(column);
        groups = next;
    }
    published
}

/// Rows by their value where enough patients have it, and all others.
fn split(
    rows: Vec<usize>,
    value: &dyn Fn(usize) -> Option<u32>,
    patients: &[u32],
    minimum: usize,
) -> (Vec<(u32, Vec<usize>)>, Vec<usize>) {
    let mut by_value: BTreeMap<u32, Vec<usize>> = BTreeMap::new();
    let mut blank = Vec::new();
    for row in rows {
        match value(row) {
            Some(value) => by_value.entry(value).or_default().push(row),
            None => blank.push(row),
        }
    }
    let mut kept = Vec::new();
    for (value, rows) in by_value {
        let found = distinct(patients, rows.iter().copied());
        if found >= minimum {
            kept.push((found, value, rows));
        } else {
            blank.extend(rows);
        }
    }
    let too_few = !blank.is_empty() && distinct(patients, blank.iter().copied()) < minimum;
    if too_few {
        let rarest = kept
            .iter()
            .enumerate()
            .min_by_key(|(_, (found, value, _))| (*found, *value))
            .map(|(place, _)| place);
        if let Some(place) = rarest {
            let (_, _, rows) = kept.remove(place);
            blank.extend(rows);
        }
    }
    let kept = kept
        .into_iter()
        .map(|(_, value, rows)| (value, rows))
        .collect();
    (kept, blank)
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use rand::RngExt;

    use super::*;
    use crate::statistics::random::stream;

    /// The patients of each published combination, by plain loops.
    fn patients_by_combination(
        published: &[Vec<Option<u32>>],
        patients: &[u32],
    ) -> BTreeMap<Vec<Option<u32>>, BTreeSet<u32>> {
        let mut found: BTreeMap<_, BTreeSet<u32>> = BTreeMap::new();
        for (row, patient) in patients.iter().enumerate() {
            let combination: Vec<Option<u32>> =
                published.iter().map(|column| column[row]).collect();
            found.entry(combination).or_default().insert(*patient);
        }
        found
    }

    #[test]
    fn every_combination_has_enough_patients_whatever_the_table() {
        let mut random = stream(7, "release tests", 0);
        for round in 0..300 {
            let rows: usize = random.random_range(5..120);
            let people: u32 = random.random_range(5..=u32::try_from(rows).unwrap());
            let minimum = random.random_range(1..=5);
            let patients: Vec<u32> = (0..rows).map(|_| random.random_range(0..people)).collect();
            if distinct(&patients, 0..rows) < minimum {
                continue;
            }
            let columns: Vec<Vec<Option<u32>>> = (0..random.random_range(1..6))
                .map(|_| {
                    let values: u32 = random.random_range(1..9);
                    (0..rows)
                        .map(|_| random.random_range(0..=values).checked_sub(1))
                        .collect()
                })
                .collect();
            let steps: Vec<Step<'_>> = columns
                .iter()
                .enumerate()
                .map(|(at, values)| Step {
                    values,
                    parent: (at > 1 && round % 2 == 0).then(|| at - 2),
                })
                .collect();
            let published = protect(&steps, &patients, minimum);
            for (combination, found) in patients_by_combination(&published, &patients) {
                assert!(
                    found.len() >= minimum,
                    "round {round}: {combination:?} is that of {} patients",
                    found.len()
                );
            }
            for (step, column) in steps.iter().zip(&published) {
                for row in 0..rows {
                    // Blanked or left as it is, never another value; and never finer than what it belongs to.
                    assert!(column[row].is_none() || column[row] == step.values[row]);
                    if let (Some(parent), Some(_)) = (step.parent, column[row]) {
                        assert!(published[parent][row].is_some());
                    }
                }
            }
            if minimum == 1 {
                // Nobody to protect: all is published that belongs to something published.
                for (step, column) in steps.iter().zip(&published) {
                    if step.parent.is_none() {
                        assert_eq!(column, step.values);
                    }
                }
            }
        }
    }

    /// Twelve fittings of three patients are three patients.
    #[test]
    fn many_rows_of_few_patients_are_few() {
        let patients: Vec<u32> = (0..12).map(|row| row % 3).chain(3..13).collect();
        let values: Vec<Option<u32>> = (0..22).map(|row| Some(u32::from(row >= 12))).collect();
        let step = Step {
            values: &values,
            parent: None,
        };
        // The ten others have to come along, or the three would be told apart by what is left.
        assert_eq!(protect(&[step], &patients, 5), [vec![None; 22]]);
    }

    /// Worked by hand: values 1 (six patients), 2 (five) and 3 (two). The two stay blank, and are too few, so the
    /// five join them.
    #[test]
    fn the_rarest_published_value_joins_what_would_be_too_few() {
        let patients: Vec<u32> = (0..13).collect();
        let values: Vec<Option<u32>> = (0..13)
            .map(|row| {
                Some(if row < 6 {
                    1
                } else if row < 11 {
                    2
                } else {
                    3
                })
            })
            .collect();
        let step = Step {
            values: &values,
            parent: None,
        };
        let wanted: Vec<Option<u32>> = (0..13).map(|row| (row < 6).then_some(1)).collect();
        assert_eq!(protect(&[step], &patients, 5), [wanted]);
    }
}
