//! Comparisons for comparison.
