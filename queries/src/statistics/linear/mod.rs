//! Least squares by QR, with errors robust to clusters.
