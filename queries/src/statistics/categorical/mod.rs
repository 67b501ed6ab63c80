//! Logistic and proportional-odds regression.
//!
//! Both are one model: a yes or no is a score with two categories. Rows that share a clinician or a patient are not
//! independent; their errors come from [`sandwich`].
//!
//! | module | what it holds |
//! |---|---|
//! | [`proportional_odds`] | the model of ordered scores |
//! | [`logistic`] | the model of a yes or no |
//! | [`sandwich`] | errors robust to clusters |
//! | [`proportionality`] | whether the effects are the same at every threshold |
//! | [`separation`] | how a fit without a finite estimate is recognised |
//! | [`estimate`] | intervals, p-values and odds ratios |

mod design;
pub mod estimate;
mod likelihood;
pub mod logistic;
mod newton;
pub mod proportional_odds;
pub mod proportionality;
pub mod sandwich;
pub mod separation;

pub(in crate::statistics) use newton::Factor;
