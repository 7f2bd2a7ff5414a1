//! Comparisons for merkle.
