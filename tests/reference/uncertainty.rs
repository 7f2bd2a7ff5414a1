//! Comparisons for uncertainty.
