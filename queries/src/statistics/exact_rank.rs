//! Exact null distributions of rank correlations for few pairs.
