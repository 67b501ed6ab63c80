//! Inverse-probability weights from a model of who answers.
