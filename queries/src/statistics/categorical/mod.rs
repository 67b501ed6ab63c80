//! Logistic and proportional-odds regression.
