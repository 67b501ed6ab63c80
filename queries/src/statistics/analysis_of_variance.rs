//! One-way analysis of variance.
