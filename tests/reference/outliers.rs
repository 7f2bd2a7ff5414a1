//! Comparisons for outliers.
