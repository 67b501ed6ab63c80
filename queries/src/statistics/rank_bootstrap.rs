//! Rank correlations bootstrapped over clusters.
