//! The axes of measures that are compared from quarter to quarter. Each has fixed ends, chosen by the measure and not by the
//! data, so that the same height or length means the same in every report. Where data go beyond an end, the axis is
//! widened by whole steps. The ends are common practice, no source.

use super::scale::{Scale, Unit};

/// A measure with an axis of its own.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Axis {
    /// A share, 0 to 100 %.
    Share,
    /// A size of deviation that has no sign, such as RMS, 0 to 12 dB.
    Size,
    /// A deviation with its sign, -20 to 20 dB.
    Deviation,
    /// A standard deviation between fittings, 0 to 6 dB.
    Spread,
    /// A mean score, 1 to 5.
    Score,
}

/// Ends, the step by which they are moved out, the distance of ticks, and the unit.
struct Ends {
    lo: f64,
    hi: f64,
    widen: f64,
    tick: f64,
    unit: Unit,
    /// Nothing lies below the lower end, or above the upper one.
    closed: (bool, bool),
}

impl Axis {
    const fn ends(self) -> Ends {
        match self {
            Self::Share => Ends {
                lo: 0.0,
                hi: 1.0,
                widen: 1.0,
                tick: 0.25,
                unit: Unit::Share,
                closed: (true, true),
            },
            Self::Size => Ends {
                lo: 0.0,
                hi: 12.0,
                widen: 6.0,
                tick: 2.0,
                unit: Unit::Decibel,
                closed: (true, false),
            },
            Self::Deviation => Ends {
                lo: -20.0,
                hi: 20.0,
                widen: 10.0,
                tick: 5.0,
                unit: Unit::Decibel,
                closed: (false, false),
            },
            Self::Spread => Ends {
                lo: 0.0,
                hi: 6.0,
                widen: 3.0,
                tick: 1.0,
                unit: Unit::Decibel,
                closed: (true, false),
            },
            Self::Score => Ends {
                lo: 1.0,
                hi: 5.0,
                widen: 1.0,
                tick: 1.0,
                unit: Unit::Plain,
                closed: (false, false),
            },
        }
    }
}

/// Ticks beyond this many are drawn at every second place.
const TICKS: f64 = 11.0;
/// An axis is widened by at most so many steps; what lies beyond sits on its end.
const STEPS: u32 = 50;

impl Scale {
    /// The axis of a measure, moved out by whole steps as far as the values ask.
    pub(crate) fn of(axis: Axis, values: impl IntoIterator<Item = f64>) -> Self {
        let Ends {
            mut lo,
            mut hi,
            widen,
            mut tick,
            unit,
            closed,
        } = axis.ends();
        let (least, greatest) = values
            .into_iter()
            .filter(|value| value.is_finite())
            .fold((lo, hi), |(a, b), value| (a.min(value), b.max(value)));
        for _ in 0..STEPS {
            if least < lo && !closed.0 {
                lo -= widen;
            }
            if greatest > hi && !closed.1 {
                hi += widen;
            }
        }
        while (hi - lo) / tick > TICKS {
            tick *= 2.0;
        }
        Self::straight(lo, hi, tick, unit)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn axes_do_not_move_with_the_data() {
        for (axis, one, other) in [
            (Axis::Share, vec![0.97, 0.99], vec![0.02, 0.4]),
            (Axis::Size, vec![3.0], vec![0.1, 11.9]),
            (Axis::Deviation, vec![-3.0, 4.0], vec![-19.0]),
            (Axis::Spread, vec![], vec![5.9]),
            (Axis::Score, vec![4.1, 4.4], vec![1.2, 4.9]),
        ] {
            let one = Scale::of(axis, one);
            assert_eq!(one, Scale::of(axis, other), "{axis:?}");
            assert!(
                (4..=12).contains(&one.ticks.len()),
                "{axis:?}: {:?}",
                one.ticks
            );
        }
    }

    #[test]
    fn what_lies_beyond_moves_an_end_by_whole_steps() {
        let ends = |axis, values: &[f64]| {
            let scale = Scale::of(axis, values.iter().copied());
            (scale.lo(), scale.hi())
        };
        assert_eq!(ends(Axis::Size, &[12.1]), (0.0, 18.0));
        assert_eq!(ends(Axis::Size, &[18.1, 18.2]), (0.0, 24.0));
        assert_eq!(ends(Axis::Deviation, &[-21.0]), (-30.0, 20.0));
        assert_eq!(ends(Axis::Score, &[0.4, 6.5]), (0.0, 7.0));
        assert_eq!(ends(Axis::Share, &[1.2, -0.1]), (0.0, 1.0));
        let wide = Scale::of(Axis::Size, [1e9, f64::NAN]);
        assert!(wide.hi() <= 312.0 && wide.ticks.len() <= 12);
    }
}
