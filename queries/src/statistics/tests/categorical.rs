//! Tests of the categorical family.
