//! Real-ear curves: what the target asks for and what is measured.
//!
//! A first fit falls short of target more as frequency rises, by up to about 10 dB at 2-4 kHz (Sammeth
//! et al. 1993, from memory). Adjustment takes most of that away; what stays is the clinician's bias, habit
//! and spread. Sizes other than that are invented.

use crate::FOUR_FREQUENCIES;
use crate::audiogram::{Audiogram, along_octaves};
use crate::clinicians::{Clinician, Quantity};
use crate::draws::Draws;
use crate::prescription::{
    UNAIDED_RESPONSE_DB, applied, at_level, between_octaves, compression_ratio, nal_r,
};

/// Input levels, dB SPL: soft, average, loud.
pub(crate) const LEVELS_DB_SPL: [u8; 3] = [55, 65, 80];
/// Place of the average level in [`LEVELS_DB_SPL`].
pub(crate) const AVERAGE: usize = 1;

/// Usual shortfall of a first fit, dB, at the ten frequencies.
const SHORTFALL_DB: [f64; 10] = [0.0, 0.5, 1.0, 1.5, 2.5, 4.0, 6.0, 7.0, 8.0, 9.0];
/// Where a clinician's high-frequency habit acts.
const HABIT: [f64; 10] = [0.0, 0.0, 0.0, 0.0, 0.1, 0.3, 1.0, 1.0, 1.0, 0.8];
/// Greatest level in the ear canal of any invented hearing aid, dB SPL.
const GREATEST_OUTPUT_DB_SPL: f64 = 132.0;

/// Bounds of a fitting's factor on the usual shortfall.
pub(crate) const LEAST_SHORTFALL: f64 = 0.4;
pub(crate) const GREATEST_SHORTFALL: f64 = 1.4;
/// SD of the logarithm of a fitting's factor on the clinician's spread.
pub(crate) const SPREAD_LOG_SD: f64 = 0.35;
/// SD of what all points of one curve share, and of each point's own error, dB.
const CURVE_SD_DB: f64 = 0.6;
const POINT_SD_DB: f64 = 0.7;

/// How an ear is coupled to its hearing aid.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Coupling {
    Open,
    Vented,
    Closed,
    Custom,
}

impl Coupling {
    pub(crate) fn word(self) -> &'static str {
        match self {
            Self::Open => "open",
            Self::Vented => "vented",
            Self::Closed => "closed",
            Self::Custom => "custom",
        }
    }

    /// Chosen by the threshold at 500 Hz (invented): the more loss, the tighter.
    pub(crate) fn choose(audiogram: &Audiogram, at: f64) -> Self {
        let low = audiogram[1].db().unwrap_or(40.0);
        let shares: [f64; 3] = if low < 30.0 {
            [0.75, 0.95, 1.0]
        } else if low < 45.0 {
            [0.25, 0.80, 0.95]
        } else if low < 70.0 {
            [0.02, 0.30, 0.75]
        } else {
            [0.0, 0.05, 0.35]
        };
        match shares.iter().position(|&sum| at < sum) {
            Some(0) => Self::Open,
            Some(1) => Self::Vented,
            Some(_) => Self::Closed,
            None => Self::Custom,
        }
    }

    /// Gain, dB, beyond which most of it leaks out, at 250, 500 and 750 Hz (invented).
    fn leak_limits(self) -> Option<[f64; 3]> {
        match self {
            Self::Open => Some([2.0, 7.0, 13.0]),
            Self::Vented => Some([7.0, 14.0, 22.0]),
            Self::Closed | Self::Custom => None,
        }
    }
}

/// Before or after adjustment.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Stage {
    First,
    Final,
}

impl Stage {
    pub(crate) fn word(self) -> &'static str {
        match self {
            Self::First => "first",
            Self::Final => "final",
        }
    }
}

/// What acts on every curve of one fitting.
pub(crate) struct Circumstances<'a> {
    pub(crate) clinician: &'a Clinician,
    pub(crate) quantity: Quantity,
    /// How far everything falls because the clinic drifted, dB.
    pub(crate) drift_db: f64,
    /// Factor on the usual shortfall of a first fit.
    pub(crate) shortfall: f64,
    /// Factor on the clinician's spread.
    pub(crate) spread: f64,
}

/// Target, where there is one, and response at one frequency, in tenths of a decibel.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Pair {
    pub(crate) target: Option<i32>,
    pub(crate) measured: i32,
}

/// Curves of one ear at one stage: level by frequency.
pub(crate) type Curves = [[Pair; 10]; 3];

/// Targets at 65 dB SPL (insertion gain, dB) as they follow from the recorded audiogram.
pub(crate) struct Targets {
    reig_65: [Option<f64>; 10],
    ratio: [f64; 10],
}

impl Targets {
    pub(crate) fn new(audiogram: &Audiogram) -> Self {
        let filled = between_octaves(&audiogram.map(|threshold| threshold.db()));
        Self {
            reig_65: nal_r(&filled).map(|gain| gain.map(applied)),
            ratio: filled.map(|threshold| threshold.map_or(1.0, compression_ratio)),
        }
    }

    /// Curves of one stage.
    pub(crate) fn measure(
        &self,
        stage: Stage,
        coupling: Coupling,
        around: &Circumstances<'_>,
        draws: &mut Draws,
    ) -> Curves {
        let who = around.clinician;
        let (remaining, sd) = match stage {
            Stage::First => (1.0, 3.0),
            Stage::Final => (1.0 - who.adjustment, who.spread_db),
        };
        let smooth = along_octaves(draws, 0.55);
        let leaks = coupling.leak_limits();
        // Where no target is defined the aid still gives the gain of the frequency below.
        let mut gain = 0.0;
        let mut curves = [[Pair::default(); 10]; 3];
        let mut base = [(0.0, 0.0); 10];
        for f in 0..10 {
            gain = self.reig_65[f].unwrap_or(gain);
            let leak = match (leaks, f) {
                (Some(limits), 0..=2) => 0.8 * (gain - limits[f]).max(0.0),
                _ => 0.0,
            };
            let deviation = who.bias_db
                - remaining * around.shortfall * SHORTFALL_DB[f]
                - who.high_frequency_habit_db * HABIT[f]
                - around.drift_db
                - leak
                + around.spread * sd * smooth[f];
            base[f] = (gain, deviation);
        }
        for (curve, level) in curves.iter_mut().zip(LEVELS_DB_SPL) {
            let level = f64::from(level);
            let offset = CURVE_SD_DB * draws.normal();
            for (f, pair) in curve.iter_mut().enumerate() {
                let (gain, deviation) = base[f];
                let wanted = at_level(gain, level, self.ratio[f]);
                let ceiling = GREATEST_OUTPUT_DB_SPL - level - UNAIDED_RESPONSE_DB[f];
                let wanted = wanted.min(ceiling);
                let reached =
                    (wanted + deviation + offset + POINT_SD_DB * draws.normal()).min(ceiling);
                let carry = match around.quantity {
                    Quantity::Reig => 0.0,
                    Quantity::Rear => level + UNAIDED_RESPONSE_DB[f],
                };
                *pair = Pair {
                    target: self.reig_65[f].map(|_| tenths(wanted + carry)),
                    measured: tenths(reached + carry),
                };
            }
        }
        curves
    }
}

/// The RMS deviation to expect of a clinician's final curves over 500, 1000, 2000 and 4000 Hz, dB: root of the
/// expected mean square. Leaks, greatest output and drift are left out, since they belong to ears and clinics.
pub(crate) fn typical_rms_db(who: &Clinician) -> f64 {
    let shortfall = (LEAST_SHORTFALL + GREATEST_SHORTFALL) / 2.0;
    // Variance of a uniform: the width squared over 12. Mean square of a log-normal about 1: exp(2 sd^2).
    let shortfall_variance = (GREATEST_SHORTFALL - LEAST_SHORTFALL).powi(2) / 12.0;
    let noise = (2.0 * SPREAD_LOG_SD * SPREAD_LOG_SD).exp() * who.spread_db * who.spread_db
        + CURVE_SD_DB * CURVE_SD_DB
        + POINT_SD_DB * POINT_SD_DB;
    let squares = FOUR_FREQUENCIES.iter().map(|&f| {
        let remaining = (1.0 - who.adjustment) * SHORTFALL_DB[f];
        let mean = who.bias_db - remaining * shortfall - who.high_frequency_habit_db * HABIT[f];
        mean * mean + remaining * remaining * shortfall_variance + noise
    });
    (squares.sum::<f64>() / FOUR_FREQUENCIES.len() as f64).sqrt()
}

fn tenths(db: f64) -> i32 {
    (db * 10.0).round() as i32
}
