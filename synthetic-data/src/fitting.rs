//! One fitting: who came, which ears were fitted, what was measured and what was answered.

use crate::FOUR_FREQUENCIES;
use crate::audiogram::{Audiogram, Person, Threshold, asymmetric, pta4};
use crate::clinicians::{Quantity, Staff};
use crate::draws::{Draws, Purpose, expit};
use crate::outcomes::{Answers, Before, Cuts};
use crate::real_ear::{
    AVERAGE, Circumstances, Coupling, Curves, GREATEST_SHORTFALL, LEAST_SHORTFALL, LEVELS_DB_SPL,
    SPREAD_LOG_SD, Stage, Targets,
};
use crate::scenario::Scenario;
use crate::timeline::{FittedOn, Timeline};

/// Everything that is fixed before the first fitting.
pub(crate) struct Model {
    pub(crate) scenario: Scenario,
    pub(crate) timeline: Timeline,
    pub(crate) staff: Staff,
    pub(crate) cuts: Cuts,
}

/// One ear as the `ears` table has it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct EarSheet {
    pub(crate) fitted: bool,
    pub(crate) audiogram: Audiogram,
    pub(crate) coupling: Option<Coupling>,
    pub(crate) style: Option<&'static str>,
}

/// One row of the `responses` table, levels in tenths of a decibel.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Point {
    /// 0 left, 1 right.
    pub(crate) ear: usize,
    pub(crate) stage: Stage,
    pub(crate) level_db: u8,
    /// Place in [`FREQUENCIES_HZ`](crate::FREQUENCIES_HZ).
    pub(crate) frequency: usize,
    pub(crate) target: Option<i32>,
    pub(crate) measured: i32,
}

/// One fitting with all its rows.
pub(crate) struct Fitting {
    pub(crate) number: u64,
    pub(crate) patient: u64,
    pub(crate) clinic: usize,
    pub(crate) clinician: usize,
    pub(crate) quarter: u32,
    pub(crate) fitted_on: FittedOn,
    pub(crate) age_years: Option<u8>,
    pub(crate) experienced: bool,
    pub(crate) experience_known: bool,
    pub(crate) referral: &'static str,
    pub(crate) quantity: Quantity,
    /// Left, right.
    pub(crate) ears: [EarSheet; 2],
    /// Both ears at or above 20 dB HL on average.
    pub(crate) candidate: bool,
    pub(crate) verified: bool,
    pub(crate) points: Vec<Point>,
    /// Root of the mean square deviation over the complete average-level curves, dB.
    pub(crate) rms_db: f64,
    /// Whether that can be had from the delivered rows.
    pub(crate) rms_delivered: bool,
    pub(crate) answers: Answers,
}

impl Model {
    pub(crate) fn new(scenario: &Scenario) -> Self {
        Self {
            scenario: scenario.clone(),
            timeline: Timeline::new(scenario.fittings, scenario.first_quarter, scenario.quarters),
            staff: Staff::invent(scenario),
            cuts: Cuts::new(),
        }
    }

    /// Invents fitting `number`, the same whenever it is asked for.
    pub(crate) fn fitting(&self, number: u64) -> Fitting {
        let seed = self.scenario.seed;
        let effects = &self.scenario.effects;
        let place = self.timeline.place(number);
        let person = Person::invent(
            &mut Draws::new(seed, Purpose::Person, place.patient),
            &self.staff,
        );
        let mut draws = Draws::new(seed, Purpose::Fitting, number);
        let years = f64::from(place.quarter - place.first_quarter) / 4.0;
        let clinic = &self.staff.clinics[person.clinic];
        let clinician = clinic.clinicians[draws.weighted(&clinic.caseloads)];
        let who = &self.staff.clinicians[clinician];
        let second_visit = place.patient != number;
        let experienced = draws.chance(0.55) || second_visit;
        let audiograms = person.test(years, &mut draws);

        let averages = audiograms.map(|ear| pta4(&ear));
        let candidate = matches!(averages, [Some(a), Some(b)] if a.min(b) >= 20.0);
        let two_ears = clinic.two_ears
            + effects.two_ears_trend * f64::from(place.quarter)
            + if experienced { 1.25 } else { 1.0 };
        let fitted = choose_ears(averages, two_ears, &mut draws);
        let tightness = draws.uniform();
        let style = draws.uniform();
        let ears = [0, 1].map(|side| {
            let coupling = fitted[side].then(|| Coupling::choose(&audiograms[side], tightness));
            EarSheet {
                fitted: fitted[side],
                audiogram: audiograms[side],
                coupling,
                style: coupling.map(|coupling| style_for(coupling, style)),
            }
        });

        let verified = draws.chance(who.verifies);
        let drifted = place.quarter >= effects.drift_from;
        let around = Circumstances {
            clinician: who,
            quantity: clinic.quantity,
            drift_db: if drifted { clinic.drift_db } else { 0.0 },
            shortfall: draws.between(LEAST_SHORTFALL, GREATEST_SHORTFALL),
            spread: (SPREAD_LOG_SD * draws.normal()).exp(),
        };
        let recorded = Recorded {
            first: draws.chance(who.records_first),
            levels: [draws.chance(0.96), true, draws.chance(0.94)],
            last_frequency: if clinic.records_8000 { 9 } else { 8 },
        };
        let mut points = Vec::with_capacity(if verified { 120 } else { 0 });
        let mut mean_squares = MeanSquares::default();
        for (side, ear) in ears.iter().enumerate() {
            let Some(coupling) = ear.coupling else {
                continue;
            };
            let targets = Targets::new(&ear.audiogram);
            let first = targets.measure(Stage::First, coupling, &around, &mut draws);
            if verified {
                let last = targets.measure(Stage::Final, coupling, &around, &mut draws);
                if recorded.first {
                    recorded.keep(side, Stage::First, &first, &mut points, &mut draws);
                }
                let from = points.len();
                recorded.keep(side, Stage::Final, &last, &mut points, &mut draws);
                mean_squares.add(&last, Some(&points[from..]));
            } else {
                // Nobody looked, so the wearer keeps the first fit.
                mean_squares.add(&first, None);
            }
        }
        let (rms_db, rms_delivered) = mean_squares.rms();
        let before = Before {
            rms_db,
            two_ears: fitted == [true, true],
            experienced,
            clinician: who.satisfaction,
        };
        let answers = self.cuts.ask(&before, effects, &mut draws);
        let referral = refer(asymmetric(&audiograms), who.refers, &mut draws);
        let age = (person.age + years).min(90.0) as u8;
        Fitting {
            number,
            patient: place.patient,
            clinic: person.clinic,
            clinician,
            quarter: place.quarter,
            fitted_on: self.timeline.date(place.quarter, &mut draws),
            age_years: draws.chance(0.99).then_some(age),
            experienced,
            experience_known: draws.chance(0.98),
            referral,
            quantity: clinic.quantity,
            ears,
            candidate,
            verified,
            points,
            rms_db,
            rms_delivered,
            answers,
        }
    }
}

/// Which ears are fitted. `two_ears` is the log-odds of two rather than one at a better-ear average
/// of 40 dB HL; it rises by an invented 0.02 for each decibel. An ear is aidable from 20 dB HL to 100.
fn choose_ears(averages: [Option<f64>; 2], two_ears: f64, draws: &mut Draws) -> [bool; 2] {
    // An average that is missing for want of 4 kHz stands for an ordinary loss.
    let db = averages.map(|average| average.unwrap_or(45.0));
    let aidable = db.map(|db| (20.0..=100.0).contains(&db));
    let both = draws.chance(expit(two_ears + 0.02 * (db[0].min(db[1]) - 40.0)));
    let worse = usize::from(db[1] > db[0]);
    let one = if draws.chance(0.6) { worse } else { 1 - worse };
    match aidable {
        [true, true] if both => [true, true],
        [true, false] => [true, false],
        [false, true] => [false, true],
        _ => [one == 0, one == 1],
    }
}

fn style_for(coupling: Coupling, at: f64) -> &'static str {
    match coupling {
        Coupling::Custom if at < 0.4 => "in-the-ear",
        Coupling::Open | Coupling::Vented if at < 0.75 => "receiver-in-canal",
        _ => "behind-the-ear",
    }
}

/// Referrals are recorded more often where the loss is asymmetric, and never always (invented).
fn refer(asymmetric: bool, refers: f64, draws: &mut Draws) -> &'static str {
    let due = draws.chance(if asymmetric { refers } else { 0.04 });
    let at = draws.uniform();
    match (due, at) {
        (true, 0.0..0.45) => "completed",
        (true, _) => "advised",
        (false, 0.0..0.06) => "unknown",
        (false, 0.06..0.12) => "",
        (false, _) => "none",
    }
}

/// Which points of a measured curve get into the records.
struct Recorded {
    first: bool,
    levels: [bool; 3],
    last_frequency: usize,
}

impl Recorded {
    fn keep(
        &self,
        ear: usize,
        stage: Stage,
        curves: &Curves,
        points: &mut Vec<Point>,
        draws: &mut Draws,
    ) {
        for (level, curve) in curves.iter().enumerate() {
            if !self.levels[level] {
                continue;
            }
            for (frequency, pair) in curve.iter().enumerate().take(self.last_frequency + 1) {
                let lost = draws.chance(if frequency == 8 { 0.04 } else { 0.003 });
                if !lost {
                    points.push(Point {
                        ear,
                        stage,
                        level_db: LEVELS_DB_SPL[level],
                        frequency,
                        target: pair.target,
                        measured: pair.measured,
                    });
                }
            }
        }
    }
}

/// Mean squares of the average-level curves, of all and of those that were delivered whole.
#[derive(Default)]
struct MeanSquares {
    all: (f64, u32),
    delivered: (f64, u32),
}

impl MeanSquares {
    fn add(&mut self, curves: &Curves, delivered: Option<&[Point]>) {
        let squares = FOUR_FREQUENCIES.iter().map(|&f| {
            let pair = curves[AVERAGE][f];
            // Without a target there is no deviation; such a curve counts as on target there.
            let deviation = pair.target.map_or(0, |target| pair.measured - target);
            f64::from(deviation * deviation) / 100.0
        });
        let mean = squares.sum::<f64>() / 4.0;
        self.all = (self.all.0 + mean, self.all.1 + 1);
        let compared = delivered.unwrap_or_default().iter().filter(|point| {
            point.level_db == LEVELS_DB_SPL[AVERAGE]
                && point.target.is_some()
                && FOUR_FREQUENCIES.contains(&point.frequency)
        });
        if compared.count() == FOUR_FREQUENCIES.len() {
            self.delivered = (self.delivered.0 + mean, self.delivered.1 + 1);
        }
    }

    /// RMS, dB, of the delivered curves, or of all where none was; and which.
    fn rms(&self) -> (f64, bool) {
        let root = |(sum, n): (f64, u32)| (sum / f64::from(n.max(1))).sqrt();
        if self.delivered.1 > 0 {
            (root(self.delivered), true)
        } else {
            (root(self.all), false)
        }
    }
}

impl EarSheet {
    /// An ear of a plain invented loss, for the few fittings that planted errors need.
    pub(crate) fn plain() -> Self {
        Self {
            fitted: true,
            audiogram: [20, 25, 30, 35, 40, 50, 55, 60, 65, 65].map(Threshold::Level),
            coupling: Some(Coupling::Vented),
            style: Some("behind-the-ear"),
        }
    }
}
