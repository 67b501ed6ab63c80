//! Whole numbers that are not known, and the sums that hang between them: what follows exactly, and within which bounds.

use std::collections::{BTreeMap, BTreeSet};

/// Names times whole numbers add up to a constant.
#[derive(Clone, Debug)]
pub(crate) struct Sum {
    parts: BTreeMap<String, i128>,
    constant: i128,
}

impl Sum {
    pub(crate) fn new(parts: &[(&str, i128)], constant: i128) -> Self {
        Self {
            parts: parts
                .iter()
                .map(|(name, times)| ((*name).to_owned(), *times))
                .collect(),
            constant,
        }
    }

    /// Divides by the greatest common divisor, so that numbers stay small.
    fn reduced(mut self) -> Self {
        let divisor = self
            .parts
            .values()
            .chain([&self.constant])
            .fold(0_i128, |a, b| gcd(a, b.abs()));
        if divisor > 1 {
            self.parts.values_mut().for_each(|times| *times /= divisor);
            self.constant /= divisor;
        }
        self
    }

    /// This sum with one name taken out by another sum that holds it.
    fn less(&self, other: &Self, name: &str) -> Self {
        let (Some(a), Some(b)) = (self.parts.get(name), other.parts.get(name)) else {
            return self.clone();
        };
        let mut out = Self {
            parts: BTreeMap::new(),
            constant: self.constant * b - other.constant * a,
        };
        for part in self.parts.keys().chain(other.parts.keys()) {
            let times =
                self.parts.get(part).unwrap_or(&0) * b - other.parts.get(part).unwrap_or(&0) * a;
            if times != 0 {
                out.parts.insert(part.clone(), times);
            }
        }
        out.reduced()
    }
}

fn gcd(a: i128, b: i128) -> i128 {
    if b == 0 { a } else { gcd(b, a % b) }
}

/// Counts, known or withheld, and what is known of them together.
#[derive(Debug, Default)]
pub(crate) struct System {
    known: BTreeMap<String, i64>,
    withheld: BTreeSet<String>,
    /// By whole and way of dividing it.
    wholes: BTreeMap<(String, String), BTreeSet<String>>,
    sums: Vec<Sum>,
    at_most: BTreeSet<(String, String)>,
}

impl System {
    /// A count that is published, or withheld where there is no text.
    pub(crate) fn count(&mut self, name: &str, text: &str) {
        if text.is_empty() {
            self.withheld.insert(name.to_owned());
        }
        self.known(name, text);
    }

    /// The same, but nobody minds whether it is found where it is not published.
    pub(crate) fn known(&mut self, name: &str, text: &str) {
        if let Ok(n) = text.parse() {
            let before = self.known.insert(name.to_owned(), n);
            assert!(
                before.is_none_or(|before| before == n),
                "{name} is {before:?} and {n}"
            );
        }
    }

    /// A part of a whole that is divided in some way; the parts of one way add up to it.
    pub(crate) fn part(&mut self, whole: &str, way: &str, part: &str) {
        self.wholes
            .entry((whole.to_owned(), way.to_owned()))
            .or_default()
            .insert(part.to_owned());
    }

    /// Two names for the same number.
    pub(crate) fn same(&mut self, one: &str, other: &str) {
        if one != other {
            self.sums.push(Sum::new(&[(one, 1), (other, -1)], 0));
        }
    }

    pub(crate) fn sum(&mut self, sum: Sum) {
        self.sums.push(sum);
    }

    pub(crate) fn at_most(&mut self, one: &str, other: &str) {
        if one != other {
            self.at_most.insert((one.to_owned(), other.to_owned()));
        }
    }

    pub(crate) fn withheld(&self) -> &BTreeSet<String> {
        &self.withheld
    }

    fn all_sums(&self) -> Vec<Sum> {
        let wholes = self.wholes.iter().map(|((whole, _), parts)| {
            let parts = parts.iter().map(|part| (part.as_str(), 1));
            Sum::new(&parts.chain([(whole.as_str(), -1)]).collect::<Vec<_>>(), 0)
        });
        self.sums.iter().cloned().chain(wholes).collect()
    }

    /// The sums with what is published put in; those in which nothing is left are dropped.
    fn open_sums(&self) -> Vec<Sum> {
        self.all_sums()
            .into_iter()
            .map(|mut sum| {
                for (name, n) in &self.known {
                    if let Some(times) = sum.parts.remove(name) {
                        sum.constant -= times * i128::from(*n);
                    }
                }
                sum
            })
            .filter(|sum| !sum.parts.is_empty())
            .collect()
    }

    /// The sums that do not hold of what is published, as far as all of them is.
    pub(crate) fn broken(&self) -> Vec<String> {
        let mut out: Vec<String> = Vec::new();
        for sum in self.all_sums() {
            let left = sum
                .parts
                .iter()
                .try_fold(-sum.constant, |left, (name, times)| {
                    Some(left + times * i128::from(*self.known.get(name)?))
                });
            if left.is_some_and(|left| left != 0) {
                out.push(format!("{sum:?}"));
            }
        }
        for (one, other) in &self.at_most {
            if let (Some(a), Some(b)) = (self.known.get(one), self.known.get(other))
                && a > b
            {
                out.push(format!("{one} is {a}, {other} only {b}"));
            }
        }
        out
    }

    /// Reduced row echelon form, exact.
    fn eliminated(&self) -> Vec<Sum> {
        let mut done: Vec<(String, Sum)> = Vec::new();
        for mut sum in self.open_sums() {
            for (name, row) in &done {
                sum = sum.less(row, name);
            }
            let Some(pivot) = sum.parts.keys().next().cloned() else {
                assert_eq!(
                    sum.constant, 0,
                    "the published numbers contradict each other"
                );
                continue;
            };
            for (_, row) in &mut done {
                *row = row.less(&sum, &pivot);
            }
            done.push((pivot, sum));
        }
        done.into_iter().map(|(_, sum)| sum).collect()
    }

    /// The withheld counts that are published after all, follow exactly, or can have fewer values than the smallest cell
    /// has people, each with its bounds.
    pub(crate) fn recovered(&self, minimum: i64) -> Vec<String> {
        let mut sums = self.open_sums();
        sums.extend(self.eliminated());
        let mut bounds: BTreeMap<String, (i128, i128)> = BTreeMap::new();
        let most = i128::from(i64::MAX);
        let names = sums
            .iter()
            .flat_map(|sum| sum.parts.keys())
            .chain(&self.withheld);
        for name in names {
            let known = self.known.get(name).copied().map(i128::from);
            bounds.insert(name.clone(), known.map_or((0, most), |n| (n, n)));
        }
        let published = |name: &str| self.known.get(name).copied().map(i128::from);
        for _ in 0..60 {
            let before = bounds.clone();
            for (one, other) in &self.at_most {
                let upper = published(other).or_else(|| Some(bounds.get(other)?.1));
                let lower = published(one).or_else(|| Some(bounds.get(one)?.0));
                if let (Some(slot), Some(upper)) = (bounds.get_mut(one), upper) {
                    slot.1 = slot.1.min(upper);
                }
                if let (Some(slot), Some(lower)) = (bounds.get_mut(other), lower) {
                    slot.0 = slot.0.max(lower);
                }
            }
            for sum in &sums {
                narrow(sum, &mut bounds, most);
            }
            if bounds == before {
                break;
            }
        }
        self.withheld
            .iter()
            .filter_map(|name| {
                let (lo, hi) = bounds.get(name)?;
                // An empty cell is no secret, withheld along with its row or not.
                (hi - lo < i128::from(minimum) && *hi > 0).then(|| format!("{name}: {lo} to {hi}"))
            })
            .collect()
    }
}

/// Narrows each part of a sum by what the others can be.
fn narrow(sum: &Sum, bounds: &mut BTreeMap<String, (i128, i128)>, most: i128) {
    for (name, times) in &sum.parts {
        // times × name = constant − the others.
        let (mut least, mut greatest) = (Some(sum.constant), Some(sum.constant));
        for (other, by) in sum.parts.iter().filter(|(other, _)| *other != name) {
            let (lo, hi) = bounds.get(other).copied().unwrap_or((0, most));
            let (small, large) = if *by > 0 { (lo, hi) } else { (hi, lo) };
            let open = |end: i128| end >= most;
            least = least.filter(|_| !open(large)).map(|sum| sum - by * large);
            greatest = greatest
                .filter(|_| !open(small))
                .map(|sum| sum - by * small);
        }
        // Divided by a negative number the ends change places.
        let (least, greatest, by) = if *times > 0 {
            (least, greatest, *times)
        } else {
            (greatest.map(|end| -end), least.map(|end| -end), -times)
        };
        if let Some(slot) = bounds.get_mut(name) {
            if let Some(end) = least {
                slot.0 = slot.0.max(-(-end).div_euclid(by));
            }
            if let Some(end) = greatest {
                slot.1 = slot.1.min(end.div_euclid(by));
            }
        }
    }
}
