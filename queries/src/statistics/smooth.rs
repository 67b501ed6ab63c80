//! Local and monotone curves.
