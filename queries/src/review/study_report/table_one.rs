//! Who is in the study, by thirds of the exposure, with standardised differences between the outer two.

use fitcohort_pipeline::plan::Plan;

use crate::builder::{Builder, Cell, Kind, mean, ratio};
use crate::fits::{Fits, Measure, groups_of};
use crate::statistics::balance::{of_categories, of_means, of_shares};
use crate::statistics::description::{MeanSd, mean_sd, quantile};
use crate::study;
use crate::table::Table;

/// The thirds, in order.
pub(crate) const THIRDS: [&str; 3] = ["low", "middle", "high"];

/// Labels that describe a fitting and come before those of the plan.
const LABELS: [&str; 4] = ["experience", "grade", "coupling", "prescription"];

/// Yes, no or not known of a fitting in a row.
type Flag<'a> = &'a dyn Fn(usize) -> Option<f64>;

/// Something by third.
type Thirds<T> = [T; 3];

/// Numbers that describe a fitting, with the unit of each: those of the fit-level table, and what the plan adds.
pub(super) const NUMBERS: [(&str, &str); 2] = [("age_years", "years"), ("pta4", "dB")];

/// The labels that describe a fitting: the usual ones, then those that the plan names besides.
pub(super) fn labels(plan: &Plan) -> Vec<&str> {
    let of_plan =
        plan.covariates.iter().map(String::as_str).filter(|name| {
            !LABELS.contains(name) && !NUMBERS.iter().any(|(number, _)| number == name)
        });
    LABELS.into_iter().chain(of_plan).collect()
}

/// The unit of an exposure, as the tables name units.
pub(super) fn unit_of(exposure: Measure) -> &'static str {
    match exposure {
        Measure::ShareWithin => "share",
        _ => "dB",
    }
}

/// The rows of a study by thirds of the exposure, and the two cut points (quantiles of type 7 at one and two thirds); what
/// lies on a cut goes to the lower side. None where nobody has the exposure.
fn cut(exposures: &[(usize, f64)]) -> Option<(Thirds<Vec<usize>>, [f64; 2])> {
    let mut sorted: Vec<f64> = exposures.iter().map(|(_, value)| *value).collect();
    sorted.sort_unstable_by(f64::total_cmp);
    let [Ok(lower), Ok(upper)] = [1.0 / 3.0, 2.0 / 3.0].map(|p| quantile(&sorted, p)) else {
        return None;
    };
    let mut thirds = Thirds::<Vec<usize>>::default();
    let [low, middle, high] = &mut thirds;
    for &(row, value) in exposures {
        if value <= lower {
            low.push(row);
        } else if value <= upper {
            middle.push(row);
        } else {
            high.push(row);
        }
    }
    Some((thirds, [lower, upper]))
}

/// The tables `thirds` (cut points) and `table_one`.
pub(crate) fn tables(fits: &Fits, plan: &Plan, rows: &[usize]) -> [(&'static str, Table); 2] {
    let exposure = study::exposure(plan);
    let satisfied_from = plan.outcome.satisfied_from;
    let exposures: Vec<(usize, f64)> = rows
        .iter()
        .filter_map(|&row| Some((row, fits.value(exposure, row, satisfied_from)?)))
        .collect();
    let found = cut(&exposures);
    let mut cuts = Builder::new(
        "thirds",
        &[],
        &[
            ("third", Kind::Text),
            ("unit", Kind::Text),
            ("n", Kind::Integer),
            ("above", Kind::Real),
            ("up_to", Kind::Real),
        ],
    );
    let mut out = Builder::new(
        "table_one",
        &[],
        &[
            ("variable", Kind::Text),
            ("level", Kind::Text),
            ("unit", Kind::Text),
            ("n_low", Kind::Integer),
            ("low", Kind::Real),
            ("low_sd", Kind::Real),
            ("n_middle", Kind::Integer),
            ("middle", Kind::Real),
            ("middle_sd", Kind::Real),
            ("n_high", Kind::Integer),
            ("high", Kind::Real),
            ("high_sd", Kind::Real),
            ("difference", Kind::Real),
        ],
    );
    let Some((thirds, [lower, upper])) = found else {
        return [("thirds", cuts.build()), ("table_one", out.build())];
    };
    let limits = [
        (None, Some(lower)),
        (Some(lower), Some(upper)),
        (Some(upper), None),
    ];
    for ((third, rows), (above, up_to)) in THIRDS.into_iter().zip(&thirds).zip(limits) {
        cuts.row(
            &[],
            vec![
                third.into(),
                unit_of(exposure).into(),
                rows.len().into(),
                above.into(),
                up_to.into(),
            ],
        );
    }
    for line in lines(fits, plan, exposure, &thirds) {
        out.row(&[], line.cells());
    }
    [("thirds", cuts.build()), ("table_one", out.build())]
}

/// A row of table one: counts by third, with what is told of each.
struct Line {
    variable: String,
    level: Option<String>,
    unit: &'static str,
    n: Thirds<u64>,
    value: Thirds<Option<f64>>,
    sd: Thirds<Option<f64>>,
    difference: Option<f64>,
}

impl Line {
    fn cells(self) -> Vec<Cell> {
        let mut out: Vec<Cell> = vec![
            self.variable.as_str().into(),
            self.level.into(),
            self.unit.into(),
        ];
        for ((n, value), sd) in self.n.into_iter().zip(self.value).zip(self.sd) {
            let cells: [Cell; 3] = [n.into(), value.into(), sd.into()];
            out.extend(cells);
        }
        out.push(self.difference.into());
        out
    }

    /// A number's mean and standard deviation by third.
    fn of_number(variable: &str, unit: &'static str, values: &Thirds<Vec<f64>>) -> Self {
        let spread = values.each_ref().map(|values| mean_sd(values).ok());
        let [low, _, high] = &spread;
        let difference = |(low, high): (&MeanSd, &MeanSd)| of_means(low, high).ok();
        Self {
            variable: variable.to_owned(),
            level: None,
            unit,
            n: values.each_ref().map(|values| values.len() as u64),
            value: values.each_ref().map(|values| mean(values)),
            sd: spread.map(|spread| spread.map(|found| found.sd)),
            difference: low.as_ref().zip(high.as_ref()).and_then(difference),
        }
    }

    /// One level of a label; `known` are the fittings of each third with any level.
    fn of_level(variable: &str, level: &str, counts: Thirds<u64>, known: Thirds<u64>) -> Self {
        let mut shares = counts.into_iter().zip(known).map(|(n, of)| ratio(n, of));
        let value: Thirds<Option<f64>> = std::array::from_fn(|_| shares.next().flatten());
        let [low, _, high] = value;
        Self {
            variable: variable.to_owned(),
            level: Some(level.to_owned()),
            unit: "share",
            n: counts,
            value,
            sd: [None; 3],
            difference: low
                .zip(high)
                .and_then(|(low, high)| of_shares(low, high).ok()),
        }
    }
}

/// Counts of a level by third.
type Level = (String, Thirds<u64>);

/// Joins levels with some but fewer than the minimum in a third, the rarest first, as long as more than two are left: table
/// one then withholds nothing that another of its rows would give back.
fn join_rare(mut levels: Vec<Level>, minimum: u64) -> Vec<Level> {
    const JOINED: &str = "all others";
    let is_rare = |(_, counts): &Level| counts.iter().any(|n| *n > 0 && *n < minimum);
    let total = |(_, counts): &Level| counts.iter().sum::<u64>();
    while levels.len() > 2 && levels.iter().any(is_rare) {
        let mut order: Vec<usize> = (0..levels.len()).collect();
        order.sort_by_key(|&place| {
            // What is joined already takes the next one in, so that there is one such row.
            levels
                .get(place)
                .map(|level| (level.0 != JOINED, !is_rare(level), total(level)))
        });
        let [first, second, ..] = order.as_slice() else {
            break;
        };
        let (first, second) = (*first.min(second), *first.max(second));
        let (_, other) = levels.remove(second);
        let (_, mut counts) = levels.remove(first);
        for (n, more) in counts.iter_mut().zip(other) {
            *n += more;
        }
        levels.push((JOINED.to_owned(), counts));
    }
    levels
}

/// The rows of a label: over all levels where there are more than two, then each.
fn of_label(variable: &str, levels: Vec<Level>, minimum: u64) -> Vec<Line> {
    let known: Thirds<u64> =
        std::array::from_fn(|third| levels.iter().filter_map(|(_, n)| n.get(third)).sum());
    // What is known of nobody is told by the table of missing values.
    if known == [0; 3] {
        return Vec::new();
    }
    let levels = join_rare(levels, minimum);
    let mut out = Vec::new();
    if levels.len() > 2 {
        let of_third = |third: usize| -> Vec<u64> {
            levels
                .iter()
                .filter_map(|(_, counts)| counts.get(third).copied())
                .collect()
        };
        out.push(Line {
            variable: variable.to_owned(),
            level: None,
            unit: "share",
            n: known,
            value: [None; 3],
            sd: [None; 3],
            difference: of_categories(&of_third(0), &of_third(2)).ok(),
        });
    }
    out.extend(
        levels
            .iter()
            .map(|(level, counts)| Line::of_level(variable, level, *counts, known)),
    );
    out
}

fn lines(fits: &Fits, plan: &Plan, exposure: Measure, thirds: &Thirds<Vec<usize>>) -> Vec<Line> {
    let satisfied_from = plan.outcome.satisfied_from;
    let minimum = u64::try_from(plan.minimum_cell).unwrap_or(1);
    let numbers = |number: &dyn Fn(usize) -> Option<f64>| {
        thirds.each_ref().map(|rows| {
            rows.iter()
                .filter_map(|&row| number(row))
                .collect::<Vec<f64>>()
        })
    };
    let mut out = vec![Line {
        variable: "fittings".to_owned(),
        level: None,
        unit: "",
        n: thirds.each_ref().map(|rows| rows.len() as u64),
        value: [None; 3],
        sd: [None; 3],
        difference: None,
    }];
    let values = numbers(&|row| fits.value(exposure, row, satisfied_from));
    // The thirds are cut by the exposure, so its difference between them says nothing.
    out.push(Line {
        difference: None,
        ..Line::of_number(exposure.name(), unit_of(exposure), &values)
    });
    for (name, unit) in NUMBERS {
        out.push(Line::of_number(
            name,
            unit,
            &numbers(&|row| fits.number(name, row)),
        ));
    }
    for name in labels(plan) {
        let everybody: Vec<usize> = thirds.iter().flatten().copied().collect();
        let levels = groups_of(fits.table(), &[name.to_owned()], &everybody)
            .into_iter()
            .filter_map(|group| group.labels.into_iter().next().flatten())
            .map(|level| {
                let counts = thirds.each_ref().map(|rows| {
                    let has =
                        |row: &&usize| fits.table().text_at(name, **row) == Some(level.as_str());
                    rows.iter().filter(has).count() as u64
                });
                (level, counts)
            })
            .collect();
        out.extend(of_label(name, levels, minimum));
    }
    let flags: [(&str, [&str; 2], Flag<'_>); 3] = [
        ("ears_fitted", ["both", "one"], &|row| {
            let ears = fits.table().integer_at("n_fitted", row)?;
            Some(f64::from(u8::from(ears == 2)))
        }),
        ("returned", ["yes", "no"], &|row| {
            fits.value(Measure::Returned, row, satisfied_from)
        }),
        ("answered", ["yes", "no"], &|row| {
            fits.value(Measure::Answered, row, satisfied_from)
        }),
    ];
    for (name, [yes, no], flag) in flags {
        let known = numbers(flag);
        let count = |wanted: bool| {
            known
                .each_ref()
                .map(|flags| flags.iter().filter(|flag| (**flag > 0.5) == wanted).count() as u64)
        };
        let levels = vec![(yes.to_owned(), count(true)), (no.to_owned(), count(false))];
        out.extend(of_label(name, levels, minimum));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn thirds_are_cut_at_quantiles_and_ties_stay_together() {
        let rows: Vec<(usize, f64)> = [5.0, 1.0, 2.0, 9.0, 2.0, 7.0, 2.0, 8.0, 3.0]
            .into_iter()
            .enumerate()
            .collect();
        let (thirds, cuts) = cut(&rows).unwrap();
        // Sorted 1 2 2 2 3 5 7 8 9: h = 8/3 gives 2, h = 16/3 gives 5 + (7 - 5)/3.
        assert!((cuts[0] - 2.0).abs() < 1e-12);
        assert!((cuts[1] - (5.0 + 2.0 / 3.0)).abs() < 1e-12);
        assert_eq!(thirds, [vec![1, 2, 4, 6], vec![0, 8], vec![3, 5, 7]]);
        assert!(cut(&[]).is_none());
    }

    #[test]
    fn rare_levels_are_joined_until_none_is_left_or_two_levels_are() {
        let level = |name: &str, counts| (name.to_owned(), counts);
        let joined = join_rare(
            vec![
                level("mild", [50, 40, 30]),
                level("moderate", [20, 20, 20]),
                level("severe", [3, 9, 9]),
                level("profound", [0, 1, 2]),
            ],
            5,
        );
        // 3 and 0 make 3, which is still too few and takes the next smallest along.
        assert_eq!(
            joined,
            [
                level("mild", [50, 40, 30]),
                level("all others", [23, 30, 31])
            ]
        );
        // Two that come to enough together, and two that do: still one row of others.
        let many = vec![
            level("a", [3, 3, 3]),
            level("b", [3, 3, 3]),
            level("c", [4, 4, 4]),
            level("d", [4, 4, 4]),
            level("e", [60, 60, 60]),
        ];
        assert_eq!(
            join_rare(many, 5),
            [level("e", [60, 60, 60]), level("all others", [14, 14, 14])]
        );
        let two = vec![level("yes", [1, 9, 9]), level("no", [40, 40, 40])];
        assert_eq!(join_rare(two.clone(), 5), two);
        let none = vec![
            level("a", [0, 9, 9]),
            level("b", [40, 40, 40]),
            level("c", [9, 9, 9]),
        ];
        assert_eq!(join_rare(none.clone(), 5), none);
    }
}
