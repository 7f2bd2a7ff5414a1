//! Comparisons for control.
