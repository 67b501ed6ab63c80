//! Weights for answers that did not come back, and bounds.
