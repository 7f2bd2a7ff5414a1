//! Comparisons for robust.
