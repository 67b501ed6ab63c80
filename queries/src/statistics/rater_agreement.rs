//! Intraclass correlations of raters.
