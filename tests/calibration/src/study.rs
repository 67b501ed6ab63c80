//! What a study is, how it is run and when its claim holds.

use rayon::prelude::*;

use fitcohort_queries::statistics::{Interval, Z_95, proportion};

/// Why a study could not be run: what a function under study, or the generator, said.
pub type Refused = Box<dyn std::error::Error + Send + Sync>;

/// Half the width of the Monte Carlo limits in standard errors: two-sided 99.9 % of a normal.
pub const MONTE_CARLO_Z: f64 = 3.29;

/// How many of a study's replicates are run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Effort {
    /// All: what the page shows.
    Full,
    /// One in so many, at least [`Effort::LEAST`]: enough to see that everything runs.
    OneIn(u64),
}

impl Effort {
    /// Fewest replicates of a study.
    pub const LEAST: u64 = 4;

    /// Resamples or shuffles in each replicate of a short run: enough for an interval to be read off them.
    const FEW: u64 = 49;

    /// Replicates to run of `all`.
    pub fn of(self, all: u64) -> u64 {
        match self {
            Self::Full => all,
            Self::OneIn(parts) => (all / parts.max(1)).max(Self::LEAST),
        }
    }

    /// Resamples or shuffles to draw in each replicate, of `all`.
    pub fn resamples(self, all: u64) -> u64 {
        match self {
            Self::Full => all,
            Self::OneIn(_) => all.min(Self::FEW),
        }
    }
}

/// What one replicate saw.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Count {
    /// How often what is counted happened.
    pub hits: u32,
    /// How often it could have; never 0.
    pub of: u32,
}

impl Count {
    /// One chance.
    pub fn once(hit: bool) -> Self {
        Self {
            hits: u32::from(hit),
            of: 1,
        }
    }

    /// The hits among several chances.
    pub fn among(hits: impl Iterator<Item = bool>) -> Self {
        let (hits, of) = hits.fold((0, 0_u32), |(hits, of), hit| {
            (hits + u32::from(hit), of + 1)
        });
        Self {
            hits,
            of: of.max(1),
        }
    }
}

/// What is averaged over replicates.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Quantity {
    /// A share of hits, from 0 to 1.
    Share,
    /// Any number, such as an estimate less the truth.
    Number,
}

/// What all replicates saw.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Seen {
    /// What was averaged.
    pub quantity: Quantity,
    /// Replicates.
    pub replicates: u64,
    /// Its mean over replicates.
    pub mean: f64,
    /// Standard error of that mean from the spread between replicates; none for shares where each replicate had one
    /// chance, since then it follows from the share.
    pub spread_error: Option<f64>,
}

impl Seen {
    /// The shares of hits of all replicates.
    pub fn of_counts(counts: impl IntoIterator<Item = Count>) -> Self {
        let mut several = false;
        let shares: Vec<f64> = counts
            .into_iter()
            .map(|count| {
                several |= count.of > 1;
                f64::from(count.hits) / f64::from(count.of.max(1))
            })
            .collect();
        let seen = Self::of_numbers(&shares);
        Self {
            quantity: Quantity::Share,
            spread_error: seen.spread_error.filter(|_| several),
            ..seen
        }
    }

    /// The numbers of all replicates.
    pub fn of_numbers(numbers: &[f64]) -> Self {
        let n = numbers.len().max(1) as f64;
        let mean = numbers.iter().sum::<f64>() / n;
        let squares = numbers
            .iter()
            .map(|number| (number - mean).powi(2))
            .sum::<f64>();
        Self {
            quantity: Quantity::Number,
            replicates: numbers.len() as u64,
            mean,
            spread_error: Some((squares / (n - 1.0).max(1.0) / n).sqrt()),
        }
    }

    /// Standard error of the mean if it were truly `nominal`.
    fn error_at(&self, nominal: f64) -> f64 {
        self.spread_error
            .unwrap_or_else(|| (nominal * (1.0 - nominal) / self.replicates as f64).sqrt())
    }

    /// 95 % interval of the mean: Wilson's for shares where each replicate had one chance, normal over replicates
    /// otherwise.
    ///
    /// # Errors
    /// As [`proportion::wilson`].
    pub fn interval(&self) -> Result<Interval, Refused> {
        if let Some(error) = self.spread_error {
            let (least, most) = match self.quantity {
                Quantity::Share => (0.0, 1.0),
                Quantity::Number => (f64::NEG_INFINITY, f64::INFINITY),
            };
            return Ok(Interval {
                lo: (self.mean - Z_95 * error).max(least),
                hi: (self.mean + Z_95 * error).min(most),
            });
        }
        let hits = (self.mean * self.replicates as f64).round() as u64;
        Ok(proportion::wilson(hits, self.replicates)?)
    }
}

/// What a study claims of the share it counts, or of the mean it takes.
///
/// "Monte Carlo limits" are a value plus and minus [`MONTE_CARLO_Z`] standard errors at that value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Claim {
    /// It is this: it lies within the Monte Carlo limits.
    Is(f64),
    /// It is no less: it does not lie under the limits.
    AtLeast(f64),
    /// It is no more: it does not lie over the limits.
    AtMost(f64),
    /// It is more: it lies over the limits. Says that a setting is as hard as it is meant to be, and states a floor of
    /// power.
    Above(f64),
    /// It is no further from 0: its size does not lie over the limits. For a bias that is small rather than none.
    Within(f64),
}

impl Claim {
    /// Whether what was seen agrees.
    pub fn holds(self, seen: &Seen) -> bool {
        let (Self::Is(nominal)
        | Self::AtLeast(nominal)
        | Self::AtMost(nominal)
        | Self::Above(nominal)
        | Self::Within(nominal)) = self;
        let slack = MONTE_CARLO_Z * seen.error_at(nominal);
        let (low, high) = (nominal - slack, nominal + slack);
        match self {
            Self::Is(_) => (low..=high).contains(&seen.mean),
            Self::AtLeast(_) => seen.mean >= low,
            Self::AtMost(_) => seen.mean <= high,
            Self::Above(_) => seen.mean > high,
            Self::Within(_) => seen.mean.abs() <= high,
        }
    }
}

/// One line of the page.
#[derive(Debug, Clone, PartialEq)]
pub struct Study {
    /// What is counted, on which data.
    pub name: String,
    /// What is claimed of it.
    pub claim: Claim,
    /// What came of it.
    pub seen: Seen,
}

impl Study {
    /// A study that has been run.
    pub fn new(name: impl Into<String>, claim: Claim, seen: Seen) -> Self {
        Self {
            name: name.into(),
            claim,
            seen,
        }
    }

    /// Whether the claim holds.
    pub fn holds(&self) -> bool {
        self.claim.holds(&self.seen)
    }
}

/// Studies that belong together: one table of the page.
#[derive(Debug, Clone, PartialEq)]
pub struct Family {
    /// Heading.
    pub title: &'static str,
    /// What the data are and what is counted.
    pub about: &'static str,
    /// The lines.
    pub studies: Vec<Study>,
}

/// Runs `replicates` of something in parallel; what each gave, in their order.
///
/// # Errors
/// The first refusal, by number of replicate.
pub fn each<T: Send>(
    replicates: u64,
    one: impl Fn(u64) -> Result<T, Refused> + Send + Sync,
) -> Result<Vec<T>, Refused> {
    let found: Vec<Result<T, Refused>> = (0..replicates).into_par_iter().map(&one).collect();
    found.into_iter().collect()
}

/// Runs `replicates` of something that counts `K` things at once, in parallel.
///
/// # Errors
/// As [`each`].
pub fn run<const K: usize>(
    replicates: u64,
    one: impl Fn(u64) -> Result<[Count; K], Refused> + Send + Sync,
) -> Result<[Seen; K], Refused> {
    let counts = each(replicates, one)?;
    Ok(std::array::from_fn(|k| {
        Seen::of_counts(counts.iter().map(|row| row[k]))
    }))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn binary(hits: u64, replicates: u64) -> Seen {
        run(replicates, |r| Ok([Count::once(r < hits)])).unwrap()[0]
    }

    /// Worked by hand: at 0.95 and 1,000 replicates the standard error is sqrt(0.95 * 0.05 / 1000) = 0.0068920, 3.29 of
    /// them 0.022675, so the limits are 0.92733 and 0.97267.
    #[test]
    fn claims_hold_within_limits_worked_by_hand() {
        for (hits, is, at_least, at_most, above) in [
            (927, false, false, true, false),
            (928, true, true, true, false),
            (972, true, true, true, false),
            (973, false, true, false, true),
        ] {
            let seen = binary(hits, 1_000);
            assert_eq!(Claim::Is(0.95).holds(&seen), is, "{hits}");
            assert_eq!(Claim::AtLeast(0.95).holds(&seen), at_least, "{hits}");
            assert_eq!(Claim::AtMost(0.95).holds(&seen), at_most, "{hits}");
            assert_eq!(Claim::Above(0.95).holds(&seen), above, "{hits}");
        }
    }

    /// Shares 0, 1/2, 1, 1/2 by hand: mean 1/2, variance (1/4 + 1/4) / 3, standard error sqrt(1/6 / 4).
    #[test]
    fn several_chances_a_replicate_are_judged_by_their_spread() {
        let seen = run(4, |r| {
            let hits = [0, 2, 4, 2][r as usize];
            Ok([Count::among((0..4).map(|k| k < hits))])
        })
        .unwrap()[0];
        assert_eq!(seen.mean, 0.5);
        assert!((seen.spread_error.unwrap() - (1.0_f64 / 24.0).sqrt()).abs() < 1e-15);
        assert!(seen.interval().unwrap().contains(0.5));
    }

    /// Numbers -1, 0, 0, 5 by hand: mean 1, squares 4 + 1 + 1 + 16 = 22, standard error sqrt(22 / 3 / 4) = 1.35401.
    #[test]
    fn means_are_judged_by_their_spread() {
        let seen = Seen::of_numbers(&[-1.0, 0.0, 0.0, 5.0]);
        assert_eq!(seen.mean, 1.0);
        assert!((seen.spread_error.unwrap() - 1.354_01).abs() < 5e-6);
        assert!(seen.interval().unwrap().lo < -1.6);
        assert!(Claim::Is(0.0).holds(&seen) && !Claim::Above(0.0).holds(&seen));
        let none = Seen::of_numbers(&[-0.3; 4]);
        assert!(Claim::Within(0.3).holds(&none) && !Claim::Within(0.29).holds(&none));
    }

    #[test]
    fn a_refusal_ends_the_study() {
        let refused = run(10, |r| {
            if r == 7 {
                return Err("no estimate".into());
            }
            Ok([Count::once(true)])
        });
        assert_eq!(refused.unwrap_err().to_string(), "no estimate");
    }

    #[test]
    fn effort_never_goes_under_the_least() {
        assert_eq!(Effort::Full.of(5_000), 5_000);
        assert_eq!(Effort::OneIn(100).of(5_000), 50);
        assert_eq!(Effort::OneIn(0).of(50), 50);
        assert_eq!(Effort::Full.resamples(500), 500);
        assert_eq!(Effort::OneIn(100).resamples(500), 49);
        assert_eq!(Effort::OneIn(2_000).of(5_000), Effort::LEAST);
    }
}
