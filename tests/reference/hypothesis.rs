//! Comparisons for hypothesis.
