//! Whole numbers that are not known, and the sums that hang between them: what follows exactly, and within which bounds.

use std::collections::{BTreeMap, BTreeSet};

/// A bound that is none.
const MOST: i128 = i64::MAX as i128;

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
}

/// A share of a count that is published, so that the two make another count.
#[derive(Clone, Debug)]
struct Share {
    share: f64,
    of: String,
    hits: String,
}

/// A difference of two shares that is published: each a count and how many of it, the later one first.
#[derive(Clone, Debug)]
struct Change {
    change: f64,
    now: [String; 2],
    before: [String; 2],
}

/// Counts, known or withheld, and what is known of them together.
#[derive(Debug, Default)]
pub(crate) struct System {
    known: BTreeMap<String, i64>,
    withheld: BTreeSet<String>,
    /// By whole and way of dividing it.
    wholes: BTreeMap<(String, String), BTreeSet<String>>,
    sums: Vec<Sum>,
    shares: Vec<Share>,
    changes: Vec<Change>,
    at_most: BTreeSet<(String, String)>,
    /// What was published twice and is not the same.
    broken: Vec<String>,
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
            self.insert(name, n);
        }
    }

    fn insert(&mut self, name: &str, n: i64) {
        let before = self.known.insert(name.to_owned(), n);
        if before.is_some_and(|before| before != n) {
            self.broken.push(format!("{name} is {before:?} and {n}"));
        }
    }

    /// A count that came out of a share; that it is no whole number is a misreading.
    fn whole(&mut self, name: &str, exact: f64) {
        if (exact - exact.round()).abs() > 1e-6 * (1.0 + exact.abs()) {
            self.broken.push(format!("{name} would be {exact}"));
        }
        self.insert(name, exact.round() as i64);
    }

    /// A share that is published, of one count, so that times it is another.
    pub(crate) fn share(&mut self, share: f64, of: &str, hits: &str) {
        self.shares.push(Share {
            share,
            of: of.to_owned(),
            hits: hits.to_owned(),
        });
    }

    /// A difference of two shares that is published; each is a count and how many of it.
    pub(crate) fn change(&mut self, change: f64, now: [&str; 2], before: [&str; 2]) {
        self.changes.push(Change {
            change,
            now: now.map(str::to_owned),
            before: before.map(str::to_owned),
        });
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

    /// Puts in what follows from one sum or one share alone, until nothing more does.
    pub(crate) fn settle(&mut self) {
        let sums = self.all_sums();
        loop {
            let before = self.known.len();
            for Share { share, of, hits } in self.shares.clone() {
                if let Some(n) = self.known.get(&of) {
                    self.whole(&hits, share * *n as f64);
                }
            }
            for Change {
                change,
                now,
                before,
            } in self.changes.clone()
            {
                let count = |name: &String| self.known.get(name).map(|n| *n as f64);
                let [n, hits, n_before, hits_before] =
                    [&now[0], &now[1], &before[0], &before[1]].map(count);
                let (Some(n), Some(n_before)) = (n, n_before) else {
                    continue;
                };
                if let Some(hits) = hits {
                    self.whole(&before[1], (hits / n - change) * n_before);
                }
                if let Some(hits) = hits_before {
                    self.whole(&now[1], (hits / n_before + change) * n);
                }
            }
            for sum in &sums {
                let mut left = sum.constant;
                let mut unknown = None;
                let mut is_single = true;
                for (name, times) in &sum.parts {
                    match self.known.get(name) {
                        Some(n) => left -= times * i128::from(*n),
                        None if unknown.is_none() => unknown = Some((name, times)),
                        None => is_single = false,
                    }
                }
                if let (Some((name, times)), true) = (unknown, is_single)
                    && left % times == 0
                {
                    let n = i64::try_from(left / times).expect("a count");
                    self.insert(name, n);
                }
            }
            if self.known.len() == before {
                break;
            }
        }
        self.broken.sort();
        self.broken.dedup();
    }

    /// What does not hold of what is published: sums as far as all of them is, order, shares that are none of their
    /// count, and numbers that stand in two ways.
    pub(crate) fn broken(&self) -> Vec<String> {
        let mut out = self.broken.clone();
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

    /// What is known of a count.
    pub(crate) fn get(&self, name: &str) -> Option<i64> {
        self.known.get(name).copied()
    }

    /// The withheld counts that are published after all, follow exactly, or can have fewer values than the smallest cell
    /// has people, each with its bounds.
    pub(crate) fn recovered(&self, minimum: i64) -> BTreeMap<String, (i128, i128)> {
        let mut open = Open::default();
        for sum in self.all_sums() {
            let mut row = Row {
                parts: Vec::new(),
                constant: sum.constant,
            };
            for (name, times) in &sum.parts {
                match self.known.get(name) {
                    Some(n) => row.constant -= times * i128::from(*n),
                    None => row.parts.push((open.place(name), *times)),
                }
            }
            row.parts.sort_unstable();
            if !row.parts.is_empty() {
                open.rows.push(row);
            }
        }
        for (one, other) in &self.at_most {
            match (self.known.get(one), self.known.get(other)) {
                (None, None) => {
                    let pair = (open.place(one), open.place(other));
                    open.at_most.push(pair);
                }
                (Some(n), None) => {
                    let place = open.place(other);
                    open.bounds[place].0 = open.bounds[place].0.max(i128::from(*n));
                }
                (None, Some(n)) => {
                    let place = open.place(one);
                    open.bounds[place].1 = open.bounds[place].1.min(i128::from(*n));
                }
                (Some(_), Some(_)) => {}
            }
        }
        open.narrow();
        self.withheld
            .iter()
            .filter_map(|name| {
                let (lo, hi) = match (self.known.get(name), open.places.get(name)) {
                    (Some(n), _) => (i128::from(*n), i128::from(*n)),
                    (None, Some(place)) => open.bounds[*place],
                    (None, None) => (0, MOST),
                };
                // An empty cell is no secret, withheld along with its row or not.
                (hi - lo < i128::from(minimum) && hi > 0).then(|| (name.clone(), (lo, hi)))
            })
            .collect()
    }
}

/// A sum over places instead of names, in the order of the places.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
struct Row {
    parts: Vec<(usize, i128)>,
    constant: i128,
}

impl Row {
    fn times(&self, place: usize) -> i128 {
        self.parts
            .binary_search_by_key(&place, |part| part.0)
            .map_or(0, |found| self.parts[found].1)
    }

    /// This sum with one place taken out by another sum that holds it, divided by what all of it shares.
    fn less(&self, other: &Self, place: usize) -> Self {
        let (a, b) = (self.times(place), other.times(place));
        if a == 0 || b == 0 {
            return self.clone();
        }
        let mut parts = Vec::with_capacity(self.parts.len() + other.parts.len());
        let (mut one, mut two) = (self.parts.iter().peekable(), other.parts.iter().peekable());
        loop {
            let next = match (one.peek(), two.peek()) {
                (Some(x), Some(y)) => x.0.min(y.0),
                (Some(x), None) => x.0,
                (None, Some(y)) => y.0,
                (None, None) => break,
            };
            let x = one.next_if(|part| part.0 == next).map_or(0, |part| part.1);
            let y = two.next_if(|part| part.0 == next).map_or(0, |part| part.1);
            let times = x * b - y * a;
            if times != 0 {
                parts.push((next, times));
            }
        }
        let mut constant = self.constant * b - other.constant * a;
        let divisor = parts
            .iter()
            .map(|part| part.1)
            .chain([constant])
            .fold(0, gcd);
        if divisor > 1 {
            parts.iter_mut().for_each(|part| part.1 /= divisor);
            constant /= divisor;
        }
        Self { parts, constant }
    }
}

fn gcd(a: i128, b: i128) -> i128 {
    if b == 0 { a.abs() } else { gcd(b, a % b) }
}

/// What is left open: the unknown, each with a place, and all that is known of them.
#[derive(Debug, Default)]
struct Open {
    places: BTreeMap<String, usize>,
    rows: Vec<Row>,
    at_most: Vec<(usize, usize)>,
    bounds: Vec<(i128, i128)>,
}

impl Open {
    fn place(&mut self, name: &str) -> usize {
        if let Some(place) = self.places.get(name) {
            return *place;
        }
        let place = self.bounds.len();
        self.places.insert(name.to_owned(), place);
        self.bounds.push((0, MOST));
        place
    }

    /// Reduced row echelon form, exact. The place that the fewest sums hold goes first, so that few fill in.
    fn eliminated(&self) -> Vec<Row> {
        let mut held = vec![0_usize; self.bounds.len()];
        for (place, _) in self.rows.iter().flat_map(|row| &row.parts) {
            held[*place] += 1;
        }
        let mut left = self.rows.clone();
        left.sort_unstable_by_key(|row| (row.parts.len(), row.clone()));
        left.dedup();
        // By pivot, with the pivots that each place is in: only those have to be touched.
        let mut done: BTreeMap<usize, Row> = BTreeMap::new();
        for mut sum in left {
            let pivots: Vec<usize> = sum.parts.iter().map(|part| part.0).collect();
            for pivot in pivots {
                if let Some(row) = done.get(&pivot) {
                    sum = sum.less(row, pivot);
                }
            }
            let Some((pivot, _)) = sum.parts.iter().min_by_key(|part| held[part.0]).copied() else {
                assert_eq!(sum.constant, 0, "what is published contradicts itself");
                continue;
            };
            for row in done.values_mut() {
                if row.times(pivot) != 0 {
                    *row = row.less(&sum, pivot);
                }
            }
            done.insert(pivot, sum);
        }
        done.into_values().collect()
    }

    /// Narrows what each can be by what the others can be, until nothing moves.
    fn narrow(&mut self) {
        let mut rows = self.eliminated();
        rows.extend(self.rows.iter().cloned());
        for _ in 0..60 {
            let before = self.bounds.clone();
            for (one, other) in &self.at_most {
                self.bounds[*one].1 = self.bounds[*one].1.min(self.bounds[*other].1);
                self.bounds[*other].0 = self.bounds[*other].0.max(self.bounds[*one].0);
            }
            for row in &rows {
                narrow(row, &mut self.bounds);
            }
            if self.bounds == before {
                break;
            }
        }
    }
}

/// Narrows each part of a sum by what the others can be.
fn narrow(row: &Row, bounds: &mut [(i128, i128)]) {
    // Σ of what each part adds at least and at most; an end that is open counts, and adds nothing.
    let ends = |times: i128, (lo, hi): (i128, i128)| {
        let high = (hi < MOST).then_some(hi);
        if times > 0 {
            (Some(times * lo), high.map(|hi| times * hi))
        } else {
            (high.map(|hi| times * hi), Some(times * lo))
        }
    };
    let (mut least, mut greatest) = ((0_i128, 0_usize), (0_i128, 0_usize));
    for (place, times) in &row.parts {
        let (small, large) = ends(*times, bounds[*place]);
        for (sum, end) in [(&mut least, small), (&mut greatest, large)] {
            match end {
                Some(end) => sum.0 += end,
                None => sum.1 += 1,
            }
        }
    }
    for (place, times) in &row.parts {
        let (small, large) = ends(*times, bounds[*place]);
        // What the others add at least and at most.
        let others = |sum: (i128, usize), own: Option<i128>| match (sum.1, own) {
            (0, Some(own)) => Some(sum.0 - own),
            (1, None) => Some(sum.0),
            _ => None,
        };
        // times × this = constant − the others.
        let most = others(least, small).map(|others| row.constant - others);
        let fewest = others(greatest, large).map(|others| row.constant - others);
        let (fewest, most, by) = if *times > 0 {
            (fewest, most, *times)
        } else {
            (most.map(|end| -end), fewest.map(|end| -end), -times)
        };
        let slot = &mut bounds[*place];
        if let Some(end) = fewest {
            slot.0 = slot.0.max(-(-end).div_euclid(by));
        }
        if let Some(end) = most {
            slot.1 = slot.1.min(end.div_euclid(by));
        }
        // The sums of ends stay those from before this sum was looked at: wider than need be, and taken up in the next
        // round.
        let (small_now, large_now) = ends(*times, bounds[*place]);
        for (sum, was, is) in [
            (&mut least, small, small_now),
            (&mut greatest, large, large_now),
        ] {
            match (was, is) {
                (Some(was), Some(is)) => sum.0 += is - was,
                (None, Some(is)) => {
                    sum.0 += is;
                    sum.1 -= 1;
                }
                _ => {}
            }
        }
    }
}
