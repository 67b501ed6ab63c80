//! Tests of the mixed family.
