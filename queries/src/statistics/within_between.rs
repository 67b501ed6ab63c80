//! A covariate split into group mean and deviation.
