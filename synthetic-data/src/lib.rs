//! An invented delivery of fitting records whose truth is known.
//!
//! [`write_delivery`] writes a delivery in the published format (four CSV tables) together with
//! `truth.json`, which states everything that was planted, so that a whole run of ingest and
//! analysis can be checked against it. [`cohort()`] gives the same fittings as records in memory, with what a delivery
//! leaves out. No person, practice or device in either is real.
//!
//! # What is modelled, and from where
//!
//! | part | module | source |
//! |---|---|---|
//! | medians and spreads of threshold by age and sex | [`age_thresholds`] | ISO 7029:2000, from memory; beyond 70 years and at 750 Hz invented |
//! | clinic shift, noise notch, one-sided and asymmetric losses | `audiogram` | invented; correlation between frequencies close to CDC/NCHS NHANES 2011-12, 2015-16, 2017-20 (aggregate figures) |
//! | targets at 65 dB SPL | [`prescription`] | NAL-R, Byrne & Dillon (1986), Ear Hear 7:257 |
//! | targets at other levels, unaided ear-canal response | [`prescription`] | invented |
//! | first fits that fall short towards 2-4 kHz | `real_ear` | size after Sammeth et al. (1993), from memory; shape invented |
//! | bias, spread, caseload and habits of clinicians | `clinicians` | invented |
//! | satisfaction that goes with a clinician's match, though not by it | `clinicians` | planted (none in the demo) |
//! | satisfaction: proportional odds (McCullagh 1980) with a planted effect of match | `outcomes` | effect size so that rank correlation is about -0.11 (after Almufarrij et al. 2021); the rest invented |
//! | who answers: by satisfaction, and by match and experience where planted | `outcomes` | invented |
//! | hours of use with one and two aids | `outcomes` | means 7.8 and 9.1 h a day (AJA 2017); spread invented |
//! | rows that break a rule | `planted` | the rules of the delivery format |
//!
//! # Determinism
//!
//! Each person, each fitting and each clinician has a ChaCha stream of its own, and everything that
//! is summed for the truth is summed as integers in the order of the fittings. The bytes written
//! depend on the [`Scenario`] alone, never on the number of threads.

pub mod age_thresholds;
mod audiogram;
mod clinicians;
mod cohort;
mod data_package;
mod delivery;
mod draws;
mod error;
mod fitting;
mod outcomes;
mod planted;
pub mod prescription;
mod readme;
mod real_ear;
mod rows;
mod scenario;
mod spoiled_rows;
mod tally;
mod timeline;
pub mod truth;

pub use cohort::{Record, cohort};
pub use delivery::write_delivery;
pub use error::SynthesisError;
pub use scenario::{Effects, Scenario};
pub use truth::Truth;

/// The ten audiometric frequencies of the delivery format, Hz, in the order of its columns.
pub const FREQUENCIES_HZ: [u16; 10] = [250, 500, 750, 1000, 1500, 2000, 3000, 4000, 6000, 8000];

/// Places in [`FREQUENCIES_HZ`] of 500, 1000, 2000 and 4000 Hz: the frequencies of the four-frequency
/// pure-tone average and of the RMS deviation.
pub const FOUR_FREQUENCIES: [usize; 4] = [1, 3, 5, 7];
