//! An order of clinicians in which those with alike signatures stand together.

use std::collections::{BTreeMap, BTreeSet};

use crate::builder::count_at;
use crate::statistics::NotEstimable;
use crate::statistics::clustering::{average_linkage, leaf_order};
use crate::statistics::random_intercept::{self, Group};
use crate::table::Table;

/// One clinician's cell at one frequency.
#[derive(Clone, Copy)]
struct Cell {
    n: u64,
    mean: f64,
    sd: f64,
}

/// The signature (clinician_id × frequency_hz with n_fittings, mean, sd) with two more columns: `order`, the clinician's
/// place by similarity from 1, and `how`.
///
/// Clinicians are joined by average linkage of Euclidean distances between their mean deviations over frequencies, dB.
/// Each mean is first drawn towards the mean of all clinicians as far as its number of fittings asks, so that chance on
/// few fittings makes no neighbours. A cell that is missing or withheld counts as the mean of all: the table is the one
/// that is shown, so that the order tells nothing of what is not. At each join those further below target come first.
/// `clinicians` holds every id of the snapshot; where distances tie, its order decides. No place is given to one of whom
/// nothing is shown, and none at all where there is nothing to order by.
pub(super) fn ordered(signature: Table, clinicians: &[String]) -> Table {
    let there: BTreeSet<&str> = (0..signature.rows())
        .filter(|row| signature.real_at("mean", *row).is_some())
        .filter_map(|row| signature.text_at("clinician_id", row))
        .collect();
    let clinicians: Vec<&str> = clinicians
        .iter()
        .map(String::as_str)
        .filter(|id| there.contains(id))
        .collect();
    let found = order(&signature, &clinicians);
    let places: BTreeMap<&str, usize> = match &found {
        Ok((order, _)) => order
            .iter()
            .enumerate()
            .filter_map(|(place, clinician)| Some((*clinicians.get(*clinician)?, place)))
            .collect(),
        Err(_) => BTreeMap::new(),
    };
    let how = match &found {
        Ok((_, frequencies)) => format!(
            "order of the rows of the figure: average linkage of the distances between signatures over {frequencies} \
             frequencies, each mean drawn towards that of all clinicians by its number of fittings; a cell that is \
             missing or withheld counts as the mean of all; where two groups join, the one further below target comes first"
        ),
        Err(reason) => format!("order of the rows of the figure: as the labels go, since {reason}"),
    };
    let rows = 0..signature.rows();
    let of_row = |row: usize| {
        let place = places.get(signature.text_at("clinician_id", row)?)?;
        i64::try_from(place + 1).ok()
    };
    let order: Vec<Option<i64>> = rows.clone().map(of_row).collect();
    signature
        .integer("order", order)
        .text("how", rows.map(|_| Some(how.clone())).collect())
}

/// Positions of the clinicians by similarity, and the number of frequencies that they were compared at.
fn order(signature: &Table, clinicians: &[&str]) -> Result<(Vec<usize>, usize), String> {
    if clinicians.len() < 2 {
        return Err("fewer than two clinicians are shown".to_owned());
    }
    let positions: BTreeMap<&str, usize> = clinicians
        .iter()
        .enumerate()
        .map(|(position, id)| (*id, position))
        .collect();
    let mut by_frequency: BTreeMap<i64, Vec<Option<Cell>>> = BTreeMap::new();
    for row in 0..signature.rows() {
        let (Some(hertz), Some(position), Some(mean)) = (
            signature.integer_at("frequency_hz", row),
            signature
                .text_at("clinician_id", row)
                .and_then(|id| positions.get(id)),
            signature.real_at("mean", row),
        ) else {
            continue;
        };
        let n = count_at(signature, "n_fittings", row);
        if n == 0 {
            continue;
        }
        let cells = by_frequency
            .entry(hertz)
            .or_insert_with(|| vec![None; clinicians.len()]);
        if let Some(slot) = cells.get_mut(*position) {
            let sd = signature.real_at("sd", row).unwrap_or(0.0);
            *slot = Some(Cell { n, mean, sd });
        }
    }
    let mut points: Vec<Vec<f64>> = vec![Vec::new(); clinicians.len()];
    let mut frequencies = 0;
    for cells in by_frequency.values() {
        let Ok(values) = shrunken(cells) else {
            continue;
        };
        frequencies += 1;
        for (point, value) in points.iter_mut().zip(values) {
            point.push(value);
        }
    }
    if frequencies == 0 {
        return Err("no frequency is shown of two clinicians".to_owned());
    }
    let joins = average_linkage(&points).map_err(|reason| reason.to_string())?;
    if joins.iter().all(|join| join.height <= 0.0) {
        return Err("no frequency shows a difference between clinicians beyond chance".to_owned());
    }
    let keys: Vec<f64> = points
        .iter()
        .map(|point| point.iter().sum::<f64>() / frequencies as f64)
        .collect();
    let order = leaf_order(&joins, &keys).map_err(|reason| reason.to_string())?;
    Ok((order, frequencies))
}

/// The means at one frequency drawn towards that of all; what is missing takes that of all.
///
/// Fittings count as the observations, and the SD between ears as that between fittings: the two ears of a fitting go
/// together, and for an order this is near enough.
fn shrunken(cells: &[Option<Cell>]) -> Result<Vec<f64>, NotEstimable> {
    let groups: Vec<Group> = cells
        .iter()
        .flatten()
        .map(|cell| Group {
            n: cell.n,
            mean: cell.mean,
            ss: cell.sd * cell.sd * (cell.n - 1) as f64,
        })
        .collect();
    let model = random_intercept::fit(&groups)?;
    let mut drawn = model.shrunken(&groups)?.into_iter();
    Ok(cells
        .iter()
        .map(|cell| {
            cell.and_then(|_| drawn.next())
                .map_or(model.mu, |found| found.estimate)
        })
        .collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Cells as (id, hertz, fittings, mean); what is withheld has no mean, as no number of fittings.
    fn signature(cells: &[(&str, i64, Option<i64>, f64)]) -> Table {
        let of = |value: f64| {
            cells
                .iter()
                .map(|c| c.2.map(|_| if value > 0.0 { value } else { c.3 }))
                .collect()
        };
        Table::new("signature")
            .text(
                "clinician_id",
                cells.iter().map(|c| Some(c.0.to_owned())).collect(),
            )
            .integer("frequency_hz", cells.iter().map(|c| Some(c.1)).collect())
            .integer("n_fittings", cells.iter().map(|c| c.2).collect())
            .real("mean", of(0.0))
            .real("sd", of(3.0))
    }

    fn ids(names: &[&str]) -> Vec<String> {
        names.iter().map(|name| (*name).to_owned()).collect()
    }

    fn places(table: &Table, names: &[&str]) -> Vec<Option<i64>> {
        names
            .iter()
            .map(|name| {
                let rows = table.where_text("clinician_id", name);
                let all: Vec<_> = (0..rows.rows())
                    .map(|row| rows.integer_at("order", row))
                    .collect();
                assert!(
                    all.windows(2).all(|pair| pair[0] == pair[1]),
                    "one place a clinician"
                );
                all[0]
            })
            .collect()
    }

    #[test]
    fn those_who_are_alike_stand_together_the_lower_first() {
        let names = ["a", "b", "c", "d"];
        let cells: Vec<_> = [("a", 4.0), ("b", -5.0), ("c", 3.5), ("d", -4.0)]
            .iter()
            .flat_map(|(id, at)| [(*id, 500, Some(100), *at), (*id, 4000, Some(100), at - 2.0)])
            .collect();
        let table = ordered(signature(&cells), &ids(&names));
        assert_eq!(places(&table, &names), [Some(4), Some(1), Some(3), Some(2)]);
    }

    /// On few fittings an extreme mean is drawn back among the others; a cell that is withheld counts as the mean, and who
    /// has no other, or is not in the table, has no place and no part in it.
    #[test]
    fn few_fittings_do_not_lead_and_withheld_ones_do_not_count() {
        let names = ["far", "few", "low", "mid", "none"];
        let cells = [
            ("far", 1000, Some(400), 6.0),
            ("few", 1000, Some(6), -6.0),
            ("low", 1000, Some(400), -3.0),
            ("mid", 1000, Some(400), 0.0),
            ("none", 1000, None, -30.0),
        ];
        let table = ordered(signature(&cells), &ids(&names));
        let found = places(&table, &names);
        assert_eq!(found[0], Some(4));
        assert_eq!(found[4], None);
        let more = ["elsewhere", "far", "few", "low", "mid", "none"];
        let table = ordered(signature(&cells), &ids(&more));
        assert_eq!(found, places(&table, &names));
    }

    #[test]
    fn without_a_difference_there_is_no_order() {
        for (cells, word) in [
            (vec![("a", 500, Some(20), 1.0)], "fewer than two"),
            (
                vec![("a", 500, Some(30), 1.0), ("b", 500, None, 9.0)],
                "fewer than two",
            ),
            (
                vec![("a", 500, Some(30), 1.0), ("b", 4000, Some(30), 9.0)],
                "is shown of two",
            ),
            (
                vec![("a", 500, Some(20), 1.0), ("b", 500, Some(20), 1.1)],
                "beyond chance",
            ),
        ] {
            let names: Vec<&str> = cells.iter().map(|cell| cell.0).collect();
            let table = ordered(signature(&cells), &ids(&names));
            assert!(places(&table, &names).iter().all(Option::is_none));
            let how = table.text_at("how", 0).unwrap();
            assert!(how.contains(word), "{how}");
        }
    }
}
