//! Groups' spreads compared on the logarithmic scale.
