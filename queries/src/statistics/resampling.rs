//! Bootstrap over clusters.
