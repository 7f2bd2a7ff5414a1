//! Comparisons for agreement.
