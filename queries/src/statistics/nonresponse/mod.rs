//! Answers that did not come back: weights that let the answers that did stand for the others, and bounds that assume
//! nothing.

pub mod bounds;
pub mod weights;
