//! Quarters, dates, and which fitting is a patient's second.

use crate::draws::Draws;

/// Share of fittings, from the second quarter on, that are a return of an earlier patient (invented).
const RETURN_SHARE: f64 = 0.055;
/// Weight of the four quarters of a year: a quiet summer and a busy spring (invented).
const SEASON: [f64; 4] = [1.00, 1.06, 0.92, 1.02];

/// Where a fitting stands: its quarter, and whose it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Place {
    /// Quarter, counted from 0.
    pub(crate) quarter: u32,
    /// The patient, named by the number of their first fitting.
    pub(crate) patient: u64,
    /// Quarter of the patient's first fitting.
    pub(crate) first_quarter: u32,
}

/// How the fittings are laid over the quarters: numbers rise with time.
pub(crate) struct Timeline {
    first: (i32, u8),
    /// First fitting of each quarter, and the end.
    bounds: Vec<u64>,
    /// Returns in each quarter: its last fittings.
    returns: Vec<u64>,
}

/// A date as the delivery writes it: fine, or no finer than its month or quarter.
#[derive(Debug, Clone, Copy)]
pub(crate) enum FittedOn {
    Day(i32, u8, u8),
    Month(i32, u8),
    Quarter(i32, u8),
}

impl Timeline {
    pub(crate) fn new(fittings: u64, first: (i32, u8), quarters: u32) -> Self {
        let season = |q: u32| SEASON[((u32::from(first.1) - 1 + q) % 4) as usize];
        let total: f64 = (0..quarters).map(season).sum();
        let mut bounds = vec![0];
        let mut sum = 0.0;
        for q in 0..quarters {
            sum += season(q);
            let end = (fittings as f64 * sum / total).round() as u64;
            bounds.push(if q + 1 == quarters { fittings } else { end });
        }
        let whole = |fitting: u64| (RETURN_SHARE * fitting as f64) as u64;
        let returns = bounds
            .windows(2)
            .enumerate()
            .map(|(q, pair)| {
                if q == 0 {
                    0
                } else {
                    whole(pair[1]) - whole(pair[0])
                }
            })
            .collect();
        Self {
            first,
            bounds,
            returns,
        }
    }

    /// Place of a fitting. The r-th return of quarter q goes to quarter r mod q, and there to a place
    /// that no other return takes, so that nobody comes three times and nothing has to be remembered.
    pub(crate) fn place(&self, fitting: u64) -> Place {
        let quarters = self.returns.len() as u64;
        let q = self
            .bounds
            .partition_point(|&start| start <= fitting)
            .saturating_sub(1)
            .min(self.returns.len() - 1);
        let new = Place {
            quarter: q as u32,
            patient: fitting,
            first_quarter: q as u32,
        };
        let first_return = self.bounds[q + 1] - self.returns[q];
        if q == 0 || fitting < first_return {
            return new;
        }
        let rank = fitting - first_return;
        let earlier = (rank % q as u64) as usize;
        let patient = self.bounds[earlier] + rank / q as u64 * quarters + q as u64;
        if patient >= self.bounds[earlier + 1] - self.returns[earlier] {
            return new;
        }
        Place {
            quarter: q as u32,
            patient,
            first_quarter: earlier as u32,
        }
    }

    /// Year and quarter (1-4) of the quarter counted from 0.
    pub(crate) fn calendar(&self, quarter: u32) -> (i32, u8) {
        let q = i64::from(self.first.0) * 4 + i64::from(self.first.1) - 1 + i64::from(quarter);
        (q.div_euclid(4) as i32, q.rem_euclid(4) as u8 + 1)
    }

    /// Name of a quarter, such as `2026-Q3`.
    pub(crate) fn name(&self, quarter: u32) -> String {
        let (year, q) = self.calendar(quarter);
        format!("{year}-Q{q}")
    }

    /// A date inside the quarter: nine in ten to the day, the others coarser (invented).
    pub(crate) fn date(&self, quarter: u32, draws: &mut Draws) -> FittedOn {
        let (year, q) = self.calendar(quarter);
        let month = (q - 1) * 3 + 1 + draws.below(3) as u8;
        let day = 1 + draws.below(u64::from(days_in(year, month))) as u8;
        let form = draws.uniform();
        if form < 0.06 {
            FittedOn::Quarter(year, q)
        } else if form < 0.10 {
            FittedOn::Month(year, month)
        } else {
            FittedOn::Day(year, month, day)
        }
    }
}

/// Days of a month in the Gregorian calendar.
fn days_in(year: i32, month: u8) -> u8 {
    match month {
        4 | 6 | 9 | 11 => 30,
        2 if year % 4 == 0 && (year % 100 != 0 || year % 400 == 0) => 29,
        2 => 28,
        _ => 31,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeMap;

    #[test]
    fn nobody_comes_three_times_and_returns_come_later() {
        for fittings in [1, 3, 40, 999, 12_345] {
            let timeline = Timeline::new(fittings, (2024, 4), 8);
            let mut visits: BTreeMap<u64, Vec<u32>> = BTreeMap::new();
            for fitting in 0..fittings {
                let place = timeline.place(fitting);
                if place.patient != fitting {
                    assert!(place.first_quarter < place.quarter);
                    assert_eq!(timeline.place(place.patient).patient, place.patient);
                    assert_eq!(timeline.place(place.patient).quarter, place.first_quarter);
                }
                visits.entry(place.patient).or_default().push(place.quarter);
            }
            assert!(visits.values().all(|v| v.len() <= 2));
            if fittings > 900 {
                let twice = visits.values().filter(|v| v.len() == 2).count();
                let share = twice as f64 / visits.len() as f64;
                assert!((0.04..0.06).contains(&share), "{share}");
            }
        }
    }

    /// Two years from the last quarter of 2024 end with the third of 2026; 2000 and 2024 were leap
    /// years, 1900 and 2025 were not.
    #[test]
    fn calendar() {
        let timeline = Timeline::new(80, (2024, 4), 8);
        assert_eq!(timeline.name(0), "2024-Q4");
        assert_eq!(timeline.name(1), "2025-Q1");
        assert_eq!(timeline.name(7), "2026-Q3");
        assert_eq!(
            [2000, 2024, 1900, 2025].map(|year| days_in(year, 2)),
            [29, 29, 28, 28]
        );
    }
}
