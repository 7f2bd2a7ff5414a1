//! Comparisons for chemistry.
