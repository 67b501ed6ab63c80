//! Tests of the resampling family.
