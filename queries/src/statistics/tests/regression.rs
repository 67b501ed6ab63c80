//! Tests of the regression family.
