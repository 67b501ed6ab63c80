//! What adjusted analyses take into account: the plan's covariates of some fittings, as columns of a model.

use std::collections::BTreeMap;

use crate::fits::Fits;
use crate::statistics::NotEstimable;

/// A group of a covariate with fewer fittings than this is joined with the other small ones, and with the reference
/// where even together they are fewer: a coefficient of its own could not be estimated.
pub(crate) const SMALL_GROUP: usize = 10;

/// A covariate that is not known for more than this share of the fittings leaves too few to stand for all.
const MISSING_FOR_MANY: f64 = 0.5;

/// One covariate, a value a row.
enum Values {
    Numbers(Vec<Option<f64>>),
    Labels(Vec<Option<String>>),
}

impl Values {
    fn is_known(&self, position: usize) -> bool {
        match self {
            Self::Numbers(values) => values.get(position).is_some_and(Option::is_some),
            Self::Labels(values) => values.get(position).is_some_and(Option::is_some),
        }
    }
}

/// Covariates of some fittings, in the order of their rows.
pub(crate) struct Covariates {
    named: Vec<(String, Values)>,
    rows: usize,
}

/// Columns of a model: numbers as they are, a label with k groups as k - 1 columns of 0 and 1.
#[derive(Debug, Default)]
pub(crate) struct Columns {
    /// The columns, each with one value a row.
    pub(crate) values: Vec<Vec<f64>>,
    /// What each column is: a covariate, or `covariate group`.
    pub(crate) names: Vec<String>,
    /// The covariates that have a column.
    used: Vec<String>,
}

impl Columns {
    /// The columns after some leading ones.
    pub(crate) fn after(self, leading: Vec<(String, Vec<f64>)>) -> Self {
        let (mut names, mut values): (Vec<String>, Vec<Vec<f64>>) = leading.into_iter().unzip();
        names.extend(self.names);
        values.extend(self.values);
        Self {
            values,
            names,
            used: self.used,
        }
    }

    /// "adjusted for age_years, coupling", by what is in the columns; "no covariate" where nothing is.
    pub(crate) fn adjusted_for(&self) -> String {
        if self.used.is_empty() {
            "no covariate".to_owned()
        } else {
            format!("adjusted for {}", self.used.join(", "))
        }
    }
}

/// The same covariates for ranking: numbers to be ranked, and group numbers.
#[derive(Debug, Default)]
pub(crate) struct RankColumns {
    pub(crate) numeric: Vec<Vec<f64>>,
    pub(crate) categorical: Vec<Vec<u32>>,
}

impl RankColumns {
    /// How many columns a linear model of them has, less the constant.
    pub(crate) fn width(&self) -> u64 {
        let groups = |codes: &Vec<u32>| u64::from(codes.iter().max().copied().unwrap_or(0));
        self.numeric.len() as u64 + self.categorical.iter().map(groups).sum::<u64>()
    }
}

impl Covariates {
    /// The covariates of that name of some rows of the fit-level table.
    pub(crate) fn of(fits: &Fits, names: &[String], rows: &[usize]) -> Self {
        let named = names
            .iter()
            .map(|name| {
                let values = if fits.is_number(name) {
                    Values::Numbers(rows.iter().map(|&row| fits.number(name, row)).collect())
                } else {
                    Values::Labels(
                        rows.iter()
                            .map(|&row| fits.table().text_at(name, row).map(str::to_owned))
                            .collect(),
                    )
                };
                (name.clone(), values)
            })
            .collect();
        Self {
            named,
            rows: rows.len(),
        }
    }

    /// The names, in order.
    pub(crate) fn names(&self) -> Vec<String> {
        self.named.iter().map(|(name, _)| name.clone()).collect()
    }

    /// The positions for which every covariate is known.
    ///
    /// # Errors
    /// [`NotEstimable::MissingForMany`] where one is not known for more than half of the rows.
    pub(crate) fn complete(&self) -> Result<Vec<usize>, NotEstimable> {
        for (column, (_, values)) in self.named.iter().enumerate() {
            let missing = (0..self.rows).filter(|row| !values.is_known(*row)).count();
            if missing as f64 > MISSING_FOR_MANY * self.rows as f64 {
                return Err(NotEstimable::MissingForMany {
                    column,
                    missing: missing as u64,
                    of: self.rows as u64,
                });
            }
        }
        Ok((0..self.rows)
            .filter(|row| self.named.iter().all(|(_, values)| values.is_known(*row)))
            .collect())
    }

    /// The columns of a model over some positions. The largest group of a label is its reference; small groups are joined;
    /// what has one value only says nothing and is left out.
    pub(crate) fn columns(&self, positions: &[usize]) -> Columns {
        let mut out = Columns::default();
        for (name, values) in &self.named {
            match values {
                Values::Numbers(numbers) => {
                    let column = picked(numbers, positions);
                    if column.windows(2).any(|pair| pair[0] != pair[1]) {
                        out.values.push(column);
                        out.names.push(name.clone());
                        out.used.push(name.clone());
                    }
                }
                Values::Labels(labels) => {
                    let groups = Groups::new(labels, positions);
                    if groups.names.len() > 1 {
                        out.used.push(name.clone());
                    }
                    for (number, group) in (1_u32..).zip(groups.names.iter().skip(1)) {
                        let indicator = |code: &u32| f64::from(u8::from(*code == number));
                        out.values
                            .push(groups.codes.iter().map(indicator).collect());
                        out.names.push(format!("{name} {group}"));
                    }
                }
            }
        }
        out
    }

    /// The same covariates over some positions, for ranking.
    pub(crate) fn rank_columns(&self, positions: &[usize]) -> RankColumns {
        let mut out = RankColumns::default();
        for (_, values) in &self.named {
            match values {
                Values::Numbers(numbers) => out.numeric.push(picked(numbers, positions)),
                Values::Labels(labels) => {
                    out.categorical.push(Groups::new(labels, positions).codes);
                }
            }
        }
        out
    }
}

fn picked(numbers: &[Option<f64>], positions: &[usize]) -> Vec<f64> {
    positions
        .iter()
        .filter_map(|&position| numbers.get(position).copied().flatten())
        .collect()
}

/// A label as group numbers: 0 is the largest group, joined with what is too small to stand alone.
struct Groups {
    names: Vec<String>,
    codes: Vec<u32>,
}

impl Groups {
    fn new(labels: &[Option<String>], positions: &[usize]) -> Self {
        let label = |position: &usize| {
            labels
                .get(*position)
                .and_then(Option::as_deref)
                .unwrap_or_default()
        };
        let mut sizes: BTreeMap<&str, usize> = BTreeMap::new();
        for position in positions {
            *sizes.entry(label(position)).or_insert(0) += 1;
        }
        // Of groups of equal size the first by name is the reference.
        let reference = sizes
            .iter()
            .rev()
            .max_by_key(|(_, n)| **n)
            .map_or("", |(name, _)| *name);
        let small = |n: usize| n < SMALL_GROUP;
        let joined: usize = sizes
            .iter()
            .filter(|(name, n)| **name != reference && small(**n))
            .map(|(_, n)| n)
            .sum();
        let mut names = vec![reference.to_owned()];
        let mut code_of: BTreeMap<&str, u32> = BTreeMap::new();
        for (name, _) in sizes
            .iter()
            .filter(|(name, n)| **name != reference && !small(**n))
        {
            code_of.insert(name, names.len() as u32);
            names.push((*name).to_owned());
        }
        let other = if small(joined) {
            0
        } else {
            names.push("other".to_owned());
            names.len() as u32 - 1
        };
        let code = |name: &str| match code_of.get(name) {
            Some(code) => *code,
            None if name == reference => 0,
            None => other,
        };
        let codes = positions.iter().map(label).map(code).collect();
        Self { names, codes }
    }
}

/// The sentence that stands where an estimate would, with covariates by their names.
pub(crate) fn not_estimable(reason: &NotEstimable, names: &[String]) -> String {
    let name = |column: usize| names.get(column).map_or("a covariate", String::as_str);
    match *reason {
        NotEstimable::Collinear { column } => {
            format!(
                "not estimable: {} is a combination of the other covariates",
                name(column)
            )
        }
        NotEstimable::Separation { column } => format!(
            "not estimable: {} separates the outcome, so that its coefficient has no finite estimate",
            name(column)
        ),
        NotEstimable::MissingForMany {
            column,
            missing,
            of,
        } => format!(
            "not estimable: {} is not known for {missing} of {of} fittings",
            name(column)
        ),
        ref other => format!("not estimable: {other}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn labels(names: &[(&str, usize)]) -> Vec<Option<String>> {
        names
            .iter()
            .flat_map(|(name, n)| std::iter::repeat_n(Some((*name).to_owned()), *n))
            .collect()
    }

    fn covariates(values: Vec<(&str, Values)>, rows: usize) -> Covariates {
        Covariates {
            named: values
                .into_iter()
                .map(|(name, values)| (name.to_owned(), values))
                .collect(),
            rows,
        }
    }

    #[test]
    fn the_largest_group_is_the_reference_and_small_ones_are_joined() {
        let label = labels(&[("b", 12), ("a", 20), ("rare", 4), ("c", 10), ("rarer", 7)]);
        let rows = label.len();
        let all: Vec<usize> = (0..rows).collect();
        let found = covariates(vec![("g", Values::Labels(label))], rows).columns(&all);
        assert_eq!(found.names, ["g b", "g c", "g other"]);
        let sums: Vec<f64> = found
            .values
            .iter()
            .map(|column| column.iter().sum())
            .collect();
        assert_eq!(sums, [12.0, 10.0, 11.0]);
    }

    #[test]
    fn too_few_for_a_group_of_their_own_go_with_the_reference() {
        let label = labels(&[("a", 20), ("rare", 4)]);
        let all: Vec<usize> = (0..24).collect();
        let made = covariates(vec![("g", Values::Labels(label))], 24);
        assert!(made.columns(&all).names.is_empty());
        assert_eq!(made.rank_columns(&all).categorical, [vec![0_u32; 24]]);
    }

    #[test]
    fn rows_without_a_value_are_left_out_unless_there_are_many() {
        let numbers = vec![Some(1.0), None, Some(3.0), Some(4.0)];
        let made = covariates(vec![("age", Values::Numbers(numbers))], 4);
        let complete = made.complete().expect("one of four is missing");
        assert_eq!(complete, [0, 2, 3]);
        assert_eq!(made.columns(&complete).values, [[1.0, 3.0, 4.0]]);
        let numbers = vec![Some(1.0), None, None, None];
        let reason = covariates(vec![("age", Values::Numbers(numbers))], 4)
            .complete()
            .expect_err("three of four are missing");
        assert_eq!(
            not_estimable(&reason, &["age".to_owned()]),
            "not estimable: age is not known for 3 of 4 fittings"
        );
    }
}
