//! Scales: which values an axis spans, where its ticks are and what they say.

use crate::format;

/// A tick; minor ticks carry no label.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Tick {
    /// Its value.
    pub(crate) value: f64,
    /// Its label.
    pub(crate) label: Option<String>,
}

/// A straight or a logarithmic (base 2) scale with its ticks.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Scale {
    lo: f64,
    hi: f64,
    octaves: bool,
    /// The ticks, rising.
    pub(crate) ticks: Vec<Tick>,
}

/// What the numbers on a straight scale are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Unit {
    /// Fractions 0-1, shown as per cent.
    Share,
    /// Levels, dB.
    Decibel,
    /// Scores, coefficients.
    Plain,
    /// Whole numbers of something.
    Count,
}

impl Scale {
    /// Position of a value between the ends, 0-1; values beyond an end sit on it.
    pub(crate) fn fraction(&self, value: f64) -> f64 {
        let (lo, hi, value) = if self.octaves {
            (
                self.lo.log2(),
                self.hi.log2(),
                value.max(f64::MIN_POSITIVE).log2(),
            )
        } else {
            (self.lo, self.hi, value)
        };
        if hi > lo {
            ((value - lo) / (hi - lo)).clamp(0.0, 1.0)
        } else {
            0.5
        }
    }

    /// The upper end.
    pub(crate) fn hi(&self) -> f64 {
        self.hi
    }

    /// The lower end.
    #[cfg(test)]
    pub(crate) fn lo(&self) -> f64 {
        self.lo
    }

    /// A straight scale between two ends, with labelled ticks at every step.
    pub(super) fn straight(lo: f64, hi: f64, step: f64, unit: Unit) -> Self {
        Self {
            lo,
            hi,
            octaves: false,
            ticks: ticks(lo, hi, step, unit),
        }
    }

    /// A straight scale that holds the values, with about `wanted` labelled ticks. Shares stay
    /// inside 0-1, counts above 0.
    pub(crate) fn around(values: impl IntoIterator<Item = f64>, unit: Unit, wanted: usize) -> Self {
        let (mut lo, mut hi) = values
            .into_iter()
            .filter(|value| value.is_finite())
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(lo, hi), value| {
                (lo.min(value), hi.max(value))
            });
        let least = match unit {
            Unit::Share => 0.05,
            Unit::Decibel => 2.0,
            Unit::Plain => 0.2,
            Unit::Count => 4.0,
        };
        if lo > hi {
            (lo, hi) = (0.0, least);
        }
        if hi - lo < least {
            let middle = f64::midpoint(lo, hi);
            (lo, hi) = (middle - least / 2.0, middle + least / 2.0);
        }
        let step = step(hi - lo, wanted, unit);
        let mut first = (lo / step + 1e-9).floor() * step;
        let mut last = (hi / step - 1e-9).ceil() * step;
        match unit {
            Unit::Share => (first, last) = (first.max(0.0), last.min(1.0)),
            Unit::Count => first = first.max(0.0),
            Unit::Decibel | Unit::Plain => {}
        }
        if last <= first {
            last = first + step;
        }
        Self {
            lo: first,
            hi: last,
            octaves: false,
            ticks: ticks(first, last, step, unit),
        }
    }

    /// The audiometric frequencies on a logarithmic scale: octaves are labelled, the half octaves
    /// between them are minor ticks.
    pub(crate) fn frequencies(hertz: impl IntoIterator<Item = f64>) -> Self {
        let (lo, hi) = hertz
            .into_iter()
            .filter(|value| *value > 0.0)
            .fold((f64::INFINITY, 0.0_f64), |(lo, hi), value| {
                (lo.min(value), hi.max(value))
            });
        let (lo, hi) = if lo <= hi { (lo, hi) } else { (250.0, 8000.0) };
        // A third of an octave of air on both sides keeps boxes off the frame.
        let air = 2.0_f64.powf(1.0 / 3.0);
        let (lo, hi) = (lo / air, hi * air);
        let octaves = [125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0];
        let between = [750.0, 1500.0, 3000.0, 6000.0];
        let mut ticks: Vec<Tick> = octaves
            .into_iter()
            .map(|value| (value, Some(format::frequency(value))))
            .chain(between.into_iter().map(|value| (value, None)))
            .filter(|(value, _)| (lo..=hi).contains(value))
            .map(|(value, label)| Tick { value, label })
            .collect();
        ticks.sort_by(|one, other| one.value.total_cmp(&other.value));
        Self {
            lo,
            hi,
            octaves: true,
            ticks,
        }
    }

    /// A straight scale between two ends, with a label at each of some places.
    pub(crate) fn span(lo: f64, hi: f64, names: &[(f64, String)]) -> Self {
        Self {
            lo,
            hi,
            octaves: false,
            ticks: names
                .iter()
                .map(|(value, name)| Tick {
                    value: *value,
                    label: Some(name.clone()),
                })
                .collect(),
        }
    }

    /// Ratios on a logarithmic scale around 1, from 0.01 to 100 at most: ratios beyond sit on the end.
    pub(crate) fn ratios(values: impl IntoIterator<Item = f64>) -> Self {
        const WIDE: [f64; 13] = [
            0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0,
        ];
        const NARROW: [f64; 9] = [0.5, 0.6, 0.7, 0.8, 1.0, 1.25, 1.5, 1.75, 2.0];
        let (lo, hi) = values
            .into_iter()
            .filter(|value| value.is_finite())
            .fold((1.0_f64, 1.0_f64), |(lo, hi), value| {
                (lo.min(value), hi.max(value))
            });
        let steps: &[f64] = if lo >= 0.5 && hi <= 2.0 {
            &NARROW
        } else {
            &WIDE
        };
        let below = steps
            .iter()
            .copied()
            .filter(|step| *step <= lo && *step < 1.0);
        let above = steps
            .iter()
            .copied()
            .filter(|step| *step >= hi && *step > 1.0);
        let ends = [steps.first(), steps.last()].map(|end| end.copied().unwrap_or(1.0));
        let lo = below.fold(ends[0], f64::max);
        let hi = above.fold(ends[1], f64::min);
        Self {
            lo,
            hi,
            octaves: true,
            ticks: steps
                .iter()
                .filter(|step| (lo..=hi).contains(*step))
                .map(|step| Tick {
                    value: *step,
                    label: Some(format::plain(*step)),
                })
                .collect(),
        }
    }

    /// Quarters in a row; `names` holds their number on the axis and their name. At most `most`
    /// get a label; where there are more, the first quarters of years do.
    pub(crate) fn quarters(names: &[(f64, String)], most: usize) -> Self {
        let lo = names.first().map_or(0.0, |(place, _)| *place) - 0.5;
        let hi = names.last().map_or(0.0, |(place, _)| *place) + 0.5;
        let all = names.len() <= most;
        let years: Vec<&(f64, String)> = names
            .iter()
            .filter(|(_, name)| name.ends_with("-Q1"))
            .collect();
        let every = years.len().div_ceil(most.max(1)).max(1);
        let ticks = if all || years.is_empty() {
            let every = names.len().div_ceil(most.max(1)).max(1);
            names
                .iter()
                .enumerate()
                .filter(|(place, _)| place % every == 0)
                .map(|(_, (place, name))| Tick {
                    value: *place,
                    label: Some(name.clone()),
                })
                .collect()
        } else {
            years
                .iter()
                .enumerate()
                .map(|(place, (value, name))| Tick {
                    value: *value,
                    label: (place % every == 0).then(|| name.clone()),
                })
                .collect()
        };
        Self {
            lo,
            hi,
            octaves: false,
            ticks,
        }
    }
}

/// A step of 1, 2, 2.5 or 5 times a power of ten that gives about the wanted number of ticks.
fn step(span: f64, wanted: usize, unit: Unit) -> f64 {
    let rough = span / wanted.max(1) as f64;
    let power = 10.0_f64.powf(rough.log10().floor());
    let steps: &[f64] = match unit {
        Unit::Share => &[1.0, 2.0, 2.5, 5.0, 10.0],
        _ => &[1.0, 2.0, 5.0, 10.0],
    };
    let found = steps
        .iter()
        .map(|factor| factor * power)
        .find(|step| *step >= rough * 0.999)
        .unwrap_or(power * 10.0);
    match unit {
        Unit::Count => found.max(1.0).round(),
        Unit::Share => found.max(0.01),
        _ => found,
    }
}

fn ticks(first: f64, last: f64, step: f64, unit: Unit) -> Vec<Tick> {
    let mut out = Vec::new();
    let mut index = (first / step - 1e-9).ceil();
    // A figure never has a hundred ticks; the bound holds whatever the numbers are.
    while out.len() < 100 && index * step <= last + step * 1e-6 {
        let value = index * step;
        out.push(Tick {
            value,
            label: Some(match unit {
                Unit::Share => format::tick_share(value),
                Unit::Count => format::tick(value, 1.0),
                Unit::Decibel | Unit::Plain => format::tick(value, step),
            }),
        });
        index += 1.0;
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn octaves_are_equally_far_apart() {
        // Definition of the octave: a doubling of frequency (from memory, ISO 266).
        let scale = Scale::frequencies([250.0, 8000.0]);
        let steps: Vec<f64> = [250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0]
            .windows(2)
            .map(|pair| scale.fraction(pair[1]) - scale.fraction(pair[0]))
            .collect();
        for step in &steps {
            assert!((step - steps[0]).abs() < 1e-12);
        }
        let labels: Vec<_> = scale
            .ticks
            .iter()
            .filter_map(|tick| tick.label.clone())
            .collect();
        assert_eq!(labels, ["250", "500", "1k", "2k", "4k", "8k"]);
    }

    #[test]
    fn ratios_are_symmetric_about_one_and_hold_what_they_can() {
        let scale = Scale::ratios([0.3, 1.2]);
        assert!(
            (scale.fraction(0.5) + scale.fraction(2.0) - 2.0 * scale.fraction(1.0)).abs() < 1e-12
        );
        assert_eq!((scale.lo, scale.hi), (0.2, 2.0));
        let narrow = Scale::ratios([0.93, 1.04]);
        assert_eq!((narrow.lo, narrow.hi), (0.8, 1.25));
        let labels: Vec<_> = narrow
            .ticks
            .iter()
            .filter_map(|tick| tick.label.clone())
            .collect();
        assert_eq!(labels, ["0.8", "1", "1.25"]);
        let wide = Scale::ratios([1e-9, 1e9]);
        assert_eq!((wide.fraction(1e-9), wide.fraction(1e9)), (0.0, 1.0));
    }

    #[test]
    fn straight_scales_hold_their_values_and_stay_in_bounds() {
        for (values, unit) in [
            (vec![0.612, 0.58], Unit::Share),
            (vec![0.0, 1.0], Unit::Share),
            (vec![-12.3, 8.0], Unit::Decibel),
            (vec![7.0], Unit::Count),
            (vec![], Unit::Plain),
        ] {
            let scale = Scale::around(values.iter().copied(), unit, 5);
            assert!(scale.ticks.len() >= 2, "{values:?}: {:?}", scale.ticks);
            for value in &values {
                assert!(scale.lo <= *value && *value <= scale.hi);
            }
            if unit == Unit::Share {
                assert!(scale.lo >= 0.0 && scale.hi <= 1.0);
            }
        }
    }

    #[test]
    fn many_quarters_are_labelled_by_year() {
        let names: Vec<(f64, String)> = (0..40)
            .map(|k| (f64::from(k), format!("{}-Q{}", 2016 + k / 4, k % 4 + 1)))
            .collect();
        let scale = Scale::quarters(&names, 8);
        let labelled = scale
            .ticks
            .iter()
            .filter(|tick| tick.label.is_some())
            .count();
        assert!((3..=8).contains(&labelled));
    }
}
