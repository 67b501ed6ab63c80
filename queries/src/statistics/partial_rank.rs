//! Partial rank correlation.
