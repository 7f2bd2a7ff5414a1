//! Tolerance intervals.
