//! Bounds of a mean or a share when some answers are not known.
