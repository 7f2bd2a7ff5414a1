//! Comparisons for regression.
