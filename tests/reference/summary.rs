//! Comparisons for summary.
