//! Random intercept with covariates.
