//! Tests of the missing family.
