//! Robust estimates.
